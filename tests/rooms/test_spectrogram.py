from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from roomplan.rooms.field import expected_t30_at
from roomplan.rooms.room_file import bundled_rooms, load_room_specification
from roomplan.rooms.spectrogram import FAINTEST_DB, spectrogram_of
from roomplan.rooms.synthesis import synthesise

RATE = 48_000


def noise(time_s, *, seconds=2.0, channels=2):
    clock = np.arange(round(seconds * RATE)) / RATE
    draws = np.random.default_rng(5).standard_normal((len(clock), channels))
    return draws * 10.0 ** (-3.0 * clock / time_s)[:, None]


@pytest.mark.parametrize("time_s", [0.3, 1.0])
def test_exponential_noise_falls_by_60_db_in_its_time_at_every_frequency(time_s):
    # Definition of the reverberation time; white noise has as much energy per hertz everywhere.
    found = spectrogram_of(noise(time_s), sample_rate=RATE)
    clock = (np.arange(found.level_db.shape[1]) + 0.5) * found.step_s
    starts = []
    for band in np.flatnonzero(found.centres_hz > 300.0):
        level = found.level_db[band]
        inside = (clock > 0.05) & (level > -70.0)
        slope, start = np.polyfit(clock[inside], level[inside], 1)
        assert slope == pytest.approx(-60.0 / time_s, rel=0.12)
        starts.append(start)
    assert np.polyfit(np.arange(len(starts)), starts, 1)[0] * len(starts) == pytest.approx(0.0, abs=2.0)
    known = found.t30_s[(found.centres_hz > 700.0) & (found.centres_hz < 20_000.0)]
    # Scatter of one T30 at 700 Hz, 80 Hz wide, two channels (ISO 3382-2:2008, 7.1): 8 % of 0.3 s
    np.testing.assert_allclose(known, time_s, rtol=0.25)
    assert np.median(known) == pytest.approx(time_s, rel=0.03)


def test_a_tone_is_in_its_own_row_and_nowhere_else():
    clock = np.arange(RATE) / RATE
    found = spectrogram_of(np.sin(2.0 * np.pi * 3000.0 * clock)[:, None], sample_rate=RATE)
    loudest = np.argmax(found.level_db[:, found.level_db.shape[1] // 2])
    assert abs(np.log2(found.centres_hz[loudest] / 3000.0)) < 1.0 / 12.0 + 1e-9
    far = np.abs(np.log2(found.centres_hz / 3000.0)) > 0.5
    assert np.max(found.level_db[far, 100:150]) < -60.0


def test_a_click_is_loudest_in_the_first_column_and_ends_at_once():
    samples = np.zeros((RATE, 1))
    samples[0] = 1.0
    found = spectrogram_of(samples, sample_rate=RATE)
    high = found.centres_hz > 4000.0
    assert np.all(np.argmax(found.level_db[high], axis=1) == 0)
    assert np.max(found.level_db[high, 20:]) < -80.0
    assert np.min(found.level_db) >= FAINTEST_DB


@pytest.mark.parametrize("name", ["larkmere_hall", "tallowyard_stage"])
def test_a_rooms_own_curve_goes_through_the_times_of_its_file(name):
    spec, _problems = load_room_specification(name)
    assert spec is not None
    # Mid-bands: IEC 61260-1:2014, 5.2
    exact = np.array([1000.0 * 10.0 ** (0.3 * step) for step in range(-4, 4)])
    found = expected_t30_at(spec, exact)
    np.testing.assert_allclose(found, list(spec.reverberation_time_s.values()), rtol=0.005)


def sharpest_bend_db(samples, rate, time_s):
    """Largest change of slope over three neighbouring sixth-octaves, dB, 500 Hz to 16 kHz, early to late.

    Spectra of three windows of 0.15 T that begin at 0.1, 0.25 and 0.4 T; nothing of the project's code.
    """
    mids = 1000.0 * 2.0 ** (np.arange(-6, 25) / 6.0)
    bends = []
    for start in (0.1, 0.25, 0.4):
        part = samples[round(start * time_s * rate) : round((start + 0.15) * time_s * rate)]
        lines = np.fft.rfft(part * np.hanning(len(part))[:, None], axis=0)
        power = np.sum(np.abs(lines) ** 2, axis=1)
        hertz = np.arange(len(power)) * rate / len(part)
        inside = np.abs(np.log2(np.maximum(hertz, 1.0) / mids[:, None])) < 1.0 / 12.0
        levels = 10.0 * np.log10(inside @ power / inside.sum(axis=1))
        bends.append(np.max(np.abs(np.diff(levels, 2))))
    return max(bends)


@pytest.fixture(scope="module")
def measured_bend_db():
    """The same of a measured room, a living room of 0.2 s (tests/data/README.md): 15 dB.

    Chance in its short windows is a part of that. A measured hall was not found in what open packages ship.
    """
    sound, rate = soundfile.read(
        Path(__file__).parents[1] / "data" / "living_room_1.wav", dtype="float64", always_2d=True
    )
    return sharpest_bend_db(sound[int(np.argmax(np.abs(sound[:, 0]))) :], rate, 0.2)


@pytest.mark.parametrize("name", sorted(bundled_rooms()))
def test_the_spectrum_of_a_room_bends_no_sharper_on_its_way_down_than_that_of_a_measured_one(
    name, measured_bend_db
):
    spec, _problems = load_room_specification(name)
    assert spec is not None
    made = synthesise(spec, seat=spec.reference_seat, microphones="main", sources=1, sample_rate=RATE)
    found = sharpest_bend_db(made.reflected, RATE, spec.mid_reverberation_time_s)
    assert found < measured_bend_db


def test_a_tail_of_bricks_bends_sharper_than_a_measured_one(measured_bend_db):
    # 1.1 s up to 11.3 kHz and 0.36 s above it, as octave blocks had it in a hall of 2 s
    low, high = noise(1.1), noise(0.36)
    hertz = np.arange(RATE + 1) / 2.0
    spectra = [np.fft.rfft(part, axis=0) for part in (low, high)]
    bricks = np.fft.irfft(np.where((hertz < 11_314.0)[:, None], *spectra), len(low), axis=0)
    assert sharpest_bend_db(bricks, RATE, 2.0) > measured_bend_db
