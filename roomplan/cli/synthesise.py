"""`roomplan synthesise`: the response of a seat in a synthetic room, as a file."""

from __future__ import annotations

import enum
from pathlib import Path
from typing import Annotated

import typer

from roomplan.cautions import MUSIC_ONLY, RESPONSE
from roomplan.cli.environment import StageProgress, emit, show
from roomplan.cli.parameters import AsJson, Quiet, help_of
from roomplan.cli.room_choice import Microphones, SeatText, chosen_seat, open_room, parsed_seat

__all__ = ["register"]


class SourceOption(enum.StrEnum):
    """Kinds of sources; the same as in a plan."""

    EVEN = "even"
    VOICE = "voice"
    STRINGS = "strings"
    WOODWINDS = "woodwinds"
    BRASS = "brass"
    PERCUSSION = "percussion"


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
    source: Annotated[
        SourceOption,
        typer.Option(
            "--source",
            metavar="KIND",
            help="How its sound is directed, towards the main microphones: even, voice, strings, woodwinds, "
            "brass or percussion.",
        ),
    ] = SourceOption.EVEN,
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

    Example: roomplan synthesise larkmere_hall brass.wav --seat 12,25 --source brass

    Example: roomplan synthesise orrin_nave choir.wav --seat 10,0 --spread 6 --microphones rear
    """
    import math

    from roomplan.api.synthetic_rooms import known_setup
    from roomplan.api.written_responses import refuse_response_file, write_response
    from roomplan.show.room_tables import response_lines

    if not math.isfinite(spread):
        raise typer.BadParameter("is not a number", param_hint="--spread")
    wanted = None if seat is None else parsed_seat(seat, spread_m=spread)
    refuse_response_file(output, replace=replace)
    with StageProgress(quiet=quiet) as progress:
        spec = open_room(room)
        found = chosen_seat(spec, wanted, spread_m=spread)
        written = write_response(
            spec,
            found,
            output,
            source=source.value,
            microphones=known_setup(spec, microphones),
            sample_rate=sample_rate,
            direct=not without_direct,
            replace=replace,
            progress=progress,
            notice=progress.say,
        )
    if as_json:
        from roomplan.report.documents import to_text
        from roomplan.report.rooms import response_document

        emit(to_text(response_document(written)))
    else:
        show(*response_lines(written))
