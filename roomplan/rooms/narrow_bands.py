"""Shape a sound over time, each frequency by an envelope of its own.

Conventions
-----------
A sound is its spectral lines, (channels, lines), line k at k / duration: what `numpy.fft.rfft` gives of an
even number of real samples at any rate. It is periodic in its duration.

How
---
Bands overlap by half and add up to the sound exactly. They are a sixth of an octave apart, and down to 12 Hz
in the bass (an asinh over frequency); windows in the amplitude are cos² of a sin², which ring for less time
than a plain cos². Each is turned into its analytic signal
at a rate little above its width, multiplied by its envelope and put back. Between two band centres a
frequency is thus shaped by both envelopes, in shares that change with its place: nothing is constant over a
band, and nothing steps. Since a band is multiplied at each moment by one real number, envelopes that are
alike leave the sound as it was, without ringing ahead of it.

Limits
------
An envelope is heard up to changes of `QUICKEST_HZ`: multiply by what is quicker afterwards. As the sound is
periodic, the end of an envelope has to come back to its beginning within a stretch of `RETURN_S`; where a
loud beginning of the sound rings ahead into a faint end that is turned up, within `SILENCE_S`.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.transforms import fast_length

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Lines = NDArray[np.complex128]

__all__ = [
    "RETURN_S",
    "SILENCE_S",
    "band_centres",
    "change_bands",
    "even_length",
    "frequencies_of",
    "returning",
    "shape",
    "window_of",
]

BANDS_PER_OCTAVE = 6
EVEN_BELOW_HZ = 100.0  # under it bands are spaced by hertz rather than by octaves
RETURN_S = 0.16
SILENCE_S = 0.5  # the lowest bands have rung down by 100 dB
QUICKEST_HZ = 200.0  # of an envelope's changes: sidebands kept on either side of a band


def band_centres(top_hz: float) -> Array:
    """Centres of the bands in Hz, from 0 to the first at or above a frequency."""
    return frequencies_of(np.arange(math.ceil(float(_place(np.array(top_hz)))) + 1, dtype=np.float64))


def even_length(duration_s: float, sample_rate: int) -> int:
    """Even number of samples of at least a duration, fast to transform."""
    return 2 * fast_length(math.ceil(duration_s * sample_rate / 2.0))


def frequencies_of(places: Array) -> Array:
    """Frequencies in Hz of places on the axis on which band centres are 0, 1, 2 and so on."""
    return EVEN_BELOW_HZ * np.sinh(places * (math.log(2.0) / BANDS_PER_OCTAVE))


def window_of(band: int, places: Array) -> Array:
    """Share of a band in the amplitude at places; those of all bands add up to 1."""
    away = np.clip(places - band, -1.0, 1.0)
    return np.cos((math.pi / 2.0) * np.sin((math.pi / 2.0) * away) ** 2) ** 2


def returning(times_s: Array, start_s: float, end_s: float) -> Array:
    """Raised cosine from 0 at one time to 1 at another, on which an envelope comes back."""
    share = np.clip((times_s - start_s) / (end_s - start_s), 0.0, 1.0)
    return 0.5 - 0.5 * np.cos(math.pi * share)


def shape(
    lines: Lines, duration_s: float, envelope: Callable[[int, Array], Array], *, top_hz: float
) -> Lines:
    """Multiply each band of a sound by its envelope and add them up.

    Parameters
    ----------
    lines : ndarray, shape (channels, lines), complex
    duration_s : float
    envelope : callable
        Gives, for the index of a band in `band_centres(top_hz)` and times (times,) from 0 to `duration_s`,
        amplitudes (times,).
    top_hz : float
        What lies above it is left out.

    Returns
    -------
    ndarray, shape of `lines`, complex
    """
    return change_bands(
        lines,
        duration_s,
        lambda band, times_s, signals: signals * envelope(band, times_s),
        top_hz=top_hz,
    )


def change_bands(
    lines: Lines, duration_s: float, change: Callable[[int, Array, Lines], Lines], *, top_hz: float
) -> Lines:
    """Change the analytic signals of each band of a sound over time and add them up.

    Parameters
    ----------
    lines, duration_s, top_hz
        As in `shape`.
    change : callable
        Gives, for the index of a band, times (times,) and its signals (channels, times), new signals.

    Returns
    -------
    ndarray, shape of `lines`, complex
    """
    count = lines.shape[1]
    changed = np.zeros_like(lines)
    margin = math.ceil(QUICKEST_HZ * duration_s)
    bands = len(band_centres(top_hz))
    for band in range(bands):
        low, high = frequencies_of(np.array([band - 1.0, band + 1.0])) * duration_s
        first, last = max(0, math.floor(float(low)) + 1), min(count - 1, math.ceil(float(high)) - 1)
        if last < first:
            continue
        kept = np.arange(first, last + 1)
        places = _place(kept / duration_s)
        window = window_of(band, places)
        if band == bands - 1:
            window[places > band] = 0.0
        frames = fast_length(last + 1 - first + 2 * margin)
        part = np.zeros((len(lines), frames), dtype=complex)
        part[:, margin : margin + len(kept)] = lines[:, first : last + 1] * window
        # DC and half the rate are their own mirror images, which are added below.
        if first == 0:
            part[:, margin] *= 0.5
        if last == count - 1:
            part[:, margin + last - first] *= 0.5
        times_s = np.arange(frames, dtype=np.float64) * (duration_s / frames)
        signals = change(band, times_s, np.fft.ifft(part, axis=1))
        _add(changed, np.fft.fft(signals, axis=1), first - margin)
    return changed


def _add(changed: Lines, part: Lines, first: int) -> None:
    """Add lines from `first` on; those below DC or above half the rate are mirrored, as in real samples."""
    top = changed.shape[1] - 1
    count = part.shape[1]
    begin, end = max(0, first), min(top + 1, first + count)
    changed[:, begin:end] += part[:, begin - first : end - first]
    if first <= 0:
        below = part[:, max(0, -first - top) : 1 - first][:, ::-1]
        changed[:, : below.shape[1]] += np.conj(below)
    if first + count > top:
        above = part[:, top - first : 2 * top + 1 - first][:, ::-1]
        changed[:, top + 1 - above.shape[1] :] += np.conj(above)


def _place(frequencies_hz: Array) -> Array:
    return np.arcsinh(frequencies_hz / EVEN_BELOW_HZ) * (BANDS_PER_OCTAVE / math.log(2.0))
