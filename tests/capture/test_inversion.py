"""Inversion against the worked values of its formulas, pyfar, and a Hilbert transform by scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import hilbert

from roomplan.capture.clock import lag_between
from roomplan.capture.inversion import inverse_of, line_frequencies, shifted, to_responses, to_spectra
from roomplan.capture.sweep import Sweep, sweep_samples

pyfar = pytest.importorskip("pyfar")

RATE = 48_000
SWEEP = Sweep(20.0, 20_000.0, 3.0, RATE, level=0.0)
INVERSE = inverse_of(SWEEP, frames=5 * RATE)
LINES = line_frequencies(INVERSE.frames, RATE)


def test_the_target_is_one_within_the_band_and_of_minimum_phase():
    band = (LINES >= 20.0) & (LINES <= 20_000.0)
    assert np.max(np.abs(np.abs(INVERSE.target[band]) - 1.0)) < 1e-9
    # the phase of minimum phase is minus the Hilbert transform of the logarithm of the magnitude
    half = np.log(np.maximum(np.abs(INVERSE.target), 1e-10))
    whole = np.concatenate([half, half[-2:0:-1]])
    phase = -np.angle(np.exp(1j * np.imag(np.asarray(hilbert(whole)))))[: half.size]
    loud = np.abs(INVERSE.target) > 1e-4
    assert np.max(np.abs(np.exp(1j * phase[loud]) - np.exp(1j * np.angle(INVERSE.target[loud])))) < 1e-6


def test_nothing_rings_ahead_of_the_target():
    # measured by others with zero phase: -35 dB
    target = to_responses(INVERSE.target, INVERSE.frames)
    ahead = np.sum(target[INVERSE.frames // 2 :] ** 2)
    assert 10.0 * np.log10(ahead / np.sum(target**2)) < -150.0


def test_within_the_band_the_inverse_is_that_of_pyfar():
    sweep = pyfar.Signal(np.pad(sweep_samples(SWEEP), (0, INVERSE.frames))[: INVERSE.frames], RATE)
    other = pyfar.dsp.RegularizedSpectrumInversion.from_frequency_range(sweep, [20, 20_000]).invert
    # pyfar states its spectra without normalising signals of energy
    found = np.squeeze(other.freq)
    band = (LINES > 25.0) & (LINES < 19_000.0)
    ours = INVERSE.spectrum[band] / INVERSE.target[band]
    assert np.max(np.abs(ours / found[band] - 1.0)) < 1e-3


def test_a_recorded_sweep_becomes_what_it_went_through():
    rng = np.random.default_rng(2)
    room = rng.normal(size=4000) * np.exp(-np.arange(4000) / 500.0)
    recorded = np.convolve(sweep_samples(SWEEP), room)[:, None]
    found = to_responses(to_spectra(recorded, INVERSE), INVERSE.frames)[0]
    wanted = np.fft.irfft(np.fft.rfft(room, INVERSE.frames) * INVERSE.target, INVERSE.frames)
    assert np.sum((found - wanted) ** 2) < 1e-24 * np.sum(wanted**2)


def test_noise_in_a_band_of_the_response_is_that_of_the_formula():
    # 4 σ² (fb² - fa²) / (fs³ L): σ 0.01, 500 Hz to 8 kHz, 10 s from 20 Hz to 24 kHz: 1.635e-10
    constant = 10.0 / np.log(24_000.0 / 20.0)
    formula = 4.0 * 1e-4 * (8000.0**2 - 500.0**2) / (RATE**3 * constant)
    assert formula == pytest.approx(1.635e-10, rel=1e-3)
    sweep = Sweep(20.0, 20_000.0, constant * np.log(1000.0), RATE, level=0.0)
    inverse = inverse_of(sweep, frames=12 * RATE)
    noise = 0.01 * np.random.default_rng(8).normal(size=(inverse.frames, 1))
    spectrum = np.fft.rfft(noise[:, 0]) * inverse.spectrum
    lines = line_frequencies(inverse.frames, RATE)
    left = to_responses(spectrum * ((lines > 500.0) & (lines < 8000.0)), inverse.frames)
    assert np.mean(left**2) == pytest.approx(1.635e-10, rel=0.01)
    # gain over one sample of equal peak: 10 lg(fs² L / (2 (fa + fb))) = 52.81 dB
    assert 10.0 * np.log10(RATE**2 * constant / (2.0 * 8500.0)) == pytest.approx(52.81, abs=0.01)


def test_twice_the_length_gains_3_db():
    noise = np.random.default_rng(5).normal(size=1 << 19)
    power = []
    for seconds in (2.0, 4.0):
        inverse = inverse_of(Sweep(20.0, 20_000.0, seconds, RATE), frames=1 << 18)
        spectrum = np.fft.rfft(noise, inverse.frames) * inverse.spectrum
        # a noise as long as the transform, whatever that is
        power.append(
            np.mean(to_responses(spectrum, inverse.frames) ** 2) / min(1.0, noise.size / inverse.frames)
        )
    assert 10.0 * np.log10(power[0] / power[1]) == pytest.approx(3.01, abs=0.2)


@pytest.mark.parametrize("ppm", [5, 20, 50, 100, 200])
def test_a_clock_error_disperses_as_the_formula_says_and_the_sweep_at_that_clock_repairs_it(ppm):
    # The delay ε L ln(f/f_ref) alone, on a flat band: its highest point between samples. (On the samples the
    # peak is lower by up to 3.9 dB more, by where they happen to lie.)
    sweep = Sweep(20.0, 20_000.0, 10.0, RATE)
    drifted = sweep_samples(sweep, clock=ppm * 1e-6)[:, None]
    plain, mended = (inverse_of(sweep, frames=11 * RATE, clock=clock) for clock in (0.0, ppm * 1e-6))
    lines = line_frequencies(plain.frames, RATE)
    hertz = np.maximum(lines, 1.0)
    turn = 2.0 * np.pi * ppm * 1e-6 * sweep.rate_constant * (hertz * np.log(hertz / 1000.0) - hertz)
    formula = np.abs(plain.target) * np.exp(-1j * turn)

    def crest(spectrum):
        return 20.0 * np.log10(np.max(np.abs(np.fft.irfft(spectrum, 8 * plain.frames))))

    found = [
        crest(to_spectra(drifted, each)[0] * np.exp(-1j * np.angle(each.target))) for each in (plain, mended)
    ]
    assert found[0] == pytest.approx(crest(formula), abs=0.3)
    assert found[1] == pytest.approx(crest(np.abs(plain.target).astype(complex)), abs=1e-3)


def test_dispersion_delays_high_frequencies_by_the_logarithm_of_their_ratio():
    # 50 ppm, 10 s: 333.3 µs from 100 Hz to 10 kHz
    sweep = Sweep(20.0, 20_000.0, 10.0, RATE)
    inverse = inverse_of(sweep, frames=11 * RATE)
    drifted = to_spectra(sweep_samples(sweep, clock=5e-5)[:, None], inverse)[0]
    phase = np.unwrap(np.angle(drifted / inverse.target))
    step = 2.0 * np.pi * RATE / inverse.frames
    delays = [
        -(phase[at + 20] - phase[at - 20]) / (40.0 * step)
        for at in (round(f * inverse.frames / RATE) for f in (100.0, 10_000.0))
    ]
    assert delays[1] - delays[0] == pytest.approx(333.3e-6, abs=2e-6)
    assert delays[1] - delays[0] == pytest.approx(5e-5 * sweep.rate_constant * np.log(100.0), rel=5e-3)


@pytest.mark.parametrize("lag", [0.0, 72.0, 1440.37, -3.25])
def test_the_lag_of_equal_sounds_is_found_to_a_thousandth_of_a_frame(lag):
    rng = np.random.default_rng(3)
    size = 1 << 14
    first = np.fft.rfft(rng.normal(size=(2, size)))
    found, like = lag_between(first, shifted(first, size, -lag), size)
    assert found == pytest.approx(lag, abs=1e-3)
    assert like == pytest.approx(1.0, abs=1e-3)
