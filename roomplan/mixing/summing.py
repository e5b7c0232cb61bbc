"""Sums of components for all buses at once, each partial sum made once.

Conventions
-----------
Blocks are planar float32, `(components, 2, frames)`. A bus is built from smaller buses that are already there
(a print from its dry and its wet, the mix from prints), so the number of additions stays near the number of
buses. The order of additions depends on the buses alone: the same plan gives the same samples, whatever is
written and however many threads work.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from concurrent.futures import Executor

    from numpy.typing import NDArray

    from roomplan.mixing.buses import Bus

    Planar = NDArray[np.float32]

__all__ = ["BusMixer", "Term", "summing_order"]

SLICE = (
    16_384  # frames summed at a time: a stereo slice of float32 is 128 KiB, a few of them fit in the cache
)


@dataclass(frozen=True)
class Term:
    """One term of a sum: a component, or a bus built before, times a factor."""

    index: int
    is_bus: bool
    factor: float


def summing_order(buses: Sequence[Bus]) -> list[tuple[int, tuple[Term, ...]]]:
    """Buses from small to large, each as terms of components and of buses that stand before it.

    Parameters
    ----------
    buses : sequence of Bus

    Returns
    -------
    list of (bus, terms)
        Index of a bus and its terms; a bus without components has none.
    """
    order = sorted(range(len(buses)), key=lambda i: (len(buses[i].factors), i))
    built: list[tuple[int, frozenset[int]]] = []
    steps: list[tuple[int, tuple[Term, ...]]] = []
    for index in order:
        factors = buses[index].factors
        terms: list[Term] = []
        for factor in dict.fromkeys(factors.values()):
            left = {i for i, f in factors.items() if f == factor}
            for bus, members in sorted(built, key=lambda b: (-len(b[1]), b[0])):
                if len(members) > 1 and members <= left:
                    terms.append(Term(bus, is_bus=True, factor=factor))
                    left -= members
            terms.extend(Term(i, is_bus=False, factor=factor) for i in factors if i in left)
        steps.append((index, tuple(terms)))
        if all(f == 1.0 for f in factors.values()):
            built.append((index, frozenset(factors)))
    return steps


class BusMixer:
    """Sums a block into all buses, keeps their peaks, and interleaves those that are written.

    Parameters
    ----------
    buses : sequence of Bus
    written : iterable of int
        Buses whose samples `mix` returns.
    most_frames : int
        Longest block.
    workers : int
        Parts a block is cut into, one per thread.
    """

    def __init__(
        self, buses: Sequence[Bus], written: Iterable[int], *, most_frames: int, workers: int
    ) -> None:
        self._steps = summing_order(buses)
        self._workers = workers
        # two rows of samples per bus and thread; buses of one component at factor 1 are views and need none
        self._space = [np.empty((len(buses), 2, SLICE), np.float32) for _worker in range(workers)]
        self._peaks = np.zeros((workers, len(buses)))
        self._written = {bus: np.empty((most_frames, 2), np.float32) for bus in written}

    @property
    def peaks(self) -> NDArray[np.float64]:
        """Largest absolute sample of every bus so far, shape (buses,)."""
        return self._peaks.max(axis=0)

    def mix(self, block: Planar, pool: Executor) -> Mapping[int, Planar]:
        """Sum a block; return the written buses interleaved, (frames, 2), valid until the next call."""
        frames = block.shape[2]
        slices = -(-frames // SLICE)
        share = -(-slices // self._workers) * SLICE
        spans = [(w, w * share, min(frames, (w + 1) * share)) for w in range(self._workers)]
        list(pool.map(lambda span: self._span(block, *span), [span for span in spans if span[1] < span[2]]))
        return {bus: samples[:frames] for bus, samples in self._written.items()}

    def _span(self, block: Planar, worker: int, first: int, last: int) -> None:
        space, peaks = self._space[worker], self._peaks[worker]
        for start in range(first, last, SLICE):
            stop = min(start + SLICE, last)
            totals: dict[int, Planar] = {}
            for bus, terms in self._steps:
                total = self._sum(terms, block[:, :, start:stop], totals, space[bus, :, : stop - start])
                totals[bus] = total
                if terms:
                    peaks[bus] = max(peaks[bus], float(total.max()), -float(total.min()))
                if bus in self._written:
                    # column by column: assigning the transpose takes seven times as long
                    self._written[bus][start:stop, 0] = total[0]
                    self._written[bus][start:stop, 1] = total[1]

    @staticmethod
    def _sum(terms: tuple[Term, ...], part: Planar, totals: Mapping[int, Planar], into: Planar) -> Planar:
        if not terms:
            into[:] = 0.0
            return into
        parts = [totals[term.index] if term.is_bus else part[term.index] for term in terms]
        factors = [np.float32(term.factor) for term in terms]
        if len(parts) == 1:
            return parts[0] if factors[0] == 1.0 else np.multiply(parts[0], factors[0], out=into)
        if factors[0] == factors[1] == 1.0:
            np.add(parts[0], parts[1], out=into)
            following = 2
        else:
            np.multiply(parts[0], factors[0], out=into)
            following = 1
        for samples, factor in zip(parts[following:], factors[following:], strict=True):
            into += samples if factor == 1.0 else factor * samples
        return into
