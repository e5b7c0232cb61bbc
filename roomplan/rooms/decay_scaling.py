"""Make a measured response decay faster or slower, by one factor at every frequency.

Conventions
-----------
Arrays are (frames, channels), float64. `origin` is the frame of the direct sound: there the level stays, and
earlier frames keep theirs. Times T are reverberation times in s.

How
---
T is measured in octaves and, above 700 Hz, in the sixths of octaves of `roomplan.rooms.narrow_bands`; a
smooth curve over frequency runs through both. Each frequency is multiplied by exp(−6.9 t (1/T' − 1/T)), with
T' = scale · T. The octaves of the result are measured again, and the same is done once more with what is
still missing in them: chance in a sixth is too large to be corrected. One exponential for all frequencies
would not do: it adds the same rate to each and bends the spectrum of decay times.

Slower, the noise under the knee would be raised: it is first replaced (`roomplan.rooms.continued_tail`).

Measured
--------
Sixth-octaves from 500 Hz to 14 kHz, noise 60 dB down or none: within 3 % of the time asked for in bundled
rooms at scales of 0.7, 1.3 and 1.5, within 4 % in a hall whose time halves between 8 and 11 kHz. The noise
knee is found before scaling, which hides it.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.bands import (
    ALL_OCTAVE_CENTRES_HZ,
    exact_mid_band,
    top_frequency,
)
from roomplan.acoustics.energies import energies_of
from roomplan.acoustics.filters import BandPass
from roomplan.acoustics.transforms import inverse_real, spectrum
from roomplan.errors import RoomplanError
from roomplan.rooms.band_decays import LOWEST_SIXTH_HZ, STEP_S, band_decay_time, band_energies, evened_out
from roomplan.rooms.continued_tail import continue_tail
from roomplan.rooms.narrow_bands import SILENCE_S, band_centres, even_length, returning, shape
from roomplan.rooms.smooth_curves import monotone_curve

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

__all__ = ["LARGEST_SCALE", "SMALLEST_SCALE", "mid_reverberation_time", "scale_decay"]

SMALLEST_SCALE = 0.3
LARGEST_SCALE = 1.5

DECAY_RATE = 3.0 * math.log(10.0)  # amplitude exp(−6.908 t/T) falls by 60 dB in T
LONGEST_S = 60.0  # no result is made longer than a response may be
TAIL_DB = 100.0
LOWEST_OCTAVE_HZ = 63
SHORTEST_S = 0.03  # no room decays faster: what reads so was cut, and would be turned up without end
FARTHEST_SIXTH = 2.0  # from the octaves' curve: farther is no decay of a room
HIGHEST_SIXTH = 0.92  # of half the rate: above, converters and resamplers have cut
LOWEST_HZ = 10.0  # bands below it are shaped as it is
# What the second turn may still change in a rate: the first is right to a few per cent.
CORRECTION_LIMIT = 0.25


def mid_reverberation_time(samples: Array, *, sample_rate: int) -> float | None:
    """Mean of the 500 and 1000 Hz octaves, T30 or T20 (ISO 3382-1:2009, clause 9.1); None when unknown."""
    from roomplan.acoustics.analysis import measure_composite  # what few rooms of a plan need

    figures = measure_composite(samples, dry=None, sample_rate=sample_rate, centres_hz=(500, 1000))
    times = [band.t30_s or band.t20_s for band in figures.bands]
    known = [time for time in times if time]
    return sum(known) / 2.0 if len(known) == 2 else None


def scale_decay(samples: Array, *, sample_rate: int, origin: int, scale: float) -> Array:
    """Multiply the decay time of every band by `scale`.

    Parameters
    ----------
    samples : ndarray, shape (frames, channels)
        A response, with or without its direct sound.
    sample_rate : int
        Hz.
    origin : int
        Frame of the direct sound.
    scale : float
        0.3 to 1.5.

    Returns
    -------
    ndarray, shape (frames', channels)
        Longer when the scale is above 1.

    Raises
    ------
    RoomplanError
        When no band has a decay that can be measured; the caller names the file.

    Notes
    -----
    A band without a measurable decay takes its nearest neighbour's. Channels are measured together, their
    energies summed. Double slopes stay double: both slopes are changed by the same rate.
    """
    if scale == 1.0:
        return samples
    octaves = tuple(
        BandPass(float(centre))
        for centre in ALL_OCTAVE_CENTRES_HZ
        if centre >= LOWEST_OCTAVE_HZ and top_frequency(centre, sample_rate=sample_rate)
    )
    before = _decay_times(samples, octaves, sample_rate, {})
    if not before:
        raise RoomplanError(
            "has no decay that can be measured, so it cannot be scaled",
            remedy="leave `decay_scale` and `reverberation_time` out, or give a response with less noise",
        )
    coarse = _filled(before, [look.centre_hz for look in octaves])
    times = np.maximum(_times_of_bands(samples, coarse, origin, sample_rate), SHORTEST_S)
    if scale > 1.0:
        frames = _scaled_length(len(samples), float(np.max(times)), scale, origin, sample_rate)
        samples = continue_tail(samples, times, sample_rate=sample_rate, frames=frames)
    rates = (1.0 / scale - 1.0) / times
    # Beyond that gains stay as they are: nothing is left there but rounding, which they would raise for ever.
    until_s = times * scale * TAIL_DB / 60.0
    shaped = _shaped(samples, rates, until_s, origin, sample_rate)
    missing = dict.fromkeys(coarse, 0.0)
    for centre, (_key, time) in _decay_times(shaped, octaves, sample_rate, before).items():
        missing[centre] = 1.0 / (scale * coarse[centre]) - 1.0 / time
    mids = np.array([exact_mid_band(centre) for centre in missing])
    limit = CORRECTION_LIMIT / (scale * times)
    rates += np.clip(_curve(mids, np.array(list(missing.values())), _places(sample_rate)), -limit, limit)
    return _shaped(samples, rates, until_s, origin, sample_rate)


def _times_of_bands(samples: Array, octaves: Mapping[float, float], origin: int, sample_rate: int) -> Array:
    """T of every narrow band, (bands,), on a smooth curve through octaves and, higher up, sixths of them."""
    length = even_length(len(samples) / sample_rate + SILENCE_S, sample_rate)
    lines = spectrum(np.ascontiguousarray(samples.T), length)
    top_hz, end_s = sample_rate / 2.0, len(samples) / sample_rate
    energies = band_energies(lines, length / sample_rate, top_hz=top_hz, end_s=end_s)
    first = round(origin / sample_rate / STEP_S)
    mids = np.array([exact_mid_band(nominal) for nominal in octaves])
    around = np.exp(_curve(mids, np.log(list(octaves.values())), _places(sample_rate)))
    sixths = {}
    for centre, energy, octave in zip(band_centres(top_hz).tolist(), energies, around.tolist(), strict=True):
        if LOWEST_SIXTH_HZ < centre < HIGHEST_SIXTH * top_hz:
            time = band_decay_time(energy[first:])
            if time is not None and octave / FARTHEST_SIXTH < time < octave * FARTHEST_SIXTH:
                sixths[centre] = time
    # Chance moves a sixth more than the curve may change from one to the next.
    evened = np.exp(evened_out(np.log(list(sixths.values())))) if sixths else np.zeros(0)
    points = dict(zip(sixths, evened.tolist(), strict=True))
    half = math.sqrt(2.0)
    points |= {
        centre: time
        for centre, time in zip(mids.tolist(), octaves.values(), strict=True)
        if not any(centre / half < other < centre * half for other in sixths)
    }
    at, values = (np.array(column) for column in zip(*sorted(points.items()), strict=True))
    return np.exp(_curve(at, np.log(values), _places(sample_rate)))


def _places(sample_rate: int) -> Array:
    """Frequencies in Hz at which the bands are taken."""
    return np.maximum(band_centres(sample_rate / 2.0), LOWEST_HZ)


def _curve(frequencies_hz: Array, values: Array, at_hz: Array) -> Array:
    """Smooth curve over the logarithm of frequency."""
    x, at = np.log(frequencies_hz), np.log(at_hz)
    if len(x) < 3:
        return np.interp(at, x, values)
    return monotone_curve(x, values, at, end_slopes=(0.0, 0.0))


def _scaled_length(frames: int, slowest_s: float, scale: float, origin: int, sample_rate: int) -> int:
    """Frames that a slower decay takes to fall by 100 dB."""
    tail = slowest_s * scale * TAIL_DB / 60.0 * sample_rate
    longest = max(frames, round(LONGEST_S * sample_rate))
    return min(longest, origin + math.ceil(max(tail, (frames - origin) * scale)))


def _decay_times(
    samples: Array,
    filters: tuple[BandPass, ...],
    sample_rate: int,
    like: Mapping[float, tuple[str, float]],
) -> dict[float, tuple[str, float]]:
    """Centre → which figure and its value: T30, else T20, else EDT; with `like`, the same figure as there."""
    from roomplan.acoustics.analysis import figures_of_filters  # what few rooms of a plan need

    sound = energies_of(
        np.ascontiguousarray(samples.T), None, sample_rate=float(sample_rate), filters=filters, frames=None
    )
    if sound.problem is not None:
        return {}
    found = {}
    for look, band in zip(filters, figures_of_filters(sound, filters, with_dry=False), strict=True):
        centre = look.centre_hz
        keys = (like[centre][0],) if centre in like else () if like else ("t30_s", "t20_s", "edt_s")
        for key in keys:
            value = getattr(band, key)
            if value is not None and value > 0.0:
                found[centre] = (key, float(value))
                break
    return found


def _filled(known: Mapping[float, tuple[str, float]], centres: list[float]) -> dict[float, float]:
    """Time of every centre; the nearest known one where it is not known itself."""
    return {
        centre: known[min(known, key=lambda other, at=centre: abs(math.log(other / at)))][1]
        for centre in centres
    }


def _shaped(samples: Array, rates: Array, until_s: Array, origin: int, sample_rate: int) -> Array:
    """Multiply each band by an exponential from `origin` on, for so long; rates (bands,) in 1/s of T."""
    frames = len(samples)
    length = even_length(frames / sample_rate + SILENCE_S, sample_rate)
    duration_s, end_s, origin_s = (count / sample_rate for count in (length, frames, origin))

    def envelope(band: int, times_s: Array) -> Array:
        back = returning(times_s, end_s, duration_s)
        since = np.clip(times_s - origin_s, 0.0, until_s[band])
        return np.exp(-DECAY_RATE * rates[band] * since * (1.0 - back))

    lines = spectrum(np.ascontiguousarray(samples.T), length)
    lines = shape(lines, duration_s, envelope, top_hz=sample_rate / 2.0)
    return np.ascontiguousarray(inverse_real(lines, length)[:, :frames].T)
