"""Blocks that a recorder lost or put in, within takes and between them.

Conventions
-----------
A splice clicks, so it shows among the foreign sounds of a take, and what is swept after it arrives at another
time. Either alone is no proof: a knock moves no arrival, and in a dense room arrivals are vague.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from roomplan.capture.clock import lag_between
from roomplan.capture.inversion import line_frequencies
from roomplan.capture.result import Finding

if TYPE_CHECKING:
    from collections.abc import Sequence

    from roomplan.capture.alignment import Aligned
    from roomplan.capture.jumps import Jump
    from roomplan.capture.leftover import Event
    from roomplan.capture.played_take import PlayedTake
    from roomplan.capture.sweep import Sweep

__all__ = ["Splice", "splices_of"]

_MOST_EVENTS = 4
_BESIDE = 1.2  # of the frequency at a click, as a ratio: nearer, both arrivals are mixed
_INSIDE = 1.5  # edges of the sweep: nearer, there is too little on one side
_ALIKE = 0.5
_LEAST_FRAMES = 3.0
_NEAR = 0.8  # rate constants round a jump in which its click is looked for


class Splice(NamedTuple):
    """Frames too many (below 0: missing), the take they are in, and the foreign sound that they make.

    Without a time, all that is known is that they are in that take or behind it.
    """

    take: int
    frames: int
    time_s: float | None
    frequency_hz: float | None
    event: Event | None

    def finding(self, takes: Sequence[PlayedTake], *, used: bool) -> Finding:
        """What is to be said of it."""
        return Finding(
            "dropout" if self.frames < 0 else "inserted",
            "unreliable" if used or self.time_s is None else "remark",
            time_s=self.time_s,
            side=None if self.time_s is None else takes[self.take].cut.side,
            frequency_hz=self.frequency_hz,
            frames=abs(self.frames),
        )


def splices_of(takes: Sequence[PlayedTake], aligned: Aligned, sweep: Sweep) -> tuple[Splice, ...]:
    """All splices, at most one per take: by another take of its side where there is one, else by itself."""
    found: list[Splice] = []
    for place, take in enumerate(takes):
        partners = [at for at, other in enumerate(takes) if at != place and other.cut.side == take.cut.side]
        if partners:
            own = _against(place, partners[-1], takes, aligned, sweep)
        else:
            own = None if take.jump is None else _within(place, take, take.jump, sweep)
        if own is not None:
            found.append(own)
    jumps = aligned.jumps
    late = next((place for place, jump in enumerate(jumps) if jump), None)
    if late is None:
        return tuple(found)
    first = max(place for place in range(late) if takes[place].cut.side == takes[late].cut.side)
    between = [splice for splice in found if first < splice.take < late]
    if between:  # how many frames is known better from the takes around
        return tuple(
            splice._replace(frames=jumps[late]) if splice is between[0] else splice for splice in found
        )
    return tuple(found) if found else (_between(first, late, jumps[late], takes, sweep),)


def _between(first: int, late: int, frames: int, takes: Sequence[PlayedTake], sweep: Sweep) -> Splice:
    """Splice from one take to a later one: where something clicks most, else nobody knows where."""
    events = [
        (event.over_db, place, event) for place in range(first, late + 1) for event in takes[place].events
    ]
    if not events:
        return Splice(first, frames, None, None, None)
    _, place, event = max(events)
    return Splice(place, frames, takes[place].cut.first / sweep.rate + event.start_s, None, event)


def _against(
    place: int, partner: int, takes: Sequence[PlayedTake], aligned: Aligned, sweep: Sweep
) -> Splice | None:
    """Splice of a take at one of its clicks: the other take of its side lags otherwise above than below."""
    take = takes[place]
    lines = line_frequencies(aligned.inverse.frames, sweep.rate)
    clearest = sorted(take.events, key=lambda event: -event.over_db)[:_MOST_EVENTS]
    for event in clearest:
        edge = sweep.frequency_at(event.start_s - take.direct / sweep.rate)
        if not sweep.start_frequency * _INSIDE < edge < sweep.end_frequency / _INSIDE:
            continue
        lags = []
        for band in (lines < edge / _BESIDE, lines > edge * _BESIDE):
            lag, like = lag_between(
                aligned.spectra[partner] * band, aligned.spectra[place] * band, aligned.inverse.frames
            )
            if like > _ALIKE:
                lags.append(lag)
        if len(lags) == 2 and abs(lags[1] - lags[0]) > _LEAST_FRAMES:
            time = take.cut.first / sweep.rate + event.start_s
            return Splice(place, round(lags[1] - lags[0]), time, edge, event)
    return None


def _within(place: int, take: PlayedTake, jump: Jump, sweep: Sweep) -> Splice:
    """Splice of a take whose arrivals jump."""
    middle = take.direct / sweep.rate + sweep.played_at(jump.frequency_hz)
    reach = _NEAR * sweep.rate_constant
    near = [event for event in take.events if abs(event.start_s - middle) < reach]
    event = max(near, key=lambda each: each.over_db, default=None)
    time = take.cut.first / sweep.rate + (middle if event is None else event.start_s)
    return Splice(place, jump.frames, time, jump.frequency_hz, event)
