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
from roomplan.documents.wording import number, quoted
from roomplan.errors import RoomplanError
from roomplan.plan import model
from roomplan.plan.names import name_problems
from roomplan.plan.reading import Reading
from roomplan.plan.resolve_alternates import resolve_alternates
from roomplan.plan.resolve_deliveries import resolve_deliveries
from roomplan.plan.resolve_margins import resolve_margins
from roomplan.plan.resolve_rooms import resolve_room
from roomplan.plan.resolve_sends import merged_sends, resolve_sends
from roomplan.plan.resolve_targets import resolve_balance, resolve_reference_section, resolve_targets
from roomplan.plan.shape import StemShape
from roomplan.timecode import parse_timecode

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from roomplan.documents.places import KeyPath, PlaceMap
    from roomplan.errors import Problem
    from roomplan.plan.shape import PlanShape, SectionShape
    from roomplan.timecode import FrameRate, Timecode

__all__ = ["MOST_SENDS", "resolve_plan"]

# Far above any plan: shared sends stand for one of each section, which multiplies what a file can say.
MOST_SENDS = 50_000

_FRAME_RATE_REMEDY = "`frame_rate: 25` or another at the top"

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
        Where its values are; the file of a value is what its relative path belongs to.
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
    sections, unused_sends = _sections(reading, shape, rooms, groups)
    folder = source.absolute().parent
    title = shape.title or source.stem
    start = _start(reading, shape)
    keys = type(shape).keys()
    stems = None if shape.stems is None else reading.path(shape.stems, ("stems",))
    passages = _passages(reading, shape, start)
    plan = model.Plan(
        source=tidy(source.absolute()),
        title=title,
        sample_rate=shape.sample_rate,
        stems_folder=stems or tidy(folder),
        trim_db=shape.trim,
        tail=shape.tail,
        rooms=rooms,
        groups=groups,
        sections=sections,
        alternates=resolve_alternates(reading, shape.alternates, rooms, sections, groups),
        passages=passages,
        targets=resolve_targets(reading, shape.targets, groups=groups, passages=passages),
        balance=resolve_balance(reading, shape.balance),
        reference_section=resolve_reference_section(reading, shape.reference_section),
        unused_sends=unused_sends,
        margins=resolve_margins(reading, shape.margins, sections, groups),
        deliveries=resolve_deliveries(
            reading, shape, title=title, folder=folder, sections=sections, groups=groups
        ),
        documents=documents,
        place=places.of(()),
        cue=shape.cue,
        version=shape.version,
        strict=shape.strict,
        frame_rate=shape.frame_rate,
        start=start,
        key_places={key: places.value((key,)) for key in keys if places.has((key,))},
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
) -> tuple[dict[str, model.Section], tuple[model.UnusedSend, ...]]:
    """Return the sections with every send they have, and the shared sends that none of them has."""
    shared = resolve_sends(reading, rooms, shape.shared_sends, ("shared_sends",))
    by_group = {
        name: resolve_sends(reading, rooms, group.sends, ("groups", name, "sends"))
        for name, group in shape.groups.items()
    }
    owner = {section: group.name for group in groups.values() for section in group.sections}
    order = {room: number for number, room in enumerate(rooms)}
    sections: dict[str, model.Section] = {}
    left = MOST_SENDS
    for name, section in shape.sections.items():
        group = owner.get(name)
        own = resolve_sends(reading, rooms, section.sends, ("sections", name, "sends"))
        sources = (shared, by_group[group] if group is not None else {}, own)
        sends = merged_sends(sources, order) if left >= 0 else ()
        if left >= 0 > left - len(sends):
            what = (
                f"there are more than {MOST_SENDS} sends, shared ones and those of groups counted per section"
            )
            reading.refuse(what, reading.places.of(("sections", name)), "fewer sections or shared sends")
        left -= len(sends)
        sections[name] = _section(reading, name, section, group, sends)
    used = {id(send) for section in sections.values() for send in section.sends}
    unused = tuple(
        model.UnusedSend(group, room, sends[0].place)
        for group, source in ((None, shared), *by_group.items())
        for room, sends in source.items()
        if sends and room in rooms and not used & {id(send) for send in sends}
        if group is None or groups[group].sections
    )
    return sections, unused


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
        source=shape.source,
        sends=sends,
        group=group,
        place=places.of(path),
        optional=shape.optional,
        versions=shape.versions,
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


def _start(reading: Reading, shape: PlanShape) -> Timecode | None:
    """Return the timecode of the first frame; None when the plan has none that can be read."""
    if shape.start is None:
        return None
    place = reading.places.value(("start",))
    if shape.frame_rate is None:
        if not reading.places.was_refused(("frame_rate",)):
            what = f"start: {quoted(shape.start)} is timecode, but the plan has no frame rate"
            reading.refuse(what, place, _FRAME_RATE_REMEDY)
        return None
    try:
        return parse_timecode(shape.start, shape.frame_rate)
    except RoomplanError as error:
        reading.refuse(f"start: {error.problems[0].what}", place, error.problems[0].remedy or "")
        return None


def _passages(reading: Reading, shape: PlanShape, start: Timecode | None) -> dict[str, model.Passage]:
    """Return the passages that end after they begin."""
    _require_what_timecode_needs(reading, shape)
    passages: dict[str, model.Passage] = {}
    for name, passage in shape.passages.items():
        path: KeyPath = ("passages", name)
        begin = _moment_s(reading, passage.start, (*path, "from"), shape.frame_rate, start)
        end = _moment_s(reading, passage.end, (*path, "to"), shape.frame_rate, start)
        if begin is None or end is None:
            continue
        if end > begin:
            passages[name] = model.Passage(name, begin, end, reading.places.of(path))
        else:
            shown = [
                moment if isinstance(moment, str) else f"{number(moment)} s"
                for moment in (passage.end, passage.start)
            ]
            what = f"{name}: `to`, {shown[0]}, is not after `from`, {shown[1]}"
            reading.refuse(what, reading.places.value((*path, "to")), "`to` after `from`")
    return passages


def _require_what_timecode_needs(reading: Reading, shape: PlanShape) -> None:
    """Report once, where the first passage is in timecode, that the plan does not say how to read it."""
    written = [
        (("passages", name, key), moment)
        for name, passage in shape.passages.items()
        for key, moment in (("from", passage.start), ("to", passage.end))
        if isinstance(moment, str)
    ]
    if not written:
        return
    path, moment = written[0]
    place = reading.places.value(path)
    if shape.frame_rate is None and shape.start is None:  # with a start that is the start's own problem
        if not reading.places.was_refused(("frame_rate",)):
            what = f"{path[-1]}: {quoted(moment)} is timecode, but the plan has no frame rate"
            reading.refuse(what, place, _FRAME_RATE_REMEDY)
    elif shape.start is None and not reading.places.was_refused(("start",)):
        what = f"{path[-1]}: {quoted(moment)} is timecode, but the plan does not say where it starts"
        reading.refuse(what, place, '`start: "01:00:00:00"` at the top, or seconds')


def _moment_s(
    reading: Reading,
    moment: float | str,
    path: KeyPath,
    rate: FrameRate | None,
    start: Timecode | None,
) -> float | None:
    """Return seconds from the start; None for timecode that cannot be read."""
    if not isinstance(moment, str):
        return moment
    if rate is None or start is None:
        return None
    try:
        return float(parse_timecode(moment, rate).seconds_after(start.seconds))
    except RoomplanError as error:
        problem = error.problems[0]
        reading.refuse(f"{path[-1]}: {problem.what}", reading.places.value(path), problem.remedy or "")
        return None
