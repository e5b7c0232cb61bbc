"""Margins of one sound over another: against loops over windows, and what must not change them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roomplan.loudness.gating import passing_blocks
from roomplan.loudness.margins import margin_of_hops, passage_hops

RATE = 48_000
LOUD = 10.0 ** (-23.0 / 10.0) * RATE / 50.0  # hop sum of one channel at −23 dB


def sums(levels_db):
    """Hop sums of a sound with these levels under −23 dB per hop."""
    return LOUD * 10.0 ** (np.asarray(levels_db, dtype=np.float64) / 10.0)


def margin(of, over, gate=None):
    return margin_of_hops(of, over, sample_rate=RATE, gate_sums=of if gate is None else gate)


def by_loops(of, over):
    """The definition, window by window."""
    passing = passing_blocks(of, sample_rate=RATE)
    found = []
    for start in range(of.size - 150 + 1):
        middle = start + 75
        if any(passing[b] and 5 * b <= middle < 5 * b + 20 for b in range(passing.size)):
            found.append(10.0 * np.log10(of[start : start + 150].sum() / over[start : start + 150].sum()))
    return np.percentile(found, 10), np.median(found), np.mean(np.array(found) > 0.0), len(found)


def test_a_constant_difference_is_the_margin():
    found = margin(sums(np.zeros(500)), sums(np.full(500, -3.0)))
    assert (found.margin_db, found.median_db, found.share_above) == pytest.approx((3.0, 3.0, 1.0))
    assert found.windows == 351


@given(seed=st.integers(0, 1000))
def test_margins_are_those_of_loops_over_the_windows(seed):
    rng = np.random.default_rng(seed)
    of = sums(np.repeat(rng.uniform(-40.0, 0.0, 10), 60))
    over = sums(np.repeat(rng.uniform(-20.0, 0.0, 12), 50))
    found = margin(of, over)
    expected = by_loops(of, over)
    assert (found.margin_db, found.median_db, found.share_above, found.windows) == pytest.approx(expected)


@given(gain=st.floats(-20.0, 20.0), both=st.floats(-6.0, 6.0))
def test_a_gain_moves_the_margin_and_a_gain_on_both_does_not(gain, both):
    rng = np.random.default_rng(3)
    of, over = sums(np.repeat(rng.uniform(-6.0, 0.0, 8), 60)), sums(np.repeat(rng.uniform(-6.0, 0.0, 8), 60))
    louder = margin(of * 10.0 ** (gain / 10.0), over, gate=of)
    together = margin(of * 10.0 ** (both / 10.0), over * 10.0 ** (both / 10.0))
    assert louder.margin_db == pytest.approx(margin(of, over).margin_db + gain)
    assert together.margin_db == pytest.approx(margin(of, over).margin_db)


def test_more_silence_behind_the_sound_changes_nothing():
    of, over = sums(np.linspace(-10.0, 0.0, 400)), sums(np.linspace(0.0, -10.0, 400))
    ended, longer = (margin(np.append(of, np.zeros(n)), np.append(over, np.zeros(n))) for n in (200, 900))
    assert longer == ended


def test_only_the_time_in_which_the_first_sounds_counts():
    # 6 s of singing 3 dB over the strings, then 10 s of strings alone
    of = sums(np.concatenate([np.zeros(300), np.full(500, -80.0)]))
    found = margin(of, sums(np.full(800, -3.0)))
    assert found.share_above == pytest.approx(1.0, abs=0.25)
    assert found.margin_db == pytest.approx(3.0, abs=3.1)  # 10th percentile: windows half in the gap
    assert found.median_db == pytest.approx(3.0, abs=0.1)


def test_a_second_sound_that_is_often_silent_leaves_a_finite_margin_or_none():
    of = sums(np.zeros(1000))
    over = sums(np.full(1000, -6.0))
    over[400:] = 0.0
    found = margin(of, over)
    assert found.margin_db == pytest.approx(6.0, abs=0.1)
    assert found.median_db is None
    silent = margin(of, np.zeros(1000))
    assert silent.margin_db is None
    assert "silent whenever" in str(silent.reason)


@pytest.mark.parametrize(
    ("of", "over", "word"),
    [
        (sums(np.zeros(149)), sums(np.zeros(149)), "3 s"),
        (np.zeros(500), sums(np.zeros(500)), "never passes"),
        (sums(np.full(500, -80.0)), sums(np.zeros(500)), "never passes"),
        (sums(np.zeros(500)), np.full(500, np.nan), "not numbers"),
    ],
)
def test_what_cannot_be_said_is_none_with_its_reason(of, over, word):
    found = margin(of, over)
    assert (found.margin_db, found.median_db, found.share_above) == (None, None, None)
    assert word in str(found.reason)


def test_a_first_sound_without_the_band_is_told():
    found = margin(np.zeros(500), sums(np.zeros(500)), gate=sums(np.zeros(500)))
    assert found.margin_db is None
    assert "band" in str(found.reason)


def test_a_passage_holds_the_hops_that_lie_in_it_whole():
    assert passage_hops(0.0, 1.0, 500) == slice(0, 50)
    assert passage_hops(0.011, 0.999, 500) == slice(1, 49)
    assert passage_hops(9.0, 20.0, 500) == slice(450, 500)
    assert passage_hops(30.0, 40.0, 500) == slice(500, 500)
