"""What a practitioner should know before and after listening: seats, wiring, silence, sides that cancel."""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.errors import Problem

if TYPE_CHECKING:
    from collections.abc import Mapping

    from roomplan.mixing.session import SectionSource, Session
    from roomplan.mixing.stream import SignalStatistics
    from roomplan.plan.model import Plan

__all__ = ["plan_advice", "signal_advice"]

ONE_SIDED_DB = 12.0  # common practice, no source: beyond this one hears one side only
CANCELLING_DB = -10.0  # (L+R)/√2 this far under independent sides: common practice, no source


def plan_advice(plan: Plan, sections: tuple[SectionSource, ...]) -> list[Problem]:
    """What a practitioner should know about the wiring and the seats before listening."""
    found: list[Problem] = []
    for section in sections:
        written = plan.sections[section.name]
        seatless = sorted({s.room for s in section.sends if plan.rooms[s.room].synthetic is not None})
        if seatless and section.seat is None:
            found.append(
                Problem(
                    f"section {section.name} has no seat: {', '.join(seatless)} use their reference seat",
                    written.place,
                    "add `seat: {distance: …, angle: …}` to place it",
                )
            )
        if section.signal_channels == 1:
            one = sorted({s.room for s in section.sends if s.wiring == "one_source"})
            if one:
                found.append(
                    Problem(
                        f"section {section.name} is mono: it returns 3 dB louder from {', '.join(one)} "
                        "(wiring one_source) than independent left and right would",
                        written.place,
                    )
                )
            continue
        panned = any(path.stem.pan for path in section.stems)
        channelwise = sorted({s.room for s in section.sends if s.wiring == "per_channel"})
        if panned and channelwise:
            found.append(
                Problem(
                    f"section {section.name} has panned stems and room {', '.join(channelwise)} is wired "
                    "per_channel: its reverberation will lean to one side",
                    written.place,
                    "use `wiring: one_source` if the room should answer from both sides",
                )
            )
    return found


def signal_advice(session: Session, statistics: Mapping[str, SignalStatistics]) -> list[Problem]:
    """What only the sound itself can tell: silence, one-sided sections, sides that cancel."""
    found = []
    for section in session.sections:
        place = session.plan.sections[section.name].place
        heard = statistics[section.name]
        balance, mono = heard.balance_db, heard.mono_sum_db
        if balance is None or mono is None:
            found.append(Problem(f"section {section.name} is silent: its stems hold no sound", place))
            continue
        if section.signal_channels == 1:
            continue
        lopsided = [s.room for s in section.sends if s.wiring == "per_channel"]
        if abs(balance) > ONE_SIDED_DB and lopsided:
            side = "right" if balance > 0 else "left"
            found.append(
                Problem(
                    f"section {section.name} sounds on the {side} only ({abs(balance):.0f} dB) and room "
                    f"{', '.join(sorted(set(lopsided)))} is wired per_channel: it answers from that side",
                    place,
                    "use `wiring: one_source` if the room should answer from both sides",
                )
            )
        summed = [s.room for s in section.sends if s.wiring == "one_source"]
        if mono < CANCELLING_DB and summed:
            found.append(
                Problem(
                    f"left and right of section {section.name} cancel ({mono:.0f} dB) in room "
                    f"{', '.join(sorted(set(summed)))} (wiring one_source)",
                    place,
                    "check the polarity of the stem, or use `wiring: per_channel`",
                )
            )
    return found
