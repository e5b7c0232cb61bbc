"""Bands against IEC 61260-1:2014 (mid-bands and class 1 limits as transcribed in the check values)."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from acoustic_signals import decaying_tone, envelope
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from roomplan.acoustics.bands import (
    ALL_OCTAVE_CENTRES_HZ,
    OCTAVE_CENTRES_HZ,
    band_edges,
    band_filter,
    band_group_delay,
    band_response,
    bandwidth,
    exact_mid_band,
    ring_time,
    split_bands,
)
from roomplan.errors import RoomplanError

RATE = 48000
G = 10.0**0.3

# IEC 61260-1:2014, 5.4, base ten
EXACT_OCTAVES = (
    31.6228, 63.0957, 125.8925, 251.1886, 501.1872, 1000.0, 1995.2623, 3981.0717, 7943.2823, 15848.9319,
)  # fmt: skip
THIRDS = {
    100: 100.0, 125: 125.8925, 160: 158.4893, 200: 199.5262, 250: 251.1886, 315: 316.2278, 400: 398.1072,
    500: 501.1872, 630: 630.9573, 800: 794.3282, 1000: 1000.0, 1250: 1258.9254, 1600: 1584.8932,
    2000: 1995.2623, 2500: 2511.8864, 3150: 3162.2777, 4000: 3981.0717, 5000: 5011.8723, 6300: 6309.5734,
    8000: 7943.2823, 10000: 10000.0,
}  # fmt: skip

# IEC 61260-1:2014, Table 1, class 1: limits of gain, dB, at f/f_m = G^(x/b); the row of the band edge is
# split into "just inside" and "just outside"
INSIDE = (
    (0.0, -0.4, 0.4),
    (1 / 8, -0.5, 0.4),
    (1 / 4, -0.7, 0.4),
    (3 / 8, -1.4, 0.4),
    (0.4999999, -5.3, 0.4),
)
OUTSIDE = ((0.5000001, -1.2), (1.0, -16.6), (2.0, -40.5), (3.0, -60.0), (4.0, -70.0))


def gain_db(frequencies, centre, fraction):
    response = band_response(frequencies, centre_hz=centre, sample_rate=RATE, fraction=fraction)
    reference = band_response([exact_mid_band(centre)], centre_hz=centre, sample_rate=RATE, fraction=fraction)
    return 20.0 * np.log10(np.maximum(np.abs(response / reference), 1e-12))


def test_exact_octave_mid_bands_are_those_of_the_base_ten_system():
    assert [exact_mid_band(nominal) for nominal in ALL_OCTAVE_CENTRES_HZ] == pytest.approx(
        EXACT_OCTAVES, rel=1e-6
    )


def test_exact_third_octave_mid_bands_are_those_of_the_base_ten_system():
    assert [exact_mid_band(nominal) for nominal in THIRDS] == pytest.approx(list(THIRDS.values()), rel=1e-6)


def test_band_edges_of_one_kilohertz_are_those_of_the_standard():
    assert band_edges(1000) == pytest.approx((707.946, 1412.538), abs=1e-3)
    assert band_edges(1000, fraction=3) == pytest.approx((891.251, 1122.018), abs=1e-3)


@pytest.mark.parametrize("fraction", [1, 3])
@pytest.mark.parametrize("centre", ALL_OCTAVE_CENTRES_HZ)
def test_filters_keep_class_1_limits_of_iec_61260_1_2014(centre, fraction):
    if band_edges(centre, fraction=fraction)[1] > RATE / 2:
        pytest.fail("no band is left out at 48 kHz")
    exact = exact_mid_band(centre)
    for side in (1.0, -1.0):
        for (x0, low0, high0), (x1, low1, high1) in pairwise(INSIDE):
            x = np.linspace(x0, x1, 40)
            gain = gain_db(exact * G ** (side * x / fraction), centre, fraction)
            assert np.all(gain >= np.interp(x, (x0, x1), (low0, low1)) - 1e-9)
            assert np.all(gain <= np.interp(x, (x0, x1), (high0, high1)))
        for (x0, high0), (x1, high1) in pairwise(OUTSIDE):
            x = np.linspace(x0, x1, 40)
            frequencies = exact * G ** (side * x / fraction)
            under = frequencies < RATE / 2
            gain = gain_db(frequencies[under], centre, fraction)
            assert np.all(gain <= np.interp(x, (x0, x1), (high0, high1))[under])
        beyond = exact * G ** (side * np.linspace(4.0, 8.0, 50) / fraction)
        assert np.all(gain_db(beyond[beyond < RATE / 2], centre, fraction) <= -70.0)


def test_third_octave_filters_keep_class_1_limits_at_the_standards_own_breakpoints():
    # IEC 61260-1:2014, 5.10.3 (formula from memory): the breakpoints of a third are those of an octave
    # brought closer by (G^(1/6) - 1) / (G^(1/2) - 1), which allows more than G^(x/3)
    closer = (G ** (1 / 6) - 1.0) / (G**0.5 - 1.0)
    for x, limit in OUTSIDE[1:]:
        ratio = 1.0 + closer * (G**x - 1.0)
        assert np.all(gain_db(np.array([1000.0 * ratio, 1000.0 / ratio]), 1000, 3) <= limit)


@pytest.mark.parametrize(("fraction", "order"), [(1, 3), (3, 4)])
def test_magnitude_is_that_of_scipys_analogue_butterworth(fraction, order):
    low, high = band_edges(500, fraction=fraction)
    frequencies = np.linspace(100.0, 1500.0, 500)
    design: Any = signal.butter(order, [low, high], btype="bandpass", analog=True, output="zpk")
    points: Any = frequencies
    expected = np.asarray(signal.freqs_zpk(*design, worN=points)[1])
    found = band_response(frequencies, centre_hz=500, sample_rate=RATE, fraction=fraction)
    assert np.abs(found) == pytest.approx(np.abs(expected), rel=1e-6)
    # run backwards: the conjugate
    assert found == pytest.approx(np.conj(expected), abs=1e-6)


@pytest.mark.parametrize("fraction", [1, 3])
def test_group_delay_is_the_slope_of_the_phase(fraction):
    frequencies = np.linspace(300.0, 800.0, 2001)
    phase = np.unwrap(
        np.angle(band_response(frequencies, centre_hz=500, sample_rate=RATE, fraction=fraction))
    )
    slope = np.gradient(phase, 2.0 * np.pi * frequencies)
    lead = band_group_delay(frequencies, centre_hz=500, fraction=fraction)
    assert lead[1:-1] == pytest.approx(slope[1:-1], rel=1e-4)


@pytest.mark.parametrize("centre", OCTAVE_CENTRES_HZ)
def test_an_impulse_rings_ahead_of_itself_and_not_after(centre):
    impulse = np.zeros((RATE // 2, 1))
    impulse[RATE // 4] = 1.0
    energy = band_filter(impulse, sample_rate=RATE, centre_hz=centre)[:, 0] ** 2
    two_periods = RATE // 4 + int(2 * RATE / centre)
    assert energy[RATE // 4 + 1 :].sum() < 1e-4 * energy.sum()
    assert energy[two_periods:].max() < 10.0**-8.0 * energy.max()


def test_a_decay_much_shorter_than_the_ringing_of_a_forward_filter_keeps_its_rate():
    # B T = 2 at 125 Hz: far below the 16 a forward filter needs (ISO 3382-2:2008, 7.3)
    decay_time = 2.0 / bandwidth(125)
    tone = decaying_tone(exact_mid_band(125), decay_time, 0.4, RATE)[:, None]
    filtered = band_filter(tone, sample_rate=RATE, centre_hz=125)[:, 0]
    period = RATE / exact_mid_band(125)
    first, last = filtered[: round(period)], filtered[round(2 * period) : round(2 * period) + round(period)]
    ratio = np.abs(last).max() / np.abs(first).max()
    assert 20.0 * np.log10(ratio) == pytest.approx(-60.0 * 2.0 * period / RATE / decay_time, abs=0.15)
    forward = signal.sosfilt(
        signal.butter(3, band_edges(125), btype="bandpass", fs=RATE, output="sos"), tone[:, 0]
    )
    level = 20.0 * np.log10(np.abs(forward[round(2 * period) : round(3 * period)]).max())
    later = 20.0 * np.log10(np.abs(forward[round(6 * period) : round(7 * period)]).max())
    assert (
        later - level > -60.0 * 4.0 * period / RATE / decay_time + 3.0
    )  # the forward filter does lengthen it


def test_a_constant_leaves_no_trace_in_any_band():
    silence = band_filter(np.ones((RATE, 1)), sample_rate=RATE, centre_hz=500)
    assert np.abs(silence[RATE // 4 : RATE // 2]).max() < 1e-6


@given(
    frames=st.integers(1, 3000),
    channels=st.integers(1, 3),
    rate=st.sampled_from([8100, 22050, 44100, 96000]),
    seed=st.integers(0, 1000),
)
def test_split_bands_add_up_to_the_input(frames, channels, rate, seed):
    samples = np.random.default_rng(seed).normal(size=(frames, channels))
    bands = split_bands(samples, sample_rate=rate, centres_hz=OCTAVE_CENTRES_HZ)
    assert bands.shape == (6, frames, channels)
    assert np.abs(bands.sum(axis=0) - samples).max() < 1e-13 * max(1.0, np.abs(samples).max())


def test_split_bands_keep_a_tone_in_its_own_band():
    tone = np.sin(2 * np.pi * exact_mid_band(1000) * np.arange(RATE) / RATE)[:, None]
    bands = split_bands(tone, sample_rate=RATE)
    middle = slice(RATE // 4, RATE // 2)
    powers = (bands[:, middle, 0] ** 2).mean(axis=1)
    assert powers[3] == pytest.approx(0.5, rel=1e-3)
    assert np.delete(powers, 3).max() < 1e-6


def test_shaping_split_bands_changes_the_decay_of_one_band_only():
    noise = np.random.default_rng(4).normal(size=(RATE, 1)) * envelope(1.0, 1.0, RATE)[:, None]
    bands = split_bands(noise, sample_rate=RATE)
    bands[2] *= envelope(1.0, 1.0, RATE)[:, None]
    shaped = bands.sum(axis=0)
    before, after = (band_filter(x, sample_rate=RATE, centre_hz=4000) for x in (noise, shaped))
    assert np.abs(before - after).max() < 1e-3 * np.abs(before).max()


def test_ring_time_is_where_the_kernel_is_120_db_down():
    for fraction in (1, 3):
        impulse = np.zeros((RATE, 1))
        impulse[-1] = 1.0
        kernel = np.abs(band_filter(impulse, sample_rate=RATE, centre_hz=500, fraction=fraction)[::-1, 0])
        quiet = kernel[int(ring_time(500, fraction=fraction) * RATE) :].max()
        # the kernel's peak lies below its first pole term: 10 dB of allowance
        assert 20.0 * np.log10(quiet / kernel.max()) < -105.0


@pytest.mark.parametrize(
    ("call", "part"),
    [
        (lambda: exact_mid_band(1100), "1100 Hz is no nominal"),
        (lambda: exact_mid_band(0), "no mid-band"),
        (lambda: band_filter(np.zeros(10), sample_rate=RATE, centre_hz=500), "axes"),
        (lambda: band_filter(np.zeros((10, 1)), sample_rate=0, centre_hz=500), "sample rate"),
        (
            lambda: band_filter(np.zeros((10, 1)), sample_rate=8000, centre_hz=4000),
            "above half the sample rate",
        ),
        (lambda: band_filter(np.zeros((10, 1)), sample_rate=RATE, centre_hz=500, fraction=2), "per octave"),
        (lambda: split_bands(np.zeros((10, 1)), sample_rate=RATE, centres_hz=()), "do not rise"),
        (lambda: split_bands(np.zeros((10, 1)), sample_rate=RATE, centres_hz=(500, 250)), "do not rise"),
        (lambda: split_bands(np.zeros((10, 1)), sample_rate=6000, centres_hz=(500, 4000)), "above half"),
    ],
)
def test_wrong_arguments_are_refused_in_one_line(call, part):
    with pytest.raises(RoomplanError, match=part) as caught:
        call()
    assert "\n" not in str(caught.value)
