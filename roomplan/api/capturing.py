"""Responses captured from recordings of a sweep that was played.

Conventions
-----------
Levels stay relative between sides and recordings: nothing is normalised. All responses of one run appear
together.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from roomplan.api.arrays import sound_array, sound_rate
from roomplan.api.faces import html_of
from roomplan.api.recordings import FileRecording
from roomplan.api.response_files import (
    Response,
    commit_responses,
    microphone_groups,
    output_names,
    write_responses,
)
from roomplan.capture.capturing import capture_sweeps
from roomplan.capture.recording import ArrayRecording
from roomplan.capture.result import Capture
from roomplan.cautions import MUSIC_ONLY
from roomplan.errors import AudioError, RoomplanError
from roomplan.files.staging import StagedFolder, silent_notice
from roomplan.rendering.progress import silent_progress
from roomplan.report.capture_words import NO_STANDARD, said_of, verdict_of
from roomplan.report.captures import CapturedSweeps, Captures, FailedRecording
from roomplan.show.capture_tables import sweep_tables
from roomplan.show.tables import note

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import ArrayLike

    from roomplan.capture.sequence import SweepSequence
    from roomplan.rendering.progress import Progress
    from roomplan.report.capture_words import Said

__all__ = ["Captured", "capture_responses", "capture_sweep_recordings"]


@dataclass(frozen=True, slots=True, repr=False)
class Captured(Capture):
    """What a recorded sweep gave: the values of `Capture`, among them `responses`, one for each side."""

    def __repr__(self) -> str:
        count = len(self.channels)
        heard = f"{', '.join(self.sides)} → {count} channel{'s' if count != 1 else ''}"
        return f"<{type(self).__name__} {heard}: {verdict_of(self.findings)}; {self.sample_rate} Hz>"

    def _repr_html_(self) -> str:
        one = CapturedSweeps(Path("array"), self, ())
        return html_of([*sweep_tables(one), note(NO_STANDARD), note(MUSIC_ONLY)])


def capture_responses(
    recording: ArrayLike, played: SweepSequence, *, sample_rate: int, loopback: int | None = None
) -> Captured:
    """Make impulse responses of a recorded sweep.

    Parameters
    ----------
    recording : array_like, shape (frames,) or (frames, channels)
        What the microphones recorded; it may begin at any time before the first sweep.
    played : SweepSequence
        What was played, as `roomplan.sweep` made it.
    sample_rate : int
        Of the recording, in hertz; that of the sweep may be another.
    loopback : int, optional
        Channel, counted from 1, that carries the electrical signal.

    Returns
    -------
    Captured
        With `findings` about what to trust, and what they mean in `roomplan.report.capture_words.said_of`.

    Raises
    ------
    RoomplanError
        An array that is no sound, or one that no response can be made of; the message says why.

    Examples
    --------
    A room of two reflections, heard by two microphones:

    >>> played = roomplan.sweep(seconds=2.0, sample_rate=24_000, sides=["left"], decay_s=0.5)
    >>> sound = played.samples()[:, 0]
    >>> heard = 0.5 * sound
    >>> heard[480:] += 0.2 * sound[:-480]
    >>> captured = roomplan.capture_responses(heard, played, sample_rate=24_000)
    >>> captured
    <Captured left → 1 channel: good; 24000 Hz>
    >>> isinstance(captured, roomplan.Captured)
    True
    """
    rate, samples = sound_rate(sample_rate), sound_array(recording, "the recording")
    if not np.isfinite(samples).all():
        raise RoomplanError(
            "the recording holds values that are not numbers", remedy="hand in finite samples"
        )
    channels = samples.shape[1]
    if loopback is not None and not 1 <= loopback <= channels:
        raise RoomplanError(f"a loopback in channel {loopback}", remedy=f"there are 1 to {channels}")
    found = capture_sweeps(
        ArrayRecording(samples, rate), played, loopback=None if loopback is None else loopback - 1
    )
    refused = _refusal(found)
    if refused is not None:
        raise RoomplanError(f"the recording: {refused.what}", remedy=refused.remedy)
    return Captured(**{entry.name: getattr(found, entry.name) for entry in fields(found)})


def capture_sweep_recordings(
    recordings: Sequence[Path],
    played: SweepSequence,
    folder: Path,
    *,
    loopback: int | None = None,
    replace: bool = False,
    progress: Progress = silent_progress,
    notice: Callable[[str], None] = silent_notice,
) -> Captures:
    """Make responses of recordings of one sweep.

    Parameters
    ----------
    recordings : sequence of Path
        At least one; each becomes a position.
    folder : Path
        Where the responses go, 32-bit float WAV.
    loopback : int, optional
        Channel, counted from 1, that carries the electrical signal.
    replace : bool
        Whether files that are there may go.

    Returns
    -------
    Captures
        A recording that is refused is `failed`; where all are, nothing is written.

    Raises
    ------
    RoomplanError
        Two recordings of one name, a file that is there, a place that cannot be written.
    """
    names = output_names(recordings, folder, replace=replace)
    done: list[CapturedSweeps] = []
    failed: list[FailedRecording] = []
    with StagedFolder(folder, notice=notice) as staged:
        progress("capturing", 0, len(recordings))
        for count, path in enumerate(recordings, start=1):
            try:
                capture = _captured(path, played, loopback)
            except AudioError as error:
                failed.extend(FailedRecording(path, str(problem)) for problem in error.problems)
            else:
                lead = capture.pre_delay / capture.sample_rate
                parts = _files_of(capture)
                files = write_responses(
                    staged, folder, names[path], parts, capture.sample_rate, lead, replace=replace
                )
                done.append(CapturedSweeps(path, capture, files))
            progress("capturing", count, len(recordings))
        commit_responses(staged, [file for one in done for file in one.files])
    return Captures(tuple(done), (), tuple(failed))


def _captured(path: Path, played: SweepSequence, loopback: int | None) -> Capture:
    with FileRecording(path) as recording:
        if loopback is not None and loopback > recording.channels:
            raise AudioError(
                path, f"has no channel {loopback}", remedy=f"its channels are 1 to {recording.channels}"
            )
        if loopback is not None and recording.channels == 1:
            raise AudioError(path, "has one channel only", remedy="record a microphone beside the loopback")
        try:
            found = capture_sweeps(recording, played, loopback=None if loopback is None else loopback - 1)
        except AudioError:
            raise
        except RoomplanError as error:  # its rate is too low for the sweep
            (problem,) = error.problems
            raise AudioError(path, problem.what, remedy=problem.remedy) from error
    refused = _refusal(found)
    if refused is not None:
        raise AudioError(path, refused.what, remedy=refused.remedy)
    return found


def _refusal(found: Capture) -> Said | None:
    """Why there are no responses; None where there are."""
    return next((said_of(finding) for finding in found.findings if finding.severity == "refused"), None)


def _files_of(capture: Capture) -> Iterator[Response]:
    """Responses as files: mono, stereo or true stereo by what was played and recorded.

    Two loudspeakers and one microphone make two mono files.
    """
    order = sorted(range(len(capture.sides)), key=lambda place: capture.sides[place])  # left, right
    sides = tuple(capture.sides[place] for place in order)
    for ending, group in microphone_groups(capture.channels):
        numbers = tuple(channel + 1 for channel in capture.channels[group])
        parts = [capture.responses[place][:, group] for place in order]
        if len(numbers) == 2 and len(parts) == 2:
            yield Response(ending, "true_stereo", numbers, sides, np.concatenate(parts, axis=1))
            continue
        for side, part in zip(sides, parts, strict=True):
            name = ending if len(parts) == 1 else f"{ending}_{side}"
            yield Response(name, "stereo" if len(numbers) == 2 else "mono", numbers, (side,), part)
