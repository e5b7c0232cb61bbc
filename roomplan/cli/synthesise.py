"""`roomplan synthesise`: the response of a seat in a synthetic room, as a file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from roomplan.cautions import MUSIC_ONLY, RESPONSE
from roomplan.cli.environment import StageProgress, emit, show
from roomplan.cli.parameters import AsJson, Quiet, help_of
from roomplan.cli.room_choice import Microphones, SeatText, chosen_seat, open_room, parsed_seat
from roomplan.errors import RoomplanError

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command("synthesise", help=help_of(synthesise, MUSIC_ONLY, RESPONSE))(synthesise)


def synthesise(
    room: Annotated[
        str,
        typer.Argument(
            metavar="ROOM",
            help="Name of a bundled room, or path of a room file.",
            show_default=False,
        ),
    ],
    output: Annotated[Path, typer.Argument(metavar="OUT.wav", help="The file to write.", show_default=False)],
    *,
    seat: SeatText = None,
    spread: Annotated[
        float,
        typer.Option(
            "--spread",
            metavar="M",
            min=0.0,
            max=20.0,
            help="Distance in metres between two sources, for a stereo stem: true stereo, LL LR RL RR. "
            "0: one source.",
        ),
    ] = 0.0,
    microphones: Microphones = "main",
    sample_rate: Annotated[
        int,
        typer.Option("--sample-rate", metavar="HZ", min=8000, max=192_000, help="Rate of the file."),
    ] = 48_000,
    without_direct: Annotated[
        bool, typer.Option("--without-direct", help="Leave out the direct sound.")
    ] = False,
    replace: Annotated[bool, typer.Option("--replace", help="Replace an existing file.")] = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Write the response of a seat in a synthetic room: WAV, 32-bit float.

    One source gives one channel per microphone of a mono or stereo set-up; --spread gives true stereo. The
    first sample is the arrival of the direct sound at the main microphones. Amplitude 1 is the direct sound
    at 10 m, and nothing is normalised: the files of several seats keep their proportions. A plan needs no
    such file: it names the room.

    Example: roomplan synthesise larkmere_hall brass.wav --seat 12,25

    Example: roomplan synthesise orrin_nave choir.wav --seat 10,0 --spread 6 --microphones rear
    """
    import math

    import numpy as np

    from roomplan.api.synthetic_rooms import known_setup
    from roomplan.rooms.geometry import source_position
    from roomplan.rooms.images import early_reflections
    from roomplan.rooms.portrait import response_figures
    from roomplan.rooms.synthesis import synthesise as make_response
    from roomplan.show import room_reports

    if not math.isfinite(spread):
        raise typer.BadParameter("is not a number", param_hint="--spread")
    wanted = None if seat is None else parsed_seat(seat, spread_m=spread)
    target = _checked_target(output, replace=replace)
    with StageProgress(quiet=quiet) as progress:
        spec = open_room(room)
        found = chosen_seat(spec, wanted, spread_m=spread)
        known_setup(spec, microphones)
        progress.note("synthesising")
        response = make_response(
            spec,
            seat=found,
            microphones=microphones,
            sources=2 if spread > 0.0 else 1,
            sample_rate=sample_rate,
        )
        progress.note("measuring")
        figures = response_figures(response)
        samples = response.reflected if without_direct else response.direct + response.reflected
        progress.note("writing")
        peak = _write(target, samples, sample_rate, replace=replace, notice=progress.say)
    receiver = np.mean(spec.microphones[microphones].positions_m, axis=0)
    free_path_s = 4.0 * spec.volume_m3 / spec.surface_m2 / spec.sound_speed
    early = early_reflections(spec, found, microphones, within_s=3.0 * free_path_s)
    written = room_reports.WrittenResponse(
        file=output,
        spec=spec,
        seat=found,
        spread_m=spread,
        microphones=microphones,
        sample_rate=sample_rate,
        channels=samples.shape[1],
        frames=len(samples),
        peak=peak,
        direct=not without_direct,
        figures=figures,
        distance_m=float(np.linalg.norm(source_position(spec, found) - receiver)),
        first_reflection_s=early[0].after_direct_s if early else None,
    )
    if as_json:
        from roomplan.report.documents import to_text

        emit(to_text(room_reports.response_document(written)))
    else:
        show(*room_reports.response_lines(written))


def _checked_target(output: Path, *, replace: bool) -> Path:
    """Where the file will be; refused before any work when it cannot be there."""
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
    return target


def _refuse_existing(target: Path, *, replace: bool) -> None:
    if target.exists() and not replace:
        raise RoomplanError(f"{target}: already exists", remedy="name another file, or give --replace")


def _write(
    target: Path, samples: NDArray, sample_rate: int, *, replace: bool, notice: Callable[[str], None]
) -> float:
    """Write the file beside its place and move it there; return its peak."""
    from roomplan.api.arrays import write_float_file
    from roomplan.files.staging import StagedFolder

    with StagedFolder(target.parent, notice=notice) as staged:
        peak = write_float_file(staged.path(target.name), samples, sample_rate)
        _refuse_existing(target, replace=replace)  # it may have come while we worked
        staged.commit(last=target.name)
    return peak
