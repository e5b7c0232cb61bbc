"""Findings about takes: what is wrong, where in the recording, and how much that matters."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from roomplan.capture.likeness import (
    gain_moved,
    gap_noise,
    likeness,
    noise_raised,
    noise_suppressed,
    takes_differ,
)
from roomplan.capture.result import Finding
from roomplan.capture.tail import swept_octaves
from roomplan.capture.takes import LEAD_S

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from roomplan.capture.harmonics import Harmonic
    from roomplan.capture.leftover import Event
    from roomplan.capture.played_take import PlayedTake
    from roomplan.capture.result import Severity
    from roomplan.capture.sequence import Side
    from roomplan.capture.sweep import Sweep
    from roomplan.capture.tail import OctaveTail

__all__ = ["findings_of_harmonics", "findings_of_ranges", "findings_of_take", "findings_of_takes"]

_T30_DB, _T20_DB = 45.0, 35.0  # ISO 3382-1:2009, 5.3.3: range of a decay over its noise
_SHARE_OF_GAP = 0.9  # a decay that goes on for longer is cut off by the next sweep, and by no noise
_DISTORTED_DB = -30.0
_SURELY_DISTORTED_DB = (
    -60.0
)  # where harmonics show that are too high to be told apart, as clipping makes them
_ABOVE_FLOOR_DB = 3.0
_TAIL_DB = -50.0
_WANTED_TAIL_DB = -60.0


def findings_of_take(
    take: PlayedTake, sweep: Sweep, *, used: bool, explained: Collection[Event]
) -> list[Finding]:
    """Clipping and foreign sounds of one take, but for those that are `explained` by something else."""
    severity: Severity = "unreliable" if used else "remark"
    begin = take.cut.first / sweep.rate
    side = take.cut.side
    found = [
        Finding(
            "clipping",
            severity,
            time_s=begin + each.first / sweep.rate,
            side=side,
            channel=each.channel,
            frames=each.frames,
            level_db=20.0 * math.log10(each.level),
        )
        for each in take.clipped
    ]
    found += [
        Finding(
            "knock",
            severity,
            time_s=begin + event.start_s,
            side=side,
            channel=event.channel,
            level_db=event.over_db,
            seconds=event.seconds,
        )
        for event in take.events
        if event not in explained
    ]
    return found


def findings_of_takes(takes: Sequence[PlayedTake], spliced: Collection[int], sweep: Sweep) -> list[Finding]:
    """What two takes of one side, and the gaps of all, tell; but for the takes that are `spliced`."""
    found: list[Finding] = []
    whole = [take for place, take in enumerate(takes) if place not in spliced]
    for at, first in enumerate(whole):
        second = next((take for take in whole[at + 1 :] if take.cut.side == first.cut.side), None)
        if second is not None:
            found += _of_pair(first, second, sweep)
    if any(take.clipped for take in takes):
        return found  # its harmonics are under the sweep, without end
    gaps = [gap_noise(take.levels, sweep) for take in takes]
    raised, lowered = noise_raised(gaps), noise_suppressed(gaps)
    if any(_range_is_cut(tail, take, sweep) for take in takes for tail in take.tails):
        raised = None  # what fills the gaps may be the decay
    if raised is not None:
        found.append(Finding("automatic_gain", "unreliable", level_db=raised))
    if lowered is not None:
        found.append(Finding("noise_suppression", "unreliable", level_db=lowered))
    return found


def _of_pair(first: PlayedTake, second: PlayedTake, sweep: Sweep) -> list[Finding]:
    octaves = likeness(
        first.room,
        second.room,
        swept_octaves(sweep),
        rate=sweep.rate,
        direct=first.direct,
        tail=max(first.tail, second.tail),
    )
    time = second.cut.first / sweep.rate + LEAD_S
    side = first.cut.side
    moved = gain_moved(octaves)
    if moved is not None:
        return [
            Finding(
                "automatic_gain",
                "unreliable",
                time_s=time,
                side=side,
                frequency_hz=moved.frequency_hz,
                level_db=moved.gain_db,
            )
        ]
    if first.events or second.events:
        return []  # a foreign sound in one of them says so itself
    different = takes_differ(octaves)
    if different is None:
        return []
    return [
        Finding(
            "takes_differ",
            "unreliable",
            time_s=time,
            side=side,
            frequency_hz=different.frequency_hz,
            level_db=different.difference_db,
        )
    ]


def findings_of_harmonics(
    harmonics: Sequence[Harmonic], take: PlayedTake, sweep: Sweep, *, distorts: bool
) -> list[Finding]:
    """Distortion, and the tail of the second harmonic under the response."""
    side: Side = take.cut.side
    clear = [each for each in harmonics if each.level_db > each.floor_db + _ABOVE_FLOOR_DB]
    found = []
    for channel in sorted({each.channel for each in clear}):
        power = sum(10.0 ** (each.level_db / 10.0) for each in clear if each.channel == channel)
        level = 10.0 * math.log10(power)
        if level > (_SURELY_DISTORTED_DB if distorts else _DISTORTED_DB):
            found.append(Finding("distortion", "unreliable", side=side, channel=channel, level_db=level))
    second = max((each.level_db for each in clear if each.order == 2), default=-math.inf)
    decay = max(
        (
            tail.decay_time_s
            for tail in take.tails
            if tail.decay_time_s is not None
            and tail.frequency_hz > 3.0 * sweep.start_frequency
            and tail.range_db >= _T20_DB
        ),
        default=None,
    )
    if decay is None or second == -math.inf:
        return found
    tail_db = second - 60.0 * sweep.harmonic_lead(2) / decay
    if tail_db > _TAIL_DB:
        wanted = sweep.octaves * decay * (second - _WANTED_TAIL_DB) / 60.0
        found.append(Finding("harmonic_tail", "unreliable", side=side, level_db=tail_db, seconds=wanted))
    return found


def findings_of_ranges(take: PlayedTake, sweep: Sweep) -> list[Finding]:
    """Octaves whose decay is too close to the noise or longer than the gap, by their worst channel."""
    worst: dict[float, OctaveTail] = {}
    for tail in take.tails:
        known = worst.get(tail.frequency_hz)
        if known is None or tail.range_db < known.range_db:
            worst[tail.frequency_hz] = tail
    short = [tail for tail in worst.values() if tail.range_db < _T30_DB]
    cut = [tail for tail in short if _range_is_cut(tail, take, sweep)]
    side: Side = take.cut.side
    found = [
        Finding(
            "short_range",
            _severity(tail),
            side=side,
            frequency_hz=tail.frequency_hz,
            level_db=_T30_DB - tail.range_db,
        )
        for tail in short
        if tail not in cut
    ]
    if cut:
        least = min(cut, key=lambda tail: tail.range_db)
        found.append(
            Finding(
                "short_gap",
                _severity(least),
                side=side,
                frequency_hz=least.frequency_hz,
                level_db=_T30_DB - least.range_db,
                seconds=max(tail.decay_time_s or 0.0 for tail in cut),
            )
        )
    return found


def _range_is_cut(tail: OctaveTail, take: PlayedTake, sweep: Sweep) -> bool:
    """Whether a decay has too little range because it goes on for longer than the gap."""
    gap_s = (take.kept - take.direct) / sweep.rate
    return tail.range_db < _T30_DB and tail.decay_time_s is not None and tail.seconds > _SHARE_OF_GAP * gap_s


def _severity(tail: OctaveTail) -> Severity:
    return "unreliable" if tail.range_db < _T20_DB else "remark"
