from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import uniform_filter1d

from roomplan.rooms import diffuse


@pytest.mark.parametrize(
    ("count", "frames"), [(1000, 51), (1001, 1), (60, 101), (7, 301), (333, 333), (30_011, 77)]
)
def test_the_moving_mean_around_a_circle_is_scipys_to_the_last_bit(count, frames):
    values = np.random.default_rng(3).standard_normal(count) ** 2
    theirs = uniform_filter1d(values, frames, mode="wrap")
    np.testing.assert_array_equal(diffuse._moving_mean(values, frames), theirs)
