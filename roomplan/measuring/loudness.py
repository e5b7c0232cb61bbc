"""Loudness of sound files, streamed: an hour takes no more memory than a minute.

Conventions
-----------
Loudness in LUFS and LU, peaks in dBTP and dBFS, see `roomplan.loudness`. Files are read as float64. A file
that cannot be metered is a result too (`Unmeasured`) and never stops the rest.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomplan.audio.info import BLOCK_FRAMES, NotFiniteError, SoundSource
from roomplan.errors import AudioError, RoomplanError
from roomplan.frozen_classes import frozen_class
from roomplan.loudness.programme import SoundMeter
from roomplan.loudness.roles import channel_roles
from roomplan.loudness.weighting import HIGHEST_SAMPLE_RATE
from roomplan.measuring.attempts import Unmeasured, attempt

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from pathlib import Path

    from roomplan.audio.info import SoundInfo
    from roomplan.loudness.programme import ProgrammeLoudness
    from roomplan.loudness.roles import ChannelRole

    Progress = Callable[[int, int], None]

__all__ = ["MeteredFile", "file_loudness", "meter_files"]


@frozen_class
class MeteredFile:
    """A sound file and its loudness."""

    info: SoundInfo
    loudness: ProgrammeLoudness

    @property
    def path(self) -> Path:
        """Where the file is."""
        return self.info.path


def file_loudness(
    path: Path, *, roles: Sequence[ChannelRole] | None = None, progress: Progress | None = None
) -> tuple[SoundInfo, ProgrammeLoudness]:
    """All loudness figures of one sound file.

    Parameters
    ----------
    path : Path
        Any file that `inspect_sound` takes, of 8 to 192 kHz.
    roles : sequence of ChannelRole, optional
        Roles of a file with as many channels. A file of one or two channels that they do not fit keeps the
        roles that are obvious (mono; L, R); more are never guessed.
    progress : callable, optional
        Called with the frames metered so far and those of the whole file.

    Returns
    -------
    info : SoundInfo
    loudness : ProgrammeLoudness
        Without any figure, and with the reason, where the file holds a value that is not finite; what comes
        after that value has not been read then.

    Raises
    ------
    AudioError
        The file cannot be read (see `inspect_sound` and `SoundSource.read_into`), has a rate above 192 kHz,
        or more than two channels whose roles are not said.

    Notes
    -----
    Not done: resampling; a rate above 192 kHz is refused, since the true peak of a converted file is not that
    of the file.
    """
    with SoundSource(path) as source:
        info = source.info
        if info.sample_rate > HIGHEST_SAMPLE_RATE:
            raise AudioError(
                path,
                f"has a sample rate of {info.sample_rate} Hz, and loudness is measured up to "
                f"{HIGHEST_SAMPLE_RATE} Hz",
                remedy="convert it to a lower rate",
            )
        meter = SoundMeter(sample_rate=info.sample_rate, channels=info.channels, roles=_roles_of(info, roles))
        block = np.empty((min(BLOCK_FRAMES, info.frames), info.channels))
        while source.left:
            part = block[: source.left]
            try:
                source.read_into(part)
            except NotFiniteError:
                meter.feed(part)  # the meter says where it is
                break
            meter.feed(part)
            if progress is not None:
                progress(source.position, info.frames)
    return info, meter.result()


def meter_files(
    paths: Iterable[Path],
    *,
    roles: Sequence[ChannelRole] | None = None,
    progress: Callable[[int, float], None] | None = None,
) -> Iterator[MeteredFile | Unmeasured]:
    """Meter files one after the other.

    Parameters
    ----------
    roles : sequence of ChannelRole, optional
        As in `file_loudness`.
    progress : callable, optional
        Called with the number of files that are done and the share of the next one.

    Yields
    ------
    MeteredFile or Unmeasured
        In the order of `paths`.
    """
    for number, path in enumerate(paths):

        def share(done: int, frames: int, number: int = number) -> None:
            if progress is not None:
                progress(number, done / frames)

        yield _try_file(path, roles, share)


def _roles_of(info: SoundInfo, roles: Sequence[ChannelRole] | None) -> tuple[ChannelRole, ...]:
    """Roles of a file's channels; an error names the file."""
    if info.channels <= 2 and roles is not None and len(roles) != info.channels:
        roles = None
    try:
        return channel_roles(info.channels, roles)
    except RoomplanError as error:
        (problem,) = error.problems
        raise AudioError(info.path, problem.what, remedy=f"with --roles, {problem.remedy}") from error


def _try_file(
    path: Path, roles: Sequence[ChannelRole] | None, progress: Progress
) -> MeteredFile | Unmeasured:
    def meter() -> MeteredFile:
        return MeteredFile(*file_loudness(path, roles=roles, progress=progress))

    return attempt(path, meter, too_large="close other programs")
