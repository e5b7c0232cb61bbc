"""Spectra of minimum phase: nothing of a sound comes ahead of its time.

Conventions
-----------
Lines are those of `numpy.fft.rfft` of `frames` samples. Logarithms are natural, of amplitudes.

Sources
-------
The real cepstrum, folded: Oppenheim and Schafer, "Discrete-Time Signal Processing" (from memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Spectrum = NDArray[np.complex128]

__all__ = ["minimum_phase"]


def minimum_phase(log_magnitude: Array, frames: int) -> Spectrum:
    """Complex logarithm of minimum phase for logarithms of magnitudes, (n, frames // 2 + 1)."""
    cepstrum = np.fft.irfft(log_magnitude, frames)
    fold = np.zeros(frames)
    fold[0] = 1.0
    fold[1 : (frames + 1) // 2] = 2.0
    if frames % 2 == 0:
        fold[frames // 2] = 1.0
    return np.fft.rfft(cepstrum * fold)
