"""Recordings that nothing can be made of: silence, music, another sweep, half a sweep, the sweep itself.

Conventions
-----------
Times are seconds of the recording. All limits are the project's own.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomplan.capture.clock import lag_between
from roomplan.capture.result import Finding
from roomplan.capture.scanning import TRACK_S

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from roomplan.capture.inversion import Inverse
    from roomplan.capture.locating import Located
    from roomplan.capture.scanning import Scan
    from roomplan.capture.sequence import Side, SweepSequence

__all__ = [
    "cut_short",
    "is_the_sweep_itself",
    "loopback_refusal",
    "nothing_found",
    "pace_of_a_sweep",
    "sides_are_swapped",
]

_SILENT = 3.0 * 2.0**-16  # one and a half steps of 16 bits: a converter's dither
_EARLY_S = 0.02  # a sweep whose start is known to some milliseconds
_GAP_LEFT_OUT = 0.25  # share of a gap that may be missing at the end

_PACE_LAGS = (5, 10, 20, 40)  # blocks over which a frequency's movement is seen
_PACE_LEAST = 0.15  # nepers in that time: less may be a held note
_PACE_LIKE = 0.15
_PACE_RUN_S = 0.75
_PACE_BELOW = 1e-3  # of the loudest block's power
_PACE_OFF = 0.03

_ITSELF = 1e-7  # power: what a copy in 16 bits differs by is less, what any converter adds is more
_SWAPPED_S = 1e-4


def nothing_found(
    scanned: Scan, located: Located, sequence: SweepSequence, *, seconds: float
) -> tuple[Finding, ...]:
    """Why a recording of some seconds has no complete sequence."""
    if np.all(scanned.lowest == scanned.highest):
        return (Finding("silence", "refused", level_db=_dbfs(scanned.peak)),)
    pace = pace_of_a_sweep(scanned)
    expected = sequence.sweep.rate_constant
    if pace is not None and abs(pace[0] / expected - 1.0) > _PACE_OFF:
        return (Finding("other_sweep", "refused", time_s=pace[1], seconds=pace[0]),)
    heard = any(time is not None for time in located.partial)
    if not heard:
        if pace is not None:  # the right pace, and not enough of it
            needed = sequence.sweep.total_seconds
            return (Finding("cut_off", "refused", time_s=pace[1], seconds=max(0.0, needed - seconds)),)
        if scanned.peak <= _SILENT:
            return (Finding("silence", "refused", level_db=_dbfs(scanned.peak)),)
        return (Finding("no_sweep", "refused"),)
    length = sequence.sweep.total_seconds
    missing: list[tuple[Side, float]] = [
        (side, time)
        for side, time, found in zip(sequence.sides, located.expected, located.partial, strict=True)
        if found is None
    ]
    if located.expected[0] < -_EARLY_S:
        return (Finding("cut_off", "refused", time_s=0.0, seconds=-located.expected[0]),)
    if located.expected[-1] + length > seconds:
        return (
            Finding("cut_off", "refused", time_s=seconds, seconds=located.expected[-1] + length - seconds),
        )
    return tuple(Finding("no_sweep", "refused", time_s=time, side=side) for side, time in missing)


def cut_short(starts_s: Sequence[float], sequence: SweepSequence, *, seconds: float) -> Finding | None:
    """Whether a recording begins after the first sweep does, or ends before the last has rung out."""
    if starts_s[0] < -_EARLY_S:
        return Finding("cut_off", "refused", time_s=0.0, seconds=-starts_s[0])
    end = starts_s[-1] + sequence.sweep.total_seconds
    if end > seconds:
        return Finding("cut_off", "refused", time_s=seconds, seconds=end - seconds)
    short = end + sequence.gap_seconds - seconds
    if short > _GAP_LEFT_OUT * sequence.gap_seconds:
        return Finding("cut_off", "unreliable", time_s=seconds, seconds=short)
    return None


def pace_of_a_sweep(scanned: Scan) -> tuple[float, float] | None:
    """Rate constant of an exponential sweep (below 0: it falls) and when it is heard, or None."""
    blocks = scanned.pitch_hz.size
    if not blocks or not np.any(scanned.pitch_power > 0.0):
        return None
    nepers = np.log(np.maximum(scanned.pitch_hz, 1.0))
    heard = (scanned.pitch_power > _PACE_BELOW * scanned.pitch_power.max()) & (scanned.pitch_hz > 150.0)
    least = round(_PACE_RUN_S / TRACK_S)
    best: tuple[int, int, float] | None = None
    for lag in _PACE_LAGS:
        if blocks <= lag:
            break
        moved = np.where(heard[lag:] & heard[:-lag], nepers[lag:] - nepers[:-lag], 0.0)
        run, first, pace = _longest_run(moved)
        if run >= least and (best is None or run > best[0]):
            best = (run, first, lag * TRACK_S / pace)
    return None if best is None else (best[2], best[1] * TRACK_S)


def _longest_run(moved: NDArray[np.float64]) -> tuple[int, int, float]:
    """Blocks, first block and movement of the longest run that moves alike."""
    best = (0, 0, 1.0)
    first = 0
    while first < moved.size:
        if abs(moved[first]) < _PACE_LEAST:
            first += 1
            continue
        last = first + 1
        while last < moved.size and abs(moved[last] - np.median(moved[max(first, last - 9) : last])) < (
            _PACE_LIKE * abs(moved[first])
        ):
            last += 1
        if last - first > best[0]:
            best = (last - first, first, float(np.median(moved[first:last])))
        first = last
    return best


def is_the_sweep_itself(spectra: Sequence[NDArray[np.complex128]], inverse: Inverse) -> bool:
    """Whether nothing came between the sweep and the takes of these spectra, (channels, lines) each."""
    for own in spectra:
        power = np.sum(np.abs(own) ** 2, axis=1)
        for channel in np.flatnonzero(power > _ITSELF * power.max()):
            _lag, likeness = lag_between(inverse.target[None], own[channel][None], inverse.frames)
            if abs(likeness) < 1.0 - _ITSELF:
                return False
    return True


def sides_are_swapped(arrivals_s: dict[Side, tuple[float, ...]]) -> float | None:
    """Seconds by which sides arrive first in the other's channel, where both do; None where not."""
    left, right = arrivals_s.get("left"), arrivals_s.get("right")
    if left is None or right is None or len(left) != 2:
        return None
    crossed = min(left[0] - left[1], right[1] - right[0])
    return crossed if crossed > _SWAPPED_S else None


def loopback_refusal(scanned: Scan, loopback: int, located: Located) -> Finding | None:
    """Whether the channel of the electrical signal carries none."""
    if scanned.lowest[loopback] == scanned.highest[loopback]:
        return Finding("loopback_constant", "refused", channel=loopback)
    if not located.passes:
        return Finding("loopback_missing", "refused", channel=loopback)
    return None


def _dbfs(peak: float) -> float:
    return float(20.0 * np.log10(peak)) if peak > 0.0 else -np.inf
