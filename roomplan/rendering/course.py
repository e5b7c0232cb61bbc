"""Loudness over time in steps: how a bus goes through the cue.

Conventions
-----------
A step is measured as a passage is: integrated loudness with both gates of BS.1770, over whole hops of 20 ms.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.frozen_classes import frozen_class
from roomplan.loudness.hops import HOPS_PER_SECOND
from roomplan.loudness.meter import loudness_of_hops

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["CourseStep", "course_of_hops"]


@frozen_class
class CourseStep:
    """One step in seconds; its loudness is None where it is silent, or too short to be measured."""

    start_s: float
    end_s: float
    integrated_lufs: float | None


def course_of_hops(
    hop_sums: NDArray[np.float64], *, every_s: float, sample_rate: int, start_s: float = 0.0
) -> tuple[CourseStep, ...]:
    """Loudness of a bus step by step; the last step is as long as what is left.

    Parameters
    ----------
    hop_sums : ndarray, shape (hops,)
        K-weighted power per 20 ms.
    every_s : float
        Length of a step in seconds, rounded to whole hops; less than the 400 ms of a block has no loudness.
    sample_rate : int
        Hertz.
    start_s : float
        Where the first hop lies in the cue.
    """
    step = max(1, round(every_s * HOPS_PER_SECOND))
    found = []
    for first in range(0, hop_sums.size, step):
        last = min(first + step, hop_sums.size)
        loudness = loudness_of_hops(hop_sums[first:last], sample_rate=sample_rate).integrated_lufs
        times = (start_s + first / HOPS_PER_SECOND, start_s + last / HOPS_PER_SECOND)
        found.append(CourseStep(*times, loudness))
    return tuple(found)
