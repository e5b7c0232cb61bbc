"""The factor of cross powers, rounded as it is kept, and the power of buses from it.

Conventions
-----------
G, the cross powers of one hop, and its pairs are those of `cross_powers`; U is its factor, upper triangular,
G = UᵀU, in the places of the upper triangle, in float32. The power of a bus with gains g is |U g|². Hops are
factorised and projected in blocks that begin at multiples of `BLOCK_HOPS`, and always in the same order of
operations: a bus has the same powers to the last bit while sound is metered and when its file is read.

Sources
-------
The factor is that of Cholesky, without pivoting, for matrices that may be singular (textbook knowledge).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from roomplan.errors import RoomplanError

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "BLOCK_HOPS",
    "STORED",
    "BusProjection",
    "Factoriser",
    "component_amplitudes",
    "components_of",
    "count_pairs",
]

STORED = np.dtype("<f4")

# Hops factorised and projected at a time: with 16 components 1.1 MB. A quarter of it takes a third longer.
BLOCK_HOPS = 1024

# Multiplications of one matrix product. Larger products are spread over threads by common BLAS builds, whose
# waking takes longer than the product (measured: 5 ms become 150).
_PRODUCT_SIZE = 250_000
_SHORTEST_STRETCH = 32

# What is left of a component after those before it are taken out: below this share of its power (−140 dB) it
# is the rounding of Gᵢᵢ, a few 1e-15 of it, and the component is a copy of them.
_COPY = 1e-14

# Power above which the amplitude has no place in float32; no sound comes near it, so it counts as NaN.
_TOO_LARGE = 1e76

# As in `algebra`: below this share of the power of the components added in phase, the rest is rounding.
_CANCELLED = 1e-13


def count_pairs(components: int) -> int:
    """Pairs of `components` components, each with itself included.

    Returns
    -------
    int
        n(n+1)/2.
    """
    return components * (components + 1) // 2


class Factoriser:
    """Turns cross powers into rows of the rounded factor, block by block, in bounded memory.

    Parameters
    ----------
    deliver : callable
        Gets the factor of each block, shape (hops, pairs), `STORED`; all but the last have `BLOCK_HOPS` hops.
    """

    def __init__(self, components: int, deliver: Callable[[NDArray[np.float32]], None]) -> None:
        self.components = components
        self._deliver = deliver
        self._waiting = np.empty((count_pairs(components), BLOCK_HOPS))
        self._waits = 0  # hops of `_waiting` in use

    def append(self, cross: NDArray[np.float64]) -> None:
        """Add hops.

        Parameters
        ----------
        cross : ndarray, shape (hops, pairs)
            Upper triangle of G. A hop with any value that is not finite becomes NaN in all pairs.

        Raises
        ------
        ValueError
            When the shape does not fit.
        """
        pairs = len(self._waiting)
        if cross.ndim != 2 or cross.shape[1] != pairs:
            raise ValueError(f"cross powers of shape {cross.shape}, expected (hops, {pairs})")
        done = 0
        while done < len(cross):
            count = min(BLOCK_HOPS - self._waits, len(cross) - done)
            self._waiting[:, self._waits : self._waits + count] = cross[done : done + count].T
            self._waits += count
            done += count
            if self._waits == BLOCK_HOPS:
                self.finish()

    def finish(self) -> None:
        """Deliver the hops that wait."""
        hops, self._waits = self._waits, 0
        if hops:
            factor = _factorised(self._waiting[:, :hops], self.components)
            self._deliver(np.ascontiguousarray(factor.T.astype(STORED)))


class BusProjection:
    """Powers of buses from blocks of the factor.

    Parameters
    ----------
    gains : array_like, shape (buses, components)
        Linear gains.

    Raises
    ------
    RoomplanError
        When the gains do not fit or are not finite.
    """

    def __init__(self, gains: ArrayLike, components: int) -> None:
        matrix = np.asarray(gains, dtype=np.float64)
        if matrix.ndim != 2 or matrix.shape[1] != components or not np.isfinite(matrix).all():
            raise RoomplanError(
                f"bus gains of shape {matrix.shape} cannot be used",
                remedy=f"give finite gains of shape (buses, {components})",
            )
        self.buses = len(matrix)
        self._starts = _row_starts(components)
        self._below = [np.ascontiguousarray(matrix[:, row:].T) for row in range(components)]
        self._every = math.sqrt(_CANCELLED) * np.abs(matrix.T)
        stretch = min(BLOCK_HOPS, _PRODUCT_SIZE // max(1, self.buses * components))
        self._stretch = max(_SHORTEST_STRETCH, 1 << max(0, stretch.bit_length() - 1))  # divides a block
        self._amplitudes = np.empty((self._stretch, self.buses))
        self._rows = np.empty((self._stretch, self._starts[-1]))

    def powers(self, factor: NDArray[np.float32], own: NDArray[np.float64], out: NDArray[np.float64]) -> None:
        """Write |U g|² of every hop and bus into `out`; 0 where components cancel to less than −130 dB.

        Parameters
        ----------
        factor : ndarray, shape (hops, pairs)
            Hops from a multiple of `BLOCK_HOPS` on.
        own : ndarray, shape (hops, components)
            Its `component_amplitudes`.
        out : ndarray, shape (hops, buses)
        """
        out[:] = 0.0
        for start in range(0, len(factor), self._stretch):
            power = out[start : start + self._stretch]
            amplitude, part = self._amplitudes[: len(power)], self._rows[: len(power)]
            part[:] = factor[start : start + self._stretch]
            for row, gain in enumerate(self._below):
                np.matmul(part[:, self._starts[row] : self._starts[row + 1]], gain, out=amplitude)
                np.multiply(amplitude, amplitude, out=amplitude)
                np.add(power, amplitude, out=power)
            np.matmul(own[start : start + self._stretch], self._every, out=amplitude)
            np.multiply(amplitude, amplitude, out=amplitude)
            power[power < amplitude] = 0.0


def component_amplitudes(factor: NDArray[np.float32], components: int) -> NDArray[np.float64]:
    """√Gᵢᵢ, the length of column i of U, of every hop.

    Parameters
    ----------
    factor : ndarray, shape (hops, pairs)

    Returns
    -------
    ndarray, shape (hops, components)
    """
    starts = _row_starts(components)
    own = np.zeros((len(factor), components))
    for start in range(0, len(factor), BLOCK_HOPS):
        squares = factor[start : start + BLOCK_HOPS].astype(np.float64)
        squares *= squares
        for row in range(components):
            own[start : start + BLOCK_HOPS, row:] += squares[:, starts[row] : starts[row + 1]]
    return np.sqrt(own, out=own)


def components_of(pairs: int) -> int:
    """Number of components that have so many pairs, or less than so many when no number has."""
    return (math.isqrt(8 * pairs + 1) - 1) // 2


def _row_starts(components: int) -> list[int]:
    """Where the rows of the upper triangle begin, and the end of the last."""
    return [row * components - row * (row - 1) // 2 for row in range(components + 1)]


def _factorised(cross: NDArray[np.float64], components: int) -> NDArray[np.float64]:
    """U of every hop from the upper triangle of G = UᵀU, both of shape (pairs, hops).

    Hop by hop the same operations in the same order, so nothing depends on which hops stand together.
    """
    starts = _row_starts(components)
    rest = np.array(cross)  # a copy, contiguous along the hops; what is left of G when the rows above are out
    bad = ~(np.abs(rest) < _TOO_LARGE).all(axis=0)
    rest[:, bad] = 0.0
    own = rest[starts[:-1]]  # a copy: the diagonal
    for row in range(components):
        whole = rest[starts[row] : starts[row + 1]]
        present = whole[0] > _COPY * own[row]
        # The root of what is no rounding, and 1 elsewhere: rows of copies become zero, not noise.
        whole /= np.sqrt(np.where(present, whole[0], 1.0))
        whole[:, ~present] = 0.0
        for below in range(row + 1, components):
            shared = whole[below - row :]
            rest[starts[below] : starts[below + 1]] -= shared[0] * shared
    rest[:, bad] = np.nan
    return rest
