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

Most blocks are never oversampled: a filter raises a peak by the sum of its magnitudes at most, and between
two samples a sound stays under the larger one but for what its second differences let it bulge. So a stretch
whose samples are too small, or too straight, for the peak found so far cannot hold a larger one, at the rate
that comes in or, where that is not enough (noise), at twice that rate. The bounds are exact; they change the
time, not the result.

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

__all__ = ["BLOCK_FRAMES", "NEIGHBOURS", "OVERSAMPLING", "TruePeakMeter", "may_exceed", "peaks_within"]

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
# the 28 frames the three filters reach; judged at twice the rate with two neighbours on either side, since
# the neighbours' values between samples count.
BLOCK_FRAMES = 32
NEIGHBOURS = 2
_WINDOW = 3 * BLOCK_FRAMES
# Blocks whose samples and bends are judged together first: numpy is slow with shorter rows.
_GROUP_FRAMES = 16 * BLOCK_FRAMES

# Channels judged together: many short operations become few longer ones.
_CHANNELS_TOGETHER = 16
# Frames of a channel worked on at a time: larger work arrays would be new memory every time.
_SLICE_FRAMES = 24_576
# Windows of one matrix product; larger ones are spread over threads by common BLAS builds.
_ROUGH_TOGETHER = 64
_OVERSAMPLED_TOGETHER = 8
_MOST_OVERSAMPLED = 32 * _OVERSAMPLED_TOGETHER
# A parabola over three values of one sign is at most an eighth above the middle one.
_PARABOLA = 1.125
# A bound that is so much above the peak for a whole piece is so for nearly all of its blocks.
_RARELY = 1.3
# Room for the rounding of a bound, and of one in single precision: 96 products of 6e-8 each, and more. The
# latter as a share of the largest sample, which no bound that matters is below.
_ROUNDING = 1.0 + 1e-9
_ROUGH = 5e-5
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
        # the silence before the first frame: blocks that are judged, and their neighbours
        self._waiting: NDArray[np.floating] = np.zeros(2 * NEIGHBOURS * BLOCK_FRAMES, np.float32)

    def feed(self, samples: NDArray[np.floating]) -> None:
        """Add one block, shape (frames, channels)."""
        for start in range(0, len(samples), _SLICE_FRAMES):
            row = samples[start : start + _SLICE_FRAMES, self._index]
            # float32 stays: it is quicker to look through, and oversampled in float64 all the same
            single = self._waiting.dtype.itemsize == row.dtype.itemsize == 4
            dtype = np.float32 if single else np.float64
            sound = np.concatenate((self._waiting, row), dtype=dtype, casting="same_kind")
            self._peak = float(peaks_within(sound[None], np.array([self._peak]))[0])
            kept = len(sound) // BLOCK_FRAMES - 2 * NEIGHBOURS
            self._waiting = sound[max(0, kept) * BLOCK_FRAMES :].copy()

    def peak_at_end(self) -> float:
        """Peak with silence after the last frame; the state stays."""
        silence = np.zeros(2 * NEIGHBOURS * BLOCK_FRAMES + -len(self._waiting) % BLOCK_FRAMES)
        sound = np.concatenate((self._waiting, silence))
        return float(peaks_within(sound[None], np.array([self._peak]))[0])


def may_exceed(height: float, found: float) -> bool:
    """Whether samples of magnitude `height` at most can hold a true peak above the one found so far."""
    return not height * _filters().bound <= found


def peaks_within(sounds: NDArray[np.floating], found: NDArray[np.float64]) -> NDArray[np.float64]:
    """The peaks found so far, or larger ones in blocks of `sounds` that have their neighbours.

    Parameters
    ----------
    sounds : ndarray, shape (channels, frames)
        From the beginning of a block of `BLOCK_FRAMES` on, counted from the start of the stream; frames after
        the last whole block are left for later. So a stream that is cut into pieces which begin twice
        `NEIGHBOURS` blocks ahead of where the piece before ended is judged as a whole, in any order.
    found : ndarray, shape (channels,)

    Returns
    -------
    ndarray, shape (channels,)
        Linear; NaN when a sample is not finite.
    """
    count = sounds.shape[1] // BLOCK_FRAMES
    sounds = sounds[:, : count * BLOCK_FRAMES]
    highest = np.maximum(sounds.max(axis=1, initial=0.0), -sounds.min(axis=1, initial=0.0)).astype(np.float64)
    found = np.maximum(found, highest)  # NaN comes through
    found[np.isinf(found)] = np.nan
    if count > 2 * NEIGHBOURS:
        channels = np.flatnonzero(_filters().bound * highest > found)
        for first in range(0, channels.size, _CHANNELS_TOGETHER):
            some = channels[first : first + _CHANNELS_TOGETHER]
            found[some] = _raised(sounds[some], highest[some], found[some])
    return found


def _raised(
    sounds: NDArray[np.floating], highest: NDArray[np.float64], found: NDArray[np.float64]
) -> NDArray[np.float64]:
    """The peaks found so far, or larger ones in `sounds`, whole blocks whose largest samples are given."""
    rough = sounds.astype(np.float32, copy=False)
    able = _able_by_bends(rough, highest, found)
    if not able.any():
        return found
    count = able.shape[1]
    # the channels one after the other: the blocks where they meet are only neighbours
    left, bounds = _able_at_twice_the_rate(
        rough.reshape(-1, BLOCK_FRAMES), able.reshape(-1), np.repeat(highest, count), np.repeat(found, count)
    )
    blocks = sounds.reshape(-1, BLOCK_FRAMES)
    channel = left // count
    for number in np.flatnonzero(np.bincount(channel)):  # np.unique would load numpy.ma for it
        its = channel == number
        found[number] = _highest_point(
            blocks, left[its], bounds[its], float(highest[number]), float(found[number])
        )
    return found


def _highest_point(
    blocks: NDArray[np.floating],
    left: NDArray[np.intp],
    bounds: NDArray[np.floating],
    highest: float,
    found: float,
) -> float:
    """The peak found so far, or a larger one in the blocks `left`, which are below their bounds."""
    if left.size > _OVERSAMPLED_TOGETHER:
        # the most promising first: what they hold spares most of the others
        first = np.argpartition(bounds, -_OVERSAMPLED_TOGETHER)[-_OVERSAMPLED_TOGETHER:]
        found = _oversampled(_windows(blocks, left[first]), found)
        bounds[first] = 0.0
        left = left[~(bounds <= found)]
    if left.size > _OVERSAMPLED_TOGETHER:
        left = left[~(_bounds_by_rough_points(_windows(blocks, left), highest) <= found)]
    for start in range(0, left.size, _MOST_OVERSAMPLED):
        found = _oversampled(_windows(blocks, left[start : start + _MOST_OVERSAMPLED]), found)
    return found


def _able_by_bends(
    sounds: NDArray[np.float32], highest: NDArray[np.float64], found: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Which blocks, (channels, blocks), can exceed the peak by samples and second differences around them.

    Low sounds hardly curve from sample to sample, so this spares nearly all of music.
    """
    filters = _filters()
    steps = sounds[:, 1:] - sounds[:, :-1]
    bends = np.empty_like(sounds)
    bends[:, 0] = bends[:, -1] = 0.0  # unknown, and beyond what shapes a block with neighbours
    np.subtract(steps[:, 1:], steps[:, :-1], out=bends[:, 1:-1])
    bound = filters.straight * highest + filters.curved * np.maximum(bends.max(axis=1), -bends.min(axis=1))
    able = np.zeros((len(sounds), sounds.shape[1] // BLOCK_FRAMES), np.bool_)
    everywhere = bound > _RARELY * found
    able[everywhere] = True
    rows = np.flatnonzero(~(bound <= found) & ~everywhere)
    if rows.size:
        heights, bent = (_largest_around(_tallest(values[rows])) for values in (sounds, bends))
        groups = ~(filters.straight * heights + filters.curved * bent <= found[rows, None])
        able[rows] = np.repeat(groups, _GROUP_FRAMES // BLOCK_FRAMES, axis=1)[:, : able.shape[1]]
    able[:, :NEIGHBOURS] = False
    able[:, -NEIGHBOURS:] = False
    return able


def _tallest(sounds: NDArray[np.floating]) -> NDArray[np.floating]:
    """Largest magnitude of each group of frames, (channels, groups); the last may be shorter."""
    groups = np.arange(0, sounds.shape[1], _GROUP_FRAMES)
    return np.maximum(
        np.maximum.reduceat(sounds, groups, axis=1), -np.minimum.reduceat(sounds, groups, axis=1)
    )


def _largest_around(heights: NDArray[_Float]) -> NDArray[_Float]:
    """Largest of each value and those beside it, along the last axis."""
    around = heights.copy()
    np.maximum(around[..., 1:], heights[..., :-1], out=around[..., 1:])
    np.maximum(around[..., :-1], heights[..., 1:], out=around[..., :-1])
    return around


def _able_at_twice_the_rate(
    blocks: NDArray[np.float32],
    able: NDArray[np.bool_],
    highest: NDArray[np.float64],
    found: NDArray[np.float64],
) -> tuple[NDArray[np.intp], NDArray[np.floating]]:
    """Those of the able blocks that can exceed the peak by the rate doubled too, and their bounds.

    `highest` and `found` are those of the channel of every block.

    In single precision and turned on its side, one column a block: the largest of each column is found much
    faster than that of each row, and the values between samples are three products without a copy.
    """
    filters = _filters()
    near = able.copy()
    for away in range(1, NEIGHBOURS + 1):
        near[away:] |= able[:-away]
        near[:-away] |= able[away:]
    chosen = able
    if not near.all():
        blocks, chosen = blocks[near], able[near]
    turned = np.ascontiguousarray(blocks.T)
    samples = turned[:, 1:-1]
    between: NDArray[np.float32] = filters.from_block @ samples
    between += filters.from_before @ turned[-filters.from_before.shape[1] :, :-2]
    between += filters.from_after @ turned[: filters.from_after.shape[1], 2:]
    heights = np.maximum(_column_heights(samples), _column_heights(between))
    np.maximum(heights, np.abs(turned[0, 2:]), out=heights)  # where the next block begins
    # second differences: at each value between samples, and at each sample
    bends = np.empty_like(samples)
    np.add(samples[:-1], samples[1:], out=bends[:-1])
    np.add(samples[-1], turned[0, 2:], out=bends[-1])
    between *= 2.0
    bends -= between
    bent = _column_heights(bends)
    np.add(between[:-1], between[1:], out=bends[1:])
    bends[0, 1:] = between[-1, :-1] + between[0, 1:]
    bends[0, 0] = 0.0  # of a block that is only a neighbour
    bends *= 0.5
    bends -= 2.0 * samples
    bent = _largest_around(np.maximum(bent, _column_heights(bends)))
    straight, curved = filters.straight_after_doubling, filters.curved_after_doubling
    bounds = (straight * heights + curved * bent)[chosen[1:-1]] + _ROUGH * highest[able]
    still = ~(bounds <= found[able])
    return np.flatnonzero(able)[still], bounds[still]


def _column_heights(values: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.maximum(values.max(axis=0), -values.min(axis=0))


def _windows(blocks: NDArray[np.floating], numbers: NDArray[np.intp]) -> NDArray[np.floating]:
    """Blocks between their neighbours, (numbers, window)."""
    return blocks[numbers[:, None] + np.arange(-1, 2)].reshape(len(numbers), _WINDOW)


def _bounds_by_rough_points(windows: NDArray[np.floating], highest: float) -> NDArray[np.floating]:
    """What the blocks in the middle of windows cannot exceed: points in single precision, and a parabola."""
    points = _in_batches(windows.astype(np.float32), _filters().rough_points, _ROUGH_TOGETHER)
    inner = points[:, 1:-1]
    return _PARABOLA * np.maximum(inner.max(axis=1), -inner.min(axis=1)) + _ROUGH * highest


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
    points : ndarray, shape (window, 8 · block + 2)
        All points of the middle block, and a neighbour on either side.
    rough_points : ndarray of float32
        `points` in single precision, for a bound.
    from_before, from_block, from_after : ndarray of float32, shape (block, samples)
        Values halfway between the frames of a block and the next, from the last samples of the block before,
        from its own and from the first of the block after.
    straight, curved : float
        What the refined peak of a block can be at most: so much of its largest sample, the first of the next
        block included, and so much of the largest second difference in the window.
    bound, bound_after_doubling : float
        What it can be at most, relative to the largest magnitude in the window, and there at twice the rate.
    straight_after_doubling, curved_after_doubling : float
        As `straight` and `curved`, at twice the rate.
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
        self.points = np.ascontiguousarray(points.T)
        self.rough_points = self.points.astype(np.float32)
        low = round((BLOCK_FRAMES + 0.5 - start) * 2.0)
        between = doubled[low : low + 2 * BLOCK_FRAMES : 2].astype(np.float32)
        half = len(first) // 2
        self.from_before = np.ascontiguousarray(between[:, BLOCK_FRAMES - half : BLOCK_FRAMES])
        self.from_block = np.ascontiguousarray(between[:, BLOCK_FRAMES : 2 * BLOCK_FRAMES])
        self.from_after = np.ascontiguousarray(between[:, 2 * BLOCK_FRAMES : 2 * BLOCK_FRAMES + half])
        self.bound = _most(points) * _ROUNDING
        place = BLOCK_FRAMES + np.arange(-1, OVERSAMPLING * BLOCK_FRAMES + 1) / OVERSAMPLING
        self.straight, self.curved = _straight_and_curved(points, place)
        after, start = _doubled(np.eye(_WINDOW), second)
        after, after_start = _doubled(after, third)
        self.bound_after_doubling = _most(after) * _ROUNDING
        # one step of the doubled rate, and a point on either side: all others are the same
        low = round((BLOCK_FRAMES - start - after_start / 2.0) * 4.0) - 1
        place = BLOCK_FRAMES + np.arange(-1, 6) / 4.0
        self.straight_after_doubling, self.curved_after_doubling = _straight_and_curved(
            after[low : low + 7], place
        )


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


def _straight_and_curved(points: NDArray[np.float64], place: NDArray[np.float64]) -> tuple[float, float]:
    """Factors of the largest sample and second difference that bound refined points, (points, samples).

    A point is the straight line between its two samples plus a remainder that sees second differences only,
    but for what the filter misses of unity: that is charged to the samples. The parabola through a summit
    is above it by an eighth of the points' own second difference at most, which is a remainder too. `place`
    is where the points are, in samples; the first and the last are only neighbours.
    """
    lines = np.maximum(0.0, 1.0 - np.abs(place[:, None] - np.arange(points.shape[1])))
    bent = points[:-2] - 2.0 * points[1:-1] + points[2:]
    straight = curved = 0.0
    for number, middle in enumerate(points[1:-1] - lines[1:-1]):
        sample = min(int(place[number + 1]), int(place[-2]) - 1)
        misses, curves = _remainder(middle, sample)
        bent_misses, bent_curves = _remainder(bent[number], sample)
        straight = max(straight, 1.0 + misses + bent_misses / 8.0)
        curved = max(curved, curves + bent_curves / 8.0)
    # half a millionth more: differences of single-precision samples are rounded
    return straight + 5e-7, curved * _ROUNDING


def _remainder(row: NDArray[np.float64], sample: int) -> tuple[float, float]:
    """A row as second differences: what two samples are charged with, and the rest's magnitudes."""
    row = row.copy()
    total = row.sum()
    tilt = row @ (np.arange(len(row)) - sample)
    # take out sum and tilt with two neighbouring samples
    row[sample] -= total - tilt
    row[sample + 1] -= tilt
    return abs(total - tilt) + abs(tilt), float(np.abs(np.cumsum(np.cumsum(row))).sum())


def _most(points: NDArray[np.float64]) -> float:
    """How high the refined peak of points, (points, samples), can be with samples of magnitude 1.

    A parabola through a summit and two lower neighbours is above it by no more than an eighth of the
    larger step, so the steps' own sums of magnitudes come in.
    """
    values = np.abs(points).sum(axis=1)
    steps = np.abs(np.diff(points, axis=0)).sum(axis=1)
    return float(np.max(values[1:-1] + np.maximum(steps[1:], steps[:-1]) / 8.0))
