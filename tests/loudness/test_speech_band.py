"""The speech band against its definition (1 to 4 kHz) and scipy's cascade, and as a stream."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import butter, sosfilt

from roomplan.errors import RoomplanError
from roomplan.loudness.speech_band import SpeechBandFilter, speech_weighting

RATES = [8_000, 8_012, 8_192, 11_025, 12_000, 16_000, 22_050, 44_100, 48_000, 88_200, 96_000, 192_000]


def gain_db(frequencies_hz, sample_rate):
    z = np.exp(2j * np.pi * np.asarray(frequencies_hz, dtype=float) / sample_rate)
    stages = [np.polyval(b, z) / np.polyval(a, z) for b, a in speech_weighting(sample_rate)]
    return 20 * np.log10(np.abs(np.prod(stages, axis=0)))


def butterworth_gain_db(frequencies_hz):
    """Analogue band-pass of fourth order, edges 1 and 4 kHz, from its definition: 1/(1 + Ω⁸)."""
    f = np.asarray(frequencies_hz, dtype=float)
    normalised = (f**2 - 1_000 * 4_000) / (f * (4_000 - 1_000))
    return -10 * np.log10(1 + normalised**8)


@pytest.mark.parametrize("sample_rate", RATES)
def test_lower_edge_is_3_db_down_and_the_middle_is_not_at_every_rate(sample_rate):
    assert gain_db(1_000.0, sample_rate) == pytest.approx(-10 * np.log10(2), abs=1e-6)
    assert gain_db(2_000.0, sample_rate) == pytest.approx(0.0, abs=0.005)


@pytest.mark.parametrize("sample_rate", [rate for rate in RATES if rate > 8_080])
def test_upper_edge_is_3_db_down_wherever_it_is_below_half_the_rate(sample_rate):
    assert gain_db(4_000.0, sample_rate) == pytest.approx(-10 * np.log10(2), abs=1e-6)


@pytest.mark.parametrize("sample_rate", [8_000, 8_012])
def test_band_is_a_high_pass_where_its_upper_edge_is_half_the_rate(sample_rate):
    assert len(speech_weighting(sample_rate)) == 1
    assert gain_db(np.linspace(2_000, sample_rate / 2, 20), sample_rate) == pytest.approx(0.0, abs=0.005)


@pytest.mark.parametrize("sample_rate", [rate for rate in RATES if rate >= 16_000])
def test_band_is_flat_within_a_tenth_of_a_decibel_between_its_edges(sample_rate):
    assert np.abs(gain_db(np.linspace(1_350, 3_100, 50), sample_rate)).max() < 0.1


@pytest.mark.parametrize(("sample_rate", "fall_db"), [(8_000, 0.3725), (11_025, 0.1635), (16_000, 0.101)])
def test_lower_shoulder_is_rounder_at_low_rates_by_the_amount_stated(sample_rate, fall_db):
    # Ω of the band-pass in tan(π f/fs), which is what the bilinear transform makes of its definition; at
    # 8 kHz the upper edge is at infinity and Ω is that of a high-pass.
    low, here = (np.tan(np.pi * f / sample_rate) for f in (1_000, 1_300))
    if sample_rate == 8_000:
        normalised = low / here
    else:
        high = np.tan(np.pi * 4_000 / sample_rate)
        normalised = (here**2 - low * high) / (here * (high - low))
    assert gain_db(1_300.0, sample_rate) == pytest.approx(-10 * np.log10(1 + normalised**8), abs=1e-6)
    assert gain_db(1_300.0, sample_rate) == pytest.approx(-fall_db, abs=0.0005)


def test_response_at_192_khz_is_that_of_the_analogue_band_pass():
    frequencies = np.geomspace(100, 6_000, 60)
    assert gain_db(frequencies, 192_000) == pytest.approx(butterworth_gain_db(frequencies), abs=0.25)


@pytest.mark.parametrize("sample_rate", RATES)
def test_bass_and_hum_do_not_reach_the_band(sample_rate):
    assert gain_db(np.array([50.0, 125.0, 250.0]), sample_rate).max() < -49.0


@pytest.mark.parametrize("sample_rate", [8_000, 8_192, 11_025, 48_000, 192_000])
def test_stages_equal_the_cascade_of_second_order_sections(sample_rate):
    edges = (1_000, 4_000) if sample_rate > 8_080 else 1_000
    kind = "bandpass" if sample_rate > 8_080 else "highpass"
    sections = butter(4, edges, kind, fs=sample_rate, output="sos")
    sound = np.random.default_rng(3).standard_normal((1, 2 * sample_rate)) + 0.5
    assert np.abs(SpeechBandFilter(sample_rate, 1)(sound) - sosfilt(sections, sound)).max() < 1e-9


@pytest.mark.parametrize(
    ("frequency_hz", "level_db"), [(500, -31.7), (1_000, -3.01), (2_000, 0.0), (4_000, -3.01)]
)
def test_a_sine_comes_out_at_the_level_of_the_power_response(frequency_hz, level_db):
    time = np.arange(48_000) / 48_000
    sine = np.sqrt(2) * np.sin(2 * np.pi * frequency_hz * time)
    band = SpeechBandFilter(48_000, 1)(sine[None])[0, 24_000:]
    assert 10 * np.log10(np.mean(band**2)) == pytest.approx(level_db, abs=0.05)
    assert 10 * np.log10(np.mean(band**2)) == pytest.approx(gain_db(frequency_hz, 48_000), abs=1e-4)


def test_design_cannot_be_changed_by_a_caller():
    (b, _), _ = speech_weighting(48_000)
    with pytest.raises(ValueError, match="read-only"):
        b[0] = 0.0


def test_nothing_passes_at_0_hz():
    assert gain_db(np.array([1e-3]), 48_000)[0] < -200


@pytest.mark.parametrize("sample_rate", [7_999, 192_001])
def test_sample_rate_outside_the_range_is_refused(sample_rate):
    with pytest.raises(RoomplanError, match="8000 to 192000 Hz"):
        SpeechBandFilter(sample_rate, 2)


@settings(max_examples=25, deadline=None)
@given(sample_rate=st.sampled_from([8_000, 11_025]), cuts=st.lists(st.integers(0, 40_000), max_size=8))
def test_output_does_not_depend_on_the_split_to_the_last_bit(sample_rate, cuts):
    sound = np.random.default_rng(4).standard_normal((3, 40_000)).astype(np.float32)
    sound[:, 10_000:30_000] = 0.0
    split = SpeechBandFilter(sample_rate, 3)
    parts = [split(sound[:, i:j]) for i, j in pairwise((0, *sorted(cuts), 40_000))]
    assert np.array_equal(np.concatenate(parts, axis=1), SpeechBandFilter(sample_rate, 3)(sound))


def test_row_is_awake_from_its_first_sound_until_it_has_rung_out():
    sample_rate = 11_025
    band = SpeechBandFilter(sample_rate, 3)
    silence = np.zeros((3, sample_rate))
    assert band.awake(silence).tolist() == []
    sound = silence.copy()
    sound[1, -10] = 1.0
    assert band.awake(sound).tolist() == [1]
    assert band(sound, band.awake(sound)).shape == (1, sample_rate)
    assert band.awake(silence).tolist() == [1]
    for _ in range(2):
        band(silence, band.awake(silence))
    assert band.awake(silence).tolist() == []


def test_skipping_rows_that_sleep_changes_nothing():
    rng = np.random.default_rng(5)
    blocks = rng.standard_normal((8, 3, 4_000))
    blocks[:5, 0] = 0.0
    blocks[2:, 2] = 0.0
    every, some = SpeechBandFilter(11_025, 3), SpeechBandFilter(11_025, 3)
    for block in blocks:
        rows = some.awake(block)
        partly = np.zeros_like(block)
        partly[rows] = some(block, rows)
        assert np.array_equal(partly, every(block))


def test_the_block_handed_in_is_left_as_it_was():
    block = np.random.default_rng(6).standard_normal((2, 4_000))
    before = block.copy()
    SpeechBandFilter(8_000, 2)(block)
    assert np.array_equal(block, before)
