"""Let a response decay on below its noise floor, and beyond its end.

Conventions
-----------
Arrays are (frames, channels), float64. The *knee* is the moment from which new sound takes over.

How
---
In octaves, and in sixths of them above 700 Hz, it is found where noise takes over or the record ends, and how
fast the sound decays before (`roomplan.acoustics.noise`); smooth curves over frequency run through both. In
every narrow band what lies behind the knee is replaced by noise that goes on from there with the late slope,
at the level that the band itself has before the knee. So nothing steps from one frequency to the next.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.bands import ALL_OCTAVE_CENTRES_HZ, exact_mid_band
from roomplan.acoustics.noise import find_truncation
from roomplan.acoustics.transforms import inverse_real, spectrum
from roomplan.frozen_classes import frozen_class
from roomplan.rooms.band_decays import LOWEST_SIXTH_HZ, STEP_S, band_energies, evened_out
from roomplan.rooms.conditioning import fade
from roomplan.rooms.narrow_bands import SILENCE_S, band_centres, change_bands, even_length, returning
from roomplan.rooms.smooth_curves import monotone_curve

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Lines = NDArray[np.complex128]

__all__ = ["continue_tail"]

DECAY_RATE = 3.0 * math.log(10.0)  # amplitude exp(−6.908 t/T) falls by 60 dB in T
LOWEST_OCTAVE_HZ = 63
JOIN_OVER_NOISE_DB = 6.0  # the new tail takes over this far above the noise: a fifth of the power there
LEVEL_SPAN_DB = 10.0  # the level there is taken from the stretch before that falls by this much
JOIN_S = 0.03
FARTHEST_SLOPE = 2.0  # a late slope farther from the band's own is a second slope or a poor fit
NOISE_SEED = 20_240_202  # fixed: the same response gives the same samples


@frozen_class
class _Ends:
    """Of each band, (bands,), in s: late decay time, knee, where noise takes over and where content ends."""

    late_s: Array
    knee_s: Array
    noise_s: Array
    end_s: Array


def continue_tail(samples: Array, times_s: Array, *, sample_rate: int, frames: int) -> Array:
    """Replace what lies under the noise floor, or beyond the end, by a decay that goes on.

    Parameters
    ----------
    samples : ndarray, shape (frames', channels)
    times_s : ndarray, shape (bands,)
        Reverberation times in the bands of `roomplan.rooms.narrow_bands` up to half the rate.
    sample_rate : int
        Hz.
    frames : int
        Length of the result, no less than that of the samples.

    Returns
    -------
    ndarray, shape (frames, channels)
        Filled up with silence where no decay can be seen.
    """
    channels = samples.shape[1]
    length = even_length(frames / sample_rate + SILENCE_S, sample_rate)
    duration_s = length / sample_rate
    top_hz = sample_rate / 2.0
    lines = spectrum(np.ascontiguousarray(samples.T), length)
    energies = band_energies(lines, duration_s, top_hz=top_hz, end_s=len(samples) / sample_rate)
    ends = _ends(energies, times_s, band_centres(top_hz))
    if ends is None:
        return np.pad(samples, ((0, frames - len(samples)), (0, 0)))
    generator = np.random.Generator(np.random.PCG64(NOISE_SEED))
    white = generator.standard_normal((length, channels))
    lines = np.concatenate([lines, spectrum(np.ascontiguousarray(white.T), length)])

    def change(band: int, clock_s: Array, signals: Lines) -> Lines:
        old, noise = signals[:channels], signals[channels:]
        back = returning(clock_s, frames / sample_rate, duration_s)
        return np.concatenate(_joined(old, noise, ends, band, back, float(clock_s[1])))

    changed = change_bands(lines, duration_s, change, top_hz=top_hz)
    both = changed[:channels] + changed[channels:]
    return np.ascontiguousarray(inverse_real(both, length)[:, :frames].T)


def _ends(energies: Array, times_s: Array, centres_hz: Array) -> _Ends | None:
    """Ends of all bands, on smooth curves over frequency; None where no decay is seen."""
    where = np.log(np.maximum(centres_hz, 1.0))
    own = np.log(times_s)
    at, rows = [], []
    for place, share in _groups(centres_hz):
        time = math.exp(float(np.interp(place, where, own)))
        found = find_truncation(share @ energies, sample_rate=1.0 / STEP_S)
        if found.late_decay_time_s is None or found.crosspoint <= 0:
            continue
        late = float(np.clip(found.late_decay_time_s, time / FARTHEST_SLOPE, time * FARTHEST_SLOPE))
        noise = found.crosspoint * STEP_S
        knee = noise - (JOIN_OVER_NOISE_DB * late / 60.0 if found.ends_in_noise else 0.0)
        at.append(place)
        rows.append((math.log(late), knee, noise, found.content_end * STEP_S))
    if not rows:
        return None
    # Chance moves one sixth of an octave more than a tail may change from one to the next.
    evened = np.array([evened_out(np.array(column)) for column in zip(*rows, strict=True)])
    columns = [_curve(np.array(at), column, where) for column in evened]
    return _Ends(np.exp(columns[0]), *columns[1:])


def _groups(centres_hz: Array) -> list[tuple[float, Array]]:
    """Logarithms of frequencies at which ends are sought, rising, and what each takes of every band."""
    narrow = np.flatnonzero(centres_hz > LOWEST_SIXTH_HZ)
    first = math.log(LOWEST_SIXTH_HZ)
    mids = np.log([exact_mid_band(c) for c in ALL_OCTAVE_CENTRES_HZ if c >= LOWEST_OCTAVE_HZ])
    where = np.log(np.maximum(centres_hz, 1.0))
    wide = [
        (
            float(mid),
            np.interp(where, mids, np.arange(len(mids)) == index),
        )  # 1 at its mid-band, 0 at the next
        for index, mid in enumerate(mids)
        if mid < first
    ]
    return wide + [(float(where[band]), np.eye(len(centres_hz))[band]) for band in narrow]


def _curve(x: Array, y: Array, at: Array) -> Array:
    if len(x) < 3:
        return np.interp(at, x, y)
    return monotone_curve(x, y, at, end_slopes=(0.0, 0.0))


def _joined(
    old: Lines, noise: Lines, ends: _Ends, band: int, back: Array, step_s: float
) -> tuple[Lines, Lines]:
    """Signals of a band up to its knee, and noise from there on; each (channels, frames)."""
    frames = old.shape[1]
    late_s = float(ends.late_s[band])
    span_s = LEVEL_SPAN_DB * late_s / 60.0
    span = max(1, round(span_s / step_s))
    join = max(1, round(min(JOIN_S, span_s) / step_s))
    knee = min(frames, max(join, round(float(ends.knee_s[band]) / step_s)))
    first = max(0, knee - span)
    clock_s = (np.arange(frames) - knee) * step_s
    expected = np.sum(np.exp(-2.0 * DECAY_RATE * clock_s[first:knee] / late_s))
    end = min(frames, max(1, round(float(ends.end_s[band]) / step_s)))
    quiet = slice(min(round(float(ends.noise_s[band]) / step_s) + span, end - 1), end)
    floor = np.mean(np.abs(old[:, quiet]) ** 2, axis=1)
    excess = np.sum(np.abs(old[:, first:knee]) ** 2, axis=1) - floor * (knee - first)
    power = np.maximum(excess, 0.0) / expected  # per channel, at the knee
    envelope = np.exp(-DECAY_RATE * np.maximum(clock_s, -join * step_s) / late_s)
    level = np.sqrt(power / np.maximum(np.mean(np.abs(noise) ** 2, axis=1), 1e-300))
    # Old and new are independent: powers cross, so the gains are roots.
    new = np.zeros(frames)
    new[knee:] = 1.0
    new[knee - join : knee] = fade(join)
    new *= 1.0 - back
    return old * np.sqrt(1.0 - new), noise * (level[:, None] * (envelope * np.sqrt(new)))
