from __future__ import annotations

import numpy as np
import pytest

from roomplan.rooms.field import expected_t30_at
from roomplan.rooms.room_file import load_room_specification
from roomplan.rooms.spectrogram import FAINTEST_DB, spectrogram_of

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
