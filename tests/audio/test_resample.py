"""Responses at another rate: level, time and ringing."""

from __future__ import annotations

import numpy as np
import pytest

from roomplan.audio.resample import resample_response

RATES = [
    (96000, 48000),
    (44100, 48000),
    (48000, 44100),
    (8000, 48000),
    (192000, 44100),
    (11025, 96000),
    (384000, 8000),
    (48000, 47999),  # hardly a common divisor
]


def spectrum(samples, rate, seconds=4):
    """Continuous-time spectrum in bins of 1/seconds Hz, the same bins at every rate."""
    return np.fft.rfft(samples, rate * seconds, axis=0)


def response(rate, channels=2, seconds=1.0):
    """White noise that decays by 60 dB in 0.6 s and starts at full level in frame 0."""
    frames = int(rate * seconds)
    decay = 10 ** (-3 * np.arange(frames) / rate / 0.6)
    return np.random.default_rng(5).standard_normal((frames, channels)) * decay[:, None]


def common_bins(from_rate, to_rate, seconds=4):
    """Bins from 20 Hz to 0.9 of the lower half-rate (the filter's transition begins at 0.91)."""
    top = int(0.9 * min(from_rate, to_rate) / 2)
    return slice(20 * seconds, top * seconds)


@pytest.mark.parametrize(("from_rate", "to_rate"), RATES)
def test_a_response_keeps_its_level_in_the_common_band_within_0_05_db(from_rate, to_rate):
    # Derived: a response is a density, so |H(f)|, the sum of its samples times e^(−jωt), must stay.
    samples = response(from_rate)
    resampled, _ = resample_response(samples, from_rate=from_rate, to_rate=to_rate)
    bins = common_bins(from_rate, to_rate)
    before = (np.abs(spectrum(samples, from_rate)[bins]) ** 2).sum(axis=0)
    after = (np.abs(spectrum(resampled, to_rate)[bins]) ** 2).sum(axis=0)
    assert np.abs(10 * np.log10(after / before)).max() <= 0.05


@pytest.mark.parametrize(("from_rate", "to_rate"), RATES)
def test_every_part_of_the_common_band_keeps_its_level_and_stands_at_the_lead_in_time(from_rate, to_rate):
    # 0.01 dB: the roll-off that the resampling library documents for its default ("small").
    # 1 ns: a hundredth of a degree at 20 kHz.
    samples = response(from_rate, channels=1)
    resampled, lead = resample_response(samples, from_rate=from_rate, to_rate=to_rate)
    bins = common_bins(from_rate, to_rate)
    hertz = np.fft.rfftfreq(to_rate * 4, 1 / to_rate)[bins]
    before = spectrum(samples, from_rate)[bins, 0]
    after = spectrum(resampled, to_rate)[bins, 0] * np.exp(2j * np.pi * hertz * lead / to_rate)
    for part in np.array_split(np.arange(len(hertz)), 50):
        transfer = np.vdot(before[part], after[part]) / np.vdot(before[part], before[part])
        assert abs(20 * np.log10(abs(transfer))) <= 0.01
        assert abs(np.angle(transfer)) / (2 * np.pi * hertz[part].mean()) <= 1e-9


@pytest.mark.parametrize(("from_rate", "to_rate"), RATES)
@pytest.mark.parametrize("at", [0, -1])
def test_ringing_is_kept_whole_at_both_ends(from_rate, to_rate, at):
    samples = np.zeros((500, 1))
    samples[at] = 1.0
    resampled, lead = resample_response(samples, from_rate=from_rate, to_rate=to_rate)
    peak = np.abs(resampled).max()
    edge = np.abs(np.concatenate([resampled[:5], resampled[-5:]])).max()
    assert edge <= peak * 10 ** (-150 / 20)
    # Cut at time 0, the impulse in frame 0 would lose its backward ringing.
    expected = lead + (0 if at == 0 else 499) * to_rate / from_rate
    assert abs(np.argmax(np.abs(resampled[:, 0])) - expected) <= max(1, to_rate / from_rate) / 2


def test_halving_the_rate_does_not_lose_6_db():
    # The gain at 0 Hz is the sum of the taps: 1 before and after (design: 6.02 dB lost otherwise).
    samples = np.zeros((1000, 1))
    samples[100] = 1.0
    resampled, _ = resample_response(samples, from_rate=96000, to_rate=48000)
    assert resampled.sum() == pytest.approx(1.0, abs=1e-6)


def test_equal_rates_change_nothing_and_give_a_copy():
    samples = response(48000)
    resampled, lead = resample_response(samples, from_rate=48000, to_rate=48000)
    assert lead == 0
    assert np.array_equal(resampled, samples)
    assert resampled is not samples


def test_channels_do_not_touch_each_other():
    samples = response(44100, channels=4)
    together, _ = resample_response(samples, from_rate=44100, to_rate=48000)
    assert together.dtype == np.float64
    for channel in range(4):
        alone, _ = resample_response(samples[:, [channel]], from_rate=44100, to_rate=48000)
        assert np.array_equal(together[:, [channel]], alone)


@pytest.mark.parametrize(("from_rate", "to_rate"), RATES)
def test_the_lead_is_only_as_long_as_the_ringing(from_rate, to_rate):
    _, lead = resample_response(np.ones((1, 1)), from_rate=from_rate, to_rate=to_rate)
    assert 138 * to_rate / min(from_rate, to_rate) <= lead <= 161 * to_rate / min(from_rate, to_rate)
