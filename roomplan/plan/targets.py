"""What a plan is to reach: its targets, how far its levels may be moved, and the reference section of depth.

Conventions
-----------
A target holds one wish. Levels in decibels, times in seconds (centre times are in milliseconds in the
file), definition and speech index as shares from 0 to 1. Buses are named as in reports: `section:choir`,
`group:strings`.

Notes
-----
A target that cannot be reached, such as one on a locked or muted section, is no fault of the file: it is
reported when the plan is solved or checked. Refused here is what has no meaning: a wish that names nothing,
two wishes in one entry, a key that its wish does not use.

Sources
-------
Tolerances that are not written are half a just-noticeable difference where ISO 3382-1:2009, Table A.1, has
one (C80 1 dB, D50 0.05, centre time 10 ms, decay 5 %; from memory), and a whole one for the speech index,
whose noise is an estimate (0.03: IEC 60268-16, from memory); those of levels are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Literal, get_args

from pydantic import Field

from roomplan.cautions import MUSIC_ONLY
from roomplan.documents.wording import number, quoted
from roomplan.plan.base_shape import Shape
from roomplan.plan.names import LONGEST_NAME
from roomplan.plan.values import Choice, ListOf, MappingOf, Number, Otherwise, Text, one_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from roomplan.documents.places import KeyPath
    from roomplan.errors import Place
    from roomplan.plan.bus_name import BusName
    from roomplan.plan.model import Band, Group, Passage
    from roomplan.plan.reading import Reading

__all__ = [
    "DEFAULT_LEVELS_DB",
    "DEFAULT_SENDS_DB",
    "WISHES",
    "BalanceLimits",
    "BalanceShape",
    "Target",
    "TargetShape",
    "Wish",
    "WishKind",
    "resolve_balance",
    "resolve_reference_section",
    "resolve_targets",
]

WishKind = Literal[
    "wet_to_dry",
    "margin",
    "share",
    "least_c80",
    "least_d50",
    "least_sti",
    "longest_centre_time",
    "longest_wet_decay",
    "true_peak",
    "loudness",
]

# What the solver may set where the plan does not say: sends in dB, changes of a section's level in dB (common
# practice, no source).
DEFAULT_SENDS_DB = (-40.0, 0.0)
DEFAULT_LEVELS_DB = (-6.0, 6.0)


@dataclass(frozen=True, slots=True)
class Wish:
    """One kind of wish: what it needs beside its value, and how it is judged.

    Attributes
    ----------
    sense : "equal", "least" or "most"
        On which side of the value a figure misses it.
    unit : str
        As figures of this kind are printed.
    scale : float
        From the number in the file to the value.
    tolerance : float
        Where none is written, in the unit of the value; a share of the value when `relative`.
    needs, takes : tuple of str
        Keys that must and that may be beside it.
    """

    sense: Literal["equal", "least", "most"]
    unit: str
    tolerance: float
    needs: tuple[str, ...] = ("of",)
    takes: tuple[str, ...] = ()
    scale: float = 1.0
    relative: bool = False
    sections_only: bool = False


WISHES: dict[WishKind, Wish] = {
    "wet_to_dry": Wish("equal", "dB", 0.5),
    "margin": Wish("least", "dB", 0.5, needs=("of", "over"), takes=("band", "passage")),
    "share": Wish("equal", "dB", 0.5, needs=("of", "room")),
    "least_c80": Wish("least", "dB", 0.5, sections_only=True),
    "least_d50": Wish("least", "", 0.025, sections_only=True),
    "least_sti": Wish("least", "", 0.03, sections_only=True),
    "longest_centre_time": Wish("most", "ms", 0.005, scale=0.001, sections_only=True),
    "longest_wet_decay": Wish("most", "s", 0.025, relative=True, sections_only=True),
    "true_peak": Wish("most", "dBTP", 0.0, needs=()),
    "loudness": Wish("equal", "LUFS", 0.1, needs=()),
}

_COMPANIONS = ("of", "over", "band", "passage", "room")
_NEEDED = {
    "of": "the section or group it is about, such as `of: choir`",
    "over": "the section or group it should be over, such as `over: strings`",
    "room": "the room whose return it is, such as `room: tallowyard_stage`",
}


@dataclass(frozen=True, slots=True)
class Target:
    """One wish of a plan.

    Attributes
    ----------
    kind : str
        Key of `WISHES`.
    value : float
        What is wanted.
    tolerance : float
        How far a figure may be from it and still count as met.
    weight : float
        Weight against other targets, where not all can be met.
    of, over : str or None
        Bus names; None where the wish is about the mix.
    band : "full" or "speech"
    """

    kind: WishKind
    value: float
    tolerance: float
    weight: float
    of: BusName | None
    over: BusName | None
    room: str | None
    band: Band
    passage: str | None
    place: Place

    @property
    def wish(self) -> Wish:
        """What its kind says."""
        return WISHES[self.kind]

    def miss(self, value: float) -> float:
        """How far a figure is from what is wanted, on the side that counts; 0 or more."""
        above = value - self.value
        return {"equal": abs(above), "least": max(0.0, -above), "most": max(0.0, above)}[self.wish.sense]

    def met_by(self, value: float) -> bool:
        """Whether a figure is within the tolerance."""
        return bool(self.miss(value) <= self.tolerance + 1e-9)


@dataclass(frozen=True, slots=True)
class BalanceLimits:
    """What may be moved for the targets.

    Attributes
    ----------
    sends_db : tuple of two floats
        Between which a send may be set.
    levels_db : tuple of two floats
        Between which a section's level may be changed, dB against the written one.
    locked : tuple of str
        Sections that keep their level and sends.
    linked : tuple of tuples of str
        Sections that move together: one shift per room, one change of level.
    """

    sends_db: tuple[float, float] = DEFAULT_SENDS_DB
    levels_db: tuple[float, float] = DEFAULT_LEVELS_DB
    locked: tuple[str, ...] = ()
    linked: tuple[tuple[str, ...], ...] = ()


# Room for the longest name and the kind that may be before it.
_BUS = Text("the name of a section or group", "choir", LONGEST_NAME + len("section:"))
_SECTION = Text("the name of a section", "choir", LONGEST_NAME)
_LEVEL = Number("dB", -60, 60, "-6")
_LIMIT = Number("dB", -120, 24, "-40")


class TargetShape(Shape):
    """One wish: exactly one of the keys that say what is wanted, and what it is about."""

    of: Annotated[str | None, _BUS, Otherwise("the mix: only for `true_peak` and `loudness`")] = Field(
        default=None, description="The section or group that the target is about."
    )
    over: Annotated[str | None, _BUS, Otherwise("`margin` needs it")] = Field(
        default=None, description="With `margin`: the section or group it should be over."
    )
    room: Annotated[
        str | None,
        Text("the name of a room", "tallowyard_stage", LONGEST_NAME),
        Otherwise("`share` needs it"),
    ] = Field(default=None, description="With `share`: the room whose return is meant.")
    band: Annotated[Literal["full", "speech"] | None, Choice(("full", "speech")), Otherwise("full")] = Field(
        default=None, description="With `margin`: the whole spectrum, or `speech`: 1 to 4 kHz."
    )
    passage: Annotated[
        str | None, Text("the name of a passage", "verse", LONGEST_NAME), Otherwise("the whole cue")
    ] = Field(default=None, description="With `margin`: in this passage only.")
    wet_to_dry: Annotated[float | None, _LEVEL] = Field(
        default=None, description="All returns of the section or group over its dry sound, dB."
    )
    margin: Annotated[float | None, _LEVEL] = Field(
        default=None, description="How far `of` should be over `over` 90 % of the time, dB."
    )
    share: Annotated[float | None, _LEVEL] = Field(
        default=None, description="What `room` returns of the section or group over its dry sound, dB."
    )
    least_c80: Annotated[float | None, Number("dB", -30, 60, "2")] = Field(
        default=None, description="Least clarity C80 of the section, dry sound included, dB."
    )
    least_d50: Annotated[float | None, Number("", 0, 1, "0.4", above=True)] = Field(
        default=None, description="Least definition D50 of the section, dry sound included."
    )
    least_sti: Annotated[float | None, Number("", 0, 1, "0.45", above=True)] = Field(
        default=None,
        description="Least speech transmission index, the other sections as noise: " + MUSIC_ONLY + ".",
    )
    longest_centre_time: Annotated[float | None, Number("ms", 0, 5000, "90", above=True)] = Field(
        default=None, description="Longest centre time of the section, dry sound included, ms."
    )
    longest_wet_decay: Annotated[float | None, Number("s", 0, 60, "2.6", above=True)] = Field(
        default=None, description="Longest T30 of all that the rooms return of the section, s."
    )
    true_peak: Annotated[float | None, Number("dBTP", -60, 24, "-1")] = Field(
        default=None, description="Ceiling of the mix's true peak, kept by `trim`, dBTP."
    )
    loudness: Annotated[float | None, Number("LUFS", -60, 0, "-23")] = Field(
        default=None, description="Integrated loudness of the mix, met by `trim` alone, LUFS."
    )
    tolerance: Annotated[
        float | None, Number("", 0, 100, "0.5", above=True), Otherwise("that of the wish, listed with it")
    ] = Field(default=None, description="How far from the target still counts as met, in its own unit.")
    weight: Annotated[float, Number("", 0, 1000, "2", above=True)] = Field(
        default=1.0, description="Weight against other targets, where not all can be met."
    )


class RangeShape(Shape):
    """Two limits; one that is not written has its default."""

    start: Annotated[float | None, _LIMIT, Otherwise("−40 for sends, −6 for levels")] = Field(
        default=None, alias="from", description="Lowest, dB."
    )
    end: Annotated[float | None, _LIMIT, Otherwise("0 for sends, 6 for levels")] = Field(
        default=None, alias="to", description="Highest, dB."
    )


_RANGE = MappingOf("a mapping such as {from: -40, to: 0}")
_SECTIONS = ListOf("a list of section names, such as [low_strings, melody_strings]")


class BalanceShape(Shape):
    """What `roomplan balance` may move."""

    sends: Annotated[RangeShape | None, _RANGE, Otherwise("{from: -40, to: 0}")] = Field(
        default=None, description="Limits of a send, dB."
    )
    levels: Annotated[RangeShape | None, _RANGE, Otherwise("{from: -6, to: 6}")] = Field(
        default=None, description="Limits of the change of a section's level, dB."
    )
    locked: Annotated[list[Annotated[str, _SECTION]], ListOf("a list of section names, such as [brass]")] = (
        Field(default=[], description="Sections that keep their level and their sends.")
    )
    linked: Annotated[
        list[Annotated[list[Annotated[str, _SECTION]], _SECTIONS]],
        ListOf("a list of lists of sections, such as [[low_strings, melody_strings]]"),
    ] = Field(
        default=[],
        description="Sections that move together: the differences of their sends and levels stay.",
    )


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
    reading : Reading
        The plan being read; gets the problems.
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
    reading : Reading
        The plan being read; gets the problems.
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
    reading : Reading
        The plan being read; gets the problems.
    name : str or None
        As written, under `reference_section`.
    """
    if name is None or not reading.known("section", name, reading.places.value(("reference_section",))):
        return None
    return name
