"""The real Fourier transform the engine uses: two passes of short transforms instead of one long one.

Conventions
-----------
N real samples are laid out row by row as a (rows, columns) array, N = rows · columns, rows even. With
n = columns·n₁ + n₂ and k = k₁ + rows·k₂ the transform X[k] = Σ x[n] exp(−2πi·kn/N) splits into

1. a real transform of length `rows` down every column (k₁ = 0 … rows/2: the rest is redundant),
2. a multiplication by the twiddle factors exp(−2πi·k₁n₂/N),
3. a complex transform of length `columns` along every row.

This is the "four-step" order of W. M. Gentleman and G. Sande, "Fast Fourier transforms: for fun and
profit", AFIPS Fall Joint Computer Conference 1966, without the final transposition: spectrum element
[k₁, k₂] is X[k₁ + rows·k₂], an order that is as good as any other for a product of two spectra.

Why not one `rfft` of length N: many short transforms stay in the first caches and are computed
four (or eight) at a time with vector instructions, one long transform does neither. Measured: half the
time of the single transform at N = 864,000, at the same rounding error.

The inverse is unscaled: inverse(forward(x)) = N·x. Whoever holds the constant factor of a product (here:
the response) carries the 1/N, once.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from roomplan.scipy_kernels import fft, ifft, irfft, next_fast_len, rfft

__all__ = ["RealTransform", "transform_shape"]

# Row counts pocketfft does well: even, factors 2, 3 and 5 only, at most a third apart. The ceiling keeps a
# column (rows × one 64-byte cache line) inside a 32 KiB first-level cache.
_ROW_COUNTS = (2, 4, 8, 12, 16, 24, 32, 48, 64, 96, 120, 144, 192, 240, 256, 320, 360, 400, 432, 480, 512)

# rows ≈ 0.4 √N: the flat bottom of the measured times for N = 60,000 … 6,000,000 (a real column transform
# costs half a complex row transform, and rows are contiguous, so the columns want to be the shorter side).
_ROWS_PER_ROOT = 0.4

# Rows a multiple of 4 KiB apart (1024 float32 samples) fall into the same lines of a first-level cache: a
# column of them evicts itself. Measured: a third to a half more time.
_ALIASING_COLUMNS = 1024


def transform_shape(minimum: int) -> tuple[int, int]:
    """Rows and columns of the transform to use for at least `minimum` samples.

    Parameters
    ----------
    minimum : int
        Samples the transform must hold, 1 or more.

    Returns
    -------
    tuple of int
        (rows, columns), rows even, rows · columns ≥ minimum, by 3 % on average and 10 % at most when
        `minimum` is above 10,000.
    """
    target = _ROWS_PER_ROOT * math.sqrt(minimum)
    rows = min(_ROW_COUNTS, key=lambda count: abs(math.log(count / target)))
    # products of 2, 3 and 5: factors 7 and 11 cost more (a fifth) than the shorter length saves
    columns = next_fast_len(-(-minimum // rows))
    if columns % _ALIASING_COLUMNS == 0:
        columns = next_fast_len(columns + 1)
    return rows, columns


def _twiddle_factors(rows: int, columns: int) -> np.ndarray:
    """exp(−2πi·k₁n₂/N) as (rows/2 + 1, columns), complex128.

    Built from two short tables, n₂ = step·a + b: √columns times fewer calls of exp, one more rounding of
    1e-16.
    """
    k = np.arange(rows // 2 + 1)[:, np.newaxis]
    step = math.isqrt(columns - 1) + 1
    unit = -2j * np.pi / (rows * columns)
    coarse = np.exp(unit * (k * (step * np.arange(-(-columns // step)))))
    fine = np.exp(unit * (k * np.arange(step)))
    product = coarse[:, :, np.newaxis] * fine[:, np.newaxis, :]
    return np.ascontiguousarray(product.reshape(len(k), -1)[:, :columns])


@dataclass(frozen=True)
class RealTransform:
    """Forward and inverse transform of one shape in one precision; safe to use from several threads.

    Attributes
    ----------
    rows, columns : int
        The layout, see the module's conventions.
    twiddles : ndarray, shape (rows/2 + 1, columns)
        The factors of the forward transform, complex64 or complex128.
    """

    rows: int
    columns: int
    twiddles: np.ndarray

    @classmethod
    def of_shape(cls, shape: tuple[int, int], *, dtype: np.dtype) -> RealTransform:
        """Build the transform for `shape` = (rows, columns) and samples of `dtype` (float32 or float64)."""
        return cls(*shape, _twiddle_factors(*shape)).in_precision(dtype)

    def in_precision(self, dtype: np.dtype) -> RealTransform:
        """Return the same transform for samples of `dtype`, itself where that is so already."""
        kind = np.result_type(dtype, np.complex64)
        return self if kind == self.twiddles.dtype else replace(self, twiddles=self.twiddles.astype(kind))

    @cached_property
    def untwiddles(self) -> np.ndarray:
        """Conjugates of the twiddle factors; made when first needed, the response's only goes forward."""
        return self.twiddles.conj()

    @property
    def dtype(self) -> np.dtype:
        """Of the samples."""
        return np.dtype(np.float64 if self.twiddles.dtype == np.complex128 else np.float32)

    @property
    def length(self) -> int:
        """N, the samples of one transform."""
        return self.rows * self.columns

    def forward(self, samples: np.ndarray) -> np.ndarray:
        """Spectrum (rows/2 + 1, columns) of `samples` (length,), in the order of the module's conventions."""
        spectrum = rfft(samples.reshape(self.rows, self.columns), axis=0)
        spectrum *= self.twiddles
        return fft(spectrum, axis=1, overwrite_x=True)

    def inverse(self, spectrum: np.ndarray) -> np.ndarray:
        """N times the samples (length,) of `spectrum`, which is used as work space and destroyed."""
        # norm="forward" leaves the inverse unscaled: it saves two passes over the data.
        half = ifft(spectrum, axis=1, norm="forward", overwrite_x=True)
        half *= self.untwiddles
        return irfft(half, self.rows, axis=0, norm="forward").reshape(-1)
