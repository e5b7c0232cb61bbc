"""A recursive filter over a stream of planar blocks: what K-weighting and the speech band share.

Conventions
-----------
Sound is planar, ``(channels, frames)``. A stage is the polynomials (b, a) in z⁻¹ of scipy's `lfilter`; stages
run one after the other.

Measured
--------
One fourth-order `lfilter` for each channel is the quickest way to the result: `sosfilt` is slower, two
channels as a complex pair gain nothing, a blocked state-space form loses precision.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomplan.scipy_kernels import lfilter

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Stage = tuple[NDArray[np.float64], NDArray[np.float64]]

__all__ = ["StreamFilter"]

# Filter memory below this amplitude (−600 dBFS) is set to zero once a second. The slow poles decay by
# exp(−240 t), so three seconds after a sound has stopped the memory would be denormal numbers, which
# most processors handle a hundred times slower; 1e-30 squared is far below the last bit of any sum.
_FORGOTTEN = 1e-30


class StreamFilter:
    """Stages over a stream; the memory of every channel is kept between calls.

    Parameters
    ----------
    stages : sequence of (b, a)
        All of one order.
    sample_rate : int
        Hz.
    channels : int
        Rows of every block.

    Notes
    -----
    The output does not depend on where the stream is cut, to the last bit: the recursion runs sample by
    sample, and forgotten memory is cleared once a second of filtered sound only. Nothing is checked for
    finiteness: a NaN poisons its row for good, which the readers of the sums report.
    """

    def __init__(self, stages: Sequence[Stage], *, sample_rate: int, channels: int) -> None:
        self._stages = tuple(stages)
        self._memory = np.zeros((len(self._stages), channels, self._stages[0][1].size - 1))
        self._second = sample_rate
        self._until_second = sample_rate  # frames left in the running second of the stream

    def awake(self, planar: NDArray[np.floating]) -> NDArray[np.intp]:
        """Rows whose output over this block is not all zero: they hold a sound, or still ring.

        Parameters
        ----------
        planar : ndarray, shape (channels, frames)
            The block that is about to be filtered.

        Returns
        -------
        ndarray of int
            Ascending row numbers.
        """
        ringing = np.asarray(self._memory.any(axis=(0, 2)))
        for row in np.flatnonzero(~ringing):
            ringing[row] = planar[row].any()
        return np.flatnonzero(ringing)

    def __call__(
        self, planar: NDArray[np.floating], rows: NDArray[np.intp] | None = None
    ) -> NDArray[np.float64]:
        """Filter one block.

        Parameters
        ----------
        planar : ndarray, shape (channels, frames)
            Any float type.
        rows : ndarray of int, optional
            Filter these rows only, as found by `awake`; the others are skipped.

        Returns
        -------
        ndarray, shape (channels or len(rows), frames)
            Filtered sound.
        """
        every = rows is None or rows.size == self._memory.shape[1]
        sound = planar if every else planar[rows]
        memory: NDArray[np.float64] = self._memory if every else self._memory[:, rows]
        parts: list[NDArray[np.float64]] = []
        start, frames = 0, planar.shape[1]
        while start < frames:
            stop = min(frames, start + self._until_second)
            # float64 before lfilter: left to convert float32 itself, it takes nearly twice as long
            part = sound[:, start:stop].astype(np.float64, copy=False)
            for stage, (b, a) in enumerate(self._stages):
                part, memory[stage] = lfilter(b, a, part, zi=memory[stage])
            parts.append(part)
            self._until_second -= stop - start
            if self._until_second == 0:
                self._until_second = self._second
                memory[:, np.all(np.abs(memory) < _FORGOTTEN, axis=(0, 2))] = 0.0
            start = stop
        if not every:
            self._memory[:, rows] = memory
        if len(parts) == 1:
            return parts[0]
        return np.concatenate(parts, axis=1) if parts else np.empty((memory.shape[1], 0))
