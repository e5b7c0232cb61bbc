"""The margins of a plan: which bus is measured over which.

Notes
-----
A section and a group may share a name. Only then does a margin say which of them it means, by the name of
its bus (`section:choir`, `group:choir`); elsewhere the plain name is the one way to write it.
"""

from __future__ import annotations

from itertools import chain
from typing import TYPE_CHECKING

from roomplan.documents.suggest import did_you_mean
from roomplan.documents.wording import quoted
from roomplan.plan import model

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from roomplan.documents.places import KeyPath
    from roomplan.plan.reading import Reading
    from roomplan.plan.shape import MarginShape

__all__ = ["resolve_margins"]

_KINDS = ("section", "group")
_MOST_NAMES_LISTED = 12


def resolve_margins(
    reading: Reading,
    shapes: Sequence[MarginShape],
    sections: Mapping[str, model.Section],
    groups: Mapping[str, model.Group],
) -> tuple[model.Margin, ...]:
    """Return the margins whose two sides are different sounds.

    Parameters
    ----------
    reading : Reading
        The plan being read; gets the problems.
    shapes : sequence of MarginShape
        As written.
    sections, groups : mapping
        Those that could be made out.
    """
    members = {f"section:{name}": {name} for name in sections}
    members |= {f"group:{name}": set(group.sections) for name, group in groups.items()}
    found: dict[tuple[str, str, str], model.Margin] = {}
    for index, shape in enumerate(shapes):
        path: KeyPath = ("margins", index)
        place = reading.places.of(path)
        of = _bus(reading, shape.of, (*path, "of"))
        over = _bus(reading, shape.over, (*path, "over"))
        if of is None or over is None or reading.places.was_refused((*path, "band")):
            continue
        if of == over:
            at = reading.places.value((*path, "over"))
            reading.refuse(f"over: {shape.over} cannot stand over itself", at, "another section or group")
            continue
        first = found.get((of, over, shape.band))
        if first is not None:
            what = f"margins: {shape.of} over {shape.over} in {shape.band} stands twice"
            reading.refuse(what, place, f"once; the first is in line {first.place.line}")
            continue
        inside, around = members.get(of, set()), members.get(over, set())
        if not inside or not around:
            continue  # what it names was refused and has its problem
        if inside & around:
            shared = min(inside & around)
            at = reading.places.value((*path, "over"))
            what = f"over: {shape.of} and {shape.over} both hold the section {shared}"
            reading.refuse(what, at, "a section or group without it")
            continue
        found[of, over, shape.band] = model.Margin(of, over, shape.band, place)
    return tuple(found.values())


def _bus(reading: Reading, text: str, path: KeyPath) -> str | None:
    """Return the bus that a text means; None, and a problem, when it means none or two."""
    place = reading.places.value(path)
    prefix, name = "", text
    kinds = _kinds(reading, text)
    if not kinds and ":" in text:
        prefix, _, name = text.partition(":")
        kinds = _kinds(reading, name)
    if len(kinds) == 1 and not prefix:
        return f"{kinds[0]}:{name}"
    if len(kinds) == 2 and prefix in kinds:
        return text
    if len(kinds) == 2:
        what = f"{path[-1]}: {quoted(name)} is the name of a section and of a group"
        reading.refuse(what, place, f"`section:{name}` or `group:{name}`")
    elif kinds:
        reading.refuse(f"{path[-1]}: {quoted(text)} is more than a name", place, f"`{name}`")
    elif reading.names["section"] and not reading.places.was_refused(("groups",)):
        # Otherwise a whole mapping of names was refused, and this name may be one of them.
        _unknown(reading, text, name, path)
    return None


def _kinds(reading: Reading, name: str) -> list[str]:
    return [kind for kind in _KINDS if reading.has(kind, name)]


def _unknown(reading: Reading, text: str, name: str, path: KeyPath) -> None:
    names = list(chain.from_iterable(reading.names[kind] for kind in _KINDS))
    near = did_you_mean(name, names)
    more = ", …" if len(names) > _MOST_NAMES_LISTED else ""
    listed = f"one of {', '.join(dict.fromkeys(names[:_MOST_NAMES_LISTED]))}{more}"
    what = f"{path[-1]}: there is no section or group {quoted(text)}"
    reading.refuse(what, reading.places.value(path), f"did you mean {quoted(near)}?" if near else listed)
