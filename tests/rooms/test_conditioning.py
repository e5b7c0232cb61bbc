from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from roomplan.acoustics.direct_sound import DirectSound, find_direct_sound
from roomplan.rooms.conditioning import apply_cuts, find_knee, onset_s, remove_direct, trim_tail

RATE = 48_000


def gain_db(samples, frequency):
    clock = np.arange(len(samples)) / RATE
    return 20.0 * np.log10(abs(np.sum(samples[:, 0] * np.exp(-2j * np.pi * frequency * clock))))


def test_the_direct_sound_goes_and_everything_else_stays_whole(hall_response):
    response = hall_response()
    found = find_direct_sound(response, sample_rate=RATE)
    assert found.stands_out
    removed = remove_direct(response, found, sample_rate=RATE)
    lead, gap = round(0.005 * RATE), round(0.02 * RATE)
    assert not np.any(removed[lead : lead + gap])
    np.testing.assert_array_equal(removed[lead + gap :], response[lead + gap :])


@given(onset=st.integers(0, 400), length=st.integers(1, 240), channels=st.sampled_from([1, 2, 4]))
def test_fades_touch_one_millisecond_before_and_nothing_after_the_first_reflection(onset, length, channels):
    ones = np.ones((1_000, channels))
    direct = DirectSound(onset, onset + length, True, 20.0)
    window = remove_direct(ones, direct, sample_rate=RATE)[:, 0]
    assert np.all(window[: max(0, onset - 48)] == 1.0)
    assert np.all(window[onset + length :] == 1.0)
    assert np.all(window[onset : onset + (length + 1) // 2] < 1.0)
    assert window[onset] == 0.0 or length // 2 == length
    assert np.all(np.diff(window[max(0, onset - 48) : onset]) <= 0.0)


def test_the_onset_is_the_first_sample_within_20_db_of_the_peak():
    samples = np.zeros((1_000, 2))
    samples[100, 0], samples[240, 1], samples[300, 1] = 0.09, 0.11, 1.0
    assert onset_s(samples, sample_rate=RATE) == 100 / RATE  # channel 1 peaks at 0.09 itself
    assert onset_s(samples[:, 1:], sample_rate=RATE) == 240 / RATE


def test_a_tail_without_noise_ends_100_db_down_with_a_fade(decaying_noise):
    samples = decaying_noise(0.5, length_s=2.0, channels=2)
    assert find_knee(samples, sample_rate=RATE) is None
    trimmed = trim_tail(samples, sample_rate=RATE, knee=None)
    # The backward integral of an exponential is 100 dB down after T · 100/60; the fade follows.
    assert len(trimmed) / RATE == pytest.approx(0.5 * 100.0 / 60.0 + 0.02, rel=0.02)
    fade = round(0.02 * RATE)
    np.testing.assert_array_equal(trimmed[:-fade], samples[: len(trimmed) - fade])
    assert np.max(np.abs(trimmed[-4:])) < 0.05 * np.max(np.abs(samples[len(trimmed) - 48 : len(trimmed)]))


def test_a_tail_in_noise_ends_at_the_crosspoint_of_decay_and_noise(decaying_noise):
    # Crosspoint of exponential and noise: T · SNR / 60 (check values, section 3.6).
    samples = decaying_noise(1.0, length_s=2.5, channels=2, floor_db=-50.0)
    trimmed = trim_tail(samples, sample_rate=RATE, knee=find_knee(samples, sample_rate=RATE))
    assert len(trimmed) / RATE == pytest.approx(50.0 / 60.0 + 0.02, rel=0.04)


def test_a_response_of_a_few_samples_survives_the_trim():
    impulse = np.zeros((10, 1))
    impulse[0] = 1.0
    np.testing.assert_array_equal(trim_tail(impulse, sample_rate=RATE, knee=None), impulse)
    np.testing.assert_array_equal(trim_tail(impulse[::-1], sample_rate=RATE, knee=None), impulse[::-1])


@pytest.mark.parametrize("kind", ["low", "high"])
@pytest.mark.parametrize("cut", [80.0, 1000.0, 9000.0])
def test_cuts_are_3_db_down_at_their_frequency_and_fall_by_12_db_per_octave(kind, cut):
    impulse = np.zeros((1, 1))
    impulse[0] = 1.0
    low, high = (cut, None) if kind == "low" else (None, cut)
    result = apply_cuts(impulse, sample_rate=RATE, low_cut_hz=low, high_cut_hz=high)
    assert gain_db(result, cut) == pytest.approx(-3.01, abs=0.02)
    if cut < 5000.0:  # nearer to half the rate the bilinear transform is steeper
        # Second-order Butterworth two octaves away: −10 lg(1 + 4⁴), 12 dB per octave.
        away = cut / 4.0 if kind == "low" else cut * 4.0
        assert gain_db(result, away) == pytest.approx(-10.0 * np.log10(257.0), abs=0.8)


def test_cuts_ring_out_to_120_db_down():
    impulse = np.ones((1, 2))
    result = apply_cuts(impulse, sample_rate=RATE, low_cut_hz=30.0, high_cut_hz=8000.0)
    longer = apply_cuts(
        np.pad(impulse, ((0, 4 * RATE), (0, 0))), sample_rate=RATE, low_cut_hz=30.0, high_cut_hz=8000.0
    )
    missing = np.sum(longer[len(result) :] ** 2) / np.sum(longer**2)
    assert 10.0 * np.log10(missing) < -115.0


@pytest.mark.parametrize("kind", ["low", "high"])
@pytest.mark.parametrize("cut", [20.0, 120.0, 9000.0])
def test_cuts_are_the_exact_filter_within_1e_11_of_its_peak_as_scipys_are(kind, cut):
    # The truth: section and recursion in extended precision. Rounded coefficients err by 1e-11 at 20 Hz.
    samples = np.random.default_rng(5).standard_normal((4800, 1))
    low, high = (cut, None) if kind == "low" else (None, cut)
    ours = apply_cuts(samples, sample_rate=RATE, low_cut_hz=low, high_cut_hz=high)[:4800, 0]
    section = signal.butter(2, cut, "highpass" if kind == "low" else "lowpass", fs=RATE, output="sos")
    theirs = np.asarray(signal.sosfilt(section, samples[:, 0]))

    long = np.longdouble
    warped = np.tan(4 * np.arctan(long(1)) * long(cut) / RATE)
    below = 1 + np.sqrt(long(2)) * warped + warped**2
    b = (np.array([1, -2, 1], long) if kind == "low" else np.array([1, 2, 1], long) * warped**2) / below
    a1, a2 = 2 * (warped**2 - 1) / below, (1 - np.sqrt(long(2)) * warped + warped**2) / below
    exact, first, second = np.empty(4800, long), long(0), long(0)
    for place, sample in enumerate(samples[:, 0].astype(long)):
        exact[place] = b[0] * sample + first
        first, second = b[1] * sample - a1 * exact[place] + second, b[2] * sample - a2 * exact[place]

    for found in (ours, theirs):
        assert float(np.max(np.abs(found - exact)) / np.max(np.abs(exact))) < 1e-11


def test_without_cuts_the_samples_are_the_same_object():
    samples = np.ones((10, 1))
    for off in (None, 0.0):
        assert apply_cuts(samples, sample_rate=RATE, low_cut_hz=off, high_cut_hz=off) is samples
    assert apply_cuts(samples, sample_rate=RATE, low_cut_hz=None, high_cut_hz=30_000.0) is samples
