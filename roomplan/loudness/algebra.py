"""Loudness of any sum of components without forming the sum.

Conventions
-----------
A component is one signal at unit gain, a bus a sum of components with gains. For the K-weighted components
kᵢ and one 20 ms hop, Gᵢⱼ = Σ_channels w Σ_t kᵢ(t)·kⱼ(t); the hop's power in a bus with gains g is gᵀGg,
exactly, correlations included. Blocks are planar, ``(components, channels, frames)``.

Symbols: W the gains, (buses, components); G the cross powers of one hop, (components, components).

Sources
-------
ITU-R BS.1770-5, Annex 1: loudness is a mean of squares of linearly filtered channels.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from roomplan.errors import RoomplanError
from roomplan.loudness.hops import HOPS_PER_SECOND, HopCutter, HopTable, per_hop
from roomplan.loudness.lanes import WORTH_A_THREAD, Lanes
from roomplan.loudness.weighting import KFilter, validate_channel_weights, validate_sample_rate

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

__all__ = ["BusPowers"]

# Samples of one channel of all components filtered at a time: 0.8 MB in float64, so that the products find
# them in the core's own cache. Sixteen components at 48 kHz: 130 ms. Measured: half of it, or a second at a
# time, takes a quarter longer.
_PIECE_SAMPLES = 100_000

# Multiplications of one matrix product. Larger ones are spread over threads by common BLAS builds, and two
# lanes that both do so hold each other up: 40 components took six times as long. Hops are cut instead.
_PRODUCT_SIZE = 250_000
_SHORTEST_STRETCH = 32

# gᵀGg of components that cancel ends in rounding: a few 2.2e-16 of what went in. Below this share of the
# power of the components added in phase (−130 dB) the rest is rounding, not sound, and is called silence.
_CANCELLED = 1e-13


class BusPowers:
    """Weighted power per 20 ms hop of every bus and every component, from one pass over the components.

    Parameters
    ----------
    gains : array_like, shape (buses, components)
        Linear gains.
    sample_rate : int
        Hz; 8,000 to 192,000.
    channels : int
        Channels of every component.
    weights : array_like, shape (channels,), optional
        Power weights of the channels; needed for more than two.
    workers : int
        Threads; channels are worked on side by side, so more than `channels` are not used.

    Raises
    ------
    RoomplanError
        When the rate, the weights or the gains do not fit.

    Notes
    -----
    Memory: 8 bytes × hops × (buses + components), 50 hops a second. Every component is filtered once; one
    that has been silent so far, or has been for a second, costs nothing. Peaks are no quadratic form:
    they need the summed samples. Nothing is checked for finiteness; a NaN in any component spoils its hops in
    every bus, and `loudness_of_hops` says so.
    """

    def __init__(
        self,
        gains: ArrayLike,
        *,
        sample_rate: int,
        channels: int = 2,
        weights: ArrayLike | None = None,
        workers: int = 2,
    ) -> None:
        validate_sample_rate(sample_rate)
        matrix = np.array(gains, dtype=np.float64)
        if matrix.ndim != 2 or not np.all(np.isfinite(matrix)):
            raise RoomplanError(
                f"bus gains of shape {matrix.shape} cannot be used",
                remedy="give finite gains of shape (buses, components)",
            )
        self._buses, self._components = matrix.shape
        self._channels = [
            _ChannelPowers(matrix, sample_rate, index, weight)
            for index, weight in enumerate(validate_channel_weights(channels, weights))
        ]
        self._table = HopTable(self._buses + self._components)
        self._lanes = Lanes(min(workers, channels))
        self._finished = False

    def feed(self, components: NDArray[np.floating]) -> None:
        """Add the next block of every component.

        Parameters
        ----------
        components : ndarray, shape (components, channels, frames)
            Any float type; may be empty. Large blocks (a second and more) are fastest.

        Raises
        ------
        ValueError
            When the shape does not fit, or after `finish`.
        """
        if self._finished:
            raise ValueError("fed after finish()")
        expected = (self._components, len(self._channels))
        if components.ndim != 3 or components.shape[:2] != expected:
            raise ValueError(f"block of shape {components.shape}, expected {(*expected, 'frames')}")
        lanes = self._lanes if components.size >= WORTH_A_THREAD else Lanes(1)
        parts = lanes.map(lambda channel: channel.feed(components), self._channels)
        self._table.append(sum(parts[1:], start=parts[0]))

    def finish(self) -> None:
        """End the stream: an incomplete last hop is dropped, threads and filters are let go."""
        self._finished = True
        self._channels = []
        self._lanes.close()

    def sums(self, bus: int) -> NDArray[np.float64]:
        """Weighted power of one bus for every complete hop so far.

        Parameters
        ----------
        bus : int
            Row of `gains`.

        Returns
        -------
        ndarray, shape (hops,)
            For `loudness_of_hops`. Components that cancel to less than −130 dB give 0.
        """
        return self._table.row(range(self._buses)[bus])

    def component_sums(self, component: int) -> NDArray[np.float64]:
        """Weighted power of one component at unit gain for every complete hop so far.

        Parameters
        ----------
        component : int
            Column of `gains`.

        Returns
        -------
        ndarray, shape (hops,)
        """
        return self._table.row(self._buses + range(self._components)[component])


class _ChannelPowers:
    """Filter, cross powers and their projections of one channel of every component."""

    def __init__(self, gains: NDArray[np.float64], sample_rate: int, index: int, weight: float) -> None:
        self._gains = gains
        self._index = index
        self._weight = weight
        self._filter = KFilter(sample_rate, gains.shape[1])
        hops = _PIECE_SAMPLES * HOPS_PER_SECOND // (max(1, gains.shape[1]) * sample_rate)
        self._cutter = HopCutter(sample_rate, hops_per_piece=min(max(1, hops), HOPS_PER_SECOND))

    def feed(self, components: NDArray[np.floating]) -> NDArray[np.float64]:
        """Add one block, (components, channels, frames), and return its (buses + components, hops)."""
        buses, count = self._gains.shape
        parts = [np.empty((buses + count, 0))]
        for piece, edges in self._cutter.cut(components[:, self._index]):
            part = np.zeros((buses + count, len(edges) - 1))
            rows = self._filter.awake(piece)
            if rows.size and self._weight > 0.0:
                cross = _cross_powers(self._filter(piece, rows), edges)
                own = np.einsum("hii->ih", cross)
                part[:buses] = self._project(rows, cross, own)
                part[buses + rows] = own
                part *= self._weight
            parts.append(part)
        return np.concatenate(parts, axis=1)

    def _project(
        self, rows: NDArray[np.intp], cross: NDArray[np.float64], own: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """diag(W G Wᵀ) of every hop, shape (buses, hops), for the components `rows`."""
        gains = self._gains[:, rows]
        powers = np.einsum("hbc,bc->bh", gains @ cross, gains)
        in_phase = (np.abs(gains) @ np.sqrt(own)) ** 2
        powers[powers < _CANCELLED * in_phase] = 0.0
        return powers


def _cross_powers(weighted: NDArray[np.float64], edges: Sequence[int]) -> NDArray[np.float64]:
    """G of every hop, shape (hops, components, components), of a piece of whole hops."""
    hops = per_hop(weighted, edges)
    if hops is not None:
        return _gram(hops)
    return np.concatenate([_gram(weighted[None, :, i:j]) for i, j in pairwise(edges)])


def _gram(hops: NDArray[np.float64]) -> NDArray[np.float64]:
    """Products of all rows with all rows, shape (hops, rows, rows), from (hops, rows, frames)."""
    rows, frames = hops.shape[1:]
    stretch = max(_SHORTEST_STRETCH, _PRODUCT_SIZE // rows**2)
    total = hops[..., :stretch] @ hops[..., :stretch].transpose(0, 2, 1)
    for start in range(stretch, frames, stretch):
        part = hops[..., start : start + stretch]
        total += part @ part.transpose(0, 2, 1)
    return total
