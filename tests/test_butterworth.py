"""Closed forms against scipy's `butter`, which finds the same sections from zeros and poles."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from roomplan.butterworth import band_pass, high_pass, low_pass

RATES = [8000, 8081, 11_025, 16_000, 22_050, 44_100, 48_000, 96_000, 192_000]


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("order", [2, 4])
@pytest.mark.parametrize(("kind", "design"), [("lowpass", low_pass), ("highpass", high_pass)])
@pytest.mark.parametrize("edge", [1.0, 20.0, 120.0, 1000.0, 3999.0])
def test_low_and_high_passes_are_scipys_within_1e_12(edge, kind, design, order, rate):
    theirs: Any = signal.butter(order, edge, kind, fs=rate, output="sos")
    np.testing.assert_allclose(design(order, edge, sample_rate=rate), theirs, rtol=1e-12, atol=0.0)


@pytest.mark.parametrize("rate", RATES[1:])
@pytest.mark.parametrize("edges", [(1000.0, 4000.0), (20.0, 25.0), (30.0, 4000.0)])
@pytest.mark.parametrize("order", [2, 4])
def test_band_passes_are_scipys_within_1e_11(order, edges, rate):
    theirs: Any = signal.butter(order, edges, "bandpass", fs=rate, output="sos")
    np.testing.assert_allclose(band_pass(order, edges, sample_rate=rate), theirs, rtol=1e-11, atol=0.0)


@given(
    order=st.sampled_from([2, 4, 6]),
    share=st.floats(0.001, 0.49),
    design=st.sampled_from([low_pass, high_pass]),
)
def test_every_low_and_high_pass_is_stable_and_3_db_down_at_its_edge(order, share, design):
    sections = design(order, share, sample_rate=1.0)
    assert np.all(np.abs(np.concatenate([np.roots(section[3:]) for section in sections])) < 1.0)
    delay = np.exp(-2j * np.pi * share) ** np.arange(3)
    # the edge of a Butterworth filter is where half the power passes
    response = np.prod((sections[:, :3] @ delay) / (sections[:, 3:] @ delay))
    assert abs(response) ** 2 == pytest.approx(0.5, rel=1e-6)
