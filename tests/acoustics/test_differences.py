"""Just-noticeable differences of ISO 3382-1:2009, Table A.1: EDT 5 %, C80 1 dB, D50 0.05, Ts 10 ms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from acoustic_signals import decaying_noise, number
from hypothesis import given
from hypothesis import strategies as st

from roomplan.acoustics import BandFigures, DecayFigures, measure_response
from roomplan.acoustics.differences import STEPS, describe, differences, same_room
from roomplan.acoustics.doubt import Doubt

RATE = 12000
CENTRES = (125, 250, 500, 1000, 2000, 4000)
FIGURES = {
    "edt_s": 1.2,
    "t10_s": 1.25,
    "t20_s": 1.3,
    "t30_s": 1.35,
    "c50_db": -1.0,
    "c80_db": 1.5,
    "d50": 0.45,
    "centre_time_s": 0.090,
}


def band(centre_hz: float | None = 500.0, *, uncertainty=None, reasons=None, **changed):
    values = {**FIGURES, **changed}
    doubt = {key: Doubt(uncertainty, 50.0, "good") for key in values}
    return BandFigures(
        centre_hz=centre_hz, decay_range_db=50.0, verdict="good", reasons=reasons or {}, doubt=doubt, **values
    )


def figures(*bands, mid=None):
    return DecayFigures(tuple(bands), mid or band(None), "good")


def one(key, measured, reference):
    """Difference of one figure in the first band."""
    return next(d for d in differences(figures(measured), figures(reference)) if d.key == key)


def decays(decay_time_s, seed, floor_db=None):
    """Figures of a decay of known T in six octaves."""
    sound = decaying_noise(seed, decay_time_s, 1.5 * decay_time_s, RATE, floor_db)
    return measure_response(sound[:, None], sample_rate=RATE)[0]


@pytest.mark.parametrize(
    ("key", "step"), [("c80_db", 1.0), ("c50_db", 1.0), ("d50", 0.05), ("centre_time_s", 0.010)]
)
@pytest.mark.parametrize("steps", [-3.0, 0.5, 2.0])
def test_levels_shares_and_the_centre_time_differ_by_absolute_steps(key, step, steps):
    found = one(key, band(**{key: FIGURES[key] + steps * step}), band())
    assert found.steps == pytest.approx(steps)
    assert found.difference == pytest.approx(steps * step)
    assert (found.value, found.reference) == pytest.approx((FIGURES[key] + steps * step, FIGURES[key]))


@pytest.mark.parametrize("key", ["edt_s", "t10_s", "t20_s", "t30_s"])
def test_a_time_5_percent_longer_is_one_step_and_twice_5_percent_are_two(key):
    value = FIGURES[key]
    assert one(key, band(**{key: 1.05 * value}), band()).steps == pytest.approx(1.0)
    assert one(key, band(**{key: 1.05**2 * value}), band()).steps == pytest.approx(2.0)
    assert one(key, band(**{key: 1.10 * value}), band()).steps == pytest.approx(2.0, abs=0.2)
    assert one(key, band(**{key: 0.90 * value}), band()).steps == pytest.approx(-2.0, abs=0.2)


@given(
    value=st.floats(0.05, 20.0),
    other=st.floats(0.05, 20.0),
    level=st.floats(-40.0, 40.0),
    key=st.sampled_from(sorted(STEPS)),
)
def test_an_exchange_of_the_two_measurements_changes_the_sign_and_nothing_else(value, other, level, key):
    if key.endswith("_db"):
        value, other = level, other - level
    there = one(key, band(uncertainty=0.1, **{key: value}), band(uncertainty=0.2, **{key: other}))
    back = one(key, band(uncertainty=0.2, **{key: other}), band(uncertainty=0.1, **{key: value}))
    assert number(there.steps) == pytest.approx(-number(back.steps), abs=1e-9)
    assert number(there.difference) == -number(back.difference)
    assert number(there.chance) == -number(back.chance)


def test_only_the_rows_of_the_table_are_marked_as_such():
    found = {d.key: d.in_table for d in differences(figures(band()), figures(band()))}
    assert {key for key, inside in found.items() if inside} == {"edt_s", "c80_db", "d50", "centre_time_s"}
    assert set(found) == set(FIGURES)


def test_chance_is_the_difference_over_both_uncertainties_in_quadrature():
    found = one("t20_s", band(t20_s=1.4, uncertainty=0.03), band(t20_s=1.3, uncertainty=0.04))
    assert found.chance == pytest.approx(0.1 / 0.05)
    assert one("t20_s", band(t20_s=1.4, uncertainty=0.03), band()).chance is None
    assert one("t20_s", band(t20_s=1.4, uncertainty=0.0), band(uncertainty=0.0)).chance is None


def test_bands_are_matched_by_frequency_whatever_their_order_and_the_mean_comes_last():
    measured = figures(
        band(1000.0, edt_s=2.0), band(500.0, edt_s=1.0), band(250.0), mid=band(None, edt_s=1.5)
    )
    reference = figures(band(125.0), band(500.0, edt_s=1.0), band(1000.0, edt_s=1.0))
    found = [(d.centre_hz, d.difference) for d in differences(measured, reference) if d.key == "edt_s"]
    assert found == [(1000.0, 1.0), (500.0, 0.0), (None, pytest.approx(0.3))]


def test_a_band_over_the_whole_range_is_not_matched_with_the_mean():
    whole = replace(band(None), label="broadband")
    found = differences(figures(whole, band()), figures(whole, band()))
    assert [d.centre_hz for d in found if d.key == "d50"] == [500.0, None]


def test_a_figure_that_is_missing_on_one_side_is_not_compared_and_the_reason_names_the_side():
    gone = band(t30_s=None, reasons={"t30_s": "45 dB are needed"})
    found = one("t30_s", band(), gone)
    assert (found.difference, found.steps, found.chance) == (None, None, None)
    assert (found.value, found.reference) == (FIGURES["t30_s"], None)
    assert found.reason == "reference: 45 dB are needed"
    both = one("t30_s", gone, gone)
    assert both.reason == "measured: 45 dB are needed; reference: 45 dB are needed"
    assert one("t30_s", gone, band()).reason == "measured: 45 dB are needed"


@pytest.mark.parametrize("value", [np.inf, np.nan, 0.0, -1.0])
def test_a_decay_time_that_is_none_is_not_compared(value):
    found = one("edt_s", band(edt_s=value), band())
    assert found.steps is None
    assert found.reason


@pytest.mark.parametrize(
    ("key", "change", "words"),
    [
        ("edt_s", FIGURES["edt_s"] * 1.05**3.1, "EDT at 500 Hz is 3.1 JND longer"),
        ("edt_s", FIGURES["edt_s"] / 1.05, "EDT at 500 Hz is 1.0 JND shorter"),
        ("c80_db", 3.5, "C80 at 500 Hz is 2.0 JND clearer"),
        ("c80_db", 0.0, "C80 at 500 Hz is 1.5 JND less clear"),
        ("d50", 0.35, "D50 at 500 Hz is 2.0 JND lower"),
        ("d50", 0.50, "D50 at 500 Hz is 1.0 JND higher"),
        ("centre_time_s", 0.102, "the centre time at 500 Hz is 1.2 JND later"),
        ("centre_time_s", 0.083, "the centre time at 500 Hz is 0.7 JND earlier"),
        ("c50_db", -2.0, "C50 at 500 Hz is 1.0 JND less clear (by the JND of C80)"),
        ("t30_s", 1.35 * 1.05**2, "T30 at 500 Hz is 2.0 JND longer (by the JND of EDT)"),
        ("d50", 0.451, "D50 at 500 Hz is the same"),
        ("t20_s", None, "T20 at 500 Hz cannot be compared: measured: 35 dB are needed"),
    ],
)
def test_a_difference_reads_as_a_sentence(key, change, words):
    assert describe(one(key, band(reasons={key: "35 dB are needed"}, **{key: change}), band())) == words


def test_kilohertz_and_the_mean_have_their_own_words():
    found = differences(figures(band(2000.0, d50=0.55)), figures(band(2000.0)))
    said = [describe(d) for d in found if d.key == "d50"]
    assert said == ["D50 at 2 kHz is 2.0 JND higher", "D50 at mid frequencies is the same"]


def test_every_figure_of_a_measured_response_differs_from_itself_by_nothing():
    measured = decays(0.6, 1)
    found = differences(measured, measured)
    assert len(found) == (len(CENTRES) + 1) * len(STEPS)
    compared = [d for d in found if d.steps is not None]
    # T of 4 kHz and the like may be refused; most are there, and none differs
    assert len(compared) > 0.8 * len(found)
    assert all(d.steps == 0.0 and d.chance in {0.0, None} for d in compared)


def test_a_measured_decay_20_percent_longer_is_some_four_steps_longer():
    steps = [
        number(d.steps)
        for seed in range(6)
        for d in differences(decays(0.96, seed), decays(0.8, 100 + seed))
        if d.key == "t20_s" and d.centre_hz is not None and d.centre_hz >= 500
    ]
    # ln 1.2 / ln 1.05; each T20 scatters by some 4 %, 24 pairs
    assert np.mean(steps) == pytest.approx(3.74, abs=0.7)


def test_two_places_in_one_room_are_called_unlikely_less_than_once_in_twenty_times():
    measured = [decays(0.6, seed) for seed in range(80)]
    verdicts = [same_room(a, b).verdict for a, b in zip(measured[::2], measured[1::2], strict=True)]
    # places differ: the share of 3 % is in the test, so their T is drawn apart by as much
    rng = np.random.default_rng(2)
    spread = [decays(0.6 * (1.0 + 0.03 * rng.normal()), 1000 + seed) for seed in range(80)]
    verdicts += [same_room(a, b).verdict for a, b in zip(spread[::2], spread[1::2], strict=True)]
    assert verdicts.count("unlikely") / len(verdicts) < 0.05
    assert verdicts.count("likely") > 0.9 * len(verdicts)


def test_a_room_with_decay_times_20_percent_longer_is_found_out():
    verdicts = [same_room(decays(0.72, seed), decays(0.6, 500 + seed)).verdict for seed in range(20)]
    assert verdicts.count("unlikely") >= 18


def test_the_band_that_stands_out_most_is_told_with_its_sign():
    same = [band(c, uncertainty=0.05) for c in (250.0, 500.0, 2000.0)]
    other = [*same, band(1000.0, uncertainty=0.05, t30_s=1.0)]
    found = same_room(figures(*same, band(1000.0, uncertainty=0.05)), figures(*other))
    # 0.35 s over √(2 · 0.05² + 2 · (0.03 · 1.175)²)
    assert found.largest_z == pytest.approx(0.35 / np.sqrt(2 * 0.05**2 + 2 * (0.03 * 1.175) ** 2))
    assert found.bands_compared == 4


def test_t20_stands_in_for_a_t30_that_is_missing_on_either_side_and_never_meets_a_t30():
    centres = (250.0, 500.0, 1000.0)
    full = figures(*(band(c, uncertainty=0.04, t30_s=9.0, t20_s=1.3) for c in centres))
    short = figures(*(band(c, uncertainty=0.04, t30_s=None, t20_s=1.3) for c in centres))
    for a, b in ((full, short), (short, full)):
        found = same_room(a, b)
        assert (found.verdict, found.bands_compared, found.largest_z) == ("likely", 3, 0.0)


def test_fewer_than_three_bands_say_nothing():
    two = figures(band(500.0, uncertainty=0.02), band(1000.0, uncertainty=0.02))
    none = figures(*(band(c, t20_s=None, t30_s=None) for c in CENTRES))
    blind = figures(*(band(c) for c in CENTRES))  # times without an uncertainty
    for other, bands in ((two, 2), (none, 0), (blind, 0)):
        found = same_room(other, other)
        assert (found.verdict, found.bands_compared) == ("unknown", bands)
        assert "3 are needed" in found.reason


def test_times_too_uncertain_to_find_another_room_out_say_nothing():
    vague = figures(*(band(float(c), uncertainty=0.5) for c in CENTRES))
    assert same_room(vague, vague).verdict == "unknown"
    sharp = figures(*(band(float(c), uncertainty=0.04) for c in CENTRES))
    assert same_room(sharp, sharp).verdict == "likely"
