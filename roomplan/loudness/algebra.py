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

from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from roomplan.errors import RoomplanError
from roomplan.loudness.factors import count_pairs
from roomplan.loudness.hops import HOPS_PER_SECOND, HopCutter, HopTable, per_hop
from roomplan.loudness.lanes import Lanes
from roomplan.loudness.weighting import KFilter, validate_channel_weights, validate_sample_rate

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from roomplan.loudness.cross_powers import CrossPowerWriter
    from roomplan.loudness.rounded_powers import RoundedPowers
    from roomplan.loudness.speech_band import SpeechBandFilter

__all__ = ["BusPowers", "CrossPowerMeter"]

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
    keep : CrossPowerWriter, optional
        Gets the cross powers of all pairs as they come, so that buses nobody has thought of yet need no
        second pass. Finishing it is left to the caller.
    weighting : type
        Filter over the stream: `KFilter` for loudness, `SpeechBandFilter` for the speech band.

    Raises
    ------
    RoomplanError
        When the rate, the weights or the gains do not fit.
    ValueError
        When `keep` was made for another number of components.

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
        keep: CrossPowerWriter | None = None,
        weighting: type[KFilter | SpeechBandFilter] = KFilter,
    ) -> None:
        matrix = np.array(gains, dtype=np.float64)
        if matrix.ndim != 2 or not np.all(np.isfinite(matrix)):
            raise RoomplanError(
                f"bus gains of shape {matrix.shape} cannot be used",
                remedy="give finite gains of shape (buses, components)",
            )
        self._buses, self._components = matrix.shape
        if keep is not None and keep.components != self._components:
            raise ValueError(f"a writer for {keep.components} components, gains for {self._components}")
        self._keep = keep
        pairs = 0 if keep is None else count_pairs(self._components)
        self._stream = _Stream(matrix, sample_rate, channels, weights, workers, pairs, weighting)
        self._table = HopTable(self._buses + self._components)

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
        total = self._stream.feed(components)
        rows = self._buses + self._components
        self._table.append(total[:rows])
        if self._keep is not None:
            self._keep.append(total[rows:].T)

    def finish(self) -> None:
        """End the stream: an incomplete last hop is dropped, threads and filters are let go."""
        self._stream.finish()

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


class CrossPowerMeter:
    """Cross powers of all pairs of components per 20 ms hop, handed on as they come; nothing grows here.

    Parameters
    ----------
    keep : RoundedPowers
        Gets the cross powers, and says of how many components. Finishing it is left to the caller.
    sample_rate, workers, weighting
        As in `BusPowers`; components have two channels.
    """

    def __init__(
        self,
        keep: RoundedPowers,
        *,
        sample_rate: int,
        workers: int = 2,
        weighting: type[KFilter | SpeechBandFilter] = KFilter,
    ) -> None:
        self._keep = keep
        no_buses, pairs = np.empty((0, keep.components)), count_pairs(keep.components)
        self._stream = _Stream(no_buses, sample_rate, 2, None, workers, pairs, weighting)

    def feed(self, components: NDArray[np.floating]) -> None:
        """Add the next block of every component, as `BusPowers.feed`."""
        self._keep.append(self._stream.feed(components)[self._keep.components :].T)

    def finish(self) -> None:
        """End the stream, as `BusPowers.finish`."""
        self._stream.finish()


class _Stream:
    """All channels of all components, worked on side by side."""

    def __init__(
        self,
        gains: NDArray[np.float64],
        sample_rate: int,
        channels: int,
        weights: ArrayLike | None,
        workers: int,
        pairs: int,
        weighting: type[KFilter | SpeechBandFilter],
    ) -> None:
        validate_sample_rate(sample_rate)
        self._components = gains.shape[1]
        self._channels = [
            _ChannelPowers(gains, weighting(sample_rate, self._components), index, weight, sample_rate, pairs)
            for index, weight in enumerate(validate_channel_weights(channels, weights))
        ]
        self._lanes = Lanes(min(workers, channels))
        self._finished = False

    def feed(self, components: NDArray[np.floating]) -> NDArray[np.float64]:
        """Add a block, (components, channels, frames), and return its (buses + components + pairs, hops)."""
        if self._finished:
            raise ValueError("fed after finish()")
        expected = (self._components, len(self._channels))
        if components.ndim != 3 or components.shape[:2] != expected:
            raise ValueError(f"block of shape {components.shape}, expected {(*expected, 'frames')}")
        lanes = self._lanes.worth(components.size)
        parts = lanes.map(lambda channel: channel.feed(components), self._channels)
        return sum(parts[1:], start=parts[0])

    def finish(self) -> None:
        self._finished = True
        self._channels = []
        self._lanes.close()


class _ChannelPowers:
    """Filter, cross powers and their projections of one channel of every component.

    The upper triangle of the cross powers is handed on beside the projections when `pairs` has room for it.
    """

    def __init__(
        self,
        gains: NDArray[np.float64],
        weighting: KFilter | SpeechBandFilter,
        index: int,
        weight: float,
        sample_rate: int,
        pairs: int,
    ) -> None:
        self._gains = gains
        self._index = index
        self._weight = weight
        self._pairs = pairs
        self._filter = weighting
        hops = _PIECE_SAMPLES * HOPS_PER_SECOND // (max(1, gains.shape[1]) * sample_rate)
        self._cutter = HopCutter(sample_rate, hops_per_piece=min(max(1, hops), HOPS_PER_SECOND))

    def feed(self, components: NDArray[np.floating]) -> NDArray[np.float64]:
        """Add a block, (components, channels, frames), and return its (buses + components + pairs, hops)."""
        # pieces one after the other in which the same components sound: many short operations become few
        runs: list[tuple[NDArray[np.intp], list[NDArray[np.float64]]]] = []
        for piece, edges in self._cutter.cut(components[:, self._index]):
            rows = self._filter.awake(piece) if self._weight > 0.0 else np.empty(0, np.intp)
            cross = np.empty((len(edges) - 1, 0, 0))
            if rows.size:
                cross = _cross_powers(self._filter(piece, rows), edges)
            if not runs or not np.array_equal(runs[-1][0], rows):
                runs.append((rows, []))
            runs[-1][1].append(cross)
        none = np.empty((sum(self._gains.shape) + self._pairs, 0))
        return np.concatenate(
            [none, *(self._of_run(rows, np.concatenate(run)) for rows, run in runs)], axis=1
        )

    def _of_run(self, rows: NDArray[np.intp], cross: NDArray[np.float64]) -> NDArray[np.float64]:
        """(buses + components + pairs, hops) of hops in which the components `rows` sound."""
        buses, count = self._gains.shape
        part = np.zeros((buses + count + self._pairs, len(cross)))
        if rows.size:
            own = np.einsum("hii->ih", cross)
            part[:buses] = self._project(rows, cross, own)
            part[buses + rows] = own
            if self._pairs:
                first, second = _triangle(rows.size)
                place = buses + count + _pair_number(rows[first], rows[second], count)
                part[place] = cross[:, first, second].T
            part *= self._weight
        return part

    def _project(
        self, rows: NDArray[np.intp], cross: NDArray[np.float64], own: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """diag(W G Wᵀ) of every hop, shape (buses, hops), for the components `rows`."""
        gains = self._gains[:, rows]
        powers = np.einsum("hbc,bc->bh", gains @ cross, gains)
        in_phase = (np.abs(gains) @ np.sqrt(own)) ** 2
        powers[powers < _CANCELLED * in_phase] = 0.0
        return powers


@lru_cache(maxsize=16)
def _triangle(size: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns of an upper triangle; asked for once per piece, and slower to make than to use."""
    return np.triu_indices(size)


def _pair_number(first: NDArray[np.intp], second: NDArray[np.intp], components: int) -> NDArray[np.intp]:
    """Place of the pairs first ≤ second in the upper triangle, row by row."""
    return first * components - first * (first - 1) // 2 + second - first


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
