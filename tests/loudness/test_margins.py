"""Margins against their definition, taken literally from samples, and what may and may not move them."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from roomplan.loudness.hops import HopSums, hop_starts
from roomplan.loudness.margins import MARGIN_LIMIT_DB, MarginFigure, margin_of_hops, passage_hops
from roomplan.loudness.speech_band import SpeechBandFilter
from roomplan.loudness.weighting import KFilter

RATE = 8_000
PER_HOP = 160


def hops_at(*stretches):
    """Hop sums of (seconds, LUFS) stretches; None is silence."""
    return np.concatenate(
        [
            np.full(round(seconds * 50), 0.0 if level is None else PER_HOP * 10 ** ((level + 0.691) / 10))
            for seconds, level in stretches
        ]
    )


def margin(of, over, **more):
    return margin_of_hops(of, over, sample_rate=RATE, **more)


def samples_at(stretches, seed, sample_rate=RATE):
    """Noise of (seconds, dB RMS) stretches."""
    rng = np.random.default_rng(seed)
    return np.concatenate(
        [
            rng.standard_normal(round(seconds * sample_rate)) * (0.0 if level is None else 10 ** (level / 20))
            for seconds, level in stretches
        ]
    )


def sums_of(samples, sample_rate=RATE):
    hops = HopSums(sample_rate, 1)
    hops.feed(samples[None])
    return hops.sums


def from_the_definition(of, over, sample_rate):
    """Margins of all times, straight from samples: every block, its gates, the 3 s around its middle."""

    def frame(tenths):
        return min(max(round(tenths * sample_rate / 10), 0), len(of))

    blocks = []
    start = 0
    while (start + 4) * sample_rate <= 10 * len(of):
        blocks.append((start, float(np.mean(of[frame(start) : frame(start + 4)] ** 2))))
        start += 1
    above = [power for _, power in blocks if -0.691 + 10 * math.log10(power + 1e-300) > -70]
    gate = max(10 ** ((-70 + 0.691) / 10), 0.1 * sum(above) / len(above)) if above else math.inf
    margins = []
    for start, power in blocks:
        if power > gate:
            window = slice(frame(start + 2 - 15), frame(start + 2 + 15))
            first, second = float(np.sum(of[window] ** 2)), float(np.sum(over[window] ** 2))
            margins.append(math.inf if second == 0 else 10 * math.log10(first / second))
    return sorted(margins)


LEVELS = st.one_of(st.none(), st.floats(-60, 0))
STRETCHES = st.lists(st.tuples(st.floats(0.1, 3), LEVELS), min_size=1, max_size=8)


@settings(max_examples=60, deadline=None)
@given(of=STRETCHES, over=STRETCHES, sample_rate=st.sampled_from([8_000, 12_000]))
@example(of=[(6, -20)], over=[(6, -26)], sample_rate=8_000)
@example(of=[(2, -20), (4, None)], over=[(3, None), (3, -26)], sample_rate=12_000)
def test_margin_is_that_of_its_definition_taken_literally_from_samples(of, over, sample_rate):
    first, second = samples_at(of, 1, sample_rate), samples_at(over, 2, sample_rate)
    length = min(len(first), len(second)) * 50 // sample_rate * sample_rate // 50
    assume(length >= 3 * sample_rate)
    first, second = first[:length], second[:length]
    expected = from_the_definition(first, second, sample_rate)
    assume(expected)
    found = margin_of_hops(sums_of(first, sample_rate), sums_of(second, sample_rate), sample_rate=sample_rate)
    assert found.windows == len(expected)
    low = expected[math.floor((len(expected) - 1) * 0.1 + 0.5)]
    middle = expected[math.floor((len(expected) - 1) * 0.5 + 0.5)]
    assert found.margin_db == pytest.approx(max(min(low, MARGIN_LIMIT_DB), -MARGIN_LIMIT_DB), abs=1e-9)
    assert found.median_db == pytest.approx(max(min(middle, MARGIN_LIMIT_DB), -MARGIN_LIMIT_DB), abs=1e-9)
    assert found.share_above == pytest.approx(sum(value > 0 for value in expected) / len(expected))


def test_steady_signals_have_the_difference_of_their_levels_as_margin_at_every_block():
    found = margin(hops_at((10, -20.0)), hops_at((10, -23.5)))
    assert found.margin_db == pytest.approx(3.5)
    assert found.median_db == pytest.approx(3.5)
    assert (found.share_above, found.windows, found.reason) == (1.0, 97, None)


def test_one_tenth_of_the_time_may_lie_below_the_margin_and_no_more():
    # 100 s of steady signal against one that comes up by 20 dB for the last 5 or 20 s: 5 % and 20 % of it
    of = hops_at((100, -20.0))
    assert margin(of, hops_at((95, -30.0), (5, -10.0))).margin_db == pytest.approx(10.0, abs=0.01)
    assert margin(of, hops_at((80, -30.0), (20, -10.0))).margin_db == pytest.approx(-10.0, abs=0.1)
    assert margin(of, hops_at((80, -30.0), (20, -10.0))).share_above == pytest.approx(0.8, abs=0.02)


def test_only_the_times_at_which_the_first_signal_is_heard_count():
    of = hops_at((10, -20.0), (10, -45.0), (10, None))
    over = hops_at((11.7, -30.0), (18.3, -10.0))  # loud from 1.7 s after the last sound that counts
    found = margin(of, over)
    # The eleventh of 100 times from the end: its window reaches 0.6 s into the quiet stretch of 3 s.
    assert found.margin_db == pytest.approx(10.0 + 10 * math.log10(2.4 / 3), abs=0.02)
    assert found.windows == 100  # block starts from 0 to 9.9 s: the last still holds 100 ms, at −26 LUFS


def test_gates_are_judged_on_the_sums_given_for_them():
    band, over = hops_at((10, -50.0), (10, -20.0)), hops_at((20, -40.0))
    loudness = hops_at((10, -20.0), (10, None))  # heard in the first half only, where the band is weak
    assert (margin(band, over).margin_db or 0.0) > 10.0
    found = margin(band, over, gate_sums=loudness)
    assert found.median_db == pytest.approx(-10.0, abs=0.01)
    assert found.windows == 100


def test_a_bass_drone_covers_a_voice_in_the_whole_spectrum_and_not_in_the_speech_band():
    sample_rate = 16_000
    time = np.arange(6 * sample_rate) / sample_rate
    voice, drone = np.sin(2 * np.pi * 2_000 * time) * 0.1, np.sin(2 * np.pi * 250 * time)
    full, speech = (
        [sums_of(weighting(sample_rate, 1)(sound[None])[0], sample_rate) for sound in (voice, drone)]
        for weighting in (KFilter, SpeechBandFilter)
    )
    assert margin_of_hops(*full, sample_rate=sample_rate).margin_db == pytest.approx(-20 + 3.1, abs=0.2)
    found = margin_of_hops(*speech, sample_rate=sample_rate, gate_sums=full[0])
    # Speech band at 250 Hz and 16 kHz: −55.87 dB (Butterworth, see test_speech_band); switching on adds.
    assert found.median_db == pytest.approx(-20 + 55.87, abs=0.1)


@settings(max_examples=50, deadline=None)
@given(of=STRETCHES, over=STRETCHES, gain_db=st.floats(-20, 20))
def test_a_gain_on_the_first_signal_moves_the_margin_by_itself(of, over, gain_db):
    # Levels far above the absolute gate: only silence stays under it.
    first = sums_of(samples_at([(s, None if x is None else x / 3 + 40) for s, x in of], 1))
    second = sums_of(samples_at(over, 2))
    hops = min(len(first), len(second))
    assume(hops >= 150)
    before = margin(first[:hops], second[:hops])
    assume(before.margin_db is not None)
    after = margin(first[:hops] * 10 ** (gain_db / 10), second[:hops])
    assert after.windows == before.windows
    for name in ("margin_db", "median_db"):
        was, is_now = getattr(before, name), getattr(after, name)
        if abs(was) < MARGIN_LIMIT_DB and abs(is_now) < MARGIN_LIMIT_DB:
            assert is_now == pytest.approx(was + gain_db, abs=1e-9)


@settings(max_examples=50, deadline=None)
@given(of=STRETCHES, over=STRETCHES, gain_db=st.floats(0, 40))
def test_a_gain_on_both_changes_nothing_while_all_is_above_the_absolute_gate(of, over, gain_db):
    first = sums_of(samples_at([(s, None if x is None else x / 3) for s, x in of], 1))
    second = sums_of(samples_at(over, 2))
    hops = min(len(first), len(second))
    before = margin(first[:hops], second[:hops])
    after = margin(first[:hops] * 10 ** (gain_db / 10), second[:hops] * 10 ** (gain_db / 10))
    assert after.windows == before.windows
    assert after.reason == before.reason
    assert after.margin_db == pytest.approx(before.margin_db, abs=1e-9)
    assert after.median_db == pytest.approx(before.median_db, abs=1e-9)


@settings(max_examples=50, deadline=None)
@given(of=STRETCHES, over=STRETCHES, silence=st.integers(0, 400))
def test_silence_added_to_an_end_that_is_silent_already_changes_nothing(of, over, silence):
    first, second = sums_of(samples_at(of, 1)), sums_of(samples_at(over, 2))
    hops = min(len(first), len(second))
    assume(hops >= 130)
    first, second = (np.pad(sums[:hops], (0, 20)) for sums in (first, second))
    before = margin(first, second)
    assert margin(np.pad(first, (0, silence)), np.pad(second, (0, silence))) == before


@settings(max_examples=30, deadline=None)
@given(of=STRETCHES, steps=st.integers(0, 80))
def test_silence_before_the_first_sound_changes_nothing_either_in_whole_steps(of, steps):
    first = np.pad(sums_of(samples_at(of, 1)), (20, 0))
    second = np.full(len(first), 1e-3)
    second[:20] = 0.0
    assume(len(first) >= 150)
    before = margin(first, second)
    after = margin(np.pad(first, (steps * 5, 0)), np.pad(second, (steps * 5, 0)))
    assert after == before


def test_a_silent_other_makes_infinite_margins_that_count_by_rank_and_are_never_printed():
    of = hops_at((20, -20.0))
    some = margin(of, hops_at((10, -30.0), (10, None)))
    assert some.margin_db == pytest.approx(10.0)
    assert some.share_above == 1.0
    assert some.reason is None
    mostly = margin(of, hops_at((3, -30.0), (17, None)))
    # Rank 20 of 197: its window, from 0.7 s, holds 2.3 s of the other signal.
    assert mostly.margin_db == pytest.approx(10.0 - 10 * math.log10(2.3 / 3))
    assert mostly.median_db == MARGIN_LIMIT_DB
    assert "median is 60 dB or more" in str(mostly.reason)
    never = margin(of, np.zeros(1_000))
    assert (never.margin_db, never.median_db, never.share_above) == (MARGIN_LIMIT_DB, MARGIN_LIMIT_DB, 1.0)
    assert never.reason == "60 dB or more: `over` is almost silent where `of` sounds"


def test_a_signal_without_power_in_the_band_is_60_db_or_more_below():
    loudness = hops_at((10, -20.0))
    found = margin(np.zeros(500), hops_at((10, -30.0)), gate_sums=loudness)
    assert (found.margin_db, found.median_db, found.share_above) == (-MARGIN_LIMIT_DB, -MARGIN_LIMIT_DB, 0.0)
    assert str(found.reason).startswith("60 dB or more below")


def test_times_at_which_neither_has_power_in_the_band_are_left_out():
    loudness = hops_at((20, -20.0))
    found = margin(hops_at((10, -30.0), (10, None)), hops_at((10, -34.0), (10, None)), gate_sums=loudness)
    # Windows that begin before 10 s: blocks from 0 to 11.2 s.
    assert found.windows == 113
    assert found.margin_db == pytest.approx(4.0)
    nothing = margin(np.zeros(1_000), np.zeros(1_000), gate_sums=loudness)
    assert nothing == MarginFigure(
        None, None, None, 0, "neither has any power in this band while `of` sounds"
    )


@pytest.mark.parametrize(
    ("of", "over", "reason"),
    [
        (hops_at((2.98, -20.0)), hops_at((2.98, -20.0)), "a margin needs 3 s of sound, there are 2.98 s"),
        (np.empty(0), np.empty(0), "a margin needs 3 s of sound, there are 0.00 s"),
        (np.zeros(200), hops_at((4, -20.0)), "`of` is digital silence"),
        (hops_at((4, -70.1)), hops_at((4, -90.0)), "`of` never passes the gates"),
        (np.full(200, np.nan), hops_at((4, -20.0)), "not a finite number from 0.00 s on"),
        (
            hops_at((4, -20.0)),
            np.r_[np.ones(100), np.full(100, np.inf)],
            "not a finite number from 2.00 s on",
        ),
    ],
)
def test_what_cannot_be_said_is_none_with_its_reason(of, over, reason):
    found = margin(of, over)
    assert (found.margin_db, found.median_db, found.share_above, found.windows) == (None, None, None, 0)
    assert str(found.reason).startswith(reason)


def test_three_seconds_are_enough():
    assert margin(hops_at((3, -20.0)), hops_at((3, -21.0))).margin_db == pytest.approx(1.0)


def test_gate_sums_that_are_not_finite_are_seen():
    found = margin(np.ones(200), np.ones(200), gate_sums=np.full(200, np.nan))
    assert found.reason == "not a finite number from 0.00 s on"


@pytest.mark.parametrize("gate", [None, np.ones(200), np.ones(201)])
def test_signals_of_different_length_are_refused(gate):
    with pytest.raises(ValueError, match="not of one length"):
        margin(np.ones(200), np.ones(201), gate_sums=gate)


def test_hops_of_unequal_length_at_odd_rates_give_the_same_margin():
    frames = np.diff(hop_starts(300, 11_025)).astype(float)
    found = margin_of_hops(frames, frames / 2, sample_rate=11_025)
    assert found.margin_db == pytest.approx(10 * math.log10(2), abs=1e-12)


@settings(deadline=None)
@given(
    st.lists(st.floats(0, 100), min_size=2, max_size=6, unique=True).map(sorted),
    st.integers(0, 5_500),
)
def test_passages_that_meet_share_no_hop_and_lose_none(moments, hops):
    table = np.arange(hops)
    parts = [table[passage_hops(a, b, hops)] for a, b in pairwise(moments)]
    assert np.array_equal(np.concatenate(parts), table[passage_hops(moments[0], moments[-1], hops)])


@pytest.mark.parametrize(
    ("start_s", "end_s", "expected"),
    [
        (0.0, 1.0, (0, 50)),
        (12.5, 48.0, (625, 1_000)),
        (0.009, 0.031, (0, 2)),
        (0.011, 0.029, (1, 1)),
        (20.0, 30.0, (1_000, 1_000)),
        (25.0, 30.0, (1_000, 1_000)),
    ],
)
def test_a_passage_takes_the_nearest_hops_there_are(start_s, end_s, expected):
    found = passage_hops(start_s, end_s, 1_000)
    assert (found.start, found.stop) == expected


def test_nothing_outside_a_passage_has_a_part_in_its_margin():
    of, over = hops_at((5, -5.0), (5, -20.0), (5, -5.0)), hops_at((5, -5.0), (5, -26.0), (5, 0.0))
    part = passage_hops(5, 10, len(of))
    found = margin(of[part], over[part])
    assert found.margin_db == pytest.approx(6.0)
    assert found.windows == 47
