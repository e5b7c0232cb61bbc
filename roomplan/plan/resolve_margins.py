"""The margins of a plan: which bus is measured over which.

Notes
-----
A section and a group may share a name. Only then does a margin say which of them it means, by the name of
its bus (`section:choir`, `group:choir`); elsewhere the plain name is the one way to write it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.plan import model
from roomplan.plan.bus_name import BusName

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from roomplan.documents.places import KeyPath
    from roomplan.plan.reading import Reading
    from roomplan.plan.shape import MarginShape

__all__ = ["resolve_margins"]


def resolve_margins(
    reading: Reading,
    shapes: Sequence[MarginShape],
    sections: Mapping[str, model.Section],
    groups: Mapping[str, model.Group],
) -> tuple[model.Margin, ...]:
    """Return the margins whose two sides are different sounds.

    Parameters
    ----------
    shapes : sequence of MarginShape
        As written.
    sections, groups : mapping
        Those that could be made out.
    """
    members = {BusName.of_section(name): {name} for name in sections}
    members |= {BusName.of_group(name): set(group.sections) for name, group in groups.items()}
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
            reading.refuse(f"over: {shape.over} cannot be over itself", at, "another section or group")
            continue
        first = found.get((of, over, shape.band))
        if first is not None:
            what = f"margins: {shape.of} over {shape.over} in {shape.band} appears twice"
            reading.refuse(what, place, f"once; the first is in line {first.place.line}")
            continue
        inside, around = members.get(of, set()), members.get(over, set())
        if not inside or not around:
            continue  # what it names was refused and has its problem
        if inside & around:
            shared = min(inside & around)
            at = reading.places.value((*path, "over"))
            what = f"over: {shape.of} and {shape.over} both contain the section {shared}"
            reading.refuse(what, at, "a section or group without it")
            continue
        found[of, over, shape.band] = model.Margin(of, over, shape.band, place)
    return tuple(found.values())


def _bus(reading: Reading, text: str, path: KeyPath) -> BusName | None:
    """Return the bus that a text means; None, and a problem, when it means none or two."""
    return reading.bus(text, str(path[-1]), reading.places.value(path))
