"""Components and the buses they add up to.

Conventions
-----------
A `Component` is a stereo signal at the level it has in the mix. A `Bus` is a set of components with a factor
each: 1 for every bus of the plan, the change of level for an alternate; components that are muted are left
out. The groups of an alternate are buses where a delivery writes them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.documents.suggest import did_you_mean
from roomplan.errors import RoomplanError
from roomplan.files.names import safe_file_names
from roomplan.frozen_classes import frozen_class
from roomplan.plan.bus_name import BusName
from roomplan.session.session import amplitude

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from roomplan.session.session import SectionSource, Session

__all__ = ["Bus", "BusFamily", "Component", "build_buses", "build_components", "build_families", "find_bus"]


@frozen_class
class Component:
    """One signal: the dry of a section (`send` is None) or one of its sends."""

    section: str
    send: int | None
    room: str | None
    position: str | None
    muted: bool

    @property
    def name(self) -> str:
        """Readable name: `dry(choir)`, `wet(choir, orrin_nave, rear)`."""
        if self.send is None:
            return f"dry({self.section})"
        return f"wet({self.section}, {self.room}, {self.position})"


@frozen_class
class Bus:
    """A sum of components: `factors` maps the index of a component to its factor."""

    name: BusName
    kind: str
    factors: Mapping[int, float]


@frozen_class
class BusFamily:
    """Buses that add up to another one, and the folder their files share."""

    folder: str
    buses: tuple[BusName, ...]
    total: BusName


def build_components(session: Session) -> tuple[Component, ...]:
    """All wet components, then all dry ones, muted ones included: the engine writes the wet ones in place."""
    wet = [
        Component(section.name, index, send.room, send.position, section.muted or send.muted)
        for section in session.sections
        for index, send in enumerate(section.sends)
    ]
    dry = [
        Component(section.name, None, None, None, section.muted)
        for section in session.sections
        if section.dry_gain is not None
    ]
    return (*wet, *dry)


def build_buses(session: Session, components: tuple[Component, ...]) -> tuple[Bus, ...]:
    """All buses of a plan, the mix first."""
    heard = [index for index, component in enumerate(components) if not component.muted]

    def bus(name: str, kind: str, members: Iterable[int]) -> Bus:
        return Bus(BusName(name), kind, dict.fromkeys(members, 1.0))

    def family(whole: BusName, members: list[int]) -> list[Bus]:
        kind = whole.kind
        return [
            bus(whole, kind, members),
            bus(f"{whole}:dry", f"{kind}_dry", [i for i in members if components[i].send is None]),
            bus(f"{whole}:wet", f"{kind}_wet", [i for i in members if components[i].send is not None]),
        ]

    dry = [i for i in heard if components[i].send is None]
    wet = [i for i in heard if components[i].send is not None]
    buses = [bus("mix", "mix", heard), bus("dry", "dry", dry), bus("wet", "wet", wet)]
    for section in session.sections:
        members = [i for i in heard if components[i].section == section.name]
        buses += family(BusName.of_section(section.name), members)
    for group in session.plan.groups.values():
        members = [i for i in heard if components[i].section in group.sections]
        buses += family(BusName.of_group(group.name), members)
    for room in session.plan.rooms.values():
        used = [i for i, component in enumerate(components) if component.room == room.name]
        if not used:
            continue
        buses.append(bus(BusName.of_room(room.name), "room", [i for i in used if not components[i].muted]))
        positions = list(dict.fromkeys(components[i].position for i in used))
        listed = room.responses is not None and any(r.listed for r in room.responses.values())
        if len(positions) > 1 or listed:
            for position in positions:
                members = [i for i in used if components[i].position == position and not components[i].muted]
                buses.append(bus(BusName.of_room(room.name, position), "room_position", members))
    for name in session.plan.alternates:
        factors = _alternate_factors(session, components, name)
        buses.append(Bus(BusName.of_alternate(name), "alternate", factors))
        for part, sections in _alternate_parts(session).items():
            members = {i: factor for i, factor in factors.items() if components[i].section in sections}
            buses.append(Bus(BusName.of_alternate(name, part), "alternate_group", members))
    return tuple(buses)


def _alternate_parts(session: Session) -> dict[str, frozenset[str]]:
    """Last part of the bus name → sections, for the groups of an alternate; empty unless they are written."""
    plan = session.plan
    wanted = any("alternate_groups" in delivery.write for delivery in plan.deliveries.values())
    if not wanted or not plan.groups:
        return {}
    alone = [section.name for section in session.sections if section.group is None]
    clashing = set(alone) & set(plan.groups)
    parts = {
        f"group:{name}" if name in clashing else name: frozenset(group.sections)
        for name, group in plan.groups.items()
    }
    return parts | {f"section:{name}" if name in clashing else name: frozenset([name]) for name in alone}


def _alternate_factors(session: Session, components: tuple[Component, ...], name: str) -> dict[int, float]:
    """Component → factor in an alternate; what is off or muted there is left out."""
    changes = session.plan.alternates[name].changes
    sections = {section.name: section for section in session.sections}
    factors: dict[int, float] = {}
    for index, component in enumerate(components):
        change = changes.get(component.section)
        section: SectionSource = sections[component.section]
        muted = section.muted if change is None or change.mute is None else change.mute
        room_muted = component.send is not None and section.sends[component.send].muted
        if muted or room_muted:
            continue
        if change is None:
            factors[index] = 1.0
            continue
        own_db = change.dry_db if component.room is None else change.sends.get(component.room, 0.0)
        if own_db is not None:
            factors[index] = amplitude(change.level_db + own_db)
    return factors


def build_families(session: Session, buses: tuple[Bus, ...]) -> tuple[BusFamily, ...]:
    """Sets of buses that each add up to another one.

    To the mix: prints; dry and the rooms; groups; dry and wet. To an alternate: its groups, where they are
    written.
    """
    names = {bus.name for bus in buses}
    prints = tuple(BusName.of_section(section.name) for section in session.sections)
    rooms = tuple(room for room in map(BusName.of_room, session.plan.rooms) if room in names)
    groups: tuple[BusName, ...] = ()
    if session.plan.groups:
        alone = [BusName.of_section(section.name) for section in session.sections if section.group is None]
        groups = (*map(BusName.of_group, session.plan.groups), *alone)
    folders = safe_file_names(list(session.plan.alternates))
    alternates = (
        BusFamily(
            f"alternates/{folders[name]}",
            tuple(b.name for b in buses if b.kind == "alternate_group" and b.name.subject == name),
            BusName.of_alternate(name),
        )
        for name in session.plan.alternates
    )
    mix, dry, wet = BusName("mix"), BusName("dry"), BusName("wet")
    return (
        BusFamily("prints", prints, mix),
        BusFamily("rooms", (dry, *rooms), mix),
        BusFamily("groups", groups, mix),
        BusFamily("dry_and_wet", (dry, wet), mix),
        *(family for family in alternates if family.buses),
    )


def find_bus(buses: Iterable[str], name: str) -> str:
    """Return `name` if it is a bus, else raise with the nearest ones."""
    names = list(buses)
    if name in names:
        return name
    near = did_you_mean(name, names)
    top = [n for n in names if n.count(":") <= 1]
    raise RoomplanError(
        f"there is no bus {name!r}",
        remedy=f"did you mean {near}?" if near else f"the plan has {', '.join(top)}",
    )
