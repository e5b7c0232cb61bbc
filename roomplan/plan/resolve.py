"""From what a plan file says to the plan itself: units, paths, names that must exist, sends merged.

Notes
-----
Best effort: a part that contradicts itself is reported and left out or given its default, so that whoever
comes next can still look at the rest. Nothing is opened; whether files and bundled rooms exist is found
when they are read.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.documents.extends import tidy
from roomplan.documents.wording import number
from roomplan.plan import model
from roomplan.plan.names import name_problems
from roomplan.plan.reading import Reading
from roomplan.plan.resolve_margins import resolve_margins
from roomplan.plan.resolve_rooms import resolve_room
from roomplan.plan.resolve_sends import merged_sends, resolve_sends
from roomplan.plan.shape import StemShape

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from roomplan.documents.places import KeyPath, PlaceMap
    from roomplan.errors import Problem
    from roomplan.plan.shape import DeliveryShape, PlanShape, SectionShape

__all__ = ["resolve_plan"]

_DEFAULT_DELIVERY = "render"
_DEFAULT_FAMILIES: tuple[model.Family, ...] = ("mix", "prints", "rooms")

# What the names in each mapping of a plan stand for.
_KINDS = {
    "rooms": "room",
    "groups": "group",
    "sections": "section",
    "alternates": "alternate",
    "passages": "passage",
    "deliveries": "delivery",
}


def resolve_plan(
    shape: PlanShape,
    places: PlaceMap,
    *,
    source: Path,
    documents: tuple[Path, ...],
    names: Mapping[str, tuple[str, ...]],
) -> tuple[model.Plan, list[Problem]]:
    """Return the plan that a shape means.

    Parameters
    ----------
    shape : PlanShape
        The plan as written.
    places : PlaceMap
        Where its values stand; the file of a value is what its relative path belongs to.
    source : Path
        The plan's own file.
    documents : tuple of Path
        Every plan file read, absolute.
    names : mapping
        `room`, `section` and `group` → every name the files have, also of those whose values were refused.

    Returns
    -------
    Plan
        Best effort.
    list of Problem
        Everything found here, in no particular order.
    """
    reading = Reading(places, names, tempo=shape.tempo, sample_rate=shape.sample_rate)
    for key, kind in _KINDS.items():
        reading.problems.extend(name_problems(kind, getattr(shape, key), (key,), places))
    for key in ("rooms", "sections"):
        # A missing one has its problem already, and one that has lost all it had, too.
        if not getattr(shape, key) and places.has((key,)) and not places.was_thinned((key,)):
            reading.refuse(f"{key}: is an empty mapping", places.of((key,)), f"at least one {_KINDS[key]}")
    found = {name: resolve_room(reading, name, room) for name, room in shape.rooms.items()}
    rooms = {name: room for name, room in found.items() if room is not None}
    groups = _groups(reading, shape)
    sections = _sections(reading, shape, rooms, groups)
    folder = source.absolute().parent
    stems = None if shape.stems is None else reading.path(shape.stems, ("stems",))
    plan = model.Plan(
        source=tidy(source.absolute()),
        title=shape.title or source.stem,
        sample_rate=shape.sample_rate,
        stems_folder=stems or tidy(folder),
        trim_db=shape.trim,
        tail=shape.tail,
        rooms=rooms,
        groups=groups,
        sections=sections,
        alternates=_alternates(reading, shape),
        passages=_passages(reading, shape),
        margins=resolve_margins(reading, shape.margins, sections, groups),
        deliveries=_deliveries(reading, shape, folder),
        documents=documents,
        place=places.of(()),
    )
    return plan, reading.problems


def _groups(reading: Reading, shape: PlanShape) -> dict[str, model.Group]:
    """Return the groups; a section that is named in several stays in the first."""
    groups: dict[str, model.Group] = {}
    owner: dict[str, str] = {}
    for name, group in shape.groups.items():
        members: list[str] = []
        for index, section in enumerate(group.sections):
            place = reading.places.value(("groups", name, "sections", index))
            if not reading.known("section", section, place):
                continue
            if section in owner:
                if owner[section] == name:
                    reading.refuse(f"{name}: the section {section} is named twice", place, "once")
                else:
                    what = f"{name}: the section {section} is already in {owner[section]}"
                    reading.refuse(what, place, "a section in at most one group")
                continue
            owner[section] = name
            members.append(section)
        groups[name] = model.Group(name, tuple(members), group.level, reading.places.of(("groups", name)))
    return groups


def _sections(
    reading: Reading, shape: PlanShape, rooms: Mapping[str, model.Room], groups: Mapping[str, model.Group]
) -> dict[str, model.Section]:
    """Return the sections with every send they have."""
    shared = resolve_sends(reading, rooms, shape.shared_sends, ("shared_sends",))
    by_group = {
        name: resolve_sends(reading, rooms, group.sends, ("groups", name, "sends"))
        for name, group in shape.groups.items()
    }
    owner = {section: group.name for group in groups.values() for section in group.sections}
    sections: dict[str, model.Section] = {}
    for name, section in shape.sections.items():
        group = owner.get(name)
        own = resolve_sends(reading, rooms, section.sends, ("sections", name, "sends"))
        sources = (shared, by_group[group] if group is not None else {}, own)
        sections[name] = _section(reading, name, section, group, merged_sends(sources, rooms))
    return sections


def _section(
    reading: Reading, name: str, shape: SectionShape, group: str | None, sends: tuple[model.Send, ...]
) -> model.Section:
    path: KeyPath = ("sections", name)
    places = reading.places
    seat = None
    if shape.seat is not None:
        seat = model.Seat(
            distance_m=shape.seat.distance,
            angle_deg=shape.seat.angle,
            place=places.of((*path, "seat")),
            spread_m=shape.seat.spread,
        )
    return model.Section(
        name=name,
        stems=_stems(reading, shape, (*path, "stems")),
        level_db=shape.level,
        mute=shape.mute,
        dry_db=None if shape.dry == "off" else shape.dry,
        delay_s=shape.delay / 1000.0,
        pan=shape.pan,
        width=shape.width / 100.0,
        seat=seat,
        sends=sends,
        group=group,
        place=places.of(path),
    )


def _stems(reading: Reading, shape: SectionShape, path: KeyPath) -> tuple[model.StemEntry, ...]:
    if isinstance(shape.stems, str):
        return (model.StemEntry(shape.stems, 0.0, None, reading.places.value(path)),)
    entries: list[model.StemEntry] = []
    for index, item in enumerate(shape.stems):
        place = reading.places.value((*path, index))
        if isinstance(item, StemShape):
            entries.append(model.StemEntry(item.file, item.level, item.pan, place))
        else:
            entries.append(model.StemEntry(item, 0.0, None, place))
    return tuple(entries)


def _alternates(reading: Reading, shape: PlanShape) -> dict[str, model.Alternate]:
    alternates: dict[str, model.Alternate] = {}
    for name, changes in shape.alternates.items():
        path: KeyPath = ("alternates", name)
        known: dict[str, model.AlternateChange] = {}
        for section, change in changes.items():
            place = reading.places.of((*path, section))
            if reading.known("section", section, place):
                known[section] = model.AlternateChange(change.level, change.mute, place)
        alternates[name] = model.Alternate(name, known, reading.places.of(path))
    return alternates


def _passages(reading: Reading, shape: PlanShape) -> dict[str, model.Passage]:
    """Return the passages that end after they begin."""
    passages: dict[str, model.Passage] = {}
    for name, passage in shape.passages.items():
        path: KeyPath = ("passages", name)
        if passage.end > passage.start:
            place = reading.places.of(path)
            passages[name] = model.Passage(name, passage.start, passage.end, place)
        else:
            what = f"{name}: `to`, {number(passage.end)} s, is not after `from`, {number(passage.start)} s"
            reading.refuse(what, reading.places.value((*path, "to")), "`to` after `from`")
    return passages


def _deliveries(reading: Reading, shape: PlanShape, folder: Path) -> dict[str, model.Delivery]:
    """Return the one delivery; without any, the default one beside the plan."""
    deliveries = {name: _delivery(reading, name, one, folder) for name, one in shape.deliveries.items()}
    for name in list(deliveries)[1:]:
        place = reading.places.of(("deliveries", name))
        reading.refuse(f"{name}: several deliveries are not here yet", place, "one delivery for now")
        del deliveries[name]
    if not deliveries:
        deliveries[_DEFAULT_DELIVERY] = model.Delivery(
            name=_DEFAULT_DELIVERY,
            folder=tidy(folder / _DEFAULT_DELIVERY),
            container="wav",
            bit_depth="32f",
            write=_DEFAULT_FAMILIES,
            place=reading.places.of(()),
        )
    return deliveries


def _delivery(reading: Reading, name: str, shape: DeliveryShape, beside: Path) -> model.Delivery:
    path: KeyPath = ("deliveries", name)
    places = reading.places
    folder = None if shape.folder is None else reading.path(shape.folder, (*path, "folder"))
    bit_depth = shape.bit_depth
    if shape.format == "flac" and bit_depth == "32f":
        remedy = "16 or 24, or `format: wav`"
        reading.refuse(f"{name}: flac holds no 32f samples", places.of((*path, "bit_depth")), remedy)
        bit_depth = None
    if bit_depth is None:
        bit_depth = 24 if shape.format == "flac" else "32f"
    for index, family in enumerate(shape.write):
        if family in shape.write[:index]:
            reading.refuse(f"write: {family} stands twice", places.value((*path, "write", index)), "once")
    return model.Delivery(
        name=name,
        folder=folder or tidy(beside / name),
        container=shape.format,
        bit_depth=bit_depth,
        write=tuple(dict.fromkeys(shape.write)),
        place=places.of(path),
    )
