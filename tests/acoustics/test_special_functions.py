"""Against scipy.special, and the tables the formulas come from."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special

from roomplan.acoustics.special_functions import chi_square_limit, digamma


@pytest.mark.parametrize("probability", [0.5, 0.05, 0.01, 1e-4])
@pytest.mark.parametrize("degrees", [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 21, 30, 31])
def test_limits_of_chi_square_are_scipys_within_1e_12(degrees, probability):
    theirs = float(special.chdtri(degrees, probability))
    assert chi_square_limit(degrees, probability) == pytest.approx(theirs, rel=1e-12)


def test_limits_of_chi_square_are_those_of_the_printed_table():
    # Abramowitz and Stegun, Table 26.8, Q = 0.01 (from memory).
    limits = [round(chi_square_limit(degrees, 0.01), 4) for degrees in (1, 2, 6, 10, 30)]
    assert limits == [6.6349, 9.2103, 16.8119, 23.2093, 50.8922]


def test_the_digamma_function_is_scipys_within_1e_14():
    x = np.geomspace(0.5, 1e5, 2001)
    ours = [digamma(float(value)) for value in x]
    np.testing.assert_allclose(ours, special.digamma(x), rtol=2e-15, atol=5e-15)


def test_the_digamma_function_at_1_is_minus_eulers_constant():
    assert digamma(1.0) == pytest.approx(-np.euler_gamma, abs=2e-15)
