"""Flat tops in a recording.

Conventions
-----------
Samples are (frames, channels), full scale 1. An undistorted wave stands still at its crest for some samples
when it is low and coarsely quantised; beside those the next sample is one step away, beside a flat top many.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Clipped", "find_flat_runs"]

_LEAST_RUN = 3  # equal samples at the extreme, as `acoustics.defects` counts them
_LEAST_RUNS = 3  # of a sweep, many crests are cut off
_DITHER_STEPS = 2.5  # a converter adds as much to what was clipped before it
_STEPS = 8.0
_OF_PEAK = 1e-4


class Clipped(NamedTuple):
    """Flat tops of one channel: first and last frame, how many samples, and at what magnitude."""

    channel: int
    first: int
    last: int
    frames: int
    level: float


def find_flat_runs(samples: NDArray[np.float64], ceilings: NDArray[np.float64]) -> tuple[Clipped, ...]:
    """Channels whose crests are cut off.

    Parameters
    ----------
    samples : ndarray, shape (frames, channels)
    ceilings : ndarray, shape (2, channels)
        Lowest and highest sample of the whole recording: what clips, clips there.
    """
    found = []
    for channel, own in enumerate(samples.T):
        step = _smallest_step(own)
        starts, lengths = [], []
        for ceiling in ceilings[:, channel]:
            some, long = _flat_runs(own, float(ceiling), step)
            starts.append(some)
            lengths.append(long)
        starts, lengths = np.concatenate(starts), np.concatenate(lengths)
        if starts.size >= _LEAST_RUNS:
            level = float(np.max(np.abs(ceilings[:, channel])))
            found.append(Clipped(channel, int(starts.min()), int(starts.max()), int(lengths.sum()), level))
    return tuple(found)


def _flat_runs(
    own: NDArray[np.float64], ceiling: float, step: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Runs at one extreme whose side is steep."""
    starts, lengths = _runs(np.abs(own - ceiling) <= _DITHER_STEPS * step)
    long = (lengths >= _LEAST_RUN) & (ceiling != 0.0)
    starts, lengths = starts[long], lengths[long]
    before = np.abs(ceiling - own[np.maximum(starts - 1, 0)])
    after = np.abs(ceiling - own[np.minimum(starts + lengths, own.size - 1)])
    steep = np.maximum(before, after) > max(_STEPS * step, _OF_PEAK * abs(ceiling))
    return starts[steep], lengths[steep]


def _runs(marked: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First places and lengths of runs of marked samples."""
    edges = np.diff(np.concatenate([[0], marked.astype(np.int8), [0]]))
    starts = np.flatnonzero(edges == 1)
    return starts, np.flatnonzero(edges == -1) - starts


def _smallest_step(own: NDArray[np.float64]) -> float:
    """Quantising step: the smallest difference of two neighbours."""
    steps = np.abs(np.diff(own[: 1 << 18]))
    steps = steps[steps > 0.0]
    return float(steps.min()) if steps.size else 0.0
