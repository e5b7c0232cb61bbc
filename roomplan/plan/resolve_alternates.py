"""The alternate mixes of a plan: what is said of groups and of sections, laid together section by section.

Notes
-----
A change of a group holds for each of its sections, and what the section's own entry says comes on top:
levels add up; `mute`, and a level where the group says `off`, replace what the group says.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from roomplan.documents.wording import number
from roomplan.plan import model

if TYPE_CHECKING:
    from collections.abc import Mapping

    from roomplan.documents.places import KeyPath
    from roomplan.errors import Place
    from roomplan.plan.reading import Reading
    from roomplan.plan.shape import AlternateChangeShape

__all__ = ["resolve_alternates"]


def resolve_alternates(
    reading: Reading,
    shapes: Mapping[str, Mapping[str, AlternateChangeShape]],
    rooms: Mapping[str, model.Room],
    sections: Mapping[str, model.Section],
    groups: Mapping[str, model.Group],
) -> dict[str, model.Alternate]:
    """Return the alternates, with their changes by section.

    Parameters
    ----------
    reading : Reading
        The plan being read; gets the problems.
    shapes : mapping
        Name → section or group → what changes, as written.
    rooms, sections, groups : mapping
        Those that could be made out.
    """
    alternates: dict[str, model.Alternate] = {}
    for name, changes in shapes.items():
        path: KeyPath = ("alternates", name)
        of_groups: dict[str, model.AlternateChange] = {}
        of_sections: dict[str, model.AlternateChange] = {}
        says_dry: set[str] = set()
        for target, shape in changes.items():
            at: KeyPath = (*path, target)
            bus = reading.bus(target, name, reading.places.of(at))
            if bus is None:
                continue
            kind, known = bus
            named = (known,) if kind == "section" else groups[known].sections if known in groups else ()
            members = [section for section in named if section in sections]  # the others have their problem
            change = _change(reading, name, target, shape, at, rooms, [sections[m] for m in members])
            into = of_sections if kind == "section" else of_groups
            into.update(dict.fromkeys(members, change))
            if kind == "section" and "dry" in shape.model_fields_set:
                says_dry.add(known)
        merged: dict[str, model.AlternateChange] = {}
        for section in sections:
            group, own = of_groups.get(section), of_sections.get(section)
            if group is not None and own is not None:
                dry = _added(group.dry_db, own.dry_db) if section in says_dry else group.dry_db
                merged[section] = replace(_on_top(group, own), dry_db=dry)
            elif change := group or own:
                merged[section] = change
        alternates[name] = model.Alternate(name, merged, reading.places.of(path))
    return alternates


def _change(
    reading: Reading,
    alternate: str,
    target: str,
    shape: AlternateChangeShape,
    path: KeyPath,
    rooms: Mapping[str, model.Room],
    members: list[model.Section],
) -> model.AlternateChange:
    """Return what one entry changes; report a change of something that is not there."""
    places = reading.places
    dry = None if shape.dry == "off" else shape.dry
    if dry and members and all(section.dry_db is None for section in members):
        what = f"{alternate}: the dry path of {target} is off, so {number(dry)} dB change nothing"
        reading.refuse(what, places.value((*path, "dry")), "a level of its `dry`, or the line left out")
    sends: dict[str, float | None] = {}
    for room, level in shape.sends.items():
        place = places.of((*path, "sends", room))
        if not reading.known("room", room, place):
            continue
        used = {send.room for section in members for send in section.sends}
        if room in rooms and members and room not in used:
            if not any(_may_have_lost(reading, section, room) for section in members):
                _no_such_send(reading, f"{alternate}: {target}", room, sorted(used), place)
            continue
        sends[room] = None if level == "off" else level
    return model.AlternateChange(shape.level, shape.mute, places.of(path), dry, sends)


def _may_have_lost(reading: Reading, section: model.Section, room: str) -> bool:
    """Tell whether a send of the section into a room may stand in the file, refused."""
    owners: list[KeyPath] = [("shared_sends",), ("sections", section.name, "sends")]
    if section.group is not None:
        owners.append(("groups", section.group, "sends"))
    return any(
        reading.places.was_refused(owner) or reading.places.was_refused((*owner, room)) for owner in owners
    )


def _no_such_send(reading: Reading, who: str, room: str, used: list[str], place: Place) -> None:
    remedy = f"it sends to {', '.join(used)}" if used else "it has no sends at all"
    reading.refuse(f"{who} sends nothing to {room}", place, remedy)


def _on_top(group: model.AlternateChange, own: model.AlternateChange) -> model.AlternateChange:
    """Lay a section's own change over its group's; `dry` stays the section's own."""
    sends = dict(group.sends)
    for room, level in own.sends.items():
        sends[room] = _added(sends.get(room, 0.0), level)
    mute = group.mute if own.mute is None else own.mute
    return replace(own, level_db=group.level_db + own.level_db, mute=mute, sends=sends)


def _added(first: float | None, second: float | None) -> float | None:
    """Add two changes in dB: `off` (None) on top switches off, a level on top of `off` replaces it."""
    return second if first is None or second is None else first + second
