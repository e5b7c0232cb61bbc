"""Energies and decay times of a sound in the bands of `roomplan.rooms.narrow_bands`.

Conventions
-----------
Energies are (bands, steps) of `STEP_S`, the channels added up, from frame 0 on.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.decay import decay_range, decay_times, schroeder_curve
from roomplan.acoustics.noise import find_truncation
from roomplan.rooms.narrow_bands import change_bands

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Lines = NDArray[np.complex128]

__all__ = ["LOWEST_SIXTH_HZ", "STEP_S", "band_decay_time", "band_energies", "evened_out"]

STEP_S = 0.001
LOWEST_SIXTH_HZ = 700.0  # under it a sixth of an octave holds so little that chance outweighs what it shows


def band_energies(lines: Lines, duration_s: float, *, top_hz: float, end_s: float) -> Array:
    """Energy of each band up to an end, on one scale for all bands.

    Parameters
    ----------
    lines, duration_s, top_hz
        As in `roomplan.rooms.narrow_bands.shape`.
    end_s : float

    Returns
    -------
    ndarray, shape (bands, steps)
    """
    edges_s = np.arange(math.ceil(end_s / STEP_S) + 1) * STEP_S
    found = []

    def look(_band: int, clock_s: Array, signals: Lines) -> Lines:
        # An inverse transform divides by its length, which is another one in each band.
        scale = (signals.shape[1] / lines.shape[1]) ** 2
        so_far = np.cumsum(np.sum(np.abs(signals) ** 2, axis=0)) * (scale * clock_s[1])
        found.append(np.diff(np.interp(edges_s, clock_s + clock_s[1], so_far, left=0.0)))
        return signals

    change_bands(lines, duration_s, look, top_hz=top_hz)
    return np.array(found)


def band_decay_time(energy: Array) -> float | None:
    """T30, else T20, in s of energies (steps,) from the beginning of a decay on; None without either."""
    rate = 1.0 / STEP_S
    found = find_truncation(energy, sample_rate=rate)
    curve = schroeder_curve(energy, sample_rate=rate, truncation=found)
    if curve.size == 0:
        return None
    reach = decay_range(curve, tail_energy=found.tail_energy)
    times = decay_times(curve, sample_rate=rate, decay_range_db=reach)
    return times.t30_s or times.t20_s


def evened_out(values: Array) -> Array:
    """Values of neighbouring bands with half of each from its neighbours, shape (bands,), one or more."""
    return np.convolve(np.pad(values, 1, mode="edge"), [0.25, 0.5, 0.25], mode="valid")
