"""Positions of a room, from its place in the plan and its file."""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.rooms.room_facts import facts_of_room

if TYPE_CHECKING:
    from roomplan.errors import Problem
    from roomplan.files.cache import Cache
    from roomplan.plan.model import Room

__all__ = ["available_positions"]


def available_positions(room: Room, cache: Cache | None = None) -> tuple[tuple[str, ...], list[Problem]]:
    """Positions a send may name, without reading any sound.

    Parameters
    ----------
    cache : Cache, optional
        Where what is known of synthetic rooms is looked for, and kept.

    Returns
    -------
    names : tuple of str
        Response positions as listed, or the microphone set-ups of a synthetic room, `main` first.
    problems : list of Problem
        Of the room file.
    """
    if room.synthetic is None:
        return tuple(room.responses or {}), []
    facts, problems = facts_of_room(room, cache)
    return (() if facts is None else facts.microphones), problems
