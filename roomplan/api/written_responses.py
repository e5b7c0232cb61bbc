"""The response of a seat in a synthetic room, as a file."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomplan.api.arrays import write_float_file
from roomplan.api.synthetic_rooms import kept_response
from roomplan.errors import RoomplanError
from roomplan.files.staging import StagedFolder, silent_notice
from roomplan.rendering.progress import silent_progress
from roomplan.report.rooms import WrittenResponse
from roomplan.rooms.geometry import setup_middle, source_position
from roomplan.rooms.images import early_reflections
from roomplan.rooms.portrait import response_figures

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from numpy.typing import NDArray

    from roomplan.plan.model import Seat, SourceKind
    from roomplan.rendering.progress import Progress
    from roomplan.rooms.spec import RoomSpecification

__all__ = ["refuse_response_file", "write_response"]


def refuse_response_file(output: Path, *, replace: bool) -> None:
    """Raise where no response can be written; asked before any work."""
    target = output.expanduser()
    if target.suffix.lower() != ".wav":
        raise RoomplanError(f"{output}: a response is written as WAV", remedy="name a .wav")
    if target.is_dir():
        raise RoomplanError(f"{output}: is a folder", remedy="name a file")
    if not target.parent.is_dir():
        raise RoomplanError(
            f"{output}: there is no folder {target.parent}", remedy="make it or choose another"
        )
    _refuse_existing(target, replace=replace)


def write_response(
    room: RoomSpecification,
    seat: Seat,
    output: Path,
    *,
    microphones: str,
    sample_rate: int,
    source: SourceKind = "even",
    direct: bool = True,
    replace: bool = False,
    progress: Progress = silent_progress,
    notice: Callable[[str], None] = silent_notice,
) -> WrittenResponse:
    """Write a response as 32-bit float WAV, and say what is known of it.

    Parameters
    ----------
    seat : Seat
        Inside the room; with a spread above 0 of two sources: LL, LR, RL, RR.
    output : Path
        See `refuse_response_file`.
    microphones : str
        A set-up that the room has.
    source : str
        How its sound is directed.
    direct : bool
        Whether the file has the direct sound; the figures always have.
    replace : bool
        Whether a file that is there may go.

    Raises
    ------
    RoomplanError
        A file has come meanwhile, or cannot be written.
    """
    progress("synthesising", 0, 1)
    response = kept_response(room, seat, source=source, microphones=microphones, sample_rate=sample_rate)
    progress("measuring", 0, 1)
    figures = response_figures(response)
    samples = response.direct + response.reflected if direct else response.reflected
    progress("writing", 0, 1)
    peak = _write(output.expanduser(), samples, sample_rate, replace=replace, notice=notice)
    receiver = setup_middle(room, microphones)
    free_path_s = 4.0 * room.volume_m3 / room.surface_m2 / room.sound_speed
    early = early_reflections(room, seat, microphones, within_s=3.0 * free_path_s)
    return WrittenResponse(
        file=output,
        spec=room,
        seat=seat,
        spread_m=seat.spread_m,
        source=source,
        microphones=microphones,
        sample_rate=sample_rate,
        channels=samples.shape[1],
        frames=len(samples),
        peak=peak,
        direct=direct,
        figures=figures,
        distance_m=float(np.linalg.norm(source_position(room, seat) - receiver)),
        first_reflection_s=early[0].after_direct_s if early else None,
    )


def _refuse_existing(target: Path, *, replace: bool) -> None:
    if target.exists() and not replace:
        raise RoomplanError(f"{target}: already exists", remedy="name another file, or give --replace")


def _write(
    target: Path, samples: NDArray, sample_rate: int, *, replace: bool, notice: Callable[[str], None]
) -> float:
    """Write the file beside its place and move it there; return its peak."""
    with StagedFolder(target.parent, notice=notice) as staged:
        peak = write_float_file(staged.path(target.name), samples, sample_rate)
        _refuse_existing(target, replace=replace)  # it may have come while we worked
        staged.commit(last=target.name)
    return peak
