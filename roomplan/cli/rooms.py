"""`roomplan rooms`: the bundled rooms, and everything about one room."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from roomplan.cautions import MUSIC_ONLY
from roomplan.cli.environment import ExitStatus, StageProgress, emit, print_errors, show
from roomplan.cli.parameters import AsJson, Quiet, help_of
from roomplan.cli.room_choice import Microphones, SeatText, chosen_seat, open_room, parsed_seat
from roomplan.errors import RoomplanError

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command("rooms", help=help_of(rooms, MUSIC_ONLY))(rooms)


def rooms(
    context: typer.Context,
    room: Annotated[
        str | None,
        typer.Argument(
            metavar="ROOM",
            help="Name of a bundled room, or path of a room file.",
            show_default=False,
        ),
    ] = None,
    *,
    seat: SeatText = None,
    microphones: Microphones = "main",
    plot: Annotated[
        Path | None,
        typer.Option(
            "--plot",
            metavar="FILE",
            help="Draw the room, its reflections, spectrogram and decay: .png, .svg or .pdf.",
            show_default=False,
        ),
    ] = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """List the bundled rooms, or show one room in full: its size, decay, microphones and first reflections.

    A room is a short text file: copy a bundled one, change it and show it by its path. Figures at a seat are
    measured in the response unless marked as theory. They do not predict a real hall.

    Example: roomplan rooms

    Example: roomplan rooms larkmere_hall --plot larkmere.png

    Example: roomplan rooms my_hall.yaml --seat 12,-25 --microphones rear
    """
    if room is None:
        _refuse_without_room(context)
        _list(as_json=as_json)
        return
    from roomplan.api.synthetic_rooms import room_portrait
    from roomplan.show import room_tables

    wanted = None if seat is None else parsed_seat(seat, spread_m=0.0)
    problem = None
    with StageProgress(quiet=quiet) as progress:
        spec = open_room(room)
        found = chosen_seat(spec, wanted, spread_m=0.0)
        portrait = room_portrait(spec, found, microphones, progress=progress)
        if plot is not None:
            from roomplan.show.room_drawings import draw_room

            progress.note("drawing")
            try:
                draw_room(portrait, plot)
            except RoomplanError as error:  # the figures are there: they are shown all the same
                problem = str(error)
    if as_json:
        from roomplan.report.documents import to_text
        from roomplan.report.rooms import room_document

        emit(to_text(room_document(portrait)))
    else:
        show(*room_tables.room_tables(portrait))
    if problem is not None:
        print_errors(problem)
        raise typer.Exit(ExitStatus.INPUT)


def _refuse_without_room(context: typer.Context) -> None:
    """Refuse options that are about one room when none is named."""
    for name in ("seat", "microphones", "plot"):
        source = context.get_parameter_source(name)
        if source is not None and source.name == "COMMANDLINE":
            raise typer.BadParameter("is about one room: name it", param_hint=f"--{name}")


def _list(*, as_json: bool) -> None:
    from roomplan.api.synthetic_rooms import room_names
    from roomplan.show import room_tables
    from roomplan.show.tables import note

    specs = [open_room(name) for name in room_names()]
    if as_json:
        from roomplan.report.documents import to_text
        from roomplan.report.rooms import list_document

        emit(to_text(list_document(specs)))
    else:
        show(room_tables.list_table(specs), note(MUSIC_ONLY))
