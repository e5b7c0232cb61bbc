"""The 20 ms grid every loudness figure is built on, and streams cut along it.

Conventions
-----------
A hop is 20 ms: 50 a second. Hop k begins at frame round(k · fs / 50), halves rounded up, in integer
arithmetic, so that rates without a whole number of frames in 20 ms (11,025 Hz) do not drift: fifty hops are
exactly one second at every rate. Blocks of 400 ms are 20 hops, their 100 ms step is 5 hops, short-term
windows of 3 s are 150 hops. Sound is planar, ``(channels, frames)``.

Sources
-------
ITU-R BS.1770-5, Annex 1 (400 ms blocks, 75 % overlap); EBU Tech 3341 (momentary 400 ms,
short-term 3 s). The step of 20 ms: cases 13 and 14 of Tech 3341 shift their bursts by 20 ms, and a meter
with a step of 100 ms reads case 13 up to 0.45 LU low.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from roomplan.loudness.weighting import validate_channel_weights, validate_sample_rate

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import ArrayLike, NDArray

__all__ = ["HOPS_PER_SECOND", "HopCutter", "HopSums", "HopTable", "hop_start", "hop_starts", "per_hop"]

_Float = TypeVar("_Float", bound=np.floating)

HOPS_PER_SECOND = 50


def hop_start(k: int, sample_rate: int) -> int:
    """First frame of hop `k`: round(k · sample_rate / 50), halves rounded up.

    Parameters
    ----------
    k : int
        Hop number, from 0.
    sample_rate : int
        Hz.
    """
    return (2 * k * sample_rate + HOPS_PER_SECOND) // (2 * HOPS_PER_SECOND)


def hop_starts(count: int, sample_rate: int) -> NDArray[np.int64]:
    """First frames of the hops 0 … count: `count` hops and the end of the last.

    Parameters
    ----------
    count : int
        Number of hops.
    sample_rate : int
        Hz.

    Returns
    -------
    ndarray of int64, shape (count + 1,)
    """
    hops = np.arange(count + 1, dtype=np.int64)
    return (2 * hops * sample_rate + HOPS_PER_SECOND) // (2 * HOPS_PER_SECOND)


def per_hop(piece: NDArray[_Float], edges: Sequence[int]) -> NDArray[_Float] | None:
    """View of a piece as ``(hops, channels, frames of one hop)``, or None when its hops differ in length.

    Parameters
    ----------
    piece : ndarray, shape (channels, frames)
        Whole hops.
    edges : sequence of int, one more than hops
        Where they begin and end in the piece; the first is 0.
    """
    hops, length = len(edges) - 1, edges[1]
    if any(edge != k * length for k, edge in enumerate(edges)):
        return None
    return piece.reshape(len(piece), hops, length).transpose(1, 0, 2)


class HopCutter:
    """Cuts a stream of planar blocks, however they come, into pieces of whole hops.

    Parameters
    ----------
    sample_rate : int
        Hz.
    hops_per_piece : int
        Longest piece. Short pieces stay in the processor's cache from one step to the next.

    Notes
    -----
    Pieces are views of the block wherever a hop lies in one block; the rest of a block, less than a hop, is
    copied and waits for the next. What waits at the end of the stream is an incomplete hop: nobody asks
    for it, as BS.1770 drops incomplete blocks.
    """

    def __init__(self, sample_rate: int, *, hops_per_piece: int = HOPS_PER_SECOND) -> None:
        self._sample_rate = sample_rate
        self._hops_per_piece = hops_per_piece
        self._hop = 0  # hops cut so far
        self._waiting: NDArray[np.floating] | None = None

    def cut(self, block: NDArray[np.floating]) -> Iterator[tuple[NDArray[np.floating], Sequence[int]]]:
        """Cut the next block of the stream.

        Parameters
        ----------
        block : ndarray, shape (channels, frames)
            May be empty.

        Yields
        ------
        piece : ndarray, shape (channels, frames of the piece)
            Whole hops.
        edges : sequence of int, one more than hops
            Where the hops begin and end in the piece; the first is 0.
        """
        used = 0
        if self._waiting is not None:
            wanted = self._frames_to(self._hop + 1) - self._waiting.shape[1]
            head = block[:, :wanted]
            joined = np.concatenate((self._waiting, head), axis=1)
            if head.shape[1] < wanted:
                self._waiting = joined
                return
            self._waiting = None
            self._hop += 1
            used = wanted
            yield joined, (0, joined.shape[1])
        left = block.shape[1] - used
        while left >= self._frames_to(self._hop + 1):
            hops = self._hops_per_piece
            while self._frames_to(self._hop + hops) > left:
                hops = min(hops - 1, left * HOPS_PER_SECOND // self._sample_rate + 1)
            first = hop_start(self._hop, self._sample_rate)
            edges = [hop_start(self._hop + k, self._sample_rate) - first for k in range(hops + 1)]
            self._hop += hops
            length = edges[-1]
            yield block[:, used : used + length], edges
            used += length
            left -= length
        if left:
            self._waiting = block[:, used:].copy()

    def _frames_to(self, hop: int) -> int:
        """Frames from the next uncut frame to the start of `hop`."""
        return hop_start(hop, self._sample_rate) - hop_start(self._hop, self._sample_rate)


class HopTable:
    """Rows of float64 that grow hop by hop: 8 bytes per row and hop, nothing more.

    Parameters
    ----------
    rows : int
        Number of rows.
    """

    _CHUNK = 60 * HOPS_PER_SECOND  # a minute: few enough chunks, little unused space

    def __init__(self, rows: int) -> None:
        self._rows = rows
        self._chunks: list[NDArray[np.float64]] = []
        self.hops = 0

    def append(self, values: NDArray[np.float64]) -> None:
        """Add hops at the end.

        Parameters
        ----------
        values : ndarray, shape (rows, hops)
        """
        done = 0
        while done < values.shape[1]:
            place = self.hops % self._CHUNK
            if place == 0:
                self._chunks.append(np.empty((self._rows, self._CHUNK)))
            count = min(self._CHUNK - place, values.shape[1] - done)
            self._chunks[-1][:, place : place + count] = values[:, done : done + count]
            self.hops += count
            done += count

    def row(self, index: int) -> NDArray[np.float64]:
        """Return one row.

        Returns
        -------
        ndarray, shape (hops,)
            A copy.
        """
        if not self._chunks:
            return np.empty(0)
        return np.concatenate([chunk[index] for chunk in self._chunks])[: self.hops]


class HopSums:
    """Sum of squares over the channels for every complete hop of a stream.

    Parameters
    ----------
    sample_rate : int
        Hz.
    channels : int
        Rows of every block.
    weights : array_like, shape (channels,), optional
        Power weights; needed for more than two channels.

    Raises
    ------
    RoomplanError
        When the rate or the weights do not fit.

    Notes
    -----
    Every hop is summed in one go, over samples in one row, so the sums do not depend on how the stream was
    split. The sound is taken as it is: K-weight it first.
    """

    def __init__(self, sample_rate: int, channels: int, weights: ArrayLike | None = None) -> None:
        validate_sample_rate(sample_rate)
        self._weights = validate_channel_weights(channels, weights)
        self._cutter = HopCutter(sample_rate)
        self._table = HopTable(1)

    def feed(self, planar: NDArray[np.float64]) -> None:
        """Add the next block.

        Parameters
        ----------
        planar : ndarray, shape (channels, frames)
            float64.
        """
        for piece, edges in self._cutter.cut(planar):
            squares = _squares_per_hop(piece, edges)
            # Not a matrix product: its rounding depends on how many hops are beside each other.
            self._table.append((self._weights[:, None] * squares).sum(axis=0, keepdims=True))

    @property
    def sums(self) -> NDArray[np.float64]:
        """Sums of the complete hops so far, shape (hops,)."""
        return self._table.row(0)


def _squares_per_hop(piece: NDArray[np.floating], edges: Sequence[int]) -> NDArray[np.floating]:
    """Sum of squares, shape (channels, hops), of a piece of whole hops."""
    hops = per_hop(piece, edges)
    if hops is not None:
        return np.vecdot(hops, hops).T
    return np.stack([np.vecdot(piece[:, i:j], piece[:, i:j]) for i, j in pairwise(edges)], axis=1)
