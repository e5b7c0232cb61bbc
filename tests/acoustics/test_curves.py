"""Decay curves for pictures: an exponential is a straight line, its blocks and fits lie on it."""

from __future__ import annotations

import numpy as np
import pytest
from acoustic_signals import decaying_noise, number

from roomplan.acoustics.curves import no_curve
from roomplan.acoustics.filters import BandPass, octaves
from roomplan.acoustics.response import analyse_response, response_curves

RATE = 48_000
BAND = (BandPass(4000.0),)
SPANS = {"edt_s": (0.0, -10.0), "t10_s": (-5.0, -15.0), "t20_s": (-5.0, -25.0), "t30_s": (-5.0, -35.0)}


def curve_of(sound, filters=BAND, rate=RATE):
    ((curve,),) = response_curves(sound[:, None], sample_rate=rate, filters=filters)
    return curve


@pytest.fixture(scope="module")
def clean():
    """Return a decay of 1 s whose energy is an exponential but for the scatter of 4 kHz: 1 %."""
    return decaying_noise(11, 1.0, 1.6, RATE)


def test_the_curve_of_an_exponential_is_a_straight_line_of_its_slope(clean):
    curve = curve_of(clean)
    down = curve.level_db > -50.0
    line = -60.0 * curve.times_s[down]  # T = 1 s
    # 4.34 dB times the scatter of the energy behind a point, 1 / √(B τ / 2): ± 0.3 dB, three of them
    assert np.max(np.abs(curve.level_db[down] - line)) < 0.9


def test_the_curve_starts_at_0_db_and_never_rises(clean):
    curve = curve_of(clean)
    assert curve.level_db[0] == pytest.approx(0.0, abs=0.2)  # the filter rings ahead by a little
    assert np.all(np.diff(curve.level_db) <= 1e-9)
    assert np.all(np.diff(curve.times_s) > 0.0)


def test_fits_lie_on_the_curve_and_have_the_slope_of_their_figure(clean):
    curve = curve_of(clean)
    figures = analyse_response(clean[:, None], sample_rate=RATE, filters=BAND).channels[0].decay.bands[0]
    assert set(curve.fits) == set(SPANS)
    for key, (upper, lower) in SPANS.items():
        line = curve.fits[key]
        assert (line.start_db, line.end_db) == (upper, lower)
        inside = (curve.level_db <= upper) & (curve.level_db >= lower)
        along = np.interp(curve.times_s[inside], [line.start_s, line.end_s], [upper, lower])
        assert np.max(np.abs(curve.level_db[inside] - along)) < 1.0
        time_s = 60.0 * (line.end_s - line.start_s) / (upper - lower)
        assert time_s == pytest.approx(number(getattr(figures, key)), rel=0.02)


def test_block_levels_lie_on_the_curve(clean):
    curve = curve_of(clean)
    times, level = curve.sound_times_s, curve.sound_db
    within = times < 0.7
    gap = level[within] - np.interp(times[within], curve.times_s, curve.level_db)
    # a block of 6.7 ms scatters by 4.34 / √(B t) = 1 dB; their mean by a twelfth of that, and the log is low
    assert abs(np.mean(gap)) < 0.4
    assert np.std(gap) < 1.6


@pytest.mark.parametrize("floor_db", [35.0, 50.0])
def test_the_curve_ends_where_the_decay_meets_the_floor(floor_db):
    curve = curve_of(decaying_noise(12, 1.0, 2.5, RATE, floor_db=floor_db))
    assert curve.ends_in_noise
    # the decay's power has fallen to that of the floor after T · floor / 60; the crosspoint lies near it
    assert number(curve.truncation_s) == pytest.approx(floor_db / 60.0, abs=0.12)
    assert curve.truncation_db == curve.level_db[-1]
    assert number(curve.truncation_db) == pytest.approx(-60.0 * number(curve.truncation_s), abs=1.5)
    after = curve.sound_times_s > number(curve.truncation_s) + 0.3
    assert np.median(curve.sound_db[after]) == pytest.approx(-floor_db, abs=1.5)  # what the floor shows on


def test_a_record_that_ends_before_the_noise_ends_the_curve(clean):
    curve = curve_of(clean[: round(0.7 * RATE)])
    assert not curve.ends_in_noise
    assert number(curve.truncation_s) == pytest.approx(0.7, abs=0.01)


def test_every_channel_and_band_has_a_curve_of_its_own(clean):
    pair = np.stack([clean, 0.1 * clean[::-1]], axis=1)
    found = response_curves(pair, sample_rate=RATE, filters=octaves(lowest_hz=500, highest_hz=2000))
    assert [[curve.centre_hz for curve in channel] for channel in found] == [[500, 1000, 2000]] * 2
    assert [curve.label for curve in found[0]] == ["500 Hz", "1 kHz", "2 kHz"]
    alone = response_curves(pair[:, :1], sample_rate=RATE, filters=octaves(lowest_hz=500, highest_hz=2000))
    np.testing.assert_array_equal(alone[0][1].level_db, found[0][1].level_db)


@pytest.mark.parametrize(
    "sound", [np.zeros(0), np.zeros(9600), np.ones(9600), np.array([1.0]), np.full(9600, np.nan)]
)
def test_where_nothing_decays_the_curve_is_empty(sound):
    curve = curve_of(sound)
    assert curve.times_s.size == curve.level_db.size == curve.sound_db.size == 0
    assert (curve.truncation_s, curve.truncation_db, dict(curve.fits)) == (None, None, {})


def test_a_band_above_half_the_rate_has_an_empty_curve_under_its_name(clean):
    curve = curve_of(clean[::6], filters=(BandPass(4000.0),), rate=8000)
    assert (curve.label, curve.centre_hz, curve.times_s.size) == ("4 kHz", 4000.0, 0)
    assert no_curve(BandPass(4000.0)).label == curve.label


def test_a_picture_gets_hundreds_of_points_however_long_the_record():
    curve = curve_of(decaying_noise(13, 4.0, 12.0, RATE, floor_db=60.0))
    assert 300 <= curve.times_s.size <= 400
    assert 200 <= curve.sound_db.size <= 480
