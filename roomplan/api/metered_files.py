"""Sound files metered, one or thousands, and a reference that they are held against."""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.files.folders import find_sounds
from roomplan.frozen_classes import frozen_class
from roomplan.loudness.roles import parse_roles
from roomplan.measuring.loudness import MeteredFile, file_loudness, meter_files

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from roomplan.loudness.roles import ChannelRole
    from roomplan.measuring.attempts import Unmeasured
    from roomplan.rendering.progress import Progress

__all__ = ["MeteredFiles", "draw_metered", "meter_sounds", "named_roles"]

_STEPS_PER_FILE = 1000  # of the progress


@frozen_class
class MeteredFiles:
    """What was metered; `metered` and `failed` are in the order of the files."""

    metered: Sequence[MeteredFile]
    failed: Sequence[Unmeasured]
    reference: MeteredFile | None

    @property
    def every(self) -> list[MeteredFile]:
        """The files that were metered, the reference last."""
        return [*self.metered, *([] if self.reference is None else [self.reference])]


def named_roles(text: str) -> tuple[ChannelRole, ...]:
    """Roles of channels from a text such as `L,R,C,LFE,Ls,Rs`; a RoomplanError where it is none."""
    return parse_roles(text)


def meter_sounds(
    paths: Sequence[Path],
    *,
    roles: Sequence[ChannelRole] | None = None,
    against: Path | None = None,
    progress: Progress,
) -> MeteredFiles:
    """Meter sound files and folders of them.

    Parameters
    ----------
    roles : sequence of ChannelRole, optional
        Of files with as many channels; needed for more than two.
    against : Path, optional
        The reference.

    Raises
    ------
    RoomplanError
        There is no such file or folder, or the reference cannot be metered. Other files that cannot be are
        `failed`.
    """
    files = find_sounds(paths)
    # first of all: a reference that cannot be read is said before thousands of files are metered
    reference = None if against is None else MeteredFile(*file_loudness(against, roles=roles))
    metered: list[MeteredFile] = []
    failed: list[Unmeasured] = []
    steps = _STEPS_PER_FILE * len(files)

    def advance(done: int, share: float) -> None:
        progress("metering", int(_STEPS_PER_FILE * (done + share)), steps)

    for done, result in enumerate(meter_files(files, roles=roles, progress=advance), start=1):
        if isinstance(result, MeteredFile):
            metered.append(result)
        else:
            failed.append(result)
        advance(done, 0.0)
    return MeteredFiles(metered, failed, reference)


def draw_metered(found: MeteredFiles, target: Path, *, progress: Progress) -> None:
    """Draw the loudness of every file over time.

    Raises
    ------
    RoomplanError
        The picture cannot be written, or holds too many files.
    """
    from roomplan.show.loudness_pictures import PicturedSound, draw_loudness  # which loads what draws

    progress("drawing", 0, 1)
    several = len({file.path.parent for file in found.every}) > 1
    sounds = [
        PicturedSound(
            str(file.path if several else file.path.name)
            + (" (reference)" if file is found.reference else ""),
            file.info.duration_s,
            file.loudness,
        )
        for file in found.every
    ]
    draw_loudness(sounds, target)
