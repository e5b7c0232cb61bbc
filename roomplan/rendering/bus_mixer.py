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
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from roomplan.loudness.true_peak import BLOCK_FRAMES, NEIGHBOURS, may_exceed, peaks_within

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from concurrent.futures import Executor

    from numpy.typing import NDArray

    from roomplan.session.buses import Bus

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
    """Buses from small to large, each as terms of components and of buses that are before it.

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


def _needed(
    steps: Sequence[tuple[int, tuple[Term, ...]]], wanted: set[int]
) -> list[tuple[int, tuple[Term, ...]]]:
    """Steps that lead to the wanted buses."""
    needed = set(wanted)
    for bus, terms in reversed(steps):
        if bus in needed:
            needed |= {term.index for term in terms if term.is_bus}
    return [(bus, terms) for bus, terms in steps if bus in needed]


# what a piece of the stream repeats of the one before: neighbours of blocks of the true peak, and the rest of
# a block
_REPEATED = (2 * NEIGHBOURS + 1) * BLOCK_FRAMES - 1


def _raised(totals: Sequence[Planar], found: NDArray[np.float64]) -> NDArray[np.float64]:
    """True peaks found so far, or larger ones in either channel of a piece of every bus."""
    return peaks_within(np.concatenate(totals), np.repeat(found, 2)).reshape(-1, 2).max(axis=1)


_NONE_KNOWN: Mapping[int, tuple[float, float]] = MappingProxyType({})


class BusMixer:
    """Sums a block into all buses, keeps their peaks and true peaks, and interleaves those that are written.

    Parameters
    ----------
    written : iterable of int
        Buses whose samples `mix` returns.
    most_frames : int
        Longest block.
    workers : int
        Parts a block is cut into, one per thread.
    known : mapping of int to (float, float)
        Buses whose peak and true peak are known: they are not looked for, and such a bus is summed only where
        it is written or part of another.
    """

    def __init__(
        self,
        buses: Sequence[Bus],
        written: Iterable[int],
        *,
        most_frames: int,
        workers: int,
        known: Mapping[int, tuple[float, float]] = _NONE_KNOWN,
    ) -> None:
        written = tuple(written)
        self._asked = [bus for bus in range(len(buses)) if bus not in known]
        self._steps = _needed(summing_order(buses), {*written, *self._asked})
        self._workers = workers
        # two rows of samples per bus and thread; buses of one component at factor 1 are views and need none
        space = (len(buses), 2, SLICE + _REPEATED)
        self._space = [np.empty(space, np.float32) for _worker in range(workers)]
        self._peaks = np.zeros((workers, len(buses)))
        self._true_peaks = np.zeros((workers, len(buses)))
        for bus, (peak, true_peak) in known.items():
            self._peaks[:, bus], self._true_peaks[:, bus] = peak, true_peak
        self._looked_at = frozenset(self._asked)
        self._frames = 0
        # the end of the components so far, silence at first: what the first piece of a block repeats
        self._repeated: Planar | None = None
        self._written = {bus: np.empty((most_frames, 2), np.float32) for bus in written}

    @property
    def peaks(self) -> NDArray[np.float64]:
        """Largest absolute sample of every bus so far, shape (buses,)."""
        return self._peaks.max(axis=0)

    @property
    def true_peaks(self) -> NDArray[np.float64]:
        """True peak of every bus as if the sound ended here, linear, shape (buses,)."""
        found = np.maximum(self._true_peaks.max(axis=0), self.peaks)
        if self._repeated is None:
            return found
        silence = np.zeros((*self._repeated.shape[:2], (2 * NEIGHBOURS + 1) * BLOCK_FRAMES), np.float32)
        ending = np.concatenate([self._repeated, silence], axis=2)[:, :, self._offset(self._frames) :]
        space = np.empty((len(found), *ending.shape[1:]), np.float32)
        totals: dict[int, Planar] = {}
        for bus, terms in self._steps:
            totals[bus] = self._sum(terms, ending, totals, space[bus])
        if self._asked:
            found[self._asked] = _raised([totals[bus] for bus in self._asked], found[self._asked])
        return found

    def mix(self, block: Planar, pool: Executor) -> Mapping[int, Planar]:
        """Sum a block; return the written buses interleaved, (frames, 2), valid until the next call."""
        frames = block.shape[2]
        if self._repeated is None:
            self._repeated = np.zeros((*block.shape[:2], _REPEATED), np.float32)
        slices = -(-frames // SLICE)
        share = -(-slices // self._workers) * SLICE
        spans = [(w, w * share, min(frames, (w + 1) * share)) for w in range(self._workers)]
        list(pool.map(lambda span: self._span(block, *span), [span for span in spans if span[1] < span[2]]))
        self._frames += frames
        ending = block[:, :, -_REPEATED:]
        kept = self._repeated[:, :, ending.shape[2] :]
        self._repeated = np.concatenate([kept, ending], axis=2)
        return {bus: samples[:frames] for bus, samples in self._written.items()}

    def _span(self, block: Planar, worker: int, first: int, last: int) -> None:
        space, peaks, true_peaks = self._space[worker], self._peaks[worker], self._true_peaks[worker]
        for start in range(first, last, SLICE):
            stop = min(start + SLICE, last)
            part, before = self._piece(block, start, stop)
            totals: dict[int, Planar] = {}
            loud: list[int] = []
            for bus, terms in self._steps:
                total = self._sum(terms, part, totals, space[bus, :, : part.shape[2]])
                totals[bus] = total
                if terms and bus in self._looked_at:
                    peak = max(float(total.max()), -float(total.min()))
                    peaks[bus] = max(peaks[bus], peak)
                    if may_exceed(peak, max(true_peaks[bus], peaks[bus])):
                        loud.append(bus)
                if bus in self._written:
                    # column by column: assigning the transpose takes seven times as long
                    self._written[bus][start:stop, 0] = total[0, before:]
                    self._written[bus][start:stop, 1] = total[1, before:]
            if loud:
                found = np.maximum(true_peaks[loud], peaks[loud])
                true_peaks[loud] = _raised([totals[bus] for bus in loud], found)

    def _piece(self, block: Planar, start: int, stop: int) -> tuple[Planar, int]:
        """Part of a block with what the true peak needs ahead of it, and how many frames that is."""
        before = _REPEATED - self._offset(self._frames + start)
        if start >= before:
            return block[:, :, start - before : stop], before
        repeated = self._repeated
        assert repeated is not None  # noqa: S101 - set by `mix`
        together = np.concatenate([repeated, block[:, :, :stop]], axis=2)
        return together[:, :, _REPEATED + start - before :], before

    @staticmethod
    def _offset(position: int) -> int:
        """Frames at the start of what is repeated ahead of a position that belong to no block of its own."""
        return BLOCK_FRAMES - 1 - position % BLOCK_FRAMES

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
