"""What `rooms` and `synthesise` are asked for: a room, a seat in it, a set-up of its microphones."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from roomplan.plan.model import Seat
    from roomplan.rooms.spec import RoomSpecification

__all__ = ["Microphones", "SeatText", "chosen_seat", "open_room", "parsed_seat"]

SeatText = Annotated[
    str | None,
    typer.Option(
        "--seat",
        metavar="DISTANCE,ANGLE",
        help="Where the section sits: metres from the middle of the main microphones, and degrees to the "
        "right of the line to the stage, such as 9,-20. Without it, the room's reference seat.",
        show_default=False,
    ),
]
Microphones = Annotated[str, typer.Option("--microphones", metavar="NAME", help="Microphone set-up to use.")]


def open_room(name: str) -> RoomSpecification:
    """Room by its bundled name, or from a file: a path, or a name that ends .yaml or .yml."""
    from roomplan.api.synthetic_rooms import room

    return room(name)


def parsed_seat(text: str, *, spread_m: float) -> Seat:
    """Seat from the option; anything but two numbers is wrong usage."""
    from roomplan.api.synthetic_rooms import seat_at
    from roomplan.errors import Place, RoomplanError

    try:
        # The sign that our own tables print is a minus too.
        distance, angle = (float(part) for part in text.replace("\u2212", "-").split(","))
    except ValueError as error:
        raise typer.BadParameter(
            f"{text!r} is not a seat: give metres and degrees, such as 9,-20", param_hint="--seat"
        ) from error
    try:
        return seat_at(distance, angle, spread_m=spread_m, place=Place(Path("--seat")))
    except RoomplanError as error:
        (problem,) = error.problems
        raise typer.BadParameter(f"{problem.what}: {problem.remedy}", param_hint="--seat") from error


def chosen_seat(spec: RoomSpecification, seat: Seat | None, *, spread_m: float) -> Seat:
    """Seat that is asked for, or the room's reference seat, once it is known to be inside the walls."""
    from dataclasses import replace

    from roomplan.api.synthetic_rooms import seat_inside

    found = seat or replace(spec.reference_seat, spread_m=spread_m)
    return seat_inside(spec, found, spread_name="--spread")
