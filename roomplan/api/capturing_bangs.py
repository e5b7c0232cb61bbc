"""Responses captured from recordings of claps, balloons and pistol shots."""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.acoustics.recognition import recognise_other_sound
from roomplan.api.recordings import FileRecording
from roomplan.api.response_files import (
    Response,
    commit_responses,
    microphone_groups,
    output_names,
    write_responses,
)
from roomplan.capture.bang_figures import averaged_figures
from roomplan.capture.bangs import LEAD_S, bang_response, find_bangs, ranked
from roomplan.errors import AudioError
from roomplan.files.staging import StagedFolder, silent_notice
from roomplan.rendering.progress import silent_progress
from roomplan.report.captures import CapturedBangs, Captures, FailedRecording

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from roomplan.capture.bangs import Bang
    from roomplan.rendering.progress import Progress

__all__ = ["capture_bangs"]


def capture_bangs(
    recordings: Sequence[Path],
    folder: Path,
    *,
    replace: bool = False,
    progress: Progress = silent_progress,
    notice: Callable[[str], None] = silent_notice,
) -> Captures:
    """Find the bangs of recordings, write the response of the best of each, and average the figures of all.

    Parameters
    ----------
    recordings : sequence of Path
        At least one; each becomes a position.
    folder : Path
        Where the responses go, 32-bit float WAV.
    replace : bool
        Whether files that are there may go.

    Returns
    -------
    Captures
        A recording without a bang of use is `failed`; where all are, nothing is written.

    Raises
    ------
    RoomplanError
        Two recordings of one name, a file that is there, a place that cannot be written.
    """
    names = output_names(recordings, folder, replace=replace)
    done: list[CapturedBangs] = []
    failed: list[FailedRecording] = []
    with StagedFolder(folder, notice=notice) as staged:
        progress("capturing", 0, len(recordings))
        for count, path in enumerate(recordings, start=1):
            try:
                done.append(_banged(path, staged, folder, names[path], replace=replace))
            except AudioError as error:
                failed.extend(FailedRecording(path, str(problem)) for problem in error.problems)
            progress("capturing", count, len(recordings))
        commit_responses(staged, [file for one in done for file in one.files])
    return Captures((), tuple(done), tuple(failed))


def _banged(path: Path, staged: StagedFolder, folder: Path, name: str, *, replace: bool) -> CapturedBangs:
    with FileRecording(path) as recording:
        bangs = find_bangs(recording)
        best = ranked(bangs)
        if not best:
            raise _no_bang(path, bangs)
        responses = [bang_response(recording, bang) for bang in best]
        rate = recording.sample_rate
    if recognise_other_sound(responses[0], sample_rate=rate) is not None:
        raise _no_bang(path, ())
    parts = [
        Response(
            ending,
            "stereo" if group.stop - group.start == 2 else "mono",
            tuple(range(group.start + 1, group.stop + 1)),
            (),
            responses[0][:, group],
        )
        for ending, group in microphone_groups(range(responses[0].shape[1]))
    ]
    files = write_responses(staged, folder, name, parts, rate, LEAD_S, replace=replace)
    return CapturedBangs(path, rate, bangs, best, averaged_figures(responses, rate=rate), files)


def _no_bang(path: Path, bangs: Sequence[Bang]) -> AudioError:
    if not bangs:
        return AudioError(
            path,
            "holds no bang: nothing begins at once and rings out",
            remedy="give a recording of claps, balloons or a starter pistol; for sweeps, give --sweep",
        )
    faults = sorted({fault.value.replace("_", " ") for bang in bangs for fault in bang.faults})
    return AudioError(
        path,
        f"has {len(bangs)} bang{'s' if len(bangs) > 1 else ''} and none of use: {', '.join(faults)}",
        remedy="record single bangs, not clipped, some seconds apart, and let each ring out",
    )
