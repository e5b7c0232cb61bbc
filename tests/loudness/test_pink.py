"""The pink formula against pink noise that was really made, convolved and metered."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, fftconvolve, sosfilt, sosfreqz

from roomplan.errors import RoomplanError
from roomplan.loudness import k_weighting_power, pink_power


def pink_noise(seconds, sample_rate, seed):
    """Gaussian noise with density 1/f from 20 Hz to 20 kHz, none outside."""
    frames = round(seconds * sample_rate)
    rng = np.random.default_rng(seed)
    spectrum = np.fft.rfft(rng.standard_normal(frames))
    frequencies = np.fft.rfftfreq(frames, 1 / sample_rate)
    inside = (frequencies >= 20) & (frequencies <= 20_000)
    shaped = np.where(inside, spectrum / np.sqrt(np.maximum(frequencies, 1.0)), 0.0)
    noise = np.fft.irfft(shaped, frames)
    return 0.1 * noise / noise.std()


def diffuse_response(sample_rate, decay_s, seed):
    rng = np.random.default_rng(seed)
    time = np.arange(round(1.2 * decay_s * sample_rate)) / sample_rate
    noise = rng.standard_normal((len(time), 2)) * 10 ** (-3 * time / decay_s)[:, None]
    return np.asarray(sosfilt(butter(1, 6_000, fs=sample_rate, output="sos"), noise, axis=0))


@pytest.mark.parametrize(("sample_rate", "decay_s"), [(44_100, 0.4), (48_000, 2.0)])
def test_metered_pink_noise_changes_by_what_the_formula_says(sample_rate, decay_s, read):
    noise = pink_noise(60, sample_rate, seed=11)
    response = diffuse_response(sample_rate, decay_s, seed=12)
    before = read(noise[:, None], sample_rate=sample_rate).loudness.integrated_lufs
    predicted = 10 * np.log10(pink_power(response, sample_rate=sample_rate))
    for channel in range(2):
        wet = fftconvolve(noise, response[:, channel])[: len(noise), None]
        after = read(wet, sample_rate=sample_rate).loudness.integrated_lufs
        assert after - before == pytest.approx(predicted[channel], abs=0.1)


def test_unit_impulse_changes_nothing_however_late_or_long():
    response = np.zeros((70_001, 3))
    response[0, 0] = 1.0
    response[30_000, 1] = -1.0
    response[70_000, 2] = 1.0
    assert pink_power(response, sample_rate=48_000) == pytest.approx(1.0, abs=1e-12)
    assert pink_power(np.ones((1, 1)), sample_rate=48_000) == pytest.approx(1.0, abs=1e-12)


def test_power_goes_with_the_square_of_the_gain():
    response = diffuse_response(48_000, 0.3, seed=1)
    assert pink_power(3.0 * response, sample_rate=48_000) == pytest.approx(
        9.0 * pink_power(response, sample_rate=48_000), rel=1e-12
    )


@pytest.mark.parametrize("sample_rate", [16_000, 48_000, 96_000])
def test_two_taps_are_the_integral_of_their_comb(sample_rate):
    response = np.zeros((97, 1))
    response[0], response[96] = 1.0, 0.8
    frequencies = np.geomspace(20, min(20_000, sample_rate / 2), 400_001)
    weight = k_weighting_power(frequencies, sample_rate)  # even steps of ln f: the 1/f is in the grid
    comb = np.abs(1 + 0.8 * np.exp(-2j * np.pi * frequencies * 96 / sample_rate)) ** 2
    expected = np.trapezoid(comb * weight) / np.trapezoid(weight)
    assert pink_power(response, sample_rate=sample_rate) == pytest.approx([expected], rel=2e-5)


def test_recursive_filter_is_the_integral_of_its_response():
    high_pass = butter(2, 300, btype="high", fs=48_000, output="sos")
    impulse = np.zeros((48_000, 1))
    impulse[0] = 1.0
    frequencies = np.geomspace(20, 20_000, 200_001)
    weight = k_weighting_power(frequencies, 48_000)
    gain = np.abs(sosfreqz(high_pass, worN=frequencies, fs=48_000)[1]) ** 2
    expected = np.trapezoid(gain * weight) / np.trapezoid(weight)
    found = pink_power(np.asarray(sosfilt(high_pass, impulse, axis=0)), sample_rate=48_000)
    assert found == pytest.approx([expected], rel=1e-5)


def test_energy_above_20_khz_counts_for_nothing():
    # A high-pass at 30 kHz of a 96 kHz response passes next to nothing of the band.
    sound = np.zeros((9_600, 1))
    sound[0] = 1.0
    response = np.asarray(sosfilt(butter(8, 30_000, btype="high", fs=96_000, output="sos"), sound, axis=0))
    assert 10 * np.log10(pink_power(response, sample_rate=96_000)[0]) < -30


def test_silent_and_empty_responses_return_nothing():
    assert pink_power(np.zeros((100, 2)), sample_rate=48_000).tolist() == [0.0, 0.0]
    assert pink_power(np.zeros((0, 2)), sample_rate=48_000).tolist() == [0.0, 0.0]


def test_float32_responses_are_measured_in_float64():
    response = diffuse_response(48_000, 0.3, seed=2).astype(np.float32)
    wide = pink_power(response.astype(np.float64), sample_rate=48_000)
    assert np.array_equal(pink_power(response, sample_rate=48_000), wide)


def test_sample_rate_outside_the_range_is_refused():
    with pytest.raises(RoomplanError, match="8000 to 192000 Hz"):
        pink_power(np.ones((10, 1)), sample_rate=4_000)
