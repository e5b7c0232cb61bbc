"""What a practitioner should know before and after listening: seats, wiring, silence, sides, width."""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.errors import Problem
from roomplan.plan.bus_name import BusName
from roomplan.rooms.late_likeness import NEARLY_MONO

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from roomplan.plan.model import Plan, UnusedSend
    from roomplan.rendering.bus_figures import BusFigures
    from roomplan.rendering.heard import SignalStatistics
    from roomplan.session.session import SectionSource, SendPath, Session

__all__ = ["passage_advice", "plan_advice", "signal_advice", "width_advice"]

ONE_SIDED_DB = 12.0  # common practice, no source: beyond this one hears one side only
ANSWER_FROM_BOTH = "use `wiring: one_source` if the room should answer from both sides"
CANCELLING_DB = -10.0  # (L+R)/√2 this far under independent sides: common practice, no source


def plan_advice(session: Session) -> list[Problem]:
    """What a practitioner should know about the wiring and the seats before listening."""
    plan, sections = session.plan, session.sections
    used = {send.room for section in sections for send in section.sends}
    found = [
        Problem(f"no section sends to room {room.name}", room.place, "add a send, or remove the room")
        for room in plan.rooms.values()
        if room.name not in used
    ]
    found += [_unused(send) for send in plan.unused_sends]
    for section in sections:
        if section.dry_gain is None and not section.sends:
            found.append(_note(plan, section, "is inaudible: its dry is off and it has no sends", None))
        seatless = [s.room for s in section.sends if plan.rooms[s.room].synthetic is not None]
        if seatless and section.seat is None:
            found.append(
                _note(
                    plan,
                    section,
                    f"has no seat: {_listed(seatless)} use their reference seat",
                    "add `seat: {distance: …, angle: …}` to place it",
                )
            )
        found.extend(_stage_advice(session, section))
        found.extend(_level_advice(session, section))
        channelwise = [s.room for s in section.sends if s.wiring == "per_channel"]
        if section.signal_channels == 2 and channelwise and any(path.stem.pan for path in section.stems):
            what = (
                f"has panned stems and {_listed(channelwise)} is wired per_channel: its reverb leans to one "
                "side"
            )
            found.append(_note(plan, section, what, ANSWER_FROM_BOTH))
    return found


def _unused(send: UnusedSend) -> Problem:
    whose = "shared_sends" if send.group is None else f"group {send.group}"
    what = f"{whose}: no section uses its send to {send.room}: each has one of its own"
    return Problem(what, send.place, "remove it, or the entries of the sections that should use it")


def _stage_advice(session: Session, section: SectionSource) -> list[Problem]:
    """Rooms in which the section's seat is not on the stage."""
    off = {s.room: s.prepared.off_stage_m for s in section.sends if s.prepared.off_stage_m > 0.0}
    return [
        _note(
            session.plan,
            section,
            f"sits {distance:.1f} m off the stage of {room}",
            "give it a seat on the stage, unless it plays from there",
        )
        for room, distance in off.items()
    ]


def _level_advice(session: Session, section: SectionSource) -> list[Problem]:
    """Rooms in which 0 dB of send is not as loud as the section went in: see `roomplan.rooms.wiring`."""
    summed = [s.room for s in section.sends if s.wiring == "one_source"]
    for_two = [name for name in summed if session.rooms[name].gain_wiring == "true_stereo"]
    for_one = [name for name in summed if name not in for_two]
    if section.signal_channels == 1:
        what = f"is mono: it returns 3 dB louder from {_listed(for_one)} than independent sides would"
        return [_note(session.plan, section, what, None)] if for_one else []
    narrow = [name for name in for_two if session.plan.rooms[name].synthetic is not None]
    if not narrow:
        return []
    what = (
        f"is one source in {_listed(narrow)}, as its seat has no spread: independent sides return 3 dB lower"
    )
    return [_note(session.plan, section, what, "give the seat a `spread` in metres, or raise the send")]


def signal_advice(session: Session, statistics: Mapping[str, SignalStatistics]) -> list[Problem]:
    """What only the sound itself can tell: silence, one-sided sections, sides that cancel."""
    found = []
    for section in session.sections:
        balance, mono = statistics[section.name].balance_db, statistics[section.name].mono_sum_db
        if balance is None or mono is None:
            if session.excerpt is None:  # in an excerpt a section may just not play
                found.append(_note(session.plan, section, "is silent: its stems contain no sound", None))
            continue
        if section.signal_channels == 1:
            continue
        channelwise = [s.room for s in section.sends if s.wiring == "per_channel"]
        if abs(balance) > ONE_SIDED_DB and channelwise:
            side = "right" if balance > 0 else "left"
            what = (
                f"sounds on the {side} only ({abs(balance):.0f} dB) and {_listed(channelwise)} is wired "
                "per_channel: its reverb comes from that side"
            )
            found.append(_note(session.plan, section, what, ANSWER_FROM_BOTH))
        summed = [s.room for s in section.sends if s.wiring == "one_source"]
        if mono < CANCELLING_DB and summed:
            what = f"loses {-mono:.0f} dB where left and right cancel in {_listed(summed)}, wired one_source"
            remedy = "check the polarity of the stem, or use `wiring: per_channel`"
            found.append(_note(session.plan, section, what, remedy))
    return found


def width_advice(session: Session, buses: Iterable[BusFigures]) -> list[Problem]:
    """Sections and the mix whose wet sound is nearly mono, but where each of their rooms is said to be so."""
    alike = {bus.name: bus.late_correlation for bus in buses}
    found = [
        Problem(
            f"room {name} returns sections of one channel in mono: its response has one channel",
            session.plan.rooms[name].place,
            "use a response of two channels",
        )
        for name in dict.fromkeys(
            send.room
            for section in session.sections
            if section.signal_channels == 1
            for send in section.sends
            if _one_for_each_side(send) and not send.muted
        )
    ]
    for section in session.sections:
        value = alike.get(BusName.of_section(section.name))
        if value is not None and value > NEARLY_MONO and not _all_pointed_out(session, [section]):
            what = f"comes back from its rooms {_nearly_mono(value)}"
            found.append(_note(session.plan, section, what, "use a wider room, or give them more `width`"))
    value = alike.get(BusName("mix"))
    sections = [section for section in session.sections if not section.muted]
    if value is not None and value > NEARLY_MONO and not _all_pointed_out(session, sections):
        found.append(
            Problem(
                f"all rooms together return {_nearly_mono(value)}",
                session.plan.place_of("rooms"),
                "use wider or crossed set-ups, or give the rooms more `width`",
                subject=BusName("mix"),
            )
        )
    return found


def _nearly_mono(value: float) -> str:
    return f"nearly in mono: their channels have a late correlation of {value:.2f} from 500 Hz up"


def _all_pointed_out(session: Session, sections: Iterable[SectionSource]) -> bool:
    """Whether of every room that is sent to it is said that it returns these sections nearly in mono."""
    return all(
        section.signal_channels == 1
        if _one_for_each_side(send)
        else (session.rooms[send.room].late_correlation or 0.0) > NEARLY_MONO
        for section in sections
        for send in section.sends
        if not send.muted
    )


def _one_for_each_side(send: SendPath) -> bool:
    """Whether each side of a section goes through the one channel of a response."""
    return send.prepared.response.channels == 1 and send.wiring == "per_channel"


def passage_advice(plan: Plan, duration_s: float) -> list[Problem]:
    """Passages that reach beyond the end of the sound, tails included."""
    return [
        Problem(
            f"passage {passage.name} goes on beyond the end of the sound ({duration_s:.1f} s)",
            passage.place,
            "it is measured up to there" if passage.start_s < duration_s else "it is not measured",
        )
        for passage in plan.passages.values()
        if passage.end_s > duration_s
    ]


def _note(plan: Plan, section: SectionSource, what: str, remedy: str | None) -> Problem:
    place = plan.sections[section.name].place
    return Problem(f"section {section.name} {what}", place, remedy, subject=BusName.of_section(section.name))


def _listed(rooms: list[str]) -> str:
    return ", ".join(sorted(set(rooms)))
