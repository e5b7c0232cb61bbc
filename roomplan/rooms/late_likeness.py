"""How alike the channels of a return are in its late sound: what width there is to hear.

Conventions
-----------
A correlation is that of two channels without delay, −1 to 1, from `LATE_S` after frame 0 and from
`LOWEST_HZ` up: below, any pair of microphones is alike. 1 is mono.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from roomplan.acoustics.transforms import fast_length, spectrum

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

__all__ = ["LATE_S", "NEARLY_MONO", "NO_SOUND", "LatePowers", "late_powers", "late_spectra", "widened"]

LATE_S = 0.08  # as late energy is counted by C80 (ISO 3382-1:2009, A.2.3)
SHORTEST_S = 0.05  # of late sound, to be judged
LOWEST_HZ = 500.0
NEARLY_MONO = 0.8  # a return over it is pointed out; the project's own limit


class LatePowers(NamedTuple):
    """Late powers of a left and a right channel, and what they have in common."""

    left: float
    right: float
    common: float

    def and_also(self, other: LatePowers) -> LatePowers:
        """Powers of this sound and an independent one."""
        return LatePowers(self.left + other.left, self.right + other.right, self.common + other.common)

    def at_power(self, power: float) -> LatePowers:
        """Powers of this sound where its source has a power of `power` instead of 1."""
        return LatePowers(power * self.left, power * self.right, power * self.common)

    @property
    def correlation(self) -> float | None:
        """Correlation of the two channels; None where one is silent."""
        if not (self.left > 0.0 and self.right > 0.0):
            return None
        return max(-1.0, min(1.0, self.common / math.sqrt(self.left) / math.sqrt(self.right)))


NO_SOUND = LatePowers(0.0, 0.0, 0.0)


def late_powers(samples: Array, *, sample_rate: int) -> tuple[LatePowers, ...]:
    """Late powers of each source at the two outputs; none where too little late sound is left to judge.

    Parameters
    ----------
    samples : ndarray, shape (frames, 1 | 2 | 4)
        One channel goes to both outputs. Four are LL, LR, RL, RR (input, output).
    sample_rate : int
        Hz.
    """
    lines = late_spectra(samples[round(LATE_S * sample_rate) :].T, sample_rate=sample_rate)
    if not lines.size:
        return ()
    channels = len(lines)
    pairs = [(0, 0)] if channels == 1 else [(first, first + 1) for first in range(0, channels, 2)]
    powers = np.sum(np.abs(lines) ** 2, axis=1)
    return tuple(
        LatePowers(
            float(powers[left]),
            float(powers[right]),
            float(np.sum((lines[left] * np.conj(lines[right])).real)),
        )
        for left, right in pairs
    )


def late_spectra(late: Array, *, sample_rate: int) -> NDArray[np.complex128]:
    """Lines from `LOWEST_HZ` up of sound that is late; none where too little of it is left to judge.

    Parameters
    ----------
    late : ndarray, shape (..., frames)
    sample_rate : int
        Hz.
    """
    if late.shape[-1] < SHORTEST_S * sample_rate:
        return np.zeros((*late.shape[:-1], 0), np.complex128)
    length = fast_length(late.shape[-1])
    return spectrum(np.ascontiguousarray(late), length)[..., math.ceil(LOWEST_HZ * length / sample_rate) :]


def widened(correlation: float, width: float) -> float:
    """Correlation after the side signal of two equally loud channels is scaled by `width`."""
    middle, side = 1.0 + correlation, width * width * (1.0 - correlation)
    return (middle - side) / (middle + side) if middle + side > 0.0 else 1.0
