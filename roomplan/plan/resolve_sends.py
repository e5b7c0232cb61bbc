"""The sends of a plan: one mapping of rooms to sends, and several of them laid over each other."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from roomplan.documents.wording import quoted
from roomplan.plan import model
from roomplan.plan.resolve_rooms import position_exists
from roomplan.plan.shape import SendShape

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from roomplan.documents.places import KeyPath
    from roomplan.plan.reading import Reading

__all__ = ["SendsByRoom", "merged_sends", "resolve_sends"]

SendsByRoom = dict[str, tuple[model.Send, ...]]


def resolve_sends(
    reading: Reading, rooms: Mapping[str, model.Room], shapes: Mapping[str, Any], path: KeyPath
) -> SendsByRoom:
    """Return one mapping of sends, room by room; an empty tuple where a send is `off`.

    Parameters
    ----------
    rooms : mapping
        The rooms that could be made out.
    shapes : mapping
        Room → send as written.
    path : tuple
        The mapping's key path.
    """
    found: SendsByRoom = {}
    for room, shape in shapes.items():
        at: KeyPath = (*path, room)
        if not reading.known("room", room, reading.places.of(at)):
            continue
        if shape == "off":
            found[room] = ()
        elif isinstance(shape, list):
            found[room] = _several(reading, rooms, room, shape, at)
        else:
            found[room] = (_one(reading, rooms, room, shape, at),)
    return found


def merged_sends(sources: Iterable[SendsByRoom], order: Mapping[str, int]) -> tuple[model.Send, ...]:
    """Return the sends that are left when later sources replace earlier ones room by room.

    Parameters
    ----------
    sources : iterable of SendsByRoom
        The shared sends, the group's, the section's own: an entry replaces the whole entry for its room.
    order : mapping of str to int
        Room → its place in the result; sends to other rooms are left out.
    """
    merged: SendsByRoom = {}
    for source in sources:
        merged.update(source)
    rooms = sorted((room for room in merged if room in order), key=order.__getitem__)
    return tuple(send for room in rooms for send in merged[room])


def _several(
    reading: Reading, rooms: Mapping[str, model.Room], room: str, shapes: list[Any], path: KeyPath
) -> tuple[model.Send, ...]:
    sends: dict[str | None, model.Send] = {}
    for index, shape in enumerate(shapes):
        send = _one(reading, rooms, room, shape, (*path, index))
        position = shape.position if isinstance(shape, SendShape) else None  # as written, even if unknown
        first = sends.setdefault(position, send)
        if first is not send:
            which = "without a position" if position is None else f"to {quoted(position)}"
            remedy = f"one send per position; the first is in line {first.place.line}"
            reading.refuse(f"{room}: a second send {which}", send.place, remedy)
    return tuple(sends.values())


def _one(
    reading: Reading, rooms: Mapping[str, model.Room], room: str, shape: float | SendShape, path: KeyPath
) -> model.Send:
    places = reading.places
    if not isinstance(shape, SendShape):
        return model.Send(room, shape, None, None, None, None, places.of(path))
    target = rooms.get(room)
    position = shape.position
    if position is not None and target is not None:
        at = (*path, "position")
        position = position if position_exists(reading, room, position, target.responses, at) else None
    low = reading.cut_hz(shape.low_cut, (*path, "low_cut"))
    high = reading.cut_hz(shape.high_cut, (*path, "high_cut"))
    if low is not None or high is not None:  # otherwise both are the room's, and judged there
        in_use_low = target.low_cut_hz if low is None and target is not None else low
        in_use_high = target.high_cut_hz if high is None and target is not None else high
        at = (*path, "low_cut" if low is not None else "high_cut")
        if not reading.cuts_in_order(in_use_low, in_use_high, places.of(at)):
            low = high = None
    delay = None if shape.pre_delay is None else reading.pre_delay_s(shape.pre_delay, (*path, "pre_delay"))
    return model.Send(room, shape.level, position, delay, low, high, places.of(path))
