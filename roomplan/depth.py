"""Depth: how far away each section sounds by its seat and its room, and the sends that say so.

Conventions
-----------
Metres, seconds, decibels; *mid* is the mean of the 500 and 1000 Hz octaves. A section is judged in its *main
room*: the synthetic one with its loudest send (send and return level together), or the loudest measured one
where it has no synthetic room. Distances are ways of the direct sound from the middle of the seat to the
middle of the room's `main` microphones. Several sends of a section into its main room count together, as
powers, and are moved together; what their responses have in common is left out (0.3 dB with microphones 3 m
apart in a small room, 0.04 dB in a nave).

A section's `source` counts in synthetic rooms: it faces the microphones, so that its direct sound is that
of an even source, while all reflected sound is lower by its *directivity index*, mid. A recorded response
keeps the directions of the source it was recorded with, whatever plays through it.

*Wet-to-dry* is what those sends return over the section's dry sound. With the direct sound out of the room's
return it is, in theory, the direct-to-reverberant ratio D/R with its sign turned. Every room has a
*reference section*: one of the sections whose main room it is, which keeps its sends. Relative to it a
section shall have

    wet-to-dry of the reference + amount × (D/R of the reference − D/R of the section)

and absolutely −D/R. Sections of one D/R on one seat of a synthetic room, sent alike, are one source to it:
they get one send against their dry sound, that of the reference section where it is one of them, else the
one at which the mean of their wet-to-dry is what is wanted. Sends that would move by less than 0.3 dB stay,
and so do those of locked sections.

Sources
-------
D/R, C80: revised theory, Barron and Lee, J. Acoust. Soc. Am. 84 (1988) 618. Air: ISO 9613-1:1993. Mid
frequencies: ISO 3382-1:2009, clause 9.1. All as in `roomplan.acoustics.room_formulas`; directivity as in
`roomplan.rooms.source_kinds`. That depth follows the direct-to-reverberant ratio, and that the gap before the
first reflections implies a pre-delay: common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import field
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from roomplan.acoustics.analysis import measure_response
from roomplan.acoustics.bands import band_edges, exact_mid_band
from roomplan.acoustics.direct_sound import find_direct_sound
from roomplan.acoustics.room_formulas import (
    FieldEnergies,
    air_attenuation,
    critical_distance,
    revised_theory,
)
from roomplan.acoustics.transforms import fast_length, inner, spectrum
from roomplan.balance.levels import SMALL_MOVE_DB
from roomplan.errors import PlanError, RoomplanError
from roomplan.frozen_classes import frozen_class
from roomplan.plan.model import UNLISTED_POSITION
from roomplan.rooms.conditioning import remove_direct
from roomplan.rooms.geometry import source_position
from roomplan.rooms.images import early_reflections
from roomplan.rooms.recorded import RecordedRoom
from roomplan.rooms.room_file import load_room_specification
from roomplan.rooms.source_kinds import directivity_of
from roomplan.rooms.spec import scale_reverberation

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from roomplan.errors import Place
    from roomplan.plan.model import Room, Seat
    from roomplan.rendering.pass_figures import SendFigures
    from roomplan.rooms.directivity import Directivity
    from roomplan.rooms.spec import RoomSpecification
    from roomplan.session.session import SectionSource, SendPath, Session

    Array = NDArray[np.float64]

__all__ = [
    "STEP_DB",
    "Depth",
    "PlannedSend",
    "SeatFigures",
    "SectionDepth",
    "SectionInRoom",
    "SendChange",
    "absolute_depth",
    "measured_figures",
    "relative_depth",
    "sections_in_rooms",
    "theoretical_figures",
]

STEP_DB = 0.1  # of proposed sends

_MAIN = "main"
_HIGH_HZ, _MIDDLE_HZ = 8000.0, 1000.0  # between which the loss by air is reported
_MID_BANDS_HZ = (500.0, 1000.0)
LARGE_CHANGE_DB = 6.0  # common practice, no source


@frozen_class
class SeatFigures:
    """What a room says of one seat, or of the place a response was recorded at.

    Attributes
    ----------
    source : str
        `theory` of a synthetic room, or `measured` from a response.
    reverberation_time_s : float or None
        Mid; of the specification, or T30 (else T20) of the response.
    direct_to_reverberant_db, clarity_db : float or None
        Direct over all reflected sound, and C80 with the direct sound in; mid.
    air_loss_db : float or None
        What air takes off 8 kHz over the way of the direct sound, more than off 1 kHz.
    arrival_s : float or None
        Time of the direct sound from the seat to the microphones.
    pre_delay_s : float or None
        Gap between the direct sound and the first reflection that the floor has no part in.
    directivity_index_db : float
        What the kind of source adds to the direct-to-reverberant ratio of an even one; mid.
    reasons : mapping of str to str
        Attribute that is None → why.
    """

    source: Literal["theory", "measured"]
    reverberation_time_s: float | None
    direct_to_reverberant_db: float | None
    clarity_db: float | None
    distance_m: float | None = None
    volume_m3: float | None = None
    critical_distance_m: float | None = None
    air_loss_db: float | None = None
    arrival_s: float | None = None
    pre_delay_s: float | None = None
    directivity_index_db: float = 0.0
    reasons: Mapping[str, str] = field(default_factory=dict)


@frozen_class
class PlannedSend:
    """One send of a section into its main room.

    Attributes
    ----------
    index : int
        Among the section's sends.
    position : str or None
        As the plan has it; None where it names none.
    heard_at : str
        The position that is used.
    level_db : float
        As written.
    cuts_hz : tuple of two floats
        Low and high cut of what is sent.
    """

    index: int
    position: str | None
    heard_at: str
    level_db: float
    cuts_hz: tuple[float, float] = (0.0, 0.0)


@frozen_class
class SectionInRoom:
    """A section in its main room, as the plan has it.

    Attributes
    ----------
    room : str or None
        The main room; None for a section without a send in use.
    sends : tuple of PlannedSend
        All into the main room.
    wet_to_dry_db : float or None
        What these sends return over the section's dry sound.
    obstacle : str or None
        Why no send can be proposed; None where one can.
    note : str or None
        What a reader should know of the choice of the room.
    dry_db : float
        Level of the dry path.
    locked : bool
        Whether the plan says that its sends stay as they are.
    """

    section: str
    seat: Seat | None
    room: str | None
    figures: SeatFigures | None
    sends: tuple[PlannedSend, ...]
    wet_to_dry_db: float | None
    obstacle: str | None
    note: str | None = None
    dry_db: float = 0.0
    locked: bool = False


@frozen_class
class SendChange:
    """A send and what it shall be."""

    section: str
    room: str
    send: PlannedSend
    after_db: float


@frozen_class
class SectionDepth:
    """A section and what its depth asks for.

    Attributes
    ----------
    arrival_delay_s : float or None
        After the section whose direct sound arrives first.
    wanted_db : float or None
        Wet-to-dry that its depth asks for.
    proposed_db : tuple of float, or None
        Levels of `place.sends`, in their order; those that change are rounded to 0.1 dB.
    """

    place: SectionInRoom
    arrival_delay_s: float | None
    wanted_db: float | None
    proposed_db: tuple[float, ...] | None


@frozen_class
class Depth:
    """The depth of a plan.

    Attributes
    ----------
    sections : tuple of SectionDepth
        In the order of the plan.
    mode : str
        `relative` to a reference section, or `absolute`.
    reference_sections : dict
        Main room → the section that keeps its sends there; empty when absolute, or when nothing can be
        proposed.
    amount : float or None
        Share of the differences, 0 to 1; None when absolute.
    notes : tuple of str
        What a reader should know of the choice of the reference section.
    """

    sections: tuple[SectionDepth, ...]
    mode: Literal["relative", "absolute"]
    reference_sections: dict[str, str]
    amount: float | None
    notes: tuple[str, ...] = ()

    @property
    def changes(self) -> tuple[SendChange, ...]:
        """Sends that shall be something else than what is written."""
        return tuple(
            SendChange(found.place.section, found.place.room, send, after)
            for found in self.sections
            if found.proposed_db is not None and found.place.room is not None
            for send, after in zip(found.place.sends, found.proposed_db, strict=True)
            if after != send.level_db
        )

    @property
    def large_changes(self) -> tuple[SendChange, ...]:
        """Changes that nobody should write without listening."""
        return tuple(one for one in self.changes if abs(one.after_db - one.send.level_db) > LARGE_CHANGE_DB)


# --- What is wanted -------------------------------------------------------------------------------------


def relative_depth(
    places: Sequence[SectionInRoom],
    *,
    reference_section: str | None = None,
    amount: float = 1.0,
    reference_place: Place | None = None,
) -> Depth:
    """Depth relative to one section of each main room, which keeps what it has.

    Parameters
    ----------
    reference_section : str, optional
        A section, for its own main room. In every other, and without one, it is the nearest for which a send
        can be proposed, a locked one first; where none has a distance, the one with the largest
        direct-to-reverberant ratio.
    amount : float
        Share of the differences, 0 to 1: 0 gives every section the reference section's wet-to-dry.
    reference_place : Place, optional
        Where the reference section is written, for the error.

    Returns
    -------
    Depth
        A reference section that is not among the sections is passed over, with a note: a cue may lack it.

    Raises
    ------
    RoomplanError
        The reference section has no depth of its own.

    Notes
    -----
    Sections of different main rooms are not set against each other: what D/R means to the ear depends on the
    decay it belongs to. A section that is alone in its main room is its own reference.
    """
    named = next((place for place in places if place.section == reference_section), None)
    if named is not None and named.obstacle is not None:
        what = f"the reference section {named.section} cannot serve: {named.obstacle}"
        raise RoomplanError(
            what, remedy="another section as `reference_section`, or none", place=reference_place
        )
    rooms: dict[str, list[SectionInRoom]] = {}
    for place in places:
        if place.obstacle is None and place.room is not None:
            rooms.setdefault(place.room, []).append(place)
    chosen = {room: named if named in members else _nearest(members) for room, members in rooms.items()}
    notes = ()
    if reference_section is not None and named is None:
        said = f"the reference section {reference_section} is not in this cue"
        notes = (f"{said}: the nearest section of each room replaces it",)
    wanted: dict[str, float] = {}
    for room, members in rooms.items():
        level, nearness = _ratios(chosen[room])
        wanted |= {place.section: level + amount * (nearness - _ratios(place)[1]) for place in members}
    reference_sections = {room: place.section for room, place in chosen.items()}
    return Depth(_sections(places, wanted, reference_sections), "relative", reference_sections, amount, notes)


def absolute_depth(places: Sequence[SectionInRoom]) -> Depth:
    """Depth as the rooms themselves would have it: wet-to-dry is −D/R.

    Notes
    -----
    Microphones at such a distance hear mostly room; most mixes want far less than this.
    """
    wanted = {place.section: -_ratios(place)[1] for place in places if place.obstacle is None}
    return Depth(_sections(places, wanted, {}), "absolute", {}, None)


def _ratios(place: SectionInRoom) -> tuple[float, float]:
    """Wet-to-dry and D/R of a section without an obstacle."""
    figures = place.figures
    if figures is None or figures.direct_to_reverberant_db is None or place.wet_to_dry_db is None:
        raise AssertionError(f"{place.section} has no depth, and no obstacle")
    return place.wet_to_dry_db, figures.direct_to_reverberant_db


def _nearest(members: Sequence[SectionInRoom]) -> SectionInRoom:
    """The nearest of some sections without an obstacle; of several on one seat the first that is locked."""

    def order(place: SectionInRoom) -> tuple[float, float, bool]:
        distance = None if place.figures is None else place.figures.distance_m
        return math.inf if distance is None else distance, -_ratios(place)[1], not place.locked

    return min(members, key=order)


def _sections(
    places: Sequence[SectionInRoom], wanted: Mapping[str, float], reference_sections: Mapping[str, str]
) -> tuple[SectionDepth, ...]:
    arrivals = {
        place.section: place.figures.arrival_s
        for place in places
        if place.figures is not None and place.figures.arrival_s is not None
    }
    first = min(arrivals.values(), default=0.0)
    moves = _moves_db(places, wanted, reference_sections)
    return tuple(
        SectionDepth(
            place,
            arrivals[place.section] - first if place.section in arrivals else None,
            wanted.get(place.section),
            _proposed(place, moves.get(place.section)),
        )
        for place in places
    )


def _moves_db(
    places: Sequence[SectionInRoom], wanted: Mapping[str, float], reference_sections: Mapping[str, str]
) -> dict[str, float]:
    """What the sends of each section shall move by; a send of x dB more returns x dB more."""
    kept = set(reference_sections.values())
    seats: dict[tuple[object, ...], list[SectionInRoom]] = {}
    for place in places:
        if place.section in wanted:
            seats.setdefault(_seat_of(place), []).append(place)
    moves: dict[str, float] = {}
    for members in seats.values():
        free = [place for place in members if not place.locked and place.section not in kept]
        moves |= dict.fromkeys((place.section for place in members if place not in free), 0.0)
        if not free:
            continue
        reference = next((place for place in members if place.section in kept), None)
        if reference is not None:
            send = _send_over_dry(reference)
        else:
            returned = [_ratios(place)[0] - _send_over_dry(place) for place in free]
            send = wanted[free[0].section] - sum(returned) / len(returned)
        own = {place.section: send - _send_over_dry(place) for place in free}
        unlike = max(own.values()) - min(own.values()) >= STEP_DB / 2.0 or reference is not None
        least = STEP_DB / 2.0 if unlike else SMALL_MOVE_DB
        stay = all(abs(move) < least - 1e-9 for move in own.values())
        moves |= dict.fromkeys(own, 0.0) if stay else own
    return moves


def _seat_of(place: SectionInRoom) -> tuple[object, ...]:
    """What sections have in common that are one source to a room; its name for one that shares nothing."""
    seat, figures = place.seat, place.figures
    if seat is None or figures is None or figures.source != "theory":
        return (place.section,)
    first = place.sends[0].level_db
    sends = tuple((send.heard_at, round(send.level_db - first, 6), send.cuts_hz) for send in place.sends)
    at = (seat.distance_m, seat.angle_deg, seat.spread_m)
    return (place.room, at, figures.direct_to_reverberant_db, sends)


def _send_over_dry(place: SectionInRoom) -> float:
    return place.sends[0].level_db - place.dry_db


def _proposed(place: SectionInRoom, move_db: float | None) -> tuple[float, ...] | None:
    """Levels of a section's sends after a move; as written, be it finer than the step, without one."""
    if move_db is None:
        return None
    if abs(move_db) < STEP_DB / 2.0:
        return tuple(send.level_db for send in place.sends)
    return tuple(round(send.level_db + move_db, 1) + 0.0 for send in place.sends)


# --- What rooms say of seats ----------------------------------------------------------------------------


def theoretical_figures(
    spec: RoomSpecification, seat: Seat, directivity: Directivity | None = None
) -> SeatFigures:
    """What theory says of a seat in a synthetic room, at its `main` microphones.

    Parameters
    ----------
    spec : RoomSpecification
        With its decay as the plan wants it.
    seat : Seat
        One that `roomplan.rooms.geometry.seat_fault` accepts.
    directivity : Directivity, optional
        Of the source, which faces the microphones; an even one without it.

    Notes
    -----
    Microphones count as omnidirectional; the spread of a section does not count. Early sound is taken to be
    lower by the directivity index as late sound is, where each reflection has its own direction: right on
    the average over directions.
    Barron's theory is for diffuse fields: measured C80 scatter by 1.4 dB about it (19 halls, Barron 2015,
    J. Acoust. Soc. Am. 137, read second-hand).
    """
    distance = float(np.linalg.norm(source_position(spec, seat) - _middle(spec)))
    mid, speed = spec.mid_reverberation_time_s, spec.sound_speed
    field_at = revised_theory(spec.volume_m3, mid, distance, sound_speed=speed)
    index_db = 0.0
    if directivity is not None:
        mids = np.array([exact_mid_band(centre) for centre in _MID_BANDS_HZ])
        index_db = float(np.mean(directivity.index_at(mids)))
    factor = 10.0 ** (index_db / 10.0)
    field_at = FieldEnergies(factor * field_at.direct, field_at.early, field_at.late)  # but for the level
    high, middle = air_attenuation(
        np.array([exact_mid_band(_HIGH_HZ), exact_mid_band(_MIDDLE_HZ)]),
        temperature_c=spec.temperature_c,
        humidity_percent=spec.humidity_percent,
    )
    # By the triangle, the way over the ceiling is longer than the direct one by less than twice the height:
    # there is always one.
    reflections = early_reflections(spec, seat, _MAIN, within_s=2.0 * spec.dimensions_m[2] / speed)
    gap = min(found.after_direct_s for found in reflections if "floor" not in found.surfaces)
    return SeatFigures(
        source="theory",
        reverberation_time_s=mid,
        direct_to_reverberant_db=field_at.direct_to_reverberant_db,
        clarity_db=field_at.clarity_db,
        distance_m=distance,
        volume_m3=spec.volume_m3,
        critical_distance_m=math.sqrt(factor) * critical_distance(spec.volume_m3, mid, sound_speed=speed),
        air_loss_db=distance * float(high - middle),
        arrival_s=distance / speed,
        pre_delay_s=gap,
        directivity_index_db=index_db,
    )


def _middle(spec: RoomSpecification) -> Array:
    return np.mean(spec.microphones[_MAIN].positions_m, axis=0)


def measured_figures(response: Array, *, sample_rate: int) -> SeatFigures:
    """What a recorded response says by itself, its direct sound included.

    Parameters
    ----------
    response : ndarray, shape (frames, channels)
    sample_rate : int
        Hz.

    Returns
    -------
    SeatFigures
        Without a direct sound that stands out, or with nothing behind it, D/R and C80 are None. What needs
        the volume or the place of the microphones is None always.

    Notes
    -----
    The direct sound ends where `roomplan.acoustics.direct_sound.find_direct_sound` says, at most 5 ms after
    it begins; energies are summed over channels, C80 and the decay time are means over them.
    """
    why = "a measured room has no volume and no geometry"
    unknown = ("distance_m", "volume_m3", "critical_distance_m", "air_loss_db", "arrival_s", "pre_delay_s")
    reasons: dict[str, str] = dict.fromkeys(unknown, why)
    channels = [
        channel.mid
        for channel in measure_response(response, sample_rate=sample_rate, centres_hz=_MID_BANDS_HZ)
    ]

    times = [band.t30_s or band.t20_s for band in channels]
    known = [time for time in times if time]
    time = sum(known) / len(known) if len(known) == len(times) else None
    if time is None:
        missing = next(band for band, found in zip(channels, times, strict=True) if not found)
        reasons["reverberation_time_s"] = missing.reasons.get("t20_s", "it cannot be measured")

    ratio = clarity = None
    direct = find_direct_sound(response, sample_rate=sample_rate)
    if not direct.stands_out:
        said = f"no direct sound stands out in it ({direct.prominence_db:.0f} dB over what follows)"
        reasons |= {"direct_to_reverberant_db": said, "clarity_db": said}
        return SeatFigures("measured", time, None, None, reasons=reasons)
    reflected = remove_direct(response, direct, sample_rate=sample_rate)
    behind = _mid_energy(reflected, sample_rate)
    if behind > 0.0:
        ratio = 10.0 * math.log10(_mid_energy(response - reflected, sample_rate) / behind)
    else:
        reasons["direct_to_reverberant_db"] = "nothing follows its direct sound"
    values = [band.c80_db for band in channels if band.c80_db is not None]
    if len(values) == len(channels):
        clarity = sum(values) / len(values)
    else:
        missing = next(band for band in channels if band.c80_db is None)
        reasons["clarity_db"] = missing.reasons.get("c80_db", "it cannot be measured")
    return SeatFigures("measured", time, ratio, clarity, reasons=reasons)


def _mid_energy(samples: Array, sample_rate: int) -> float:
    """Energy in the 500 and 1000 Hz octaves, summed over channels, to a common factor."""
    low, high = band_edges(_MID_BANDS_HZ[0])[0], band_edges(_MID_BANDS_HZ[1])[1]
    length = fast_length(len(samples))
    frequencies = np.fft.rfftfreq(length, 1.0 / sample_rate)
    keep = (frequencies >= low) & (frequencies < high)
    found = [np.abs(spectrum(channel, length)[keep]) for channel in samples.T]
    return sum(inner(amplitudes, amplitudes) for amplitudes in found)


# --- From a session -------------------------------------------------------------------------------------


def sections_in_rooms(session: Session, sends: Iterable[SendFigures]) -> tuple[SectionInRoom, ...]:
    """Every section of a session in its main room.

    Parameters
    ----------
    sends : iterable of SendFigures
        From a measurement of the session: what each send returns.

    Returns
    -------
    tuple of SectionInRoom
        In the order of the session.

    Raises
    ------
    PlanError, AudioError
        A room file or a response can no longer be read.

    Notes
    -----
    Room files and recorded responses of main rooms are read again: a prepared response has lost its direct
    sound and knows no volume.
    """
    ratios = {(found.section, found.send): found for found in sends}
    specs: dict[str, RoomSpecification] = {}
    recordings: dict[tuple[str, str], SeatFigures] = {}
    return tuple(
        _section_in_room(session, section, ratios, specs, recordings) for section in session.sections
    )


def _section_in_room(
    session: Session,
    section: SectionSource,
    ratios: Mapping[tuple[str, int], SendFigures],
    specs: dict[str, RoomSpecification],
    recordings: dict[tuple[str, str], SeatFigures],
) -> SectionInRoom:
    """One section; rooms and responses that were read are kept in `specs` and `recordings`."""
    rooms = session.plan.rooms
    heard = [send for send in section.sends if not send.muted]
    synthetic = [send for send in heard if rooms[send.room].synthetic is not None]
    loudest = max(synthetic or heard, key=lambda send: _return_db(send, rooms), default=None)
    if loudest is None:
        why = "it is muted" if section.muted else "it sends to no room that is in use"
        return SectionInRoom(section.name, section.seat, None, None, (), None, why)
    room = rooms[loudest.room]
    planned = session.plan.sections[section.name].sends
    into = [(index, send) for index, send in enumerate(section.sends) if send.room == room.name]
    ratio, no_ratio = _together([ratios[section.name, index] for index, _send in into])

    figures: SeatFigures | None = None
    if room.synthetic is None:
        key = (room.name, loudest.position)
        if key not in recordings:
            recordings[key] = _recorded_figures(session, room, loudest.position)
        figures = recordings[key]
    elif section.seat is not None:
        if room.name not in specs:
            specs[room.name] = _specification(room)
        directivity = directivity_of(session.plan.sections[section.name].source)
        figures = theoretical_figures(specs[room.name], section.seat, directivity)
    return SectionInRoom(
        section=section.name,
        seat=section.seat,
        room=room.name,
        figures=figures,
        sends=tuple(
            PlannedSend(
                index,
                planned[index].position,
                send.position,
                send.level_db,
                (send.low_cut_hz, send.high_cut_hz),
            )
            for index, send in into
        ),
        wet_to_dry_db=ratio,
        obstacle=_obstacle(section, room, figures, no_ratio),
        note=_louder_measured(section, rooms, loudest, heard),
        dry_db=session.plan.sections[section.name].dry_db or 0.0,
        locked=section.name in session.plan.balance.locked,
    )


def _return_db(send: SendPath, rooms: Mapping[str, Room]) -> float:
    return send.level_db + rooms[send.room].level_db


def _together(sends: Sequence[SendFigures]) -> tuple[float | None, str | None]:
    """Wet-to-dry of several sends, their powers added, or why there is none."""
    power = 0.0
    for send in sends:
        if send.wet_to_dry_db is None:
            return None, send.reason
        power += 10.0 ** (send.wet_to_dry_db / 10.0)
    return 10.0 * math.log10(power), None


def _obstacle(
    section: SectionSource, room: Room, figures: SeatFigures | None, no_ratio: str | None
) -> str | None:
    """Why no send can be proposed."""
    if section.muted:
        return "it is muted"
    if figures is None:
        return f"it has no seat: in {room.name} it plays from the reference seat"
    if figures.direct_to_reverberant_db is None:
        return f"{room.name} is measured: {figures.reasons['direct_to_reverberant_db']}"
    if no_ratio is not None:
        return f"what {room.name} returns cannot be compared with it: {no_ratio}"
    if room.direct == "keep":
        return f"{room.name} keeps its direct sound, so more send would raise both: use `direct: drop`"
    return None


def _louder_measured(
    section: SectionSource, rooms: Mapping[str, Room], chosen: SendPath, heard: Sequence[SendPath]
) -> str | None:
    """Say where a measured room, which has no volume, is louder than the one a section is judged in."""
    most = max(heard, key=lambda send: _return_db(send, rooms))
    if rooms[most.room].synthetic is not None or _return_db(most, rooms) <= _return_db(chosen, rooms):
        return None
    return f"{section.name} is louder in {most.room}, which is measured: judged in {chosen.room}"


def _specification(room: Room) -> RoomSpecification:
    """Specification of a synthetic room, its decay as the plan wants it."""
    source = room.synthetic
    spec, problems = load_room_specification(
        source if isinstance(source, str | Path) else "", place=room.place
    )
    if spec is None:
        raise PlanError(problems)
    return scale_reverberation(spec, _decay_scale(room, spec.mid_reverberation_time_s))


def _decay_scale(room: Room, natural_s: float | None) -> float:
    """What a plan stretches a room's decay by; its natural mid-band time is `natural_s`."""
    if room.reverberation_time_s is None or natural_s is None:
        return 1.0 if room.decay_scale is None else room.decay_scale
    return room.reverberation_time_s / natural_s


def _recorded_figures(session: Session, room: Room, position: str) -> SeatFigures:
    """Figures of a recorded response at the plan's rate and with the plan's decay."""
    if room.direct == "absent":
        reasons = dict.fromkeys(
            ("direct_to_reverberant_db", "clarity_db"),
            "its direct sound is not in the file (`direct: absent`)",
        )
    else:
        reasons = {}
    responses = room.responses or {}
    gain_position = room.gain_position or (
        UNLISTED_POSITION if UNLISTED_POSITION in responses else next(iter(responses))
    )
    recorded = RecordedRoom(room, session.sample_rate)
    recorded.read(list(dict.fromkeys([position, gain_position])) if room.align != "room" else list(responses))
    scale = 1.0
    if not recorded.problems:
        natural = None if room.reverberation_time_s is None else recorded.mid_time_s(gain_position)
        scale = _decay_scale(room, natural)
    direct = "absent" if room.direct == "absent" else "keep"
    whole = None if recorded.problems else recorded.condition(position, direct=direct, scale=scale)
    if whole is None:
        raise PlanError(recorded.problems)
    found = measured_figures(whole, sample_rate=session.sample_rate)
    if not reasons:
        return found
    return SeatFigures(
        "measured", found.reverberation_time_s, None, None, reasons={**found.reasons, **reasons}
    )
