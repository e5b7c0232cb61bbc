"""A note sounds as high, as loud and as long as it is written, and nothing of it folds back."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.optimize
import scipy.special

from roomplan.demo import percussion, score, tones
from roomplan.demo.choir import VOWELS, formants

STEADY = score.Curve((1, 0, 1.0))
SAW = tones.Timbre(
    soft=lambda f, f0: f0 / f,
    loud=lambda f, f0: f0 / f,
    attack_s=0.05,
    release_s=0.1,
    vibrato_cents=0,
    vibrato_hz=5,
)


def played(midi, *, sample_rate=48_000, beats=4.0, level_db=-20.0, instrument=SAW, count=1, channels=1):
    canvas = tones.Canvas(channels=channels, length_s=4.0, sample_rate=sample_rate)
    players = tones.desk(count, pans=(-0.5, 0.5), detune_cents=0, vibrato_hz=5, seed=7)
    note = score.Note(0, beats, midi)
    tones.play(canvas, [note], instrument, players, STEADY, level_db=level_db)
    return canvas.sound()


def spectrum_db(sound, sample_rate):
    windowed = sound * np.blackman(sound.size)
    power = np.abs(np.fft.rfft(windowed)) ** 2
    return np.fft.rfftfreq(sound.size, 1 / sample_rate), 10 * np.log10(power / power.max() + 1e-30)


def test_reading_a_table_is_as_exact_as_linear_interpolation_allows():
    harmonics = np.arange(1, 31)
    rng = np.random.default_rng(3)
    phases, amplitudes = rng.uniform(0, 2 * np.pi, 30), harmonics**-1.0
    turns = np.arange(tones.TABLE) / tones.TABLE
    period = (amplitudes[:, None] * np.cos(2 * np.pi * harmonics[:, None] * turns + phases[:, None])).sum(0)
    table = np.stack([period, np.roll(period, -1) - period]).astype(np.complex64)

    points = 201  # one second of control points, gliding from 200 to 260 Hz
    glide = np.linspace(200.0, 260.0, points)
    one = np.ones(points)
    heard = tones._read(table, glide, 0 * one, one, 48_000)

    hop = 240
    steps = np.interp(np.arange(heard.size) / hop, np.arange(points), glide) / 48_000
    phase = 2 * np.pi * np.concatenate([[0.0], np.cumsum(steps)[:-1]])
    wanted = (amplitudes[:, None] * np.cos(harmonics[:, None] * phase + phases[:, None])).sum(0)
    error_db = 10 * np.log10(np.mean((heard - wanted) ** 2) / np.mean(wanted**2))
    # Mean square error of straight lines between the points of a cosine: (2πk/N)⁴ / 120 of harmonic k.
    allowed = np.sum(amplitudes**2 * (2 * np.pi * harmonics / tones.TABLE) ** 4 / 120) / np.sum(amplitudes**2)
    assert error_db == pytest.approx(10 * np.log10(allowed), abs=0.5)  # −83.6 dB


@pytest.mark.parametrize("name", ["Bb1", "A3", "F#6"])
def test_a_held_note_is_in_tune_within_ten_cents(name):
    sound = played(score.pitch(name))[0, 4800:96_000]
    frequencies_hz, level_db = spectrum_db(sound, 48_000)
    peak_hz = frequencies_hz[np.argmax(level_db)]
    nearest_bin_cents = 1200 * np.log2(1 + 0.5 * frequencies_hz[1] / peak_hz)
    cents = 1200 * np.log2(peak_hz / score.frequency_hz(score.pitch(name)))
    assert abs(cents) < 10 + nearest_bin_cents


@pytest.mark.parametrize("count", [1, 8])
def test_the_level_of_a_part_does_not_grow_with_its_players(count):
    sound = played(57, count=count, channels=2)[:, 9600:96_000]
    level_db = 10 * np.log10(np.mean(sum(channel.astype(float) ** 2 for channel in sound)))
    assert level_db == pytest.approx(-20, abs=2)  # players beat against each other and differ in timbre


@pytest.mark.parametrize("sample_rate", [16_000, 44_100, 48_000])
@pytest.mark.parametrize("name", ["Bb1", "F#6"])
def test_nothing_but_harmonics_is_heard_down_to_minus_80_db(name, sample_rate):
    midi = score.pitch(name)
    sound = played(midi, sample_rate=sample_rate)[0, sample_rate // 5 : 2 * sample_rate]
    frequencies_hz, level_db = spectrum_db(sound, sample_rate)
    number = frequencies_hz / score.frequency_hz(midi)
    # A fold-back falls between the harmonics, or above the ceiling. Above the 50th a drift of a few cents
    # is half the way to the next harmonic, so only the ceiling is looked at there.
    between = (np.abs(number - np.round(number)) > 0.3) & (number < 50)
    above = frequencies_hz > min(tones.CEILING_HZ, 0.42 * sample_rate) * 1.01
    audible = number > 0.5
    assert level_db[between & audible].max() < -80
    assert level_db[above].max() < -80


def test_a_note_begins_and_ends_in_silence_without_a_step():
    sound = played(57)[0]
    assert np.abs(sound[:24]).max() < 1e-4
    assert np.abs(sound[-24:]).max() < 1e-4


def test_players_differ_but_are_the_same_at_every_call():
    arguments = {"pans": (-1.0, 1.0), "detune_cents": 5.0, "vibrato_hz": 5.0, "seed": 4}
    first, again = tones.desk(6, **arguments), tones.desk(6, **arguments)
    assert [p.detune_cents for p in first] == [p.detune_cents for p in again]
    assert len({p.detune_cents for p in first}) == 6


def test_a_vowel_has_its_peaks_at_its_formants():
    # A very low voice, 10 Hz, to see the envelope: peaks within 4 % of F1 and F2 of a man's "ah".
    frequencies_hz = np.arange(1, 500) * 10.0
    amplitudes = formants(frequencies_hz, 10.0, VOWELS["men", "ah"])
    peaks = frequencies_hz[1:-1][(amplitudes[1:-1] > amplitudes[:-2]) & (amplitudes[1:-1] > amplitudes[2:])]
    assert peaks[:2] == pytest.approx(VOWELS["men", "ah"][:2], rel=0.04)


def test_the_first_formant_follows_a_note_above_it():
    fundamental_hz = score.frequency_hz(score.pitch("G5"))
    amplitudes = formants(np.arange(1, 10) * fundamental_hz, fundamental_hz, VOWELS["women", "oo"])
    assert np.argmax(amplitudes) == 0


def test_drum_modes_are_the_zeros_of_the_bessel_functions():
    # An ideal round membrane: zeros j(m, n) of J_m over j(0, 1); scipy computes them.
    zeros = sorted(zero for order in range(6) for zero in scipy.special.jn_zeros(order, 3))
    ratios = np.array(zeros) / zeros[0]
    assert np.allclose(percussion.MEMBRANE, ratios[: len(percussion.MEMBRANE)], atol=1e-3)


def test_chime_modes_are_those_of_a_free_bar():
    # Bending of a bar with free ends (Euler and Bernoulli): cosh x · cos x = 1, frequencies as x².
    def condition(x):
        return np.cos(x) - 1 / np.cosh(x)

    roots = [
        scipy.optimize.brentq(condition, (n + 0.5) * np.pi - 0.5, (n + 0.5) * np.pi + 0.5) for n in (1, 2, 3)
    ]
    assert np.allclose(percussion.BAR, (np.array(roots) / roots[0]) ** 2, atol=1e-3)
