"""The sections of a session, each in its main room."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

from roomplan.depth.model import PlannedSend, SeatFigures, SectionInRoom
from roomplan.depth.seats import measured_figures, theoretical_figures
from roomplan.errors import PlanError
from roomplan.plan.model import UNLISTED_POSITION
from roomplan.rooms.recorded import RecordedRoom
from roomplan.rooms.room_file import load_room_specification
from roomplan.rooms.source_kinds import directivity_of
from roomplan.rooms.spec import scale_reverberation

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from roomplan.plan.model import Room
    from roomplan.rendering.pass_figures import SendFigures
    from roomplan.rooms.spec import RoomSpecification
    from roomplan.session.session import SectionSource, SendPath, Session

__all__ = ["sections_in_rooms"]


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
