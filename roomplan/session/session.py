"""A plan resolved against its files: sections, components and buses, ready to be rendered.

Conventions
-----------
A *component* is one stereo signal at the level it has in the mix: `dry(section)` or `wet(section, room,
position)`. Every bus is a plain sum of components, so buses that should add up do. Gains are linear.

A section's *signal* is what its sends hear: one channel when all its stems are mono and unpanned, else two.
Its *dry* path adds the section's pan and width (sends are pre-pan). Each stem therefore carries two small
matrices: stem channels → signal channels, and stem channels → left and right of the dry path.

Pan is constant power (common practice, no source): a mono stem at the centre is −3 dB per side; a stereo
stem at the centre is untouched and a pan turns its far side down by the same law.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from roomplan.audio.resample import resampled_length
from roomplan.errors import Place, Problem
from roomplan.frozen_classes import frozen_class
from roomplan.rooms.kept_rooms import KeptRooms
from roomplan.rooms.positions import available_positions
from roomplan.rooms.prepared import PositionRequest, PreparedPosition
from roomplan.session.optional_sections import without_sections
from roomplan.session.placement import Placement, place_stems
from roomplan.session.stems import StemSource, claim_stems, existing_spelling

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from fractions import Fraction
    from pathlib import Path

    from numpy.typing import NDArray

    from roomplan.files.cache import Cache
    from roomplan.plan.model import Plan, Room, Seat, Section, Send, Wiring
    from roomplan.rooms.prepared import PreparedRoom

__all__ = [
    "Excerpt",
    "SectionSource",
    "SendPath",
    "Session",
    "StemPath",
    "amplitude",
    "choose_position",
    "open_session",
    "pan_matrix",
    "width_matrix",
]

SEAT_FULL_PAN_DEG = 45.0  # a mono stem follows its seat: pan = 100 · angle / 45°


def amplitude(level_db: float) -> float:
    """Linear amplitude of a level in dB."""
    return 10.0 ** (level_db / 20.0)


def pan_matrix(pan: float, channels: int) -> NDArray[np.float64]:
    """Gains (2, channels) of a constant-power pan from −100 (left) to 100 (right).

    Notes
    -----
    One channel: cos and sin, −3.01 dB each at the centre. Two channels: the far side is turned down by the
    same law, normalised to unity at the centre; the near side keeps its level and nothing crosses over.
    """
    angle = (pan + 100.0) / 200.0 * (math.pi / 2.0)
    left, right = math.cos(angle), math.sin(angle)
    if channels == 1:
        return np.array([[left], [right]])
    return np.diag([min(1.0, math.sqrt(2.0) * left), min(1.0, math.sqrt(2.0) * right)])


def width_matrix(width: float) -> NDArray[np.float64]:
    """Gains (2, 2) that scale the side signal (L − R)/2 by `width`; 1.0 leaves the signal untouched."""
    return np.array([[1.0 + width, 1.0 - width], [1.0 - width, 1.0 + width]]) / 2.0


@frozen_class
class StemPath:
    """One stem and its way into the section: `signal` (signal channels, channels), `dry` (2, channels).

    `offset_frames` is where its first frame is in the cue, at the session's rate.
    """

    stem: StemSource
    signal: NDArray[np.float64]
    dry: NDArray[np.float64]
    offset_frames: int = 0


@frozen_class
class SendPath:
    """One send as it will be convolved: everything that shapes its response, and its gain in the mix.

    `gain` holds the normalising gain of the room, the return, the send, and the levels of section, group
    and plan; `response_gain` the first three alone (the gain against the section's own signal).
    """

    room: str
    position: str
    prepared: PreparedPosition
    level_db: float
    pre_delay_s: float
    low_cut_hz: float
    high_cut_hz: float
    width: float
    response_gain: float
    gain: float
    muted: bool
    place: Place

    @property
    def wiring(self) -> Wiring:
        """How the section meets the response."""
        return self.prepared.wiring

    @property
    def wet_onset_s(self) -> float:
        """Time from the dry sound to the first sound of the room."""
        return self.pre_delay_s + self.prepared.onset_s


@frozen_class
class SectionSource:
    """A section with its stems and sends resolved.

    `gain` is section × group × trim, `dry_gain` that times the dry level (None: off), and `dry_matrix`, shape
    (2, signal channels), the section's pan and width: what the dry path does to the section's signal.
    """

    name: str
    group: str | None
    stems: tuple[StemPath, ...]
    signal_channels: int
    gain: float
    dry_gain: float | None
    dry_matrix: NDArray[np.float64]
    delay_frames: int
    muted: bool
    seat: Seat | None
    sends: tuple[SendPath, ...]


@frozen_class
class Excerpt:
    """A part of the cue that is rendered alone, tails of earlier sound included, in frames."""

    start_frame: int
    frames: int


@frozen_class
class Session:
    """A plan with its files found, its rooms prepared and its levels multiplied out.

    `plan` and `sections` are without the optional sections that have no stems. `start_s` is the time of day
    of the first frame where stems or plan say it; `excerpt` is the part that is rendered, None for all.
    """

    plan: Plan
    sample_rate: int
    sections: tuple[SectionSource, ...]
    rooms: dict[str, PreparedRoom]
    warnings: tuple[Problem, ...]
    start_s: Fraction | None = None
    excerpt: Excerpt | None = None

    def section(self, name: str) -> SectionSource:
        """Look a section up by name."""
        return next(section for section in self.sections if section.name == name)

    @property
    def end_frame(self) -> int:
        """Frame after the last one of any stem, with offsets and section delays, without any tail."""
        return max(
            (
                section.delay_frames
                + path.offset_frames
                + resampled_length(
                    path.stem.frames, from_rate=path.stem.sample_rate, to_rate=self.sample_rate
                )
                for section in self.sections
                for path in section.stems
            ),
            default=0,
        )

    @property
    def input_files(self) -> tuple[Path, ...]:
        """Every file the render reads: none of them may be written."""
        stems = [file for s in self.sections for path in s.stems for file in path.stem.files]
        responses = [
            file
            for room in self.plan.rooms.values()
            for position in (room.responses or {}).values()
            for file in position.files
        ]
        return (*self.plan.documents, *stems, *responses)


def choose_position(send: Send, section: Section, room: Room, names: tuple[str, ...]) -> str | Problem:
    """Position a send uses: by name, else named like the section, else the default, else the only one."""
    if send.position is not None:
        return send.position
    if section.name in names:
        return section.name
    if "default" in names:
        return "default"
    if room.synthetic is not None and "main" in names:
        return "main"
    if len(names) == 1:
        return names[0]
    return Problem(
        f"section {section.name} does not name the position of room {room.name} that it uses",
        send.place,
        f"add `position:` with one of {', '.join(names)}",
    )


def open_session(
    plan: Plan,
    *,
    muted: frozenset[str] = frozenset(),
    progress: Callable[[str], None] = lambda _message: None,
    cache: Cache | None = None,
) -> tuple[Session | None, list[Problem]]:
    """Find the stems, read and prepare the rooms, and multiply the levels out.

    Parameters
    ----------
    muted : frozenset of str
        Sections to mute on top of the plan's own mutes.
    progress : callable
        Told what is being read.
    cache : Cache, optional
        Where prepared rooms and responses of synthetic ones are looked for, and kept.

    Returns
    -------
    session : Session or None
        None when a problem stands in the way.
    problems : list of Problem
        All of them at once.
    """
    plan = replace(plan, stems_folder=existing_spelling(plan.stems_folder))
    responses = [f for r in plan.rooms.values() for p in (r.responses or {}).values() for f in p.files]
    stems, problems, warnings = claim_stems(plan, ignore=[*responses, *plan.documents])
    missing = {name for name, section in plan.sections.items() if section.optional and name not in stems}
    if stems:  # otherwise the folder itself is at fault
        plan, advice = without_sections(plan, missing)
        warnings[:0] = advice
    placement, found, advice = place_stems(plan, stems)
    problems.extend(found)
    warnings.extend(advice)
    sample_rate = _sample_rate(plan, stems, problems, warnings)

    chosen, found = _choose_positions(plan, stems, cache)
    problems.extend(found)
    rooms: dict[str, PreparedRoom] = {}
    if sample_rate is not None:
        kept = None if cache is None else KeptRooms(cache)
        rooms, found = _prepare_rooms(plan, chosen, sample_rate, progress, kept)
        problems.extend(found)
        problems.extend(_cuts_beyond_nyquist(plan, sample_rate))
    if problems or sample_rate is None:
        return None, problems
    warnings.extend(warning for room in rooms.values() for warning in room.warnings)

    placement = placement.on_samples(sample_rate)
    sections = tuple(
        _resolve_section(plan, section, stems[section.name], placement, chosen, rooms, sample_rate, muted)
        for section in plan.sections.values()
    )
    return Session(plan, sample_rate, sections, rooms, tuple(warnings), placement.start_s), []


def _choose_positions(
    plan: Plan, stems: Mapping[str, tuple[StemSource, ...]], cache: Cache | None
) -> tuple[dict[tuple[str, int], PositionRequest], list[Problem]]:
    """Section and number of a send → the position of its room that it goes to."""
    problems: list[Problem] = []
    chosen: dict[tuple[str, int], PositionRequest] = {}
    positions: dict[str, tuple[str, ...]] = {}
    for room in plan.rooms.values():
        positions[room.name], found = available_positions(room, cache)
        problems.extend(found)
    for section in plan.sections.values():
        channels = _signal_channels(stems.get(section.name, ()))
        for index, send in enumerate(section.sends):
            room = plan.rooms.get(send.room)
            if room is None or not positions[room.name]:
                continue
            position = choose_position(send, section, room, positions[room.name])
            if isinstance(position, Problem):
                problems.append(position)
            elif position not in positions[room.name]:
                problems.append(
                    Problem(
                        f"room {room.name} has no position {position!r}",
                        send.place,
                        f"it has {', '.join(positions[room.name])}",
                    )
                )
            else:
                seat = section.seat if room.synthetic is not None else None
                chosen[section.name, index] = PositionRequest(position, seat, channels, section.source)
    return chosen, problems


def _prepare_rooms(
    plan: Plan,
    chosen: Mapping[tuple[str, int], PositionRequest],
    sample_rate: int,
    progress: Callable[[str], None],
    kept: KeptRooms | None,
) -> tuple[dict[str, PreparedRoom], list[Problem]]:
    """Prepare the rooms that sends go to, each for the positions that are asked of it."""
    problems: list[Problem] = []
    rooms: dict[str, PreparedRoom] = {}
    for room in plan.rooms.values():
        requests = [
            request
            for (name, send), request in chosen.items()
            if plan.sections[name].sends[send].room == room.name
        ]
        if not requests:
            continue
        progress(f"room {room.name}")
        if kept is None:
            from roomplan.rooms.preparation import prepare_room  # what is kept goes without it

            prepared, found = prepare_room(room, requests, sample_rate=sample_rate)
        else:
            prepared, found = kept.prepare(room, requests, sample_rate=sample_rate)
        problems.extend(found)
        if prepared is not None:
            rooms[room.name] = prepared
    return rooms, problems


def _sample_rate(
    plan: Plan,
    stems: dict[str, tuple[StemSource, ...]],
    problems: list[Problem],
    warnings: list[Problem],
) -> int | None:
    """Rate of the session; None, reported, when strictness forbids to choose one. Warns of what is resampled.

    Without a rate in the plan it is that of most stems, the higher one of two that equally many have.
    """
    sources = [source for group in stems.values() for source in group]
    by_rate: dict[int, list[str]] = {}
    for source in sources:
        by_rate.setdefault(source.sample_rate, []).append(source.name)
    wanted = plan.sample_rate
    if wanted is None and plan.strict and len(by_rate) > 1:
        examples = ", ".join(f"{rate} Hz ({_names(by_rate[rate])})" for rate in sorted(by_rate))
        what = f"the stems have several sample rates: {examples}"
        remedy = "set `sample_rate:` and leave out `strict`, or export all at one rate"
        problems.append(Problem(what, plan.place_of("stems"), remedy))
        return None
    if wanted is None:
        wanted = max(by_rate, key=lambda rate: (len(by_rate[rate]), rate), default=None)
    for rate in sorted(by_rate):
        if rate == wanted:
            continue
        key = "stems" if plan.sample_rate is None else "sample_rate"
        if plan.strict:
            what = f"stems of {rate} Hz would have to be resampled to {wanted} Hz: {_names(by_rate[rate])}"
            problems.append(
                Problem(what, plan.place_of(key), "export them at that rate, or leave out `strict`")
            )
        else:
            remedy = f"`sample_rate: {rate}` if that rate is meant" if plan.sample_rate is None else None
            what = f"resampled from {rate} Hz to {wanted} Hz: {_names(by_rate[rate])}"
            warnings.append(Problem(what, plan.place_of(key), remedy))
    return wanted


def _names(names: list[str]) -> str:
    return ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")


def _cuts_beyond_nyquist(plan: Plan, sample_rate: int) -> list[Problem]:
    nyquist = sample_rate / 2.0
    found = []
    for owner, place, cuts in [
        *((f"room {r.name}", r.place, (r.low_cut_hz, r.high_cut_hz)) for r in plan.rooms.values()),
        *(
            (f"send {s.name} → {send.room}", send.place, (send.low_cut_hz, send.high_cut_hz))
            for s in plan.sections.values()
            for send in s.sends
        ),
    ]:
        found.extend(
            Problem(
                f"{owner}: a cut at {cut:g} Hz is too high for a sample rate of {sample_rate} Hz",
                place,
                f"stay below {nyquist * 0.98:g} Hz",
            )
            for cut in cuts
            if cut and cut >= nyquist * 0.98
        )
    return found


def _resolve_section(
    plan: Plan,
    section: Section,
    stems: tuple[StemSource, ...],
    placement: Placement,
    chosen: dict[tuple[str, int], PositionRequest],
    rooms: dict[str, PreparedRoom],
    sample_rate: int,
    muted: frozenset[str],
) -> SectionSource:
    channels = _signal_channels(stems)
    mono = channels == 1
    group_db = plan.groups[section.group].level_db if section.group is not None else 0.0
    gain = amplitude(section.level_db + group_db + plan.trim_db)
    sends = []
    for index, send in enumerate(section.sends):
        room, prepared = plan.rooms[send.room], rooms[send.room]
        request = chosen[section.name, index]
        response_gain = prepared.gain * amplitude(send.level_db + room.level_db)
        sends.append(
            SendPath(
                room=room.name,
                position=request.position,
                prepared=prepared.positions[request],
                level_db=send.level_db,
                pre_delay_s=room.pre_delay_s if send.pre_delay_s is None else send.pre_delay_s,
                low_cut_hz=(room.low_cut_hz if send.low_cut_hz is None else send.low_cut_hz) or 0.0,
                high_cut_hz=(room.high_cut_hz if send.high_cut_hz is None else send.high_cut_hz) or 0.0,
                width=room.width,
                response_gain=response_gain,
                gain=gain * response_gain,
                muted=room.mute,
                place=send.place,
            )
        )
    return SectionSource(
        name=section.name,
        group=section.group,
        stems=tuple(
            replace(
                _stem_path(stem, section, mono=mono),
                offset_frames=placement.offset_frames(stem, sample_rate),
            )
            for stem in stems
        ),
        signal_channels=channels,
        gain=gain,
        dry_gain=None if section.dry_db is None else gain * amplitude(section.dry_db),
        dry_matrix=_mono_dry(section) if mono else _stereo_dry(section),
        delay_frames=round(section.delay_s * sample_rate),
        muted=section.mute or section.name in muted,
        seat=section.seat,
        sends=tuple(sends),
    )


def _signal_channels(stems: tuple[StemSource, ...]) -> int:
    """1 when all stems are mono and unpanned, else 2."""
    return 1 if all(stem.channels == 1 and stem.pan is None for stem in stems) else 2


def _mono_dry(section: Section) -> NDArray[np.float64]:
    """Dry path of a mono, unpanned stem: the section's pan, else its seat, else the centre."""
    pan = section.pan
    if pan is None:
        angle = section.seat.angle_deg if section.seat is not None else 0.0
        pan = max(-100.0, min(100.0, 100.0 * angle / SEAT_FULL_PAN_DEG))
    return pan_matrix(pan, 1)


def _stereo_dry(section: Section) -> NDArray[np.float64]:
    """Dry path of everything else: width, then the section's pan."""
    return pan_matrix(section.pan or 0.0, 2) @ width_matrix(section.width)


def _stem_path(stem: StemSource, section: Section, *, mono: bool) -> StemPath:
    level = amplitude(stem.level_db)
    placed = pan_matrix(stem.pan or 0.0, stem.channels)
    follows = stem.channels == 1 and stem.pan is None
    dry = _mono_dry(section) if follows else _stereo_dry(section) @ placed
    return StemPath(stem, level * (np.ones((1, 1)) if mono else placed), level * dry)
