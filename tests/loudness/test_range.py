"""Loudness range: EBU Tech 3342, libebur128 (pyebur128), the algebra, and what has none."""

from __future__ import annotations

import numpy as np
import pyebur128
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomplan.loudness import BusPowers, gating, loudness_of_hops, loudness_over_time
from roomplan.loudness.hops import hop_starts

RATE = 8_000
PER_HOP = 160

# EBU Tech 3342, Table 1: 1000 Hz in both channels, 20 s per level in dBFS peak; published tolerance ±1 LU.
# The expected range is also what pyebur128 0.1.1 (libebur128 1.2.6) reads, to three decimals. Cases 5 and 6
# are recordings and cannot be synthesised.
CASES = {
    1: ([-20, -30], 10.0),
    2: ([-20, -15], 5.0),
    3: ([-40, -20], 20.0),
    4: ([-50, -35, -20, -35, -50], 15.0),
}


def hops_at(*stretches):
    """Hop sums of (seconds, LUFS) stretches; None is silence."""
    return np.concatenate(
        [
            np.full(round(seconds * 50), 0.0 if level is None else PER_HOP * 10 ** ((level + 0.691) / 10))
            for seconds, level in stretches
        ]
    )


def range_of(sums):
    return loudness_of_hops(sums, sample_rate=RATE).loudness_range_lu


def libebur128_range(sound, sample_rate):
    modes = pyebur128.MeasurementMode
    state = pyebur128.R128State(sound.shape[1], sample_rate, modes.MODE_S | modes.MODE_LRA)
    state.add_frames(np.ascontiguousarray(sound).ravel(), len(sound))
    return pyebur128.get_loudness_range(state)


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("times", [1, 2])
def test_tech_3342_case_reads_its_range_and_the_same_when_repeated_whole(case, times, tone, read):
    levels, expected = CASES[case]
    loudness_range = read(tone(*[(20, level) for level in levels] * times)).loudness.loudness_range_lu
    assert loudness_range == pytest.approx(expected, abs=0.001)


@pytest.mark.parametrize("sample_rate", [8_000, 44_100, 48_000, 96_000])
def test_range_of_gated_noise_reads_as_in_libebur128(sample_rate, gated_noise, read):
    sound = gated_noise(min(60, 2_400_000 / sample_rate), sample_rate=sample_rate, channels=1)
    # Slow changes on top, so that the 3 s windows differ.
    sound *= 10.0 ** (np.sin(np.arange(len(sound)) / sample_rate / 3.0)[:, None])
    expected = libebur128_range(sound, sample_rate)
    assert expected > 5.0
    # The agreed tolerance is 0.1 LU; step, gates and ranks are the same or they are not.
    assert read(sound, sample_rate=sample_rate).loudness.loudness_range_lu == pytest.approx(
        expected, abs=1e-6
    )


def test_range_takes_the_nearest_ranks_of_values_one_second_apart():
    rng = np.random.default_rng(3)
    sums = rng.uniform(0.001, 1.0, 50 * 61 + 7)
    powers = [sums[k * 50 : k * 50 + 150].mean() / PER_HOP for k in range(59)]
    passing = np.sort([p for p in powers if p >= np.mean(powers) / 100.0])
    low, high = passing[round(0.10 * (passing.size - 1))], passing[round(0.95 * (passing.size - 1))]
    assert range_of(sums) == pytest.approx(10 * np.log10(high / low), abs=1e-9)


def test_range_gate_is_twenty_lu_under_the_mean_of_what_passes_70_lufs():
    # 60 s at −20 and 60 s at x: the mean is half the power of −20, the gate −43.0 LUFS.
    assert range_of(hops_at((60, -20.0), (60, -42.5))) == pytest.approx(22.5, abs=1e-6)
    # All but a few windows across the step fail, and no tenth of the rest is lower than −20.
    assert range_of(hops_at((60, -20.0), (60, -43.5))) == pytest.approx(0.0, abs=1e-9)
    assert range_of(hops_at((60, -20.0), (600, -71.0))) == pytest.approx(0.0, abs=1e-9)


def test_a_value_on_the_absolute_gate_passes_as_in_libebur128():
    on_the_gate = np.array([10.0 ** ((-70.0 + 0.691) / 10.0)])
    assert gating._range(on_the_gate) == (on_the_gate[0], on_the_gate[0])
    assert gating._range(on_the_gate * 0.999) is None


def test_steady_sound_has_a_range_of_nothing():
    assert range_of(hops_at((30, -23.0))) == pytest.approx(0.0, abs=1e-9)


@settings(max_examples=30, deadline=None, derandomize=True)
@given(gain_db=st.floats(-20.0, 20.0), seed=st.integers(0, 1000))
def test_gain_shifts_every_figure_but_not_the_range_of_a_sound_far_over_the_gate(gain_db, seed):
    levels = np.random.default_rng(seed).uniform(-45.0, -25.0, 40)
    sums = hops_at(*[(1, level) for level in levels])
    plain = loudness_of_hops(sums, sample_rate=RATE)
    louder = loudness_of_hops(sums * 10.0 ** (gain_db / 10.0), sample_rate=RATE)
    assert louder.loudness_range_lu == pytest.approx(plain.loudness_range_lu, abs=1e-9)
    assert louder.integrated_lufs == pytest.approx(plain.integrated_lufs + gain_db, abs=1e-9)
    assert louder.short_term_max_lufs == pytest.approx(plain.short_term_max_lufs + gain_db, abs=1e-9)


def test_range_of_a_bus_comes_from_the_algebra_without_its_sound(gated_noise, read):
    sound = gated_noise(20, sample_rate=RATE)
    other = gated_noise(20, sample_rate=RATE, seed=8)
    powers = BusPowers([[0.7, -0.4]], sample_rate=RATE)
    powers.feed(np.stack([sound.T, other.T]))
    powers.finish()
    measured = read(0.7 * sound - 0.4 * other, sample_rate=RATE).loudness.loudness_range_lu
    assert measured > 1.0
    assert range_of(powers.sums(0)) == pytest.approx(measured, abs=1e-6)


@pytest.mark.parametrize(
    ("sums", "reason"),
    [
        (hops_at((2.98, -20.0)), "loudness range needs 3 s of sound, there are 2.98 s of whole 20 ms hops"),
        (hops_at((8, None)), "digital silence"),
        (
            hops_at((8, -85.0)),
            "no 3 s window is above the gate at -70 LUFS (the loudest 3 s are at -85.0 LUFS)",
        ),
        (np.full(400, np.nan), "not a finite number from 0.00 s on"),
    ],
)
def test_what_has_no_range_says_why(sums, reason):
    result = loudness_of_hops(sums, sample_rate=RATE)
    assert result.loudness_range_lu is None
    assert result.reasons["loudness_range_lu"] == reason


@pytest.mark.parametrize("sample_rate", [8_000, 12_346])
def test_loudness_over_time_ends_with_its_windows_and_peaks_at_the_maxima(sample_rate):
    rng = np.random.default_rng(5)
    sums = rng.uniform(0.0, 1.0, 401) * np.diff(hop_starts(401, sample_rate))
    course = loudness_over_time(sums, sample_rate=sample_rate)
    result = loudness_of_hops(sums, sample_rate=sample_rate)
    assert course.momentary_lufs.max() == pytest.approx(result.momentary_max_lufs, abs=1e-12)
    assert course.short_term_lufs.max() == pytest.approx(result.short_term_max_lufs, abs=1e-12)
    assert course.momentary_lufs.shape == course.momentary_time_s.shape == (382,)
    assert course.short_term_lufs.shape == course.short_term_time_s.shape == (252,)
    assert course.momentary_time_s[[0, -1]] == pytest.approx([0.4, 8.02], abs=1e-4)
    assert course.short_term_time_s[[0, -1]] == pytest.approx([3.0, 8.02], abs=1e-4)


def test_loudness_over_time_shows_silence_as_minus_infinity_and_what_is_not_finite_as_nan():
    sums = np.concatenate((np.zeros(30), np.full(30, np.nan)))
    course = loudness_over_time(sums, sample_rate=RATE)
    assert np.all(course.momentary_lufs[:11] == -np.inf)
    assert np.all(np.isnan(course.momentary_lufs[11:]))
    assert course.short_term_lufs.size == course.short_term_time_s.size == 0
