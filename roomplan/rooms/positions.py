"""Positions of a room, from its place in the plan and its file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from roomplan.rooms.room_file import load_room_specification

if TYPE_CHECKING:
    from roomplan.errors import Problem
    from roomplan.plan.model import Room
    from roomplan.rooms.spec import RoomSpecification

__all__ = ["available_positions", "specification_of"]


def available_positions(room: Room) -> tuple[tuple[str, ...], list[Problem]]:
    """Positions a send may name, without reading any sound.

    Returns
    -------
    names : tuple of str
        Response positions as listed, or the microphone set-ups of a synthetic room, `main` first.
    problems : list of Problem
        Of the room file.
    """
    if room.synthetic is None:
        return tuple(room.responses or {}), []
    spec, problems = specification_of(room)
    return (tuple(spec.microphones) if spec is not None else ()), problems


def specification_of(room: Room) -> tuple[RoomSpecification | None, list[Problem]]:
    """Read the file of a synthetic room."""
    source = room.synthetic
    return load_room_specification(source if isinstance(source, str | Path) else "", place=room.place)
