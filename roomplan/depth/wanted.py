"""What the depth of sections asks of their sends, relative to a reference section or absolutely."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from roomplan.balance.levels import SMALL_MOVE_DB
from roomplan.depth.model import Depth, SectionDepth
from roomplan.errors import RoomplanError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from roomplan.depth.model import SectionInRoom
    from roomplan.errors import Place

__all__ = ["STEP_DB", "absolute_depth", "relative_depth"]

STEP_DB = 0.1  # of proposed sends


def relative_depth(
    places: Sequence[SectionInRoom],
    *,
    reference_section: str | None = None,
    amount: float = 1.0,
    reference_place: Place | None = None,
) -> Depth:
    """Depth relative to one section of each main room, which keeps what it has.

    Parameters
    ----------
    reference_section : str, optional
        A section, for its own main room. In every other, and without one, it is the nearest for which a send
        can be proposed, a locked one first; where none has a distance, the one with the largest
        direct-to-reverberant ratio.
    amount : float
        Share of the differences, 0 to 1: 0 gives every section the reference section's wet-to-dry.
    reference_place : Place, optional
        Where the reference section is written, for the error.

    Returns
    -------
    Depth
        A reference section that is not among the sections is passed over, with a note: a cue may lack it.

    Raises
    ------
    RoomplanError
        The reference section has no depth of its own.

    Notes
    -----
    Sections of different main rooms are not set against each other: what D/R means to the ear depends on the
    decay it belongs to. A section that is alone in its main room is its own reference.
    """
    named = next((place for place in places if place.section == reference_section), None)
    if named is not None and named.obstacle is not None:
        what = f"the reference section {named.section} cannot serve: {named.obstacle}"
        raise RoomplanError(
            what, remedy="another section as `reference_section`, or none", place=reference_place
        )
    rooms: dict[str, list[SectionInRoom]] = {}
    for place in places:
        if place.obstacle is None and place.room is not None:
            rooms.setdefault(place.room, []).append(place)
    chosen = {room: named if named in members else _nearest(members) for room, members in rooms.items()}
    notes = ()
    if reference_section is not None and named is None:
        said = f"the reference section {reference_section} is not in this cue"
        notes = (f"{said}: the nearest section of each room replaces it",)
    wanted: dict[str, float] = {}
    for room, members in rooms.items():
        level, nearness = _ratios(chosen[room])
        wanted |= {place.section: level + amount * (nearness - _ratios(place)[1]) for place in members}
    reference_sections = {room: place.section for room, place in chosen.items()}
    return Depth(_sections(places, wanted, reference_sections), "relative", reference_sections, amount, notes)


def absolute_depth(places: Sequence[SectionInRoom]) -> Depth:
    """Depth as the rooms themselves would have it: wet-to-dry is −D/R.

    Notes
    -----
    Microphones at such a distance hear mostly room; most mixes want far less than this.
    """
    wanted = {place.section: -_ratios(place)[1] for place in places if place.obstacle is None}
    return Depth(_sections(places, wanted, {}), "absolute", {}, None)


def _ratios(place: SectionInRoom) -> tuple[float, float]:
    """Wet-to-dry and D/R of a section without an obstacle."""
    figures = place.figures
    if figures is None or figures.direct_to_reverberant_db is None or place.wet_to_dry_db is None:
        raise AssertionError(f"{place.section} has no depth, and no obstacle")
    return place.wet_to_dry_db, figures.direct_to_reverberant_db


def _nearest(members: Sequence[SectionInRoom]) -> SectionInRoom:
    """The nearest of some sections without an obstacle; of several on one seat the first that is locked."""

    def order(place: SectionInRoom) -> tuple[float, float, bool]:
        distance = None if place.figures is None else place.figures.distance_m
        return math.inf if distance is None else distance, -_ratios(place)[1], not place.locked

    return min(members, key=order)


def _sections(
    places: Sequence[SectionInRoom], wanted: Mapping[str, float], reference_sections: Mapping[str, str]
) -> tuple[SectionDepth, ...]:
    arrivals = {
        place.section: place.figures.arrival_s
        for place in places
        if place.figures is not None and place.figures.arrival_s is not None
    }
    first = min(arrivals.values(), default=0.0)
    moves = _moves_db(places, wanted, reference_sections)
    return tuple(
        SectionDepth(
            place,
            arrivals[place.section] - first if place.section in arrivals else None,
            wanted.get(place.section),
            _proposed(place, moves.get(place.section)),
        )
        for place in places
    )


def _moves_db(
    places: Sequence[SectionInRoom], wanted: Mapping[str, float], reference_sections: Mapping[str, str]
) -> dict[str, float]:
    """What the sends of each section shall move by; a send of x dB more returns x dB more."""
    kept = set(reference_sections.values())
    seats: dict[tuple[object, ...], list[SectionInRoom]] = {}
    for place in places:
        if place.section in wanted:
            seats.setdefault(_seat_of(place), []).append(place)
    moves: dict[str, float] = {}
    for members in seats.values():
        free = [place for place in members if not place.locked and place.section not in kept]
        moves |= dict.fromkeys((place.section for place in members if place not in free), 0.0)
        if not free:
            continue
        reference = next((place for place in members if place.section in kept), None)
        if reference is not None:
            send = _send_over_dry(reference)
        else:
            returned = [_ratios(place)[0] - _send_over_dry(place) for place in free]
            send = wanted[free[0].section] - sum(returned) / len(returned)
        own = {place.section: send - _send_over_dry(place) for place in free}
        unlike = max(own.values()) - min(own.values()) >= STEP_DB / 2.0 or reference is not None
        least = STEP_DB / 2.0 if unlike else SMALL_MOVE_DB
        stay = all(abs(move) < least - 1e-9 for move in own.values())
        moves |= dict.fromkeys(own, 0.0) if stay else own
    return moves


def _seat_of(place: SectionInRoom) -> tuple[object, ...]:
    """What sections have in common that are one source to a room; its name for one that shares nothing."""
    seat, figures = place.seat, place.figures
    if seat is None or figures is None or figures.source != "theory":
        return (place.section,)
    first = place.sends[0].level_db
    sends = tuple((send.heard_at, round(send.level_db - first, 6), send.cuts_hz) for send in place.sends)
    at = (seat.distance_m, seat.angle_deg, seat.spread_m)
    return (place.room, at, figures.direct_to_reverberant_db, sends)


def _send_over_dry(place: SectionInRoom) -> float:
    return place.sends[0].level_db - place.dry_db


def _proposed(place: SectionInRoom, move_db: float | None) -> tuple[float, ...] | None:
    """Levels of a section's sends after a move; as written, be it finer than the step, without one."""
    if move_db is None:
        return None
    if abs(move_db) < STEP_DB / 2.0:
        return tuple(send.level_db for send in place.sends)
    return tuple(round(send.level_db + move_db, 1) + 0.0 for send in place.sends)
