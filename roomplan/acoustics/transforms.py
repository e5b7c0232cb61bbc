"""Typed names for the transforms this package uses (scipy.fft has no types), and a product without threads.

Conventions: along the last axis, float64 and complex128.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import fft

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["fast_length", "inner", "inverse", "inverse_real", "spectrum"]

_fft: Any = fft  # scipy's own signatures describe its dispatching, not its results


def fast_length(least: int) -> int:
    """Smallest length from `least` on that transforms fast."""
    return int(_fft.next_fast_len(least, real=True))


def spectrum(samples: NDArray[np.float64], length: int, *, workers: int = 1) -> NDArray[np.complex128]:
    """Half spectrum of real samples, padded with zeros or cut to `length`."""
    return _fft.rfft(samples, length, axis=-1, workers=workers)


def inverse_real(half: NDArray[np.complex128], length: int) -> NDArray[np.float64]:
    """Real samples of a half spectrum."""
    return _fft.irfft(half, length, axis=-1)


def inverse(whole: NDArray[np.complex128], length: int, *, workers: int = 1) -> NDArray[np.complex128]:
    """Complex samples of a spectrum, padded to `length`; the spectrum may be overwritten."""
    return _fft.ifft(whole, length, axis=-1, overwrite_x=True, workers=workers)


def inner(first: NDArray[np.float64], second: NDArray[np.float64]) -> float:
    """Sum of products along one axis.

    `np.dot` starts threads from 10,000 values on; waking them costs milliseconds while other work keeps the
    cores busy.
    """
    return float(np.einsum("i,i->", first, second))
