"""A template filled with the stems of a cue: which of its sections they fit, and what is left over.

Conventions
-----------
The result is a leaf plan: it extends the template and says only what differs. A section of the template that
no stem fits is removed (`null`) with everything that names it, unless the template calls it optional; a file
that no section claims becomes a section of its own, with the sends and group of the template's nearest one.
"""

from __future__ import annotations

import cmath
import math
from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from roomplan.errors import PlanError
from roomplan.plan.bus_name import BusName
from roomplan.plan.load import load_template
from roomplan.plan.model import HIGHEST_PLAN_RATE
from roomplan.plan.templates import fields_of
from roomplan.rooms.geometry import seat_fault
from roomplan.rooms.room_file import load_room_specification
from roomplan.session.stems import StemsFolder

from .arranging import fitting_seat, folder_name, propose
from .cue import cue_facts
from .instruments import find_instrument
from .names import read_names
from .patterns import StemText, StemTexts
from .proposal import LeftOut, ProposedSection, ProposedSend
from .recognition import decide, find_hits

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from roomplan.plan.model import Plan, Seat, Section, StemEntry
    from roomplan.plan.written import WrittenPlan
    from roomplan.rooms.spec import RoomSpecification

    from .cue import CueFacts
    from .instruments import Instrument
    from .listening import StemFile
    from .proposal import Proposal, ProposedSeat

__all__ = ["Filling", "fill_template"]


@dataclass(frozen=True, slots=True)
class Filling:
    """What a cue makes of a template.

    Attributes
    ----------
    sample_rate : int or None
        Said only where the stems differ and the template does not say it.
    filled : mapping
        Section → files that its patterns fit.
    missing : mapping
        Section that no file fits → its patterns.
    optional : tuple of str
        Those of `missing` that the template allows to be missing.
    narrowed : mapping
        Section → entries to put in place of the template's, and why.
    added : tuple of ProposedSection
        For files that no section claims.
    by_name : frozenset of str
        Sections that took files by their name alone, their patterns fitting none: not sure.
    groups : mapping
        Group → the sections that are left and those added; None where none is.
    alternates : mapping
        Alternate → sections that it can no longer change; None where nothing is left of it.
    margins : tuple or None
        What is left of the template's margins; None where they stay as they are.
    facts : CueFacts
        What this cue says that the template does not.
    starts_elsewhere : bool
        The template's `start` is that of another cue.
    spreads : mapping
        Section → metres between its two sources, where its stems are stereo and its rooms have no space for
        more.
    """

    title: str
    folder: Path
    base: Path
    sample_rate: int | None
    filled: Mapping[str, tuple[StemFile, ...]]
    missing: Mapping[str, tuple[str, ...]]
    optional: tuple[str, ...]
    narrowed: Mapping[str, tuple[tuple[StemText, ...], str]]
    by_name: frozenset[str]
    added: tuple[ProposedSection, ...]
    groups: Mapping[str, tuple[str, ...] | None]
    alternates: Mapping[str, tuple[str, ...] | None]
    margins: tuple[tuple[str, str, str], ...] | None
    left_out: tuple[LeftOut, ...]
    facts: CueFacts
    starts_elsewhere: bool
    spreads: Mapping[str, float]
    remarks: tuple[str, ...]

    @property
    def sections_change(self) -> bool:
        """Whether the leaf says anything about sections."""
        return bool(self.narrowed or self.added or self.spreads or set(self.missing) - set(self.optional))


def fill_template(
    base: Path, folder: Path, files: Sequence[StemFile], *, answers: Mapping[str, str | None] | None = None
) -> Filling:
    """Match the stems of a folder with the sections of a template.

    Parameters
    ----------
    base : Path
        The template, a plan of its own; its stems folder need not exist.
    answers : mapping, optional
        As in `propose`, for the files that no section claims.

    Raises
    ------
    PlanError
        The template has problems.
    """
    proposal = propose(folder, files, answers=answers)
    said = {"cue": proposal.facts.cue or folder_name(folder), "version": proposal.facts.version or "1"}
    loaded = load_template(base, said)
    if loaded.plan is None or loaded.written is None:
        raise PlanError(loaded.problems)
    plan = loaded.plan
    needed = _fields_needed(loaded.written)
    left_out = {left.file.name: left for left in proposal.left_out}
    filled, narrowed = _filled_by_patterns(plan, folder, files, left_out)
    by_patterns = set(filled)
    _fill_by_name(plan, proposal, filled, narrowed)
    missing = {
        name: tuple(entry.pattern for entry in section.stems)
        for name, section in plan.sections.items()
        if name not in filled
    }
    optional = tuple(name for name in missing if plan.sections[name].optional)
    gone = set(missing) - set(optional)
    heard = {file.name for section in filled.values() for file in section}
    rooms = _synthetic_rooms(plan)
    added = _added(plan, proposal, rooms, heard)
    used = [file for section in filled.values() for file in section] + [f for s in added for f in s.files]
    remaining = {file.name for file in used}
    facts = _facts(plan, proposal, said, needed)
    groups = _groups(plan, gone, added)
    return Filling(
        title=proposal.title,
        folder=folder,
        base=base,
        sample_rate=_sample_rate(plan, used),
        filled=filled,
        missing=missing,
        optional=optional,
        narrowed=narrowed,
        by_name=frozenset(filled) - by_patterns,
        added=added,
        groups=groups,
        alternates=_alternates(plan, gone),
        margins=_margins(plan, gone, groups),
        left_out=tuple(
            left_out.get(file.name, LeftOut(file, "fault", file.fault or "no section takes it"))
            for file in files
            if file.name not in remaining
        ),
        facts=facts,
        starts_elsewhere=plan.start is not None
        and facts.start is None
        and proposal.facts.cue not in {None, plan.cue},
        spreads=_spreads(plan, rooms, filled),
        remarks=proposal.remarks,
    )


def _sample_rate(plan: Plan, used: Sequence[StemFile]) -> int | None:
    """Rate that the leaf has to give: where the template gives none, and stems differ or go beyond it."""
    rates = Counter(file.sample_rate for file in used)
    if plan.sample_rate is None and (len(rates) > 1 or max(rates, default=0) > HIGHEST_PLAN_RATE):
        return min(HIGHEST_PLAN_RATE, max(rates, key=lambda one: (rates[one], one)))
    return None


def _filled_by_patterns(
    plan: Plan, folder: Path, files: Sequence[StemFile], left_out: Mapping[str, LeftOut]
) -> tuple[dict[str, tuple[StemFile, ...]], dict[str, tuple[tuple[StemText, ...], str]]]:
    """Files of every section that takes some by its patterns; entries that name them better, and why."""
    claims, fitting = _claims(plan, folder, files)
    owners = _owners(plan, claims)
    # what a section of the template claims by itself is heard, whatever its name sounds like
    unusable = {file.name for file in files if file.fault is not None}
    texts = StemTexts([file.name for file in files])
    filled: dict[str, tuple[StemFile, ...]] = {}
    narrowed: dict[str, tuple[tuple[StemText, ...], str]] = {}
    for name, section in plan.sections.items():
        mine = [file for file in files if owners.get(file.name) == name and file.name not in unusable]
        unheard = {"cue", "answer"} if section.versions == "all" else {"older", "cue", "answer"}
        mine = [file for file in mine if file.name not in left_out or left_out[file.name].kind not in unheard]
        if not mine:
            continue
        filled[name] = tuple(mine)
        kept = {file.name for file in mine}
        given = [entry for entry in section.stems if fitting[name][entry.pattern]]
        if set().union(*(fitting[name][entry.pattern] for entry in given)) != kept:
            why = "only these: the others are in another section, older, or cannot be read"
            entries = [_entry(file.name, given, fitting[name], texts) for file in mine]
            narrowed[name] = (tuple(entries), why)
        elif len(given) < len(section.stems) and not section.optional:
            why = "the template's other patterns fit nothing here"
            narrowed[name] = (tuple(StemText(e.pattern, e.pan, e.level_db) for e in given), why)
    return filled, narrowed


def _fields_needed(written: WrittenPlan) -> set[str]:
    """Fields in braces that the names of the template's deliveries have."""
    deliveries = written.data.get("deliveries")
    texts = [
        text
        for delivery in (deliveries.values() if isinstance(deliveries, dict) else ())
        for key in ("folder", "file_name")
        if isinstance(text := delivery.get(key), str)
    ]
    return {field for text in texts for field in fields_of(text)}


def _facts(plan: Plan, proposal: Proposal, said: Mapping[str, str], needed: set[str]) -> CueFacts:
    """What the leaf has to say of its cue: what the template needs, and what differs from it."""
    found = cue_facts(
        folder_name(proposal.folder), proposal.stems, cue=proposal.facts.cue, template_rate=plan.frame_rate
    )
    remarks = list(found.remarks)
    cue, version = found.cue, None
    if cue is None and "cue" in needed and plan.cue == said["cue"]:
        cue = said["cue"]
        remarks.append("? no name states a cue: `cue` is the name of the folder")
    if "version" in needed and plan.version == said["version"]:
        version = said["version"]
    rate = found.frame_rate
    if rate is not None and plan.frame_rate is not None and rate != plan.frame_rate:
        remarks.append(f"? the names state {rate} frames a second, the template {plan.frame_rate}")
    return replace(
        found,
        cue=cue,
        version=version,
        frame_rate=None if rate == plan.frame_rate else rate,
        start=found.start,
        remarks=tuple(remarks),
    )


def _synthetic_rooms(plan: Plan) -> dict[str, RoomSpecification]:
    """Name in the plan → the room, of those that are synthetic; `check` says what is wrong with others."""
    found = {}
    for name, room in plan.rooms.items():
        if room.synthetic is not None:
            spec, _problems = load_room_specification(room.synthetic)
            if spec is not None:
                found[name] = spec
    return found


def _spreads(
    plan: Plan, rooms: Mapping[str, RoomSpecification], filled: Mapping[str, Sequence[StemFile]]
) -> dict[str, float]:
    """Narrower spreads for sections of the template whose stereo stems have no room at their seats."""
    spreads = {}
    for name, files in filled.items():
        section = plan.sections[name]
        seat = section.seat
        used = [rooms[send.room] for send in section.sends if send.room in rooms]
        if seat is None or all(file.channels == 1 for file in files) or not _outside(used, seat, 2):
            continue
        narrower = [spread for spread in (1.5, 0.0) if spread < seat.spread_m]
        fitting = [
            spread
            for spread in narrower
            if not _outside(used, replace(seat, spread_m=spread), 2 if spread else 1)
        ]
        if fitting:
            spreads[name] = fitting[0]
    return spreads


def _outside(rooms: Sequence[RoomSpecification], seat: Seat, sources: int) -> bool:
    return any(seat_fault(room, seat, sources if seat.spread_m else 1) is not None for room in rooms)


def _fill_by_name(
    plan: Plan,
    proposal: Proposal,
    filled: dict[str, tuple[StemFile, ...]],
    narrowed: dict[str, tuple[tuple[StemText, ...], str]],
) -> None:
    """Give a section whose patterns fit nothing the files that are called like it: *woodwinds* is WW here."""
    heard = {file.name for files in filled.values() for file in files}
    proposed = {
        section.name: section
        for section in proposal.sections
        if section.family != "other" and not any(file.name in heard for file in section.files)
    }
    for name in plan.sections:
        means = _meaning(name)
        section = None if name in filled or means is None else proposed.pop(means, None)
        if section is not None:
            filled[name] = section.files
            why = "? by its name: the template's patterns fit nothing here"
            narrowed[name] = (section.texts, why)


def _meaning(section: str) -> str | None:
    """Section of the table that a name of the template means."""
    (name,) = read_names([section])
    found = decide(find_hits(name.tokens), name.tokens, (), ())
    return None if found is None or not found.sure or found.solo else found.section


def _entry(
    file: str, given: Sequence[StemEntry], fitting: Mapping[str, set[str]], texts: StemTexts
) -> StemText:
    """Entry for one file, with the level and pan of the entry of the template that fits it."""
    entry = next(entry for entry in given if file in fitting[entry.pattern])
    return StemText(texts.exact(file), entry.pan, entry.level_db)


def _claims(
    plan: Plan, folder: Path, files: Sequence[StemFile]
) -> tuple[dict[str, list[tuple[str, str]]], dict[str, dict[str, set[str]]]]:
    """File → (section, pattern) that claim it; section → pattern → files."""
    listed = StemsFolder(folder, [folder / file.name for file in files])
    claims: dict[str, list[tuple[str, str]]] = {}
    fitting: dict[str, dict[str, set[str]]] = {}
    for name, section in plan.sections.items():
        fitting[name] = {}
        for entry in section.stems:
            names = {path.name for path in listed.matching(entry.pattern)}
            fitting[name][entry.pattern] = names
            for file in names:
                claims.setdefault(file, []).append((name, entry.pattern))
    return claims, fitting


def _owners(plan: Plan, claims: Mapping[str, Sequence[tuple[str, str]]]) -> dict[str, str]:
    """One section per file: the one whose pattern says most of the name, else the first of the template."""
    order = {name: place for place, name in enumerate(plan.sections)}
    return {
        file: max(found, key=lambda claim: (len(claim[1].replace("*", "")), -order[claim[0]]))[0]
        for file, found in claims.items()
    }


def _added(
    plan: Plan, proposal: Proposal, rooms: Mapping[str, RoomSpecification], heard: set[str]
) -> tuple[ProposedSection, ...]:
    """Sections for the files that no section of the template claims."""
    all_names = [file.name for section in proposal.sections for file in section.files]
    all_names += [left.file.name for left in proposal.left_out]
    texts = StemTexts(all_names)
    folded_names = {name.casefold() for name in (*plan.sections, *plan.groups)}
    added = []
    for section in proposal.sections:
        files = tuple(file for file in section.files if file.name not in heard)
        if not files:
            continue
        name, count = section.name, 1
        while name.casefold() in folded_names:
            count += 1
            name = f"{section.name}_{count}"
        folded_names.add(name.casefold())
        entries = section.texts
        if len(files) < len(section.files):
            entries = tuple(StemText(texts.exact(file.name)) for file in files)
        model = _nearest(plan, section)
        joins = next((g.name for g in plan.groups.values() if model and model.name in g.sections), None)
        sends, remark = _sends_like(plan, model)
        seat, remarks = _seat_in(plan, rooms, section, sends)
        added.append(
            replace(
                section,
                name=name,
                files=files,
                texts=entries,
                group=joins,
                seat=seat,
                source=section.source if model is None else model.source,
                sends=sends,
                remarks=(*section.remarks, remark, *remarks),
            )
        )
    return tuple(added)


def _nearest(plan: Plan, section: ProposedSection) -> Section | None:
    """Section of the template of the same family, by its name; of several the one that sits nearest."""
    nearest: tuple[float, Section] | None = None
    for candidate in plan.sections.values():
        means = _meaning(candidate.name)
        instrument = None if means is None else find_instrument(means)
        if instrument is None or instrument.family != section.family:
            continue
        seat = candidate.seat or instrument
        apart_m = abs(_position(seat) - _position(section.typical))
        if nearest is None or apart_m < nearest[0]:
            nearest = apart_m, candidate
    return None if nearest is None else nearest[1]


def _position(seat: Seat | ProposedSeat | Instrument) -> complex:
    """Place on the floor in metres, ahead of the microphones and to their right."""
    return cmath.rect(seat.distance_m, math.radians(seat.angle_deg))


def _seat_in(
    plan: Plan,
    rooms: Mapping[str, RoomSpecification],
    section: ProposedSection,
    sends: Mapping[str, ProposedSend],
) -> tuple[ProposedSeat | None, tuple[str, ...]]:
    """Seat of a section in the rooms of the template, and what is to be said of it."""
    names = {*sends, *_shared_rooms(plan)}
    used = [spec for name, spec in rooms.items() if name in names]
    wanted = section.typical
    seat = fitting_seat(used, wanted.distance_m, wanted.angle_deg, sources=section.sources)
    if seat is None:
        return None, ("? its rooms have no place for a seat of its own: it plays from their reference seats",)
    if (seat.distance_m, seat.angle_deg) == (wanted.distance_m, wanted.angle_deg):
        return seat, ()
    moved = f"{wanted.distance_m:g} m at {wanted.angle_deg:g}°".replace("-", "−")
    return seat, (f"its usual seat, {moved}, is outside these rooms: the nearest that fits",)


def _sends_like(plan: Plan, model: Section | None) -> tuple[dict[str, ProposedSend], str]:
    """Sends of a section of the template; without one, the shared ones do, else its quietest send."""
    if model is not None:
        sends: dict[str, ProposedSend] = {}
        for send in model.sends:
            sends.setdefault(send.room, ProposedSend(send.level_db, position=send.position))
        return sends, f"not in the template: sends as in {model.name}"
    levels = {}
    for section in plan.sections.values():
        for send in section.sends:
            levels.setdefault(send.room, []).append(send)
    if _shared_rooms(plan) or not levels:
        return {}, "not in the template: it has the shared sends only"
    room = max(levels, key=lambda name: len(levels[name]))
    quietest = min(levels[room], key=lambda send: send.level_db)
    return {room: ProposedSend(quietest.level_db, position=quietest.position)}, (
        "not in the template: the quietest send of its most used room"
    )


def _shared_rooms(plan: Plan) -> set[str]:
    """Rooms that every section is sent to: what is known of the template's shared sends."""
    sections = list(plan.sections.values())
    rooms = [{send.room for send in section.sends} for section in sections]
    return set.intersection(*rooms) if rooms else set()


def _groups(
    plan: Plan, gone: set[str], added: Sequence[ProposedSection]
) -> dict[str, tuple[str, ...] | None]:
    changed: dict[str, tuple[str, ...] | None] = {}
    for group in plan.groups.values():
        left = tuple(name for name in group.sections if name not in gone)
        left += tuple(section.name for section in added if section.group == group.name)
        if left != tuple(group.sections):
            changed[group.name] = left or None
    return changed


def _alternates(plan: Plan, gone: set[str]) -> dict[str, tuple[str, ...] | None]:
    changed: dict[str, tuple[str, ...] | None] = {}
    for alternate in plan.alternates.values():
        names = tuple(name for name in alternate.changes if name in gone)
        if names:
            changed[alternate.name] = names if len(names) < len(alternate.changes) else None
    return changed


def _margins(
    plan: Plan, gone: set[str], groups_left: Mapping[str, tuple[str, ...] | None]
) -> tuple[tuple[str, str, str], ...] | None:
    """Margins whose two sides are still there, as a plan writes them; None where all are."""
    emptied = {name for name, left in groups_left.items() if left is None}
    sections, groups = set(plan.sections) - gone, set(plan.groups) - emptied
    kept = {BusName.of_section(name): name for name in sections} | {BusName.of_group(n): n for n in groups}
    left = tuple(margin for margin in plan.margins if margin.of in kept and margin.over in kept)
    ambiguous = set(plan.sections) & set(plan.groups)
    if len(left) == len(plan.margins) and ambiguous == sections & groups:
        return None

    def written(bus: BusName) -> str:
        return bus if kept[bus] in sections & groups else kept[bus]

    return tuple((written(margin.of), written(margin.over), margin.band) for margin in left)
