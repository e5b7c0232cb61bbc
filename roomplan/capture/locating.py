"""Which peaks of a scanned recording are the sweeps of a sequence.

Conventions
-----------
Times are seconds of the recording at which a sweep's first frame is heard, good to some milliseconds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from roomplan.capture.scanning import HOP_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from roomplan.capture.scanning import Scan
    from roomplan.capture.sequence import SweepSequence

__all__ = ["Located", "hearing_channels", "locate"]

# A compressed sweep is 30 to 45 dB over noise as loud as itself. Noise peaks at 9 dB over its median.
_OVER_MEDIAN = 10.0 ** (17.0 / 10.0)
_FLOOR = 1e-13  # of the loudest: digital silence has no median
_MEDIAN_S = 0.5
# of a start: a metre of way more or less, and a dropout; and a clock 1000 ppm off (IEC 60958-3, level II)
_OFF_S = 0.1
_CLOCK = 1e-3


@dataclass(frozen=True, slots=True)
class Located:
    """Sweeps found.

    Attributes
    ----------
    passes : tuple of tuple of float
        Complete sequences, each with the time of its sweeps.
    partial : tuple of float or None
        Where there is no complete one: the best incomplete one, None for what is missing.
    expected : tuple of float
        When those sweeps should begin.
    """

    passes: tuple[tuple[float, ...], ...]
    partial: tuple[float | None, ...]
    expected: tuple[float, ...]


def locate(scanned: Scan, sequence: SweepSequence, *, channels: tuple[int, ...]) -> Located:
    """Find a sequence among the peaks of some channels."""
    sweep = sequence.sweep
    span_s = sweep.total_seconds + sequence.gap_seconds
    strength = _over_median(scanned.energies[:, list(channels)], span_s)
    peaks = _peaks(strength, 0.5 * min(sweep.total_seconds, span_s))
    times = peaks.astype(np.float64) * HOP_S + scanned.offset_s
    loud = strength[peaks] if peaks.size else np.zeros(0)
    offsets = np.array([frame - sequence.start_frames[0] for frame in sequence.start_frames]) / sweep.rate
    matches = [_match(times, loud, anchor, offsets) for anchor in times]
    passes: list[tuple[float, ...]] = []
    for match in matches:
        whole = tuple(time for time in match if time is not None)
        if len(whole) == offsets.size and not any(whole[0] <= done[-1] for done in passes):
            passes.append(whole)
    if passes or not times.size:
        return Located(tuple(passes), (), ())
    return Located((), *_best_partial(times, loud, offsets))


def hearing_channels(scanned: Scan, sequence: SweepSequence, channels: tuple[int, ...]) -> tuple[int, ...]:
    """Those of some channels with a sweep in them; all where it is only seen in them together."""
    found = [locate(scanned, sequence, channels=(channel,)) for channel in channels]
    heard = tuple(
        channel
        for channel, own in zip(channels, found, strict=True)
        if own.passes or any(time is not None for time in own.partial)
    )
    return heard or channels


def _over_median(energies: NDArray[np.float32], span_s: float) -> NDArray[np.float64]:
    """Energy of all channels together over the median around, channel by channel."""
    width = round(_MEDIAN_S / HOP_S)
    count = max(1, len(energies) // width)
    total = np.zeros(len(energies))
    reach = max(1, round(span_s / _MEDIAN_S))
    for channel in range(energies.shape[1]):
        own = energies[:, channel].astype(np.float64)
        if not own.size or own.max() <= 0.0:
            continue
        usual = np.median(own[: count * width].reshape(count, -1), axis=1) if own.size >= width else own[:1]
        around = np.array([np.median(usual[max(0, at - reach) : at + reach + 1]) for at in range(usual.size)])
        place = np.minimum(np.arange(own.size) // width, around.size - 1)
        total += own / np.maximum(around[place], _FLOOR * own.max())
    return total


def _peaks(strength: NDArray[np.float64], apart_s: float) -> NDArray[np.int64]:
    """Hops that are loudest within `apart_s` on either side, in order."""
    apart = max(1, round(apart_s / HOP_S))
    found: list[int] = []
    candidates = np.flatnonzero(strength > _OVER_MEDIAN)
    taken = np.zeros(strength.size, bool)
    for place in candidates[np.argsort(-strength[candidates], kind="stable")]:
        if not taken[place]:
            found.append(int(place))
            taken[max(0, place - apart) : place + apart + 1] = True
    return np.array(sorted(found), dtype=np.int64)


def _match(
    times: NDArray[np.float64], loud: NDArray[np.float64], first: float, offsets: NDArray[np.float64]
) -> tuple[float | None, ...]:
    """Peaks at the times of a sequence whose first sweep begins at `first`."""
    found: list[float | None] = []
    for offset in offsets:
        near = np.abs(times - first - offset) < (_OFF_S + _CLOCK * abs(offset))
        found.append(float(times[near][np.argmax(loud[near])]) if near.any() else None)
    return tuple(found)


def _best_partial(
    times: NDArray[np.float64], loud: NDArray[np.float64], offsets: NDArray[np.float64]
) -> tuple[tuple[float | None, ...], tuple[float, ...]]:
    """Match with the most sweeps, any of them taken for any other; of equal ones that of the loudest peak."""
    best: tuple[tuple[int, float], tuple[float | None, ...], float] | None = None
    for time, strength in zip(times, loud, strict=True):
        for offset in offsets:
            match = _match(times, loud, time - offset, offsets)
            rank = (sum(each is not None for each in match), float(strength) - abs(float(offset)) * 1e-9)
            if best is None or rank > best[0]:
                best = (rank, match, float(time - offset))
    if best is None:
        return (), ()
    return best[1], tuple(float(best[2] + offset) for offset in offsets)
