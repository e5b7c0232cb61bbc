"""Truncation. Expected crosspoint of an exponential over noise: T · SNR / 60 (from the definition)."""

from __future__ import annotations

import numpy as np
import pytest
from acoustic_signals import NEPER_60_DB, decaying_noise, envelope, number, times
from hypothesis import given
from hypothesis import strategies as st

from roomplan.acoustics import find_truncation, schroeder_curve

RATE = 24000


def exact(decay_time_s, seconds, floor_db=None):
    """Energy without any scatter."""
    energy = envelope(decay_time_s, seconds, RATE) ** 2
    return energy if floor_db is None else energy + 10.0 ** (-floor_db / 10.0)


@pytest.mark.parametrize("floor_db", [60.0, 45.0, 35.0, 25.0])
@pytest.mark.parametrize("decay_time_s", [0.2, 1.0, 4.0])
def test_crosspoint_noise_and_late_slope_of_an_exact_decay_over_a_floor(decay_time_s, floor_db):
    found = find_truncation(exact(decay_time_s, 2.0 * decay_time_s, floor_db), sample_rate=RATE)
    assert found.ends_in_noise
    assert found.crosspoint / RATE == pytest.approx(decay_time_s * floor_db / 60.0, rel=0.005)
    assert found.noise_power == pytest.approx(10.0 ** (-floor_db / 10.0), rel=0.005)
    assert found.late_decay_time_s == pytest.approx(decay_time_s, rel=0.005)
    tail = 10.0 ** (-floor_db / 10.0) * decay_time_s / NEPER_60_DB * RATE
    assert found.tail_energy == pytest.approx(tail, rel=0.01)


@pytest.mark.parametrize("floor_db", [60.0, 45.0, 35.0, 25.0])
def test_decaying_noise_over_a_floor_is_found_without_bias(floor_db):
    found = [
        find_truncation(decaying_noise(seed, 1.0, 2.0, RATE, floor_db) ** 2, sample_rate=RATE)
        for seed in range(30)
    ]
    assert np.mean([f.crosspoint / RATE for f in found]) == pytest.approx(floor_db / 60.0, rel=0.005)
    assert np.mean([f.noise_power for f in found]) == pytest.approx(10.0 ** (-floor_db / 10.0), rel=0.01)
    assert np.mean([number(f.late_decay_time_s) for f in found]) == pytest.approx(1.0, rel=0.015)


def test_a_record_without_visible_noise_ends_at_its_end():
    found = find_truncation(decaying_noise(1, 2.0, 0.8, RATE) ** 2, sample_rate=RATE)
    assert (found.crosspoint, found.noise_power, found.ends_in_noise) == (round(0.8 * RATE), 0.0, False)
    assert found.peak_to_noise_db == pytest.approx(24.0, abs=2.0)
    assert found.late_decay_time_s == pytest.approx(2.0, rel=0.05)


def test_the_tail_that_was_cut_off_is_put_back():
    decay_time = 1.5
    whole = exact(decay_time, 3.0).sum()
    curve = schroeder_curve(exact(decay_time, 0.6), sample_rate=RATE)
    assert curve[0] == pytest.approx(whole, rel=1e-4)
    level = 10.0 * np.log10(curve / curve[0])
    assert level == pytest.approx(-60.0 * times(0.6, RATE) / decay_time, abs=0.01)


@pytest.mark.parametrize("silence_s", [0.0, 0.5, 3.0])
@pytest.mark.parametrize("fade_s", [0.0, 0.05, 0.25])
@pytest.mark.parametrize("floor_db", [None, 50.0])
def test_a_fade_or_cut_with_silence_behind_is_left_out(floor_db, fade_s, silence_s):
    decay_time, cut = 1.5, 2.1  # -84 dB: far under the floor, if there is one
    for seed in range(5):
        sound = decaying_noise(seed, decay_time, cut, RATE, floor_db)
        faded = round(fade_s * RATE)
        if faded:
            sound[-faded:] *= np.cos(0.5 * np.pi * np.arange(faded) / faded) ** 2
        energy = np.concatenate([sound, np.zeros(round(silence_s * RATE))]) ** 2
        found = find_truncation(energy, sample_rate=RATE)
        # a fade shorter than a block of 2.5 dB (62 ms here) is not seen, and does not matter
        assert found.crosspoint <= round(cut * RATE) - (0.3 * faded if fade_s > 0.062 else 0)
        assert found.late_decay_time_s == pytest.approx(decay_time, rel=0.1)
        if floor_db is not None:
            assert found.ends_in_noise
            assert found.noise_power == pytest.approx(10.0 ** (-floor_db / 10.0), rel=0.12)
            assert found.crosspoint / RATE == pytest.approx(decay_time * floor_db / 60.0, rel=0.03)
        else:
            assert not found.ends_in_noise
            assert found.crosspoint >= round(cut * RATE) - 2.5 * faded - 0.1 * RATE


@pytest.mark.parametrize("gap_s", [0.01, 0.2])
@pytest.mark.parametrize("spike", [0.0, 3.0, 300.0])
def test_a_leading_gap_with_or_without_an_impulse_ahead_of_it_changes_nothing(gap_s, spike):
    sound = decaying_noise(7, 1.0, 2.0, RATE, 55.0)
    plain = find_truncation(sound**2, sample_rate=RATE)
    gap = round(gap_s * RATE)
    led = np.concatenate([np.random.default_rng(8).normal(size=gap) * 10.0**-2.75, sound])
    led[0] += spike
    found = find_truncation(led**2, sample_rate=RATE)
    assert found.crosspoint - gap == pytest.approx(plain.crosspoint, rel=0.01)
    assert found.noise_power == pytest.approx(plain.noise_power, rel=0.02)
    assert found.late_decay_time_s == pytest.approx(plain.late_decay_time_s, rel=0.03)


def test_a_steady_hum_is_a_floor():
    sound = decaying_noise(2, 1.0, 2.5, RATE) + np.sqrt(2.0) * 10.0**-2.25 * np.sin(
        2 * np.pi * 50 * times(2.5, RATE)
    )
    found = find_truncation(sound**2, sample_rate=RATE)
    assert found.ends_in_noise
    assert found.noise_power == pytest.approx(10.0**-4.5, rel=0.03)
    assert found.crosspoint / RATE == pytest.approx(0.75, rel=0.02)


def test_a_second_slower_decay_is_not_taken_for_noise():
    energy = exact(0.6, 3.0) + 10.0**-2.0 * exact(2.0, 3.0)
    found = find_truncation(energy, sample_rate=RATE)
    assert not found.ends_in_noise
    assert found.late_decay_time_s == pytest.approx(2.0, rel=0.01)


def test_stationary_noise_has_no_late_decay():
    found = find_truncation(np.random.default_rng(5).normal(size=RATE) ** 2, sample_rate=RATE)
    assert found.late_decay_time_s is None or found.late_decay_time_s > 20.0
    assert found.peak_to_noise_db < 3.0


@pytest.mark.parametrize("energy", [np.zeros(0), np.zeros(1000), np.full(10, np.nan)])
def test_silence_and_nan_end_before_they_start(energy):
    found = find_truncation(energy, sample_rate=RATE)
    assert (found.crosspoint, found.noise_power, found.late_decay_time_s) == (0, 0.0, None)
    assert schroeder_curve(energy, sample_rate=RATE).size == 0


@given(
    frames=st.integers(1, 400),
    seed=st.integers(0, 10_000),
    slope=st.floats(-0.2, 0.2),
    zeros=st.integers(0, 200),
    scale=st.sampled_from([1e-30, 1.0, 1e30]),
)
def test_any_energy_gives_a_crosspoint_inside_the_record(frames, seed, slope, zeros, scale):
    noise = np.random.default_rng(seed).normal(size=frames) ** 2 * np.exp(slope * np.arange(frames))
    energy = scale * np.concatenate([noise, np.zeros(zeros)])
    found = find_truncation(energy, sample_rate=RATE)
    assert 0 <= found.crosspoint <= found.content_end <= energy.size
    assert found.noise_power >= 0.0
    assert np.isfinite(found.tail_energy)
    assert found.late_decay_time_s is None or found.late_decay_time_s > 0.0


@given(scale=st.floats(1e-9, 1e9))
def test_the_level_of_the_record_does_not_matter(scale):
    energy = decaying_noise(3, 0.5, 1.0, RATE, 50.0) ** 2
    plain, scaled = (find_truncation(x, sample_rate=RATE) for x in (energy, scale * energy))
    assert scaled.crosspoint == plain.crosspoint
    assert scaled.noise_power == pytest.approx(scale * plain.noise_power, rel=1e-9)
