"""Whether a sound can be an impulse response at all: sweeps, noise and music are not.

Conventions
-----------
Samples are (frames, channels); powers are summed over channels. All limits are common practice, no source;
the tests hold them to responses of all sorts that must pass.

A response begins once and falls from there. Refused is only what does the contrary for seconds:

- a **sweep**: over at least half a second, as long as the sound is within 20 dB of its loudest 50 ms, its
  median frequency runs one way (rank correlation 0.9) through three octaves, while its level falls by less
  than 12 dB.
- **steady** sound: over 3 s or more, all within 10 dB of the loudest 400 ms, the second half is less than
  2.5 dB under the first (a decay of any length is 5 dB under it), and no 10 ms stand out by 15 dB, as a
  direct sound does.
- sound whose energy comes **late**: half of it 3 s or more after the sound first came within 20 dB of its
  loudest 400 ms (a decay has half its energy in its first twentieth), and no 10 ms stand out by 15 dB.
- sound that **begins again**: four times or more, 3 s or more from the first to the last, 10 ms come within
  6 dB of the loudest, and 100 ms in between are 12 dB under the loudest 100 ms.

Notes
-----
Not found: a single struck note or a short cry, which fall like a room; music that fades out from its start.

Measured
--------
Refused by mistake: none of 1,820 made responses (130 of each family), of 24 bundled ones, nor the recorded
living room of the tests. Missed: less than 3 s of noise or music, a single struck note.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["NoResponse", "recognise_other_sound"]

NoResponse = Literal["sweep", "steady", "late", "repeated"]

_SWEEP_BLOCK_S = 0.05
_SWEEP_BELOW_DB = 20.0
_SWEEP_LEAST_S = 0.5
_SWEEP_ORDER = 0.9
_SWEEP_OCTAVES = 3.0
_SWEEP_FALL_DB = 12.0

_STEADY_BLOCK_S = 0.4
_STEADY_BELOW_DB = 10.0
_STEADY_LEAST_S = 3.0
_STEADY_FALL_DB = 2.5
_ONSET_BLOCK_S = 0.01
_ONSET_OVER_DB = 15.0

_LATE_BELOW_DB = 20.0
_LATE_LEAST_S = 3.0

_AGAIN_BELOW_DB = 6.0
_AGAIN_LEAST = 4
_AGAIN_BLOCKS = 10  # of 10 ms
_AGAIN_DIP_DB = 12.0


def recognise_other_sound(samples: NDArray[np.float64], *, sample_rate: float) -> NoResponse | None:
    """Say what a sound is that is no impulse response; None where it may be one.

    Parameters
    ----------
    samples : ndarray, shape (frames, channels)
        Finite, not silent.
    sample_rate : float
        In hertz.
    """
    power = np.einsum("fc,fc->f", samples, samples)
    if _is_sweep(samples, power, sample_rate):
        return "sweep"
    short = _blocks(power, _ONSET_BLOCK_S, sample_rate)
    long = _blocks(power, _STEADY_BLOCK_S, sample_rate)
    if _is_steady(long, short):
        return "steady"
    if _comes_late(long, short):
        return "late"
    return "repeated" if _begins_again(short) else None


def _blocks(power: NDArray[np.float64], block_s: float, sample_rate: float) -> NDArray[np.float64]:
    """Level of the complete blocks in dB, the loudest 0; empty for less than one."""
    width = max(1, round(block_s * sample_rate))
    count = power.size // width
    sums = power[: count * width].reshape(count, width).sum(axis=1)
    loudest = float(sums.max(initial=0.0))
    return 10.0 * np.log10(np.maximum(sums / loudest, 1e-20)) if loudest > 0.0 else np.zeros(0)


def _span(level: NDArray[np.float64], below_db: float) -> slice:
    """First to last block within so many dB of the loudest."""
    within = np.flatnonzero(level > -below_db)
    return slice(int(within[0]), int(within[-1]) + 1) if within.size else slice(0, 0)


def _is_sweep(samples: NDArray[np.float64], power: NDArray[np.float64], sample_rate: float) -> bool:
    level = _blocks(power, _SWEEP_BLOCK_S, sample_rate)
    span = _span(level, _SWEEP_BELOW_DB)
    count = span.stop - span.start
    if count * _SWEEP_BLOCK_S < _SWEEP_LEAST_S:
        return False
    level = level[span]
    third = max(1, count // 3)
    if level[-third:].mean() < level[:third].mean() - _SWEEP_FALL_DB:
        return False
    width = max(1, round(_SWEEP_BLOCK_S * sample_rate))
    octaves = np.empty(count)
    for place in range(count):
        start = (span.start + place) * width
        spectrum = np.fft.rfft(samples[start : start + width], axis=0)[1:]
        grown = np.cumsum(np.sum(spectrum.real**2 + spectrum.imag**2, axis=1))
        octaves[place] = np.log2(1 + int(np.searchsorted(grown, 0.5 * grown[-1])))
    loud = level > -_SWEEP_BELOW_DB
    octaves = octaves[loud]
    order = float(np.corrcoef(_ranks(octaves), np.arange(octaves.size))[0, 1]) if np.ptp(octaves) else 0.0
    fifth = max(1, octaves.size // 5)
    run = abs(float(np.median(octaves[-fifth:]) - np.median(octaves[:fifth])))
    return abs(order) > _SWEEP_ORDER and run > _SWEEP_OCTAVES


def _ranks(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Places of values in their order, from 1; equal ones share the mean of theirs."""
    _values, place, count = np.unique(values, return_inverse=True, return_counts=True)
    return (np.cumsum(count) - 0.5 * (count - 1))[place]


def _is_steady(long: NDArray[np.float64], short: NDArray[np.float64]) -> bool:
    span = _span(long, _STEADY_BELOW_DB)
    if (span.stop - span.start) * _STEADY_BLOCK_S < _STEADY_LEAST_S:
        return False
    # all but the blocks that the sound begins and ends in
    level = long[span]
    if np.mean(level > -_STEADY_BELOW_DB) < 1.0:
        return False
    first, second = np.array_split(10.0 ** (level / 10.0), 2)
    if second.mean() < first.mean() * 10.0 ** (-_STEADY_FALL_DB / 10.0):
        return False
    return not _onset_stands_out(short, span)


def _comes_late(long: NDArray[np.float64], short: NDArray[np.float64]) -> bool:
    span = _span(long, _LATE_BELOW_DB)
    grown = np.cumsum(10.0 ** (long[span] / 10.0))
    if grown.size == 0 or _onset_stands_out(short, span):
        return False
    return bool(np.searchsorted(grown, 0.5 * grown[-1]) * _STEADY_BLOCK_S >= _LATE_LEAST_S)


def _onset_stands_out(short: NDArray[np.float64], span: slice) -> bool:
    """Whether the loudest 10 ms are far over the others of a span of long blocks, as a direct sound is."""
    ratio = round(_STEADY_BLOCK_S / _ONSET_BLOCK_S)
    return bool(-np.median(short[span.start * ratio : span.stop * ratio]) >= _ONSET_OVER_DB)


def _begins_again(short: NDArray[np.float64]) -> bool:
    count = short.size // _AGAIN_BLOCKS
    grouped = short[: count * _AGAIN_BLOCKS].reshape(count, _AGAIN_BLOCKS)
    loud = grouped.max(axis=1, initial=-np.inf) > -_AGAIN_BELOW_DB
    mean = (10.0 ** (grouped / 10.0)).mean(axis=1)
    dip = mean < mean.max(initial=0.0) * 10.0 ** (-_AGAIN_DIP_DB / 10.0)
    begins: list[int] = []
    waiting = True  # for the next beginning, a dip being behind
    for place in range(count):
        if loud[place] and waiting:
            begins.append(place)
        waiting = bool(dip[place]) or (waiting and not loud[place])
    if len(begins) < _AGAIN_LEAST:
        return False
    return (begins[-1] - begins[0]) * _AGAIN_BLOCKS * _ONSET_BLOCK_S >= _STEADY_LEAST_S
