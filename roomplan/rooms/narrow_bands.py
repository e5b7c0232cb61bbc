"""Shape a sound over time, each frequency by an envelope of its own.

Conventions
-----------
A sound is its spectral lines, (channels, lines), line k at k / duration: what `numpy.fft.rfft` gives of real
samples at any rate. It is periodic in its duration.

How
---
Bands overlap by half and add up to the sound exactly: cos² windows in the amplitude, a sixth of an octave
apart and down to 12 Hz apart in the bass (an asinh over frequency). Each is turned into its analytic signal
at a rate little above its width, multiplied by its envelope and put back. Between two band centres a
frequency is thus shaped by both envelopes, in shares that change with its place: nothing is constant over a
band, and nothing steps. Since a band is multiplied at each moment by one real number, envelopes that are
alike leave the sound as it was, without ringing ahead of it.

Limits
------
An envelope is heard up to changes of `QUICKEST_HZ`: multiply by what is quicker afterwards.
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

__all__ = ["band_centres", "frequencies_of", "shape", "window_of"]

BANDS_PER_OCTAVE = 6
EVEN_BELOW_HZ = 100.0  # under it bands are spaced by hertz rather than by octaves
QUICKEST_HZ = 200.0  # of an envelope's changes: sidebands kept on either side of a band


def band_centres(top_hz: float) -> Array:
    """Centres of the bands in Hz, from 0 to the first at or above a frequency."""
    return frequencies_of(np.arange(math.ceil(float(_place(np.array(top_hz)))) + 1, dtype=np.float64))


def frequencies_of(places: Array) -> Array:
    """Frequencies in Hz of places on the axis on which band centres are 0, 1, 2 and so on."""
    return EVEN_BELOW_HZ * np.sinh(places * (math.log(2.0) / BANDS_PER_OCTAVE))


def window_of(band: int, places: Array) -> Array:
    """Share of a band in the amplitude at places; those of all bands add up to 1."""
    return np.cos((math.pi / 2.0) * np.clip(places - band, -1.0, 1.0)) ** 2


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
        amplitudes (times,) or (channels, times).
    top_hz : float
        What lies above it is left out.

    Returns
    -------
    ndarray, shape of `lines`, complex
    """
    count = lines.shape[1]
    shaped = np.zeros_like(lines)
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
        if first == 0:
            part[:, margin] *= 0.5  # DC is its own mirror image, and is added with it below
        times_s = np.arange(frames, dtype=np.float64) * (duration_s / frames)
        signal = np.fft.ifft(part, axis=1) * envelope(band, times_s)
        _add(shaped, np.fft.fft(signal, axis=1), first - margin)
    return shaped


def _add(shaped: Lines, part: Lines, first: int) -> None:
    """Add lines from `first` on; those below 0 are the mirror images of real samples' lines above."""
    count = shaped.shape[1]
    start = max(0, -first)
    kept = part[:, start : start + max(0, count - max(0, first))]
    shaped[:, max(0, first) : max(0, first) + kept.shape[1]] += kept
    if first <= 0:
        mirrored = part[:, 1 - first - min(1 - first, count) : 1 - first][:, ::-1]
        shaped[:, : mirrored.shape[1]] += np.conj(mirrored)


def _place(frequencies_hz: Array) -> Array:
    return np.arcsinh(frequencies_hz / EVEN_BELOW_HZ) * (BANDS_PER_OCTAVE / math.log(2.0))
