"""What of a take no response explains: noise, knocks, splices; and how the noise moves.

Conventions
-----------
Sound is (channels, frames), frame 0 `LEAD_S` ahead of the sweep. The part of a response that a room and its
harmonics can have is taken out, from the eighth harmonic on to the end of the decay; the rest is played
through the sweep again. A foreign sound is spread over all times of a response, so most of it is left, at its
own time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from roomplan.scipy_kernels import irfft, rfft

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from roomplan.capture.inversion import Inverse
    from roomplan.capture.sweep import Sweep

__all__ = ["BLOCK_S", "Event", "events_of", "leftover_levels"]

BLOCK_S = 0.01
_HIGHEST_ORDER = 8
_BEFORE_S = 0.02
_LOWEST_HZ = 500.0  # rumble comes and goes
_AROUND_S = 0.4
# Over the median around. 10 ms of broadband noise swing by 5 dB at most in an hour. What a long room leaves
# is nearly one frequency, whose power is exponential: 14 dB over its median once in 3.6e7 blocks, 12 dB once
# in 60,000.
_OVER_DB = 14.0
_APART_S = 0.15
_DEEP_DB = -120.0  # under the sweep: less is rounding


class Event(NamedTuple):
    """A foreign sound: seconds from the start of the cut, how long, and decibels over what is around it."""

    start_s: float
    seconds: float
    over_db: float
    channel: int


def leftover_levels(
    response: NDArray[np.float64], inverse: Inverse, sweep: Sweep, *, direct: int, tail: int, frames: int
) -> NDArray[np.float64]:
    """Level of every block of the leftover, (channels, blocks), in dB re the recorded sweep's loudest block.

    Parameters
    ----------
    response : ndarray, shape (channels, inverse.frames)
        With negative times at the end.
    direct, tail : int
        Frame of the direct sound, and of the end of the decay.
    frames : int
        Length of the take.
    """
    kept = response.copy()
    first = direct - round((sweep.harmonic_lead(_HIGHEST_ORDER) + _BEFORE_S) * sweep.rate)
    kept[:, max(0, first) : tail] = 0.0
    if first < 0:
        kept[:, first:] = 0.0
    hertz = np.arange(inverse.frames // 2 + 1) * (sweep.rate / inverse.frames)
    played = inverse.played * (hertz > _LOWEST_HZ)
    width = round(BLOCK_S * sweep.rate)
    count = frames // width
    levels = []
    for own, whole in zip(kept, response, strict=True):
        left = irfft(rfft(own, inverse.frames) * played, inverse.frames)[: count * width]
        heard = irfft(rfft(whole, inverse.frames) * played, inverse.frames)[: count * width]
        power, loud = (np.mean(each.reshape(count, width) ** 2, axis=1) for each in (left, heard))
        levels.append(10.0 * np.log10(np.maximum(power / max(loud.max(), 1e-300), 1e-30)))
    return np.array(levels)


def events_of(levels: NDArray[np.float64]) -> tuple[Event, ...]:
    """Foreign sounds in the levels of a leftover, in order."""
    reach = round(_AROUND_S / BLOCK_S)
    apart = round(_APART_S / BLOCK_S)
    found: list[Event] = []
    for channel, own in enumerate(levels):
        padded = np.pad(own, reach, mode="reflect") if own.size > reach else np.pad(own, reach, mode="edge")
        windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
        over = own - np.median(windows, axis=1)
        loud = np.flatnonzero((over > _OVER_DB) & (own > _DEEP_DB))
        groups = np.split(loud, np.flatnonzero(np.diff(loud) > apart) + 1) if loud.size else []
        found += [
            Event(
                float(group[0] * BLOCK_S),
                float((group[-1] - group[0] + 1) * BLOCK_S),
                float(over[group].max()),
                channel,
            )
            for group in groups
        ]
    return _merged(found)


def _merged(events: list[Event]) -> tuple[Event, ...]:
    """One event for what several channels hear at one time: the clearest."""
    merged: list[Event] = []
    for event in sorted(events):
        if merged and event.start_s - (merged[-1].start_s + merged[-1].seconds) < _APART_S:
            last = merged[-1]
            end = max(last.start_s + last.seconds, event.start_s + event.seconds)
            louder = event if event.over_db > last.over_db else last
            merged[-1] = Event(last.start_s, end - last.start_s, louder.over_db, louder.channel)
        else:
            merged.append(event)
    return tuple(merged)
