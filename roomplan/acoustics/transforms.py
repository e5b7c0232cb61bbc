"""The transforms this package uses, and a product without threads.

Conventions: along the last axis, float64 and complex128.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomplan.scipy_kernels import ifft, irfft, next_fast_len, rfft

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["fast_length", "inner", "inverse", "inverse_real", "spectrum"]


def fast_length(least: int) -> int:
    """Smallest length from `least` on that transforms fast."""
    return next_fast_len(least)


def spectrum(samples: NDArray[np.float64], length: int, *, workers: int = 1) -> NDArray[np.complex128]:
    """Half spectrum of real samples, padded with zeros or cut to `length`."""
    return rfft(samples, length, workers=workers)


def inverse_real(half: NDArray[np.complex128], length: int) -> NDArray[np.float64]:
    """Real samples of a half spectrum."""
    return irfft(half, length)


def inverse(whole: NDArray[np.complex128], length: int, *, workers: int = 1) -> NDArray[np.complex128]:
    """Complex samples of a spectrum, padded to `length`; the spectrum may be overwritten."""
    return ifft(whole, length, overwrite_x=True, workers=workers)


def inner(first: NDArray[np.float64], second: NDArray[np.float64]) -> float:
    """Sum of products along one axis.

    `np.dot` starts threads from 10,000 values on; waking them costs milliseconds while other work keeps the
    cores busy.
    """
    return float(np.einsum("i,i->", first, second))
