"""The alternate mixes of a plan: what is said of groups and of sections, laid together section by section.

Notes
-----
A change of a group holds for each of its sections, and what the section's own entry says comes on top:
levels add up; `mute`, and a level where the group says `off`, replace what the group says.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from roomplan.documents.wording import listed, number
from roomplan.frozen_classes import frozen_class
from roomplan.plan import model

if TYPE_CHECKING:
    from collections.abc import Mapping

    from roomplan.documents.places import KeyPath
    from roomplan.plan.bus_name import BusName
    from roomplan.plan.reading import Reading
    from roomplan.plan.shape import AlternateChangeShape

__all__ = ["MOST_CHANGES", "resolve_alternates"]

# Far above any plan: a group stands for each of its sections, which multiplies what a file can say.
MOST_CHANGES = 250_000


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
    shapes : mapping
        Name → section or group → what changes, as written.
    rooms, sections, groups : mapping
        Those that could be made out.
    """
    alternates: dict[str, model.Alternate] = {}
    order = {section: number for number, section in enumerate(sections)}
    targets: dict[BusName, _Target] = {}
    left = MOST_CHANGES
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
            kind, known = bus.kind, bus.subject
            named = (known,) if kind == "section" else groups[known].sections if known in groups else ()
            members = [section for section in named if section in sections]  # the others have their problem
            left -= len(members)
            if left < 0:
                what = f"the alternates change more than {MOST_CHANGES} sections, those of groups counted"
                reading.refuse(what, reading.places.of(at), "fewer alternates, or smaller groups")
                return alternates
            if bus not in targets:
                targets[bus] = _Target.of(reading, [sections[member] for member in members])
            change = _change(reading, name, target, shape, at, rooms, targets[bus])
            into = of_sections if kind == "section" else of_groups
            into.update(dict.fromkeys(members, change))
            if kind == "section" and "dry" in shape.model_fields_set:
                says_dry.add(known)
        merged: dict[str, model.AlternateChange] = {}
        for section in sorted({**of_groups, **of_sections}, key=order.__getitem__):
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
    name: str,
    shape: AlternateChangeShape,
    path: KeyPath,
    rooms: Mapping[str, model.Room],
    target: _Target,
) -> model.AlternateChange:
    """Return what one entry changes; report a change of something that is not there."""
    places = reading.places
    dry = None if shape.dry == "off" else shape.dry
    if dry and target.members and all(section.dry_db is None for section in target.members):
        what = f"{alternate}: the dry path of {name} is off, so {number(dry)} dB change nothing"
        reading.refuse(
            what, places.value((*path, "dry")), "set the level of its `dry`, or leave out the line"
        )
    sends: dict[str, float | None] = {}
    for room, level in shape.sends.items():
        place = places.of((*path, "sends", room))
        if not reading.known("room", room, place):
            continue
        if room in rooms and target.members and room not in target.used:
            if not target.may_have_lost(reading, room):
                words = target.used_in_words
                remedy = f"it sends to {words}" if words else "it has no sends at all"
                reading.refuse(f"{alternate}: {name} sends nothing to {room}", place, remedy)
            continue
        sends[room] = None if level == "off" else level
    return model.AlternateChange(shape.level, shape.mute, places.of(path), dry, sends)


@frozen_class
class _Target:
    """What a change is of: sections, the rooms they send to, and where a send that was refused may be."""

    members: list[model.Section]
    used: frozenset[str]
    used_in_words: str
    lost: frozenset[str]
    above: tuple[KeyPath, ...]
    anything_lost: bool

    @classmethod
    def of(cls, reading: Reading, members: list[model.Section]) -> _Target:
        """Look at the sections once, however many alternates change them."""
        places = reading.places
        own: list[KeyPath] = [("sections", section.name, "sends") for section in members]
        groups = {section.group for section in members if section.group is not None}  # one, or none
        above: tuple[KeyPath, ...] = (("shared_sends",), *(("groups", group, "sends") for group in groups))
        used = frozenset(send.room for section in members for send in section.sends)
        return cls(
            members=members,
            used=used,
            used_in_words=listed(sorted(used)),
            lost=frozenset(room for path in own for room in places.refused_in(path)),
            above=above,
            anything_lost=any(places.was_refused(path) for path in (*above, *own)),
        )

    def may_have_lost(self, reading: Reading, room: str) -> bool:
        """Tell whether a send of one of the sections into a room may be in the file, refused."""
        return (
            self.anything_lost
            or room in self.lost
            or any(reading.places.was_refused((*path, room)) for path in self.above)
        )


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
