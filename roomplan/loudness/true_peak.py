"""True peak: the largest value of the sound between its samples, for streams.

Conventions
-----------
Blocks are ``(frames, channels)``, floating point, full scale 1.0; peaks are linear, dBTP is 20·lg of them.
Before its first and after its last sample a sound is zero, and what the filter rings there counts.

Method
------
Eight times the rate at every sample rate, in three doublings: a doubling keeps its samples and puts one
between any two. The largest of the points is refined by a parabola through it and its neighbours.

Error against the true maximum, for bursts of 50 frames and more, of any phase and place between samples:
−0.007 to +0.003 dB up to 0.44 of the sample rate, and the same for steady sines up to 0.45 (unrefined, eight
times the rate reads up to 0.14 dB low). Above, the first filter gives way and a burst may read as low as its
largest sample: 0.6 dB low at 0.47 of the rate, 3.8 at 0.49.

Most blocks are never oversampled: a filter raises a peak by the sum of its magnitudes at most, so a block
whose samples are too small for the peak found so far cannot hold a larger one. The bounds are exact; they
change the time, not the result.

Sources
-------
ITU-R BS.1770-5, Annex 2: oversample at least four times at 48 kHz, take the largest magnitude. Its printed
filter is an example and reads sines up to 0.46 dB low at 0.45 of the sample rate; this one is longer. EBU
Tech 3341, Table 1, cases 15 to 23: tolerance +0.2, −0.4 dB.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from roomplan.errors import RoomplanError
from roomplan.loudness.side_by_side import SideBySide
from roomplan.loudness.weighting import validate_sample_rate

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["BLOCK_FRAMES", "OVERSAMPLING", "TruePeakMeter", "may_exceed", "peak_within"]

OVERSAMPLING = 8

# The doublings: first halves of the taps of symmetric filters, made by scipy's `remez` (the tests hold the
# call) to be flat up to 0.45, 0.275 and 0.1375 of the rate that comes in. The first decides: 0.0015 dB up to
# 0.45. The others meet nothing above half of that rate and its image, and add 0.0025 dB.
_DOUBLINGS = (
    (
        -0.0001788564983293253,
        0.0002694726514285978,
        -0.00046439348474154,
        0.0007446187059575399,
        -0.001132885069305372,
        0.0016561967385931523,
        -0.002344867631143579,
        0.0032334494456250414,
        -0.004361512233600925,
        0.005774561136303253,
        -0.00752572053860804,
        0.009678682758366475,
        -0.01231247826950567,
        0.015529217102130968,
        -0.01946714179315527,
        0.024323455032234043,
        -0.030395885325198616,
        0.038162909978350396,
        -0.04845171507255108,
        0.06283034624833661,
        -0.08467217338798888,
        0.12277444577966273,
        -0.20944907656715078,
        0.6356959204215704,
    ),
    (
        0.003074440558616727,
        -0.01689707224714566,
        0.056940417276248156,
        -0.16049669546399664,
        0.6174866334238557,
    ),
    (0.014831585083967203, -0.10612939669475217, 0.5913317330967254),
)

# Frames judged at a time. They are oversampled from themselves and their neighbours on either side, more than
# the 28 frames the three filters reach.
BLOCK_FRAMES = 32
_WINDOW = 3 * BLOCK_FRAMES
# What lies outside a block and still shapes its points once the rate is doubled, in frames.
_REACH_AFTER_DOUBLING = 3

# Frames of a channel worked on at a time: half a megabyte.
_SLICE_FRAMES = 65_536
# Windows of one matrix product; larger ones are spread over threads by common BLAS builds.
_DOUBLED_TOGETHER = 64
_OVERSAMPLED_TOGETHER = 8
_MOST_OVERSAMPLED = 32 * _OVERSAMPLED_TOGETHER
# A parabola over three values of one sign is at most an eighth above the middle one.
_PARABOLA = 1.125
# Room for the rounding of a bound, and of one in single precision: 96 products of 6e-8 each, and more.
_ROUNDING = 1.0 + 1e-9
_ROUGH_ROUNDING = 1.0 + 3e-5
_Float = TypeVar("_Float", bound=np.floating)


class TruePeakMeter(SideBySide["_ChannelPeak"]):
    """True peak of every channel of one stream of sound.

    Parameters
    ----------
    sample_rate : int
        Hz; 8,000 to 192,000.
    channels : int
        At least 1.
    workers : int
        Threads; channels are worked on side by side.

    Raises
    ------
    RoomplanError
        When the rate or the number of channels does not fit.

    Notes
    -----
    How the stream is split into blocks changes the peaks by no more than rounding (1e-12). A NaN or infinite
    sample makes the peak of its channel NaN for good. A sound that comes near its peak everywhere spares
    nothing: white noise takes some seven times as long as music, a steady tone fifteen times. Not done: the
    optional emphasis and removal of DC before the oversampling (earlier editions of BS.1770, from memory).
    """

    def __init__(self, *, sample_rate: int, channels: int, workers: int = 2) -> None:
        validate_sample_rate(sample_rate)
        if channels < 1:
            raise RoomplanError(f"a sound of {channels} channels has no peak", remedy="give one or more")
        super().__init__([_ChannelPeak(index) for index in range(channels)], workers)

    def peaks(self) -> NDArray[np.float64]:
        """Return the peaks so far as if the sound ended here; the stream may go on afterwards.

        Returns
        -------
        ndarray, shape (channels,)
            Linear, never below the largest magnitude of a sample. NaN where a sample was not finite.
        """
        return np.array([channel.peak_at_end() for channel in self._channels])


class _ChannelPeak:
    """Peak of one channel, and the samples that the next ones still belong to."""

    def __init__(self, index: int) -> None:
        self._index = index
        self._peak = 0.0
        # the silence before the first frame: a block that is judged, and its neighbour
        self._waiting = np.zeros(2 * BLOCK_FRAMES)

    def feed(self, samples: NDArray[np.floating]) -> None:
        """Add one block, shape (frames, channels)."""
        for start in range(0, len(samples), _SLICE_FRAMES):
            row = samples[start : start + _SLICE_FRAMES, self._index]
            sound = np.concatenate((self._waiting, row), dtype=np.float64, casting="same_kind")
            self._peak = peak_within(sound, self._peak)
            self._waiting = sound[max(0, len(sound) // BLOCK_FRAMES - 2) * BLOCK_FRAMES :].copy()

    def peak_at_end(self) -> float:
        """Peak with silence after the last frame; the state stays."""
        silence = np.zeros(2 * BLOCK_FRAMES + -len(self._waiting) % BLOCK_FRAMES)
        return peak_within(np.concatenate((self._waiting, silence)), self._peak)


def may_exceed(height: float, found: float) -> bool:
    """Whether samples of magnitude `height` at most can hold a true peak above the one found so far."""
    return not height * _filters().bound <= found


def peak_within(sound: NDArray[np.floating], found: float) -> float:
    """The peak found so far, or a larger one in a block of `sound` that has both neighbours.

    Parameters
    ----------
    sound : ndarray, shape (frames,)
        One channel from the beginning of a block of `BLOCK_FRAMES` on, counted from the start of the stream;
        frames after the last whole block are left for later. So a stream that is cut into pieces which begin
        two blocks ahead of where the piece before ended is judged as a whole, in any order.

    Returns
    -------
    float
        Linear; NaN when a sample is not finite.
    """
    count = len(sound) // BLOCK_FRAMES
    whole = count * BLOCK_FRAMES
    heights = _heights(np.abs(sound[:whole]))
    highest = float(heights.max(initial=0.0))
    if not np.isfinite(highest + found):
        return np.nan
    found = max(found, highest)
    bounds = _filters().bound * np.maximum(np.maximum(heights[:-2], heights[1:-1]), heights[2:])
    left = np.flatnonzero(bounds > found)
    if left.size:
        left = left[_bounds_by_curvature(sound[:whole], heights)[left] > found]
    blocks = sound[:whole].reshape(count, BLOCK_FRAMES)
    if left.size > _OVERSAMPLED_TOGETHER:
        # the most promising first: what they hold spares most of the others
        first = np.argpartition(bounds[left], -_OVERSAMPLED_TOGETHER)[-_OVERSAMPLED_TOGETHER:]
        found = _oversampled(_windows(blocks, left[first]), found)
        bounds[left[first]] = 0.0
        left = left[bounds[left] > found]
        left = left[_bounds_after_doubling(_windows(blocks, left), heights[left + 1]) > found]
    if left.size > _OVERSAMPLED_TOGETHER:
        left = left[_bounds_by_rough_points(_windows(blocks, left)) > found]
    for start in range(0, left.size, _MOST_OVERSAMPLED):
        found = _oversampled(_windows(blocks, left[start : start + _MOST_OVERSAMPLED]), found)
    return found


def _heights(magnitudes: NDArray[np.floating]) -> NDArray[np.floating]:
    """Largest of each block. Halving five times beats a reduction of 32 at a time."""
    for _halving in range(BLOCK_FRAMES.bit_length() - 1):
        magnitudes = np.maximum(magnitudes[0::2], magnitudes[1::2])
    return magnitudes


def _bounds_by_curvature(sound: NDArray[np.floating], heights: NDArray[np.floating]) -> NDArray[np.floating]:
    """What each block but the first and the last cannot exceed, by how much the sound curves around it.

    Between two samples a sound stays under the larger one, but for what its second differences let it bulge.
    Low
    sounds hardly curve from sample to sample, so this spares nearly all blocks of music.
    """
    bends = np.zeros_like(sound)
    np.subtract(sound[1:-1], sound[:-2], out=bends[1:-1])
    bends[1:-1] += sound[1:-1] - sound[2:]
    bends = _heights(np.abs(bends, out=bends))
    around = np.maximum(np.maximum(bends[:-2], bends[1:-1]), bends[2:])
    filters = _filters()
    return filters.straight * np.maximum(heights[1:-1], heights[2:]) + filters.curved * around


def _windows(blocks: NDArray[np.floating], numbers: NDArray[np.intp]) -> NDArray[np.floating]:
    """Blocks between their neighbours, (numbers, window): number 0 is the window around block 1."""
    return blocks[numbers[:, None] + np.arange(3)].reshape(len(numbers), _WINDOW)


def _bounds_after_doubling(
    windows: NDArray[np.floating], heights: NDArray[np.floating]
) -> NDArray[np.floating]:
    """What the blocks in the middle of windows, (blocks, frames), cannot exceed: the rate doubled only.

    `heights` are those of the blocks. In single precision and turned on its side: the largest of each column
    of a product is found much faster than that of each row.
    """
    filters = _filters()
    count, together = len(windows), _DOUBLED_TOGETHER
    padded = np.zeros((-(-count // together) * together, _WINDOW), np.float32)
    padded[:count] = windows
    turned = padded.reshape(-1, together, _WINDOW).swapaxes(1, 2)
    around: NDArray[np.float32] = np.matmul(filters.rough_around, turned)
    tallest = np.maximum(around.max(axis=1), -around.min(axis=1)).reshape(-1)[:count]
    return filters.bound_after_doubling * _ROUGH_ROUNDING * np.maximum(tallest, heights)


def _bounds_by_rough_points(windows: NDArray[np.floating]) -> NDArray[np.floating]:
    """What the blocks in the middle of windows cannot exceed: points in single precision, and a parabola."""
    points = _in_batches(windows.astype(np.float32), _filters().rough_points, _DOUBLED_TOGETHER)
    return _PARABOLA * _ROUGH_ROUNDING * _height(points[:, 1:-1])


def _oversampled(windows: NDArray[np.floating], found: float) -> float:
    """The peak found so far, or a larger one in the middle of windows, (blocks, frames)."""
    if not len(windows):
        return found
    points = np.abs(_in_batches(windows, _filters().points, _OVERSAMPLED_TOGETHER))
    before, middle, after = points[:, :-2], points[:, 1:-1], points[:, 2:]
    found = max(found, float(middle.max()))
    summit = (middle > found / _PARABOLA) & (middle >= before) & (middle >= after)
    low, high, next_low = before[summit], middle[summit], after[summit]
    bend = 2.0 * high - low - next_low
    curved = bend > 0.0
    low, high, next_low, bend = low[curved], high[curved], next_low[curved], bend[curved]
    return float(np.max(high + (next_low - low) ** 2 / (8.0 * bend), initial=found))


def _height(values: NDArray[np.floating]) -> NDArray[np.floating]:
    return np.maximum(values.max(axis=1), -values.min(axis=1))


def _in_batches(windows: NDArray[np.floating], matrix: NDArray[_Float], together: int) -> NDArray[_Float]:
    """``windows @ matrix`` in the matrix's precision: products of one size, so many windows in each."""
    count = len(windows)
    padded = np.zeros((-(-count // together) * together, windows.shape[1]), matrix.dtype)
    padded[:count] = windows
    products: NDArray[_Float] = np.matmul(padded.reshape(-1, together, windows.shape[1]), matrix)
    return products.reshape(-1, matrix.shape[1])[:count]


class _Filters:
    """The doublings as matrices on one window, and how much they can raise its samples.

    Attributes
    ----------
    between : ndarray, shape (window, frames + 2 · reach)
        Values halfway between frames, wherever they shape the points of the middle block.
    points : ndarray, shape (window, 8 · block + 2)
        All points of the middle block, and a neighbour on either side.
    straight, curved : float
        What the refined peak of a block can be at most: so much of its largest sample, and so much of the
        largest second difference in the window.
    rough_around : ndarray of float32, shape (frames + 4 · reach + 1, window)
        `between` and the samples beside the block that shape its points.
    rough_points : ndarray of float32
        `points` in single precision, for a bound.
    bound, bound_after_doubling : float
        What the refined peak of a block can be at most, relative to the largest magnitude of its samples, and
        of its samples at twice the rate.
    """

    def __init__(self) -> None:
        first, second, third = (np.array([*half, *half[::-1]]) for half in _DOUBLINGS)
        doubled, start = _doubled(np.eye(_WINDOW), first)
        fine, fine_start = _doubled(doubled, second)
        points, points_start = _doubled(fine, third)
        # positions in frames from the beginning of the window
        start, fine_start = float(start), start + fine_start / 2.0
        points_start = fine_start + points_start / 4.0
        low = round((BLOCK_FRAMES - points_start) * OVERSAMPLING) - 1
        points = points[low : low + OVERSAMPLING * BLOCK_FRAMES + 2]
        low = round((BLOCK_FRAMES - _REACH_AFTER_DOUBLING + 0.5 - start) * 2.0)
        between = doubled[low : low + 2 * (BLOCK_FRAMES + 2 * _REACH_AFTER_DOUBLING) : 2]
        self.between = np.ascontiguousarray(between.T)
        self.points = np.ascontiguousarray(points.T)
        # the samples next to the block belong to the points of the doubled rate that shape it
        reach = _REACH_AFTER_DOUBLING
        edges = [
            *range(BLOCK_FRAMES - reach, BLOCK_FRAMES),
            *range(2 * BLOCK_FRAMES, 2 * BLOCK_FRAMES + reach + 1),
        ]
        around = np.concatenate([between, np.eye(_WINDOW)[edges]])
        self.rough_around = np.ascontiguousarray(around, dtype=np.float32)
        self.rough_points = self.points.astype(np.float32)
        self.bound = _most(points) * _ROUNDING
        self.straight, self.curved = _straight_and_curved(points)
        after, _start = _doubled(_doubled(np.eye(_WINDOW), second)[0], third)
        self.bound_after_doubling = _most(after) * _ROUNDING


@lru_cache(maxsize=1)
def _filters() -> _Filters:
    return _Filters()


def _doubled(rows: NDArray[np.float64], taps: NDArray[np.float64]) -> tuple[NDArray[np.float64], int]:
    """Rows with a row between any two of them, and the number of the row it begins with."""
    count = len(rows) - len(taps) + 1
    start = len(taps) // 2 - 1
    result = np.empty((2 * count, rows.shape[1]))
    result[0::2] = rows[start : start + count]
    result[1::2] = sum(tap * rows[k : k + count] for k, tap in enumerate(taps))
    return result, start


def _straight_and_curved(points: NDArray[np.float64]) -> tuple[float, float]:
    """Factors of the largest sample and second difference that bound the refined peak of a block.

    A point is the straight line between its two samples plus a remainder that sees second differences only,
    but for what the filter misses of unity: that is charged to the samples. The parabola through a summit
    is above it by an eighth of the points' own second difference at most, which is a remainder too.
    """
    place = BLOCK_FRAMES + np.arange(-1, OVERSAMPLING * BLOCK_FRAMES + 1) / OVERSAMPLING
    frames = np.arange(_WINDOW)
    lines = np.maximum(0.0, 1.0 - np.abs(place[:, None] - frames))
    misses, curves = _remainder(points - lines)
    bent_misses, bent_curves = _remainder(points[:-2] - 2.0 * points[1:-1] + points[2:])
    straight = 1.0 + np.max(misses[1:-1] + bent_misses / 8.0)
    # half a millionth more: differences of single-precision samples are rounded
    return float(straight) + 5e-7, float(np.max(curves[1:-1] + bent_curves / 8.0)) * _ROUNDING


def _remainder(rows: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Rows as second differences: what two samples are charged with, and the magnitudes of the rest added."""
    rows = rows.copy()
    centre = rows.shape[1] // 2
    total = rows.sum(axis=1)
    tilt = rows @ (np.arange(rows.shape[1]) - centre)
    # take out sum and tilt with two neighbouring samples
    rows[:, centre] -= total - tilt
    rows[:, centre + 1] -= tilt
    sums = np.cumsum(np.cumsum(rows, axis=1), axis=1)
    return np.abs(total - tilt) + np.abs(tilt), np.abs(sums).sum(axis=1)


def _most(points: NDArray[np.float64]) -> float:
    """How high the refined peak of points, (points, samples), can be with samples of magnitude 1.

    A parabola through a summit and two lower neighbours is above it by no more than an eighth of the
    larger step, so the steps' own sums of magnitudes come in.
    """
    values = np.abs(points).sum(axis=1)
    steps = np.abs(np.diff(points, axis=0)).sum(axis=1)
    return float(np.max(values[1:-1] + np.maximum(steps[1:], steps[:-1]) / 8.0))
