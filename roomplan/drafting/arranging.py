"""From stems to a plan: in which rooms each section sits, where, and what it is sent.

Conventions
-----------
Sections come in score order. A family with several sections becomes a group; its sections keep seats of
their own. Levels of sections stay at 0 dB: the balance of the stems is the composer's.

Sources
-------
Choice of rooms and levels: starting points on the dry side, common practice, no source.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from roomplan.errors import Place
from roomplan.plan.model import DEFAULT_SPREAD_M, HIGHEST_PLAN_RATE, Seat
from roomplan.rooms.geometry import seat_fault
from roomplan.rooms.room_file import bundled_rooms, load_room_specification
from roomplan.session.stem_names import split_side

from .cue import cue_facts
from .instruments import Instrument, find_instrument, instrument_table, score_place
from .names import ROOM_MICROPHONES, fold, word_set
from .patterns import StemTexts
from .proposal import (
    Proposal,
    ProposedGroup,
    ProposedRoom,
    ProposedSeat,
    ProposedSection,
    ProposedSend,
)
from .sorting import SortedFile, SortedFiles, free_name, sort_files, stem_of

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping, Sequence

    from roomplan.rooms.spec import RoomSpecification

    from .listening import StemFile

__all__ = ["fitting_seat", "folder_name", "propose"]

HALL, CHURCH, STAGE = "hall", "church", "stage"

# Rooms that come with the program, the first that is there; without any of them the mid-band time decides.
_PREFERRED = {
    HALL: ("larkmere_hall",),
    CHURCH: ("orrin_nave", "sedgewater_chapel"),
    STAGE: ("tallowyard_stage",),
}
_CHAPEL_FIRST = ("sedgewater_chapel", "orrin_nave")
_WANTED_TIME_S = {HALL: 2.0, CHURCH: 2.8, STAGE: 0.8}

GLUE_DB = -18.0  # of the shared room: audible as air, not as a room; common practice, no source
CHOIR_ALONE_M = 7.0  # without an orchestra in front of it; common practice, no source
CHOIR_ALONE_DB = -11.0
ALONE_STAGE_DB = -15.0  # for guitars and drums, which have no other room
UNKNOWN_HALL_DB = -16.0


def propose(
    folder: Path, files: Sequence[StemFile], *, answers: Mapping[str, str | None] | None = None
) -> Proposal:
    """Propose a plan for a folder of stems.

    Parameters
    ----------
    folder : Path
        Where they lie; its name is the title.
    files : sequence of StemFile
        Every sound file of the folder.
    answers : mapping, optional
        File name → section, or None to leave it out: what the user said about files.

    Returns
    -------
    Proposal
        Without sections when no file can be used.

    Notes
    -----
    Not done: nothing is guessed from the sound; a flute in a file called `Audio 01` stays unknown.
    """
    found = sort_files(files, answers or {})
    return _arranged(folder, files, found)


def _arranged(folder: Path, files: Sequence[StemFile], found: SortedFiles) -> Proposal:
    used = [entry for members in found.sections.values() for entry in members]
    families = {name: _family(name) for name in found.sections}
    known = instrument_table().families
    orchestra = any(known[family].orchestral for family in families.values()) or all(
        family == "other" for family in families.values()
    )
    voices = any(family in {"choir", "organ"} for family in families.values())
    stems = tuple((entry.file, entry.name) for entry in used)
    rates = Counter(entry.file.sample_rate for entry in used)
    rate = _plan_rate(rates)
    specs = _specifications()
    rooms = _choose_rooms(
        specs, orchestra=orchestra, voices=voices, organ="organ" in families.values(), rate=rate
    )
    by_role = {room.role: room.name for room in rooms}
    texts = StemTexts([file.name for file in files])
    order = sorted(
        found.sections, key=lambda name: (score_place(name.removeprefix("solo_")), name.startswith("solo_"))
    )
    order = [name for name in order if families[name] != "other"] + [
        name for name in found.sections if families[name] == "other"
    ]
    names = _final_names(order, found)
    members = _group_members(order, families, set(names.values()))
    sections = []
    for name in order:
        group = next((group for group, inside in members.items() if name in inside), None)
        sections.append(
            _section(
                names[name], name, families[name], found.sections[name], group, by_role, specs, texts, rates
            )
        )
    groups, sections = _shared_by_groups(members, names, sections)
    shared = {by_role[STAGE]: ProposedSend(GLUE_DB)} if STAGE in by_role else {}
    sections = [_without_repeated(section, shared) for section in sections]
    remarks = list(found.remarks)
    if len(rates) > 1 or (rates and max(rates) > HIGHEST_PLAN_RATE):
        listed = ", ".join(f"{count} at {hertz} Hz" for hertz, count in rates.most_common())
        remarks.append(f"the stems have several sample rates ({listed}); everything becomes {rate} Hz")
    longest = max((entry.file.duration_s for entry in used), default=0.0)
    short = [entry for entry in used if 0.0 < entry.file.duration_s < 0.5 * longest]
    if short and len(short) <= len(used) / 2:
        timed = any(entry.file.begins_sample for entry in used)
        placed = "is placed by its time reference" if timed else "starts at the same moment here"
        names_of_short = ", ".join(_few([entry.file.name for entry in short]))
        remarks.append(f"much shorter than the longest stem: {names_of_short}; every stem {placed}")
    return Proposal(
        title=_title(folder, found.cue),
        folder=folder,
        sample_rate=rate if len(rates) > 1 or (rates and max(rates) > HIGHEST_PLAN_RATE) else None,
        rooms=rooms,
        shared_sends=shared,
        groups=groups,
        sections=tuple(sections),
        left_out=tuple(found.left_out),
        facts=cue_facts(folder_name(folder), stems, cue=found.cue),
        stems=stems,
        remarks=tuple(remarks),
    )


def _few(names: Sequence[str], most: int = 4) -> list[str]:
    return [*names[:most], *([f"{len(names) - most} more"] if len(names) > most else [])]


def _plan_rate(rates: Counter[int]) -> int:
    """Rate most stems have, the higher of two; what a plan may be written at."""
    if not rates:
        return 48_000
    return min(HIGHEST_PLAN_RATE, max(rates, key=lambda rate: (rates[rate], rate)))


def _title(folder: Path, cue: str | None) -> str:
    name = " ".join(folder_name(folder).replace("_", " ").split())
    name = "".join(letter if letter.isprintable() else " " for letter in name)[:150].strip() or "Untitled"
    return name if cue is None or cue in name.casefold() else f"{name}, {cue}"


# Folders that are called what they hold; their parent says of what. Common practice, no source.
_PLAIN_FOLDERS = word_set(
    """stems stem audio bounces bounce exports export wav wavs files sound sounds prints spuren stimmen
    tracks"""
)


def folder_name(folder: Path) -> str:
    """Name a session goes by: the folder's, or its parent's where the folder is just called `stems`."""
    whole = folder.absolute()
    if fold(whole.name) in _PLAIN_FOLDERS and whole.parent.name:
        return whole.parent.name
    return whole.name or "session"


def _family(section: str) -> str:
    plain = section.removeprefix("solo_")
    for name in (plain, f"{plain}s"):
        instrument = find_instrument(name)
        if instrument is not None:
            return instrument.family
    return "other"


def _instrument(section: str) -> Instrument | None:
    plain = section.removeprefix("solo_")
    return find_instrument(plain) or find_instrument(f"{plain}s")


@cache
def _specifications() -> dict[str, RoomSpecification]:
    """Rooms that come with the program; they do not change while it runs."""
    found = {}
    for name in bundled_rooms():
        spec, _problems = load_room_specification(name)
        if spec is not None:
            found[name] = spec
    return found


def _choose_rooms(
    specs: Mapping[str, RoomSpecification], *, orchestra: bool, voices: bool, organ: bool, rate: int
) -> tuple[ProposedRoom, ...]:
    """Hall for the orchestra, church for voices and organ, a dry stage for everybody."""
    roles = [HALL] if orchestra else []
    roles += [CHURCH] if voices else []
    roles.append(STAGE)
    rooms: list[ProposedRoom] = []
    for role in roles:
        preferred = _CHAPEL_FIRST if role == CHURCH and not orchestra and not organ else _PREFERRED[role]
        taken = {room.name for room in rooms}
        names = [name for name in preferred if name in specs] or sorted(
            (name for name in specs if name not in taken),
            key=lambda name: abs(specs[name].mid_reverberation_time_s - _WANTED_TIME_S[role]),
        )
        if not names:
            continue
        spec = specs[names[0]]
        remark = spec.character or f"{spec.mid_reverberation_time_s:.1f} s"
        highest = 0.4 * rate  # cuts stay well below half the rate
        if role == HALL:
            rooms.append(ProposedRoom(names[0], role, remark, pre_delay_ms=8, low_cut_hz=80))
        elif role == CHURCH:
            high = 7000.0 if highest > 7000.0 else 0.0
            rooms.append(ProposedRoom(names[0], role, remark, 20, 160, high))
        else:
            rooms.append(ProposedRoom(names[0], role, remark))
    return tuple(rooms)


def _group_members(
    order: Sequence[str], families: Mapping[str, str], taken: Collection[str]
) -> dict[str, list[str]]:
    """Families with several sections; soloists stand alone. No group is called like a section."""
    members: dict[str, list[str]] = {}
    for name in order:
        family = families[name]
        if family != "other" and not name.startswith("solo_") and name != "voice":
            members.setdefault(family, []).append(name)
    return {
        f"all_{family}" if family in taken else family: names
        for family, names in members.items()
        if len(names) > 1
    }


def _final_names(order: Sequence[str], found: SortedFiles) -> dict[str, str]:
    """Names of the sections; a family's own section beside others goes by the user's words."""
    names: dict[str, str] = {}
    taken: set[str] = set()
    for name in order:
        wanted = name
        instrument = find_instrument(name)
        if instrument is not None and instrument.general and _has_company(name, order):
            own = free_name(found.sections[name][0].name)
            if instrument.family in own.split("_")[1:] and own not in order:
                wanted = own  # Tutti Strings beside Low Strings
        final, count = wanted, 1
        while final in taken:
            count += 1
            final = f"{wanted}_{count}"
        taken.add(final)
        names[name] = final
    return names


def _has_company(name: str, order: Sequence[str]) -> bool:
    return any(other != name and _family(other) == _family(name) for other in order)


def _section(
    name: str,
    key: str,
    family: str,
    entries: Sequence[SortedFile],
    group: str | None,
    by_role: Mapping[str, str],
    specs: Mapping[str, RoomSpecification],
    texts: StemTexts,
    rates: Counter[int],
) -> ProposedSection:
    instrument = _instrument(key)
    solo = key.startswith("solo_") or key == "voice"
    distance, angle = (instrument.distance_m, instrument.angle_deg) if instrument is not None else (8.0, 0.0)
    if solo:
        distance, angle = 4.0, round(angle / 3.0)
    elif family in {"choir", "organ"} and HALL not in by_role:
        distance = CHOIR_ALONE_M
    sends = _sends(instrument, family, by_role, solo=solo)
    remarks = _remarks(entries, rates)
    loose = {entry.file.name: entry.name.side for entry in entries if entry.name.loose_side}
    mono = (
        not loose
        and all(entry.file.channels == 1 for entry in entries)
        and not _pairs([entry.file.name for entry in entries])
    )
    rooms = [specs[room] for room, send in sends.items() if send.level_db is not None]
    if STAGE in by_role and by_role[STAGE] not in sends:
        rooms.append(specs[by_role[STAGE]])
    sources = 1 if mono else 2
    spans = [entry.name.stem[entry.span[0] : entry.span[1]] if entry.span else None for entry in entries]
    sure = all(entry.sure for entry in entries)
    doubtful = next((entry for entry in entries if not entry.sure), entries[0])
    words = dict.fromkeys(entry.why for entry in (entries if sure else [doubtful]))
    return ProposedSection(
        name=name,
        family=family,
        files=tuple(entry.file for entry in entries),
        texts=texts.naming([entry.file.name for entry in entries], spans, loose),
        seat=fitting_seat(rooms, distance, angle, sources=sources),
        typical=ProposedSeat(distance, angle),
        sources=sources,
        source="even" if instrument is None else instrument.source,
        sends=sends,
        group=group,
        sure=sure,
        why=", ".join(_few([word for word in words if word])),
        alternative=None if sure else doubtful.alternative,
        remarks=remarks,
    )


def _sends(
    instrument: Instrument | None, family: str, by_role: Mapping[str, str], *, solo: bool
) -> dict[str, ProposedSend]:
    """Sends of a section beyond the shared one, in the order of the rooms."""
    hall, church, stage = (by_role.get(role) for role in (HALL, CHURCH, STAGE))
    sends: dict[str, ProposedSend] = {}
    hall_db = UNKNOWN_HALL_DB if instrument is None else instrument.hall_db
    if hall is not None and hall_db is not None:
        cut = 180.0 if family == "choir" else 110.0 if family == "percussion" else 0.0
        sends[hall] = ProposedSend(hall_db + (1.0 if solo and family != "choir" else 0.0), low_cut_hz=cut)
    if church is not None and instrument is not None and instrument.church_db is not None:
        sends[church] = ProposedSend(instrument.church_db if hall is not None else CHOIR_ALONE_DB)
    if stage is not None and family == "band":
        sends[stage] = ProposedSend(ALONE_STAGE_DB)
    elif stage is not None and instrument is not None and instrument.name == "effects":
        sends[stage] = ProposedSend(None)
    return sends


def _pairs(names: Sequence[str]) -> bool:
    """Whether two of the names are left and right of one stem."""
    sides: dict[str, set[str]] = {}
    for name in names:
        side = split_side(stem_of(name))
        if side is not None:
            sides.setdefault(fold(side[0]), set()).add(side[1])
    return any(len(found) == 2 for found in sides.values())


def _remarks(entries: Sequence[SortedFile], rates: Counter[int]) -> tuple[str, ...]:
    found = []
    rate = _plan_rate(rates)
    for entry in entries:
        file, shown = entry.file, entry.file.name
        if file.silent:
            found.append(f"{shown} is silent")
        elif file.peak_dbfs is not None and file.sounds_s is None and file.sample_rate <= HIGHEST_PLAN_RATE:
            found.append(f"{shown} is nearly silent ({file.peak_dbfs:.0f} dBFS at most)".replace("-", "−"))
        if file.sample_rate != rate:
            found.append(f"{shown} is resampled from {file.sample_rate} Hz")
        if entry.name.microphone in ROOM_MICROPHONES:
            found.append(f"? {shown}: “{entry.name.microphone}” microphones bring their own room sound")
    strict = [entry for entry in entries if split_side(stem_of(entry.file.name)) and entry.file.channels == 1]
    for entry in strict:
        side = split_side(stem_of(entry.file.name))
        if side is None:
            continue
        halves = [
            other
            for other in strict
            if (theirs := split_side(stem_of(other.file.name))) is not None
            and fold(theirs[0]) == fold(side[0])
            and theirs[1] != side[1]
        ]
        if not halves:
            missing = "right" if side[1] == "left" else "left"
            found.append(f"? {entry.file.name}: its {missing} half is missing, so it plays as mono")
        elif halves[0].file.sample_rate != entry.file.sample_rate and side[1] == "left":
            found.append(f"? {entry.file.name}: its right half has another rate, so the two are not joined")
    return tuple(_few(found, 8))


def fitting_seat(
    rooms: Iterable[RoomSpecification], distance: float, angle: float, *, sources: int
) -> ProposedSeat | None:
    """Seat as near to the typical one as every room has space for: nearer first, then narrower, then ahead.

    Parameters
    ----------
    rooms : iterable of RoomSpecification
        Synthetic rooms that the section is sent to; without any the typical seat fits.
    distance, angle : float
        Metres and degrees of the typical seat.
    sources : int
        1 or 2.

    Returns
    -------
    ProposedSeat or None
        None where no seat is found.
    """
    rooms = list(rooms)
    spreads = (DEFAULT_SPREAD_M, DEFAULT_SPREAD_M / 2.0, 0.0)
    for nearest in (2.0, 0.5):
        for side in (angle, float(round(angle / 2.0)), 0.0):
            for spread in spreads:
                trial = distance
                while trial >= nearest:
                    seat = Seat(trial, side, Place(Path()), spread_m=spread)
                    used = sources if spread > 0.0 else 1
                    if all(seat_fault(room, seat, used) is None for room in rooms):
                        return ProposedSeat(trial, side, spread)
                    trial -= 0.5
    return None


def _shared_by_groups(
    members: Mapping[str, Sequence[str]], names: Mapping[str, str], sections: Sequence[ProposedSection]
) -> tuple[tuple[ProposedGroup, ...], list[ProposedSection]]:
    """Move the sends most sections of a group have to the group."""
    groups = []
    changed = {section.name: section for section in sections}
    for group, keys in members.items():
        inside = [changed[names[key]] for key in keys]
        sends: dict[str, ProposedSend] = {}
        for room in dict.fromkeys(room for section in inside for room in section.sends):
            having = Counter(section.sends.get(room) for section in inside)
            send, count = having.most_common(1)[0]
            if send is not None and count > len(inside) / 2 and None not in having:
                sends[room] = send
        groups.append(ProposedGroup(group, tuple(section.name for section in inside), sends))
        for section in inside:
            changed[section.name] = _without_repeated(section, sends)
    return tuple(groups), [changed[section.name] for section in sections]


def _without_repeated(section: ProposedSection, given: Mapping[str, ProposedSend]) -> ProposedSection:
    """Leave out what the section gets from elsewhere anyway."""
    own = {room: send for room, send in section.sends.items() if given.get(room) != send}
    return replace(section, sends=own)
