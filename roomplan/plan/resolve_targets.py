"""From the targets of a file to those of a plan, and to the reference section of depth.

Notes
-----
A target that cannot be reached, such as one on a locked or muted section, is no fault of the file: it is
reported when the plan is solved or checked. Refused here is what has no meaning: a wish that names nothing,
two wishes in one entry, a key that its wish does not use.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, get_args

from roomplan.documents.wording import number, quoted
from roomplan.plan.targets import (
    DEFAULT_LEVELS_DB,
    DEFAULT_SENDS_DB,
    WISHES,
    BalanceLimits,
    Target,
    WishKind,
)
from roomplan.plan.values import one_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from roomplan.documents.places import KeyPath
    from roomplan.plan.bus_name import BusName
    from roomplan.plan.model import Group, Passage
    from roomplan.plan.reading import Reading
    from roomplan.plan.target_shape import BalanceShape, RangeShape, TargetShape

__all__ = ["resolve_balance", "resolve_reference_section", "resolve_targets"]

_COMPANIONS = ("of", "over", "band", "passage", "room")
_NEEDED = {
    "of": "the section or group it is about, such as `of: choir`",
    "over": "the section or group it should be over, such as `over: strings`",
    "room": "the room whose return it is, such as `room: tallowyard_stage`",
}


def resolve_targets(
    reading: Reading,
    shapes: Sequence[TargetShape],
    *,
    groups: Mapping[str, Group],
    passages: Mapping[str, Passage],
) -> tuple[Target, ...]:
    """Return the targets that mean something.

    Parameters
    ----------
    shapes : sequence of TargetShape
        As written, under `targets`.
    groups, passages : mapping
        Those that could be made out.
    """
    found: dict[tuple[object, ...], Target] = {}
    for index, shape in enumerate(shapes):
        target = _target(reading, shape, ("targets", index), groups, passages)
        if target is None:
            continue
        key = (target.kind, target.of, target.over, target.room, target.band, target.passage)
        first = found.get(key)
        if first is not None:
            what = f"targets: {target.kind} of the same thing appears twice"
            reading.refuse(what, target.place, f"once; the first is in line {first.place.line}")
            continue
        found[key] = target
    return tuple(found.values())


def _target(
    reading: Reading,
    shape: TargetShape,
    path: KeyPath,
    groups: Mapping[str, Group],
    passages: Mapping[str, Passage],
) -> Target | None:
    place = reading.places.of(path)
    kind = _kind(reading, shape, path)
    if kind is None:
        return None
    wish = WISHES[kind]
    whole = True
    for key in _COMPANIONS:
        given = getattr(shape, key) is not None
        refused = reading.places.was_refused((*path, key))
        if given and key not in wish.needs and key not in wish.takes:
            owners = [k for k, w in WISHES.items() if key in w.needs or key in w.takes]
            belongs = "the other wishes" if key == "of" else f"`{owners[0]}`"
            what = f"{key}: {kind} does not use it"
            reading.refuse(
                what, reading.places.of((*path, key)), f"leave out the line; it belongs to {belongs}"
            )
            whole = False
        elif not given and not refused and key in wish.needs:
            reading.refuse(f"{kind}: `{key}` is missing", place, _NEEDED[key])
            whole = False
        whole = whole and not refused
    of = over = None
    if shape.of is not None and "of" in wish.needs:
        of = _bus(reading, shape.of, (*path, "of"), sections_only=wish.sections_only)
        whole = whole and of is not None
    if shape.over is not None and "over" in wish.needs:
        over = _bus(reading, shape.over, (*path, "over"), sections_only=False)
        whole = whole and over is not None
    if of is not None and over is not None and "over" in wish.needs:
        whole = _apart(reading, shape, (of, over), (*path, "over"), groups) and whole
    if shape.room is not None and "room" in wish.needs:
        whole = reading.known("room", shape.room, reading.places.value((*path, "room"))) and whole
    if shape.passage is not None and "passage" in wish.takes:
        whole = _is_passage(reading, shape.passage, (*path, "passage"), passages) and whole
    if not whole:
        return None
    value = getattr(shape, kind) * wish.scale
    tolerance = wish.tolerance * abs(value) if wish.relative else wish.tolerance
    if shape.tolerance is not None:
        tolerance = shape.tolerance * wish.scale
    return Target(
        kind=kind,
        value=value,
        tolerance=tolerance,
        weight=shape.weight,
        of=of,
        over=over,
        room=shape.room,
        band=shape.band or "full",
        passage=shape.passage,
        place=place,
    )


def _kind(reading: Reading, shape: TargetShape, path: KeyPath) -> WishKind | None:
    """Return the one wish of an entry; None, and a problem, when it has none or several."""
    kinds = [kind for kind in get_args(WishKind) if getattr(shape, kind) is not None]
    if len(kinds) == 1:
        return kinds[0]
    if kinds:
        at = reading.places.of((*path, kinds[1]))
        what = f"targets, entry {_number(path)}: {' and '.join(kinds)} in one entry"
        reading.refuse(what, at, "one wish in each entry")
    elif not any(reading.places.was_refused((*path, kind)) for kind in get_args(WishKind)):
        what = f"targets, entry {_number(path)}: names no target"
        reading.refuse(what, reading.places.of(path), one_of(get_args(WishKind), ticks=True))
    return None


def _number(path: KeyPath) -> int:
    return int(path[-1]) + 1


def _apart(
    reading: Reading,
    shape: TargetShape,
    buses: tuple[BusName, BusName],
    path: KeyPath,
    groups: Mapping[str, Group],
) -> bool:
    """Tell whether two buses are different sounds; report it if not."""
    inside, around = (_members(bus, groups) for bus in buses)
    shared = inside & around
    if not shared:
        return True
    place = reading.places.value(path)
    if buses[0] == buses[1]:
        reading.refuse(f"over: {shape.over} cannot be over itself", place, "another section or group")
    else:
        what = f"over: {shape.of} and {shape.over} both contain the section {min(shared)}"
        reading.refuse(what, place, "a section or group without it")
    return False


def _members(bus: BusName, groups: Mapping[str, Group]) -> set[str]:
    return bus.sections({name: group.sections for name, group in groups.items()})


def _is_passage(reading: Reading, name: str, path: KeyPath, passages: Mapping[str, Passage]) -> bool:
    if name in passages or reading.places.has(("passages", name)):
        return name in passages  # one that was refused has its problem
    if reading.places.was_refused(("passages",)) or reading.places.was_refused(("passages", name)):
        return False
    remedy = reading.nearest_or_all(name, passages) if passages else "one under `passages`"
    reading.refuse(f"there is no passage {quoted(name)}", reading.places.value(path), remedy)
    return False


def _bus(reading: Reading, text: str, path: KeyPath, *, sections_only: bool) -> BusName | None:
    """Return the bus that a text means; None, and a problem, when it means none that will do."""
    place = reading.places.value(path)
    bus = reading.bus(text, str(path[-1]), place)
    if bus is not None and sections_only and bus.kind != "section":
        what = f"{path[-1]}: {quoted(bus.subject)} is a group, but this needs a single section"
        reading.refuse(what, place, "one of its sections")
        return None
    return bus


def resolve_balance(reading: Reading, shape: BalanceShape | None) -> BalanceLimits:
    """Return what may be moved; what is refused has its default.

    Parameters
    ----------
    shape : BalanceShape or None
        As written, under `balance`.
    """
    if shape is None:
        return BalanceLimits()
    sends = _range(reading, shape.sends, "sends", DEFAULT_SENDS_DB)
    levels = _range(reading, shape.levels, "levels", DEFAULT_LEVELS_DB)
    if shape.levels is not None and not levels[0] <= 0.0 <= levels[1]:
        what = "levels: 0, which keeps a section as written, is not between them"
        reading.refuse(what, reading.places.of(("balance", "levels")), "`from` up to 0 and `to` from 0 on")
        levels = DEFAULT_LEVELS_DB
    locked = _known_once(reading, shape.locked, ("balance", "locked"), {})
    taken: dict[str, int] = {}
    linked = []
    for index, names in enumerate(shape.linked):
        path: KeyPath = ("balance", "linked", index)
        members = _known_once(reading, names, path, taken)
        taken |= dict.fromkeys(members, index)
        if len(names) < 2:
            what = f"linked, entry {index + 1}: a single section is linked to nothing"
            reading.refuse(what, reading.places.of(path), "at least two sections")
        elif len(members) > 1:
            linked.append(members)
    return BalanceLimits(sends, levels, locked, tuple(linked))


def _range(
    reading: Reading, shape: RangeShape | None, key: str, default: tuple[float, float]
) -> tuple[float, float]:
    if shape is None:
        return default
    low = default[0] if shape.start is None else shape.start
    high = default[1] if shape.end is None else shape.end
    if low <= high:
        return low, high
    place = reading.places.value(("balance", key, "from" if shape.end is None else "to"))
    what = f"{key}: `to`, {number(high)} dB, is below `from`, {number(low)} dB"
    reading.refuse(what, place, "`from` the lower and `to` the higher")
    return default


def _known_once(
    reading: Reading, names: Sequence[str], path: KeyPath, taken: Mapping[str, int]
) -> tuple[str, ...]:
    """Return the names that are sections, each once; report the others."""
    members: list[str] = []
    for index, name in enumerate(names):
        place = reading.places.value((*path, index))
        if not reading.known("section", name, place):
            continue
        if name in members:
            reading.refuse(f"{path[1]}: {name} appears twice", place, "once")
        elif name in taken:
            what = f"linked: {name} is already in entry {taken[name] + 1}"
            reading.refuse(what, place, "a section in at most one of them")
        else:
            members.append(name)
    return tuple(members)


def resolve_reference_section(reading: Reading, name: str | None) -> str | None:
    """Return the reference section of depth; None where none is written or there is no such section.

    Parameters
    ----------
    name : str or None
        As written, under `reference_section`.
    """
    if name is None or not reading.known("section", name, reading.places.value(("reference_section",))):
        return None
    return name
