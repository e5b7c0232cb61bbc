from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import CubicHermiteSpline, PchipInterpolator

from roomplan.rooms.smooth_curves import monotone_curve

heights = st.lists(st.floats(-3.0, 3.0), min_size=3, max_size=9)
gaps = st.floats(0.2, 2.0)


@given(heights=heights, data=st.data())
def test_the_curve_is_that_of_scipy_between_the_same_end_slopes(heights, data):
    # SciPy's PCHIP slopes inside, its cubic Hermite pieces with our slopes at both ends.
    y = np.array(heights)
    x = np.cumsum([data.draw(gaps) for _ in heights])
    ends = (data.draw(st.floats(-2.0, 2.0)), data.draw(st.floats(-2.0, 2.0)))
    slopes = np.asarray(PchipInterpolator(x, y).derivative()(x))
    slopes[[0, -1]] = ends
    at = np.linspace(x[0], x[-1], 200)
    expected = CubicHermiteSpline(x, y, slopes)(at)
    np.testing.assert_allclose(monotone_curve(x, y, at, end_slopes=ends), expected, atol=1e-9)


@given(heights=heights, data=st.data())
def test_between_two_points_the_curve_only_rises_or_only_falls(heights, data):
    y = np.array(heights)
    x = np.cumsum([data.draw(gaps) for _ in heights])
    steps = np.diff(y) / np.diff(x)
    ends = tuple(data.draw(st.floats(0.0, 3.0)) * float(steps[end]) for end in (0, -1))
    for first, last in zip(range(len(x) - 1), range(1, len(x)), strict=True):
        curve = monotone_curve(x, y, np.linspace(x[first], x[last], 50), end_slopes=ends)
        assert np.min(np.diff(curve) * np.sign(y[last] - y[first])) >= -1e-12
        np.testing.assert_allclose(curve[[0, -1]], y[[first, last]], atol=1e-12)


def test_the_curve_is_level_beyond_its_points():
    x, y = np.array([1.0, 2.0, 4.0]), np.array([3.0, 2.0, 1.0])
    found = monotone_curve(x, y, np.array([-5.0, 0.99, 4.01, 80.0]), end_slopes=(-1.0, -0.5))
    np.testing.assert_array_equal(found, [3.0, 3.0, 1.0, 1.0])
