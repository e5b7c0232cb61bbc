"""A smooth curve through given points that never overshoots them.

Conventions
-----------
Points are (x, y) with rising x; a curve is asked at any x between the first and the last.

Sources
-------
Fritsch and Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300: cubic pieces whose slope at a point is the
weighted harmonic mean of its neighbours' and 0 at a turn, so the curve rises and falls only where the points
do. Held against SciPy's in the tests.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

__all__ = ["monotone_curve"]


def monotone_curve(x: Array, y: Array, at: Array, *, end_slopes: tuple[float, float]) -> Array:
    """Values of the curve through points, level beyond the first and the last.

    Parameters
    ----------
    x, y : ndarray, shape (points,)
        At least three; x rising.
    at : ndarray, any shape
    end_slopes : (float, float)
        At the first and the last point.

    Returns
    -------
    ndarray, shape of `at`

    Notes
    -----
    It is monotone between the points if each end slope is of the sign of its piece and at most three times as
    steep.
    """
    widths, pieces = np.diff(x), np.diff(y) / np.diff(x)
    slopes = np.empty_like(y)
    slopes[0], slopes[-1] = end_slopes
    before, after = pieces[:-1], pieces[1:]
    near, far = 2.0 * widths[1:] + widths[:-1], widths[1:] + 2.0 * widths[:-1]
    same = before * after > 0.0
    slopes[1:-1] = 0.0
    slopes[1:-1][same] = (near + far)[same] / (near[same] / before[same] + far[same] / after[same])
    inside = np.clip(at, x[0], x[-1])
    piece = np.clip(np.searchsorted(x, inside, side="right") - 1, 0, len(widths) - 1)
    width = widths[piece]
    t = (inside - x[piece]) / width
    rise = t * t * (3.0 - 2.0 * t)
    bend_first, bend_last = t * (1.0 - t) ** 2, t * t * (t - 1.0)
    bends = bend_first * slopes[piece] + bend_last * slopes[piece + 1]
    return y[piece] + rise * (y[piece + 1] - y[piece]) + width * bends
