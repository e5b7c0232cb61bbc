"""How a response decays at each frequency: its spectrogram, and its decay times a sixth of an octave apart.

Conventions
-----------
Bands are those of `roomplan.rooms.narrow_bands`, the channels added up; times count from frame 0.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.transforms import spectrum
from roomplan.frozen_classes import frozen_class
from roomplan.rooms.band_decays import LOWEST_SIXTH_HZ, STEP_S, band_decay_time, band_energies
from roomplan.rooms.narrow_bands import SILENCE_S, band_centres, even_length, frequencies_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

__all__ = ["FAINTEST_DB", "Spectrogram", "spectrogram_of"]

TOP_HZ = 20_000.0
FAINTEST_DB = -120.0  # whatever is fainter reads so
MOST_COLUMNS = 250
DIGITS = 1  # of a level: what is kept is what was measured


@frozen_class
class Spectrogram:
    """Levels of a response over time and frequency, and how long each frequency takes to decay.

    Attributes
    ----------
    centres_hz : ndarray, shape (bands,)
        Rising, about a sixth of an octave apart.
    step_s : float
        From one column to the next.
    level_db : ndarray, shape (bands, columns)
        Energy per hertz and second re the loudest cell, `FAINTEST_DB` to 0; column 0 begins at time 0.
    t30_s : ndarray, shape (bands,)
        T30, else T20; NaN where it cannot be measured, and below 700 Hz, where chance outweighs it.
    """

    centres_hz: Array
    step_s: float
    level_db: Array
    t30_s: Array


def spectrogram_of(samples: Array, *, sample_rate: int) -> Spectrogram:
    """Look at a response over time and frequency.

    Parameters
    ----------
    samples : ndarray, shape (frames, channels)
        Not silent.
    sample_rate : int
        Hz, 48000 or more.
    """
    length = even_length(len(samples) / sample_rate + SILENCE_S, sample_rate)
    lines = spectrum(np.ascontiguousarray(samples.T), length)
    end_s = len(samples) / sample_rate
    # The topmost band is cut off and rings, the lowest holds what does not swing: neither is looked at.
    energies = band_energies(lines, length / sample_rate, top_hz=sample_rate / 2.0, end_s=end_s)
    centres = band_centres(sample_rate / 2.0)
    looked_at = slice(1, 1 + int(np.argmax(centres >= TOP_HZ)))
    energies, centres = energies[looked_at], centres[looked_at]
    places = np.arange(1.0, len(centres) + 1.0)
    widths = frequencies_of(places + 0.5) - frequencies_of(places - 0.5)
    together = math.ceil(energies.shape[1] / MOST_COLUMNS)
    columns = np.add.reduceat(energies, np.arange(0, energies.shape[1], together), axis=1)
    density = columns / widths[:, None]
    level = 10.0 * np.log10(np.maximum(density / np.max(density), 10.0 ** (FAINTEST_DB / 10.0)))
    times = [
        band_decay_time(energy) if LOWEST_SIXTH_HZ < centre < TOP_HZ else None
        for centre, energy in zip(centres.tolist(), energies, strict=True)
    ]
    measured = np.array([math.nan if time is None else time for time in times])
    return Spectrogram(centres, together * STEP_S, np.round(level, DIGITS) + 0.0, measured)
