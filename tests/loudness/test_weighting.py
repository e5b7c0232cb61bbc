"""K-weighting against ITU-R BS.1770-5, Annex 1, Tables 1 and 2, and against the two stages in a row."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from pyloudnorm.iirfilter import IIRfilter
from scipy.signal import sosfilt

from roomplan.errors import RoomplanError
from roomplan.loudness.weighting import (
    KFilter,
    k_weighting,
    k_weighting_power,
    validate_channel_weights,
    validate_sample_rate,
)

# ITU-R BS.1770-5, Annex 1: Table 1 (shelf) and Table 2 (high-pass), 48 kHz.
ITU_SHELF = (
    (1.53512485958697, -2.69169618940638, 1.19839281085285),
    (1.0, -1.69065929318241, 0.73248077421585),
)
ITU_HIGH_PASS = ((1.0, -2.0, 1.0), (1.0, -1.99004745483398, 0.99007225036621))

# Gain of both stages of those tables in a row, dB, computed from the tables to four decimals.
ITU_GAIN_DB = {
    20.0: -13.2754,
    31.5: -7.7900,
    50.0: -3.9341,
    63.0: -2.6639,
    100.0: -1.1335,
    125.0: -0.7278,
    250.0: -0.1529,
    500.0: 0.0425,
    997.0: 0.6910,
    1000.0: 0.6977,
    1500.0: 2.0355,
    2000.0: 3.0713,
    4000.0: 3.9680,
    8000.0: 4.0394,
    10000.0: 4.0419,
    16000.0: 4.0431,
}


def test_both_stages_are_the_product_of_the_itu_tables_at_48_khz():
    b, a = k_weighting(48_000)
    # 5e-12: the tables are printed to 14 decimals, the parameters behind them to about 13 digits.
    assert b == pytest.approx(np.convolve(ITU_SHELF[0], ITU_HIGH_PASS[0]), abs=5e-12)
    assert a == pytest.approx(np.convolve(ITU_SHELF[1], ITU_HIGH_PASS[1]), abs=5e-12)


@pytest.mark.parametrize(("frequency_hz", "gain_db"), ITU_GAIN_DB.items())
def test_gain_at_48_khz_is_that_of_the_itu_tables(frequency_hz, gain_db):
    assert 10 * np.log10(k_weighting_power(frequency_hz, 48_000)) == pytest.approx(gain_db, abs=1e-4)


@pytest.mark.parametrize("sample_rate", [44_100, 88_200, 96_000, 192_000])
def test_gain_below_8_khz_differs_from_48_khz_by_less_than_0_05_db(sample_rate):
    frequencies = np.geomspace(20, 8000, 60)
    difference = k_weighting_power(frequencies, sample_rate) / k_weighting_power(frequencies, 48_000)
    assert np.abs(10 * np.log10(difference)).max() < 0.05


@pytest.mark.parametrize(
    ("sample_rate", "excess_db"), [(8_000, 0.2148), (16_000, 0.086), (44_100, 0.0038), (192_000, -0.0324)]
)
def test_pass_band_moves_with_the_rate_by_the_numerator_that_is_not_rescaled(sample_rate, excess_db):
    # Bilinear transform of a second-order high-pass: the gain is 1 + K/Q + K² with K = tan(π·38.1 Hz/fs) when
    # the numerator stays (1, −2, 1). At 150 Hz, above the high-pass and well below the shelf.
    def gain_db(rate):
        k = np.tan(np.pi * 38.13547087602444 / rate)
        return 20 * np.log10(1 + k / 0.5003270373238773 + k * k)

    assert gain_db(sample_rate) - gain_db(48_000) == pytest.approx(excess_db, abs=0.0005)
    found = 10 * np.log10(k_weighting_power(150.0, sample_rate) / k_weighting_power(150.0, 48_000))
    assert found == pytest.approx(excess_db, abs=0.003)


def test_power_response_is_zero_at_0_hz_and_keeps_the_shape():
    power = k_weighting_power(np.array([[0.0, 997.0]]), 48_000)
    assert power.shape == (1, 2)
    assert power[0, 0] == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("sample_rate", [8_000, 11_025, 48_000, 192_000])
def test_one_fourth_order_filter_equals_the_two_stages_in_a_row(sample_rate):
    shelf = IIRfilter(
        3.999843853973347, 0.7071752369554196, 1681.974450955533, sample_rate, "high_shelf_DeMan"
    )
    high = IIRfilter(0.0, 0.5003270373238773, 38.13547087602444, sample_rate, "high_pass_DeMan")
    sections = np.array([[*shelf.b, *shelf.a], [*high.b, *high.a]])
    sound = np.random.default_rng(3).standard_normal((1, 2 * sample_rate)) + 0.5
    expected = sosfilt(sections, sound)
    assert np.abs(KFilter(sample_rate, 1)(sound) - expected).max() < 1e-7


@pytest.mark.parametrize("sample_rate", [8_000, 11_025, 39_904, 44_100, 48_000, 88_200, 96_000, 192_000])
def test_design_is_pyloudnorms_to_the_last_bit(sample_rate):
    shelf = IIRfilter(
        3.999843853973347, 0.7071752369554196, 1681.974450955533, sample_rate, "high_shelf_DeMan"
    )
    high = IIRfilter(0.0, 0.5003270373238773, 38.13547087602444, sample_rate, "high_pass_DeMan")
    b, a = k_weighting(sample_rate)
    np.testing.assert_array_equal(b, np.convolve(shelf.b, high.b))
    np.testing.assert_array_equal(a, np.convolve(shelf.a, high.a))


def test_design_cannot_be_changed_by_a_caller():
    b, _ = k_weighting(48_000)
    with pytest.raises(ValueError, match="read-only"):
        b[0] = 0.0


def test_filter_output_does_not_depend_on_the_split_to_the_last_bit():
    sound = np.random.default_rng(4).standard_normal((3, 100_000)).astype(np.float32)
    whole = KFilter(8_000, 3)(sound)
    split = KFilter(8_000, 3)
    cuts = [0, 1, 7_999, 8_000, 8_001, 8_001, 40_000, 90_001, 100_000]
    parts = [split(sound[:, i:j]) for i, j in pairwise(cuts)]
    assert np.array_equal(np.concatenate(parts, axis=1), whole)
    assert whole.dtype == np.float64


def test_row_is_awake_from_its_first_sound_until_it_has_rung_out():
    sample_rate = 8_000
    k_filter = KFilter(sample_rate, 3)
    silence = np.zeros((3, sample_rate))
    assert k_filter.awake(silence).tolist() == []
    sound = silence.copy()
    sound[1, 7_990] = 1.0
    assert k_filter.awake(sound).tolist() == [1]
    k_filter(sound, k_filter.awake(sound))
    assert k_filter.awake(silence).tolist() == [1]
    for _ in range(2):
        k_filter(silence, k_filter.awake(silence))
    assert k_filter.awake(silence).tolist() == []


def test_skipping_rows_that_sleep_changes_nothing():
    rng = np.random.default_rng(5)
    blocks = rng.standard_normal((8, 3, 4_000))
    blocks[:5, 0] = 0.0
    blocks[2:, 2] = 0.0
    every, some = KFilter(8_000, 3), KFilter(8_000, 3)
    for block in blocks:
        rows = some.awake(block)
        partly = np.zeros_like(block)
        partly[rows] = some(block, rows)
        assert np.array_equal(partly, every(block))


def test_long_silence_leaves_no_denormal_numbers_in_the_filter():
    k_filter = KFilter(8_000, 1)
    k_filter(np.ones((1, 4_000)))
    rung_out = k_filter(np.zeros((1, 80_000)))
    nonzero = np.abs(rung_out[rung_out != 0])
    assert nonzero.min() > np.finfo(np.float64).tiny


@pytest.mark.parametrize("sample_rate", [0, -48_000, 7_999, 192_001, 44_100.5])
def test_sample_rate_outside_the_range_is_refused_with_the_range(sample_rate):
    with pytest.raises(RoomplanError, match="8000 to 192000 Hz"):
        validate_sample_rate(sample_rate)


def test_roles_of_more_than_two_channels_are_never_guessed():
    assert validate_channel_weights(1, None).tolist() == [1.0]
    assert validate_channel_weights(2, None).tolist() == [1.0, 1.0]
    with pytest.raises(RoomplanError, match="roles of 5 channels are unknown"):
        validate_channel_weights(5, None)


@pytest.mark.parametrize("weights", [[1.0], [1.0, -1.0], [1.0, float("nan")], [[1.0, 1.0]]])
def test_weights_that_do_not_fit_are_refused(weights):
    with pytest.raises(RoomplanError, match="do not fit 2 channels"):
        validate_channel_weights(2, weights)
