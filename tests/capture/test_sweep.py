"""The sweep against the worked values of its formulas, its own spectrum, and pyfar."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roomplan.capture.sweep import Sweep, advised_seconds, sweep_samples
from roomplan.errors import RoomplanError

pyfar = pytest.importorskip("pyfar")

TEN = Sweep(20.0, 20_000.0, 10.0, 48_000)
FULL = Sweep(20.0, 20_000.0, 10.0, 48_000, level=0.0)


def test_ten_seconds_over_three_decades_have_the_rate_constant_of_the_closed_form():
    # L = T / ln(f2/f1), Farina (2000): 10 / ln 1000
    assert TEN.rate_constant == pytest.approx(1.447648, abs=5e-7)


def test_harmonics_come_early_by_the_rate_constant_times_the_logarithm_of_their_order():
    # Δt_k = L ln k, Farina (2000), worked for T = 10 s over three decades
    leads = [TEN.harmonic_lead(order) for order in (2, 3, 4)]
    assert leads == pytest.approx([1.003433, 1.590404, 2.006867], abs=1e-6)


def test_the_spectrum_falls_by_3_db_an_octave_and_has_the_phase_of_the_formula():
    # |X(f)|² = fs² L / (4 f); phase 2πfL(1 - ln(f/f1)) - π/4 with time 0 at f1 (stationary phase)
    samples = sweep_samples(FULL)
    size = 1 << 21
    spectrum = np.fft.rfft(samples, size)
    for frequency, tolerance in ((100.0, 5e-4), (1000.0, 1e-5), (10_000.0, 1e-5)):
        line = round(frequency * size / 48_000)
        exact = line * 48_000 / size
        power = 48_000**2 * FULL.rate_constant / (4.0 * exact)
        assert abs(spectrum[line]) ** 2 / power == pytest.approx(1.0, abs=tolerance)
        here = spectrum[line] * np.exp(2j * np.pi * exact * FULL.lead_in_seconds)
        phase = 2.0 * np.pi * exact * FULL.rate_constant * (1.0 - math.log(exact / 20.0)) - np.pi / 4.0
        assert abs(np.angle(here * np.exp(-1j * phase))) < 0.02


def test_the_instantaneous_frequency_is_that_of_an_independent_sweep():
    # pyfar's sweep is Farina's, in phase 0 at the start: between its fades both differ by one phase
    other = pyfar.signals.exponential_sweep_time(
        480_000, [20, 20_000], n_fade_out=0, sampling_rate=48_000
    ).time[0]
    ours = sweep_samples(FULL)
    begin = round(FULL.lead_in_seconds * 48_000)
    shift = FULL.lead_in_seconds * 48_000 - begin
    size = 1 << 20
    turned = np.fft.rfft(ours[begin : begin + 480_000], size)
    turned *= np.exp(2j * np.pi * np.arange(turned.size) / size * shift)
    band = slice(round(200 * size / 48_000), round(15_000 * size / 48_000))
    ratio = turned[band] / np.fft.rfft(other, size)[band]
    away = 2.0 * np.pi * 20.0 * FULL.rate_constant  # the "- 1" that is left off
    assert np.max(np.abs(ratio * np.exp(-1j * away) - 1.0)) < 0.03


def test_a_sweep_begins_and_ends_in_silence_and_has_its_level_between():
    samples = sweep_samples(TEN)
    assert abs(samples[0]) < 1e-9
    assert abs(samples[-1]) < 1e-3
    assert np.max(np.abs(samples)) == pytest.approx(10.0 ** (-6.0 / 20.0), rel=1e-4)


@given(clock=st.floats(-3e-4, 3e-4))
def test_a_sweep_at_another_clock_is_the_same_sound_read_at_other_times(clock):
    sweep = Sweep(50.0, 3000.0, 0.5, 48_000)
    plain, other = sweep_samples(sweep), sweep_samples(sweep, clock=clock)
    place = 12_000
    seconds = place / (48_000 * (1.0 + clock))
    offset = seconds - sweep.lead_in_seconds
    exact = sweep.amplitude * math.sin(
        2 * math.pi * 50.0 * sweep.rate_constant * math.exp(offset / sweep.rate_constant)
    )
    assert other[place] == pytest.approx(exact, abs=1e-9)
    assert abs(other.size - plain.size) <= 1 + math.ceil(abs(clock) * plain.size)


def test_a_recorder_of_a_lower_rate_keeps_the_pace_and_loses_what_is_too_high():
    other = Sweep(20.0, 22_000.0, 10.0, 48_000).at_rate(32_000)
    assert other.rate_constant == pytest.approx(10.0 / math.log(1100.0))
    assert other.end_frequency == 0.46 * 32_000
    assert other.last_frequency < 16_000
    assert TEN.at_rate(96_000).end_frequency == 20_000


def test_times_and_frequencies_of_a_sweep_answer_each_other():
    assert TEN.frequency_at(TEN.played_at(1000.0)) == pytest.approx(1000.0)
    # an octave band at 1 kHz is passed 5.66 s after 20 Hz
    assert TEN.time_of(1000.0) == pytest.approx(5.66, abs=0.01)


@pytest.mark.parametrize(("harmonic_db", "seconds"), [(-40.0, 6.6), (-20.0, 13.3)])
def test_the_advised_length_puts_the_tail_of_the_second_harmonic_out_of_the_range(harmonic_db, seconds):
    # T ≥ octaves · RT · (R + HD2) / 60 for R 60 dB, RT 2 s, 20 Hz to 20 kHz, worked by hand
    advised = advised_seconds(2.0, octaves=TEN.octaves, range_db=60.0, second_harmonic_db=harmonic_db)
    assert advised == pytest.approx(seconds, abs=0.05)


def test_the_advised_length_gains_the_range_that_is_missing_over_the_noise():
    # measured: white noise and an exponentially decaying noise of 1 s, sweep and noise in one octave
    rng = np.random.default_rng(4)
    rate, decay_s = 16_000, 1.0
    sweep = Sweep(500.0, 4000.0, 6.0, rate, level=0.0)
    room = rng.normal(size=rate) * 10.0 ** (-3.0 * np.arange(rate) / rate / decay_s)
    samples = sweep_samples(sweep)
    size = 1 << 18
    recorded = np.fft.irfft(np.fft.rfft(samples, size) * np.fft.rfft(room, size), size)
    at = slice(*(round(sweep.played_at(f) * rate) for f in (1000.0, 2000.0)))
    noise = rng.normal(size=size)
    lines = np.fft.rfftfreq(size, 1 / rate)
    octave = (lines > 1000.0) & (lines < 2000.0)
    noise = np.fft.irfft(np.fft.rfft(noise) * octave, size)
    noise *= np.sqrt(np.mean(recorded[at] ** 2) / np.mean(noise**2)) / 10.0  # 20 dB under the sweep
    inverse = np.where(octave, 1.0 / np.where(octave, np.fft.rfft(samples, size), 1.0), 0.0)
    left = np.fft.irfft(np.fft.rfft(noise) * inverse, size)
    response = np.fft.irfft(np.fft.rfft(recorded) * inverse, size)
    curve = np.cumsum(response[::-1] ** 2)[::-1]
    first_power = curve[0] * 6.0 * math.log(10.0) / decay_s / rate  # 13.8 E / RT
    found = 10.0 * math.log10(first_power / np.mean(left**2))
    assert advised_seconds(
        decay_s, octaves=sweep.octaves, range_db=found, signal_to_noise_db=20.0, second_harmonic_db=-99.0
    ) == pytest.approx(6.0, rel=0.1)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"start_frequency": 0.0}, "a start of 0 Hz"),
        ({"end_frequency": 24_000.0}, "end at 22080 Hz or below"),
        ({"end_frequency": 30.0}, "at least an octave"),
        ({"seconds": 0.0}, "a length of 0 s"),
        ({"rate": 100}, "a rate of 100 Hz"),
        ({"level": 3.0}, "the level must be"),
        ({"seconds": math.nan}, "finite"),
    ],
)
def test_a_sweep_that_cannot_be_is_refused_with_what_would_be_right(values, words):
    good = {
        "start_frequency": 20.0,
        "end_frequency": 20_000.0,
        "seconds": 10.0,
        "rate": 48_000,
        "level": -6.0,
    }
    with pytest.raises(RoomplanError) as caught:
        Sweep(**{**good, **values})
    assert words in str(caught.value)
