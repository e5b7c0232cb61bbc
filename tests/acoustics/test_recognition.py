"""What is no impulse response is recognised, and no response is taken for something else."""

from __future__ import annotations

import numpy as np
import pytest
from made_responses import FAMILIES, made_responses
from scipy.signal import chirp, fftconvolve
from scipy.stats import rankdata

from roomplan.acoustics.recognition import _ranks, recognise_other_sound


def decay(decay_time_s, seconds, rate, seed=5):
    time_s = np.arange(round(seconds * rate)) / rate
    noise = np.random.default_rng(seed).normal(size=time_s.size)
    return noise * 10.0 ** (-3.0 * time_s / decay_time_s)


def recognised(samples, rate):
    return recognise_other_sound(np.reshape(samples, (len(samples), -1)), sample_rate=rate)


def sweep(seconds, rate, *, method="logarithmic", down=False):
    """From 20 Hz to near half the rate, half a second of silence ahead and 2 s behind."""
    time_s = np.arange(round(seconds * rate)) / rate
    ends = (0.45 * rate, 20.0) if down else (20.0, 0.45 * rate)
    return np.pad(chirp(time_s, ends[0], seconds, ends[1], method), (rate // 2, 2 * rate))


@pytest.mark.parametrize("rate", [8_000, 44_100, 96_000])
@pytest.mark.parametrize("seconds", [2, 10])
@pytest.mark.parametrize("method", ["logarithmic", "linear"])
def test_a_sweep_played_in_a_room_with_noise_is_recognised(rate, seconds, method):
    played = fftconvolve(sweep(seconds, rate, method=method), decay(1.5, 2.0, rate))
    played /= np.abs(played).max()
    assert recognised(played, rate) == "sweep"
    assert recognised(played + 0.01 * decay(1e9, played.size / rate, rate, seed=6), rate) == "sweep"


def test_a_falling_sweep_is_recognised():
    assert recognised(sweep(5, 48_000, down=True), 48_000) == "sweep"


def test_four_seconds_of_noise_or_held_chords_are_recognised_as_steady():
    rate = 48_000
    time_s = np.arange(4 * rate) / rate
    chords = sum(np.sin(2.0 * np.pi * hz * time_s) for hz in (220.0, 277.2, 329.6))
    assert recognised(decay(1e9, 4.0, rate), rate) == "steady"
    assert recognised(chords * (1.0 + 0.5 * np.sin(2.0 * np.pi * 0.7 * time_s)), rate) == "steady"


@pytest.mark.parametrize("quiet_s", [0.0, 4.0])
def test_music_that_grows_over_seconds_from_a_soft_passage_is_recognised_as_late(quiet_s):
    rate = 48_000
    time_s = np.arange(10 * rate) / rate
    chords = sum(np.sin(2.0 * np.pi * hz * time_s) for hz in (220.0, 277.2, 329.6))
    softly = np.where((time_s > 1.0) & (time_s < 2.2), 0.3, 1.0)
    grown = chords * softly * 10.0 ** ((time_s - 10.0) * 0.6 / 20.0)
    assert recognised(np.pad(grown, (round(quiet_s * rate), rate)), rate) == "late"


def test_a_reversed_decay_of_two_seconds_is_a_response():
    assert recognised(decay(2.0, 2.0, 48_000)[::-1], 48_000) is None


def test_struck_notes_that_come_again_for_seconds_are_recognised():
    rate = 48_000
    struck = np.tile(decay(0.4, 0.5, rate), 12)
    assert recognised(struck, rate) == "repeated"


@pytest.mark.parametrize("family", FAMILIES)
def test_no_made_response_is_taken_for_another_sound(family):
    for made in made_responses(family, 12):
        assert recognised(made.samples, made.sample_rate) is None


@pytest.mark.parametrize("decay_time_s", [0.1, 0.3, 1.0, 5.0, 12.0, 40.0])
@pytest.mark.parametrize("seconds", [0.5, 4.0, 20.0])
def test_no_decay_over_noise_25_db_down_is_taken_for_another_sound(decay_time_s, seconds):
    rate = 8_000
    floor = 10.0 ** (-25.0 / 20.0) * decay(1e9, seconds, rate, seed=7)
    assert recognised(decay(decay_time_s, seconds, rate) + floor, rate) is None


def test_a_dark_nave_whose_highs_die_first_is_no_falling_sweep():
    rate = 48_000
    nave = decay(9.0, 9.0, rate)
    spectrum = np.fft.rfft(nave)
    frequencies = np.fft.rfftfreq(nave.size, 1.0 / rate)
    dark = np.fft.irfft(spectrum / np.maximum(1.0, frequencies / 80.0) ** 1.5, nave.size)
    bright = decay(0.8, 9.0, rate, seed=8)
    assert recognised(dark / dark.std() + bright / bright.std(), rate) is None


def test_a_gated_plateau_is_a_response():
    rate = 48_000
    gated = np.concatenate([decay(1e9, 0.5, rate), np.zeros(4 * rate)])
    assert recognised(gated, rate) is None


@pytest.mark.parametrize("values", [1, 2, 5, 1000])
def test_ranks_are_scipys_ties_included(values):
    numbers = np.random.default_rng(9).integers(0, values, 300).astype(float)
    np.testing.assert_array_equal(_ranks(numbers), rankdata(numbers))
