"""How alike the channels of a return are in its late sound: what width there is to hear.

Conventions
-----------
A correlation is that of two channels without delay, −1 to 1, from `LATE_S` after frame 0 and from
`LOWEST_HZ` up: below, any pair of microphones is alike. 1 is mono.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

__all__ = ["NEARLY_MONO", "late_likeness", "widened"]

LATE_S = 0.08  # as late energy is counted by C80 (ISO 3382-1:2009, A.2.3)
SHORTEST_S = 0.05  # of late sound, to be judged
LOWEST_HZ = 500.0
NEARLY_MONO = 0.8  # a return over it is pointed out; the project's own limit


def late_likeness(samples: Array, *, sample_rate: int) -> float | None:
    """Correlation of two channels, of a pair for each source, the largest; None where there is none to judge.

    Parameters
    ----------
    samples : ndarray, shape (frames, 1 | 2 | 4)
        Four channels are LL, LR, RL, RR (input, output).
    sample_rate : int
        Hz.
    """
    late = samples[round(LATE_S * sample_rate) :]
    if samples.shape[1] < 2 or len(late) < SHORTEST_S * sample_rate:
        return None
    spectrum = np.fft.rfft(late, axis=0)[math.ceil(LOWEST_HZ * len(late) / sample_rate) :]
    powers = np.sum(np.abs(spectrum) ** 2, axis=0)
    found = []
    for first in range(0, samples.shape[1], 2):
        left, right = spectrum[:, first], spectrum[:, first + 1]
        scale = math.sqrt(float(powers[first] * powers[first + 1]))
        if scale > 0.0:
            found.append(float(np.sum((left * np.conj(right)).real)) / scale)
    return max(found, default=None)


def widened(correlation: float, width: float) -> float:
    """Correlation after the side signal of two equally loud channels is scaled by `width`."""
    middle, side = 1.0 + correlation, width * width * (1.0 - correlation)
    return (middle - side) / (middle + side) if middle + side > 0.0 else 1.0
