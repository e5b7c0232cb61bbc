"""Energies of sums by their forms against those of the same sums, measured."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest
from acoustic_signals import decaying_noise
from hypothesis import given, settings
from hypothesis import strategies as st

from roomplan.acoustics.analysis import composite_energies, decay_of_energies, octave_filters
from roomplan.acoustics.bands import OCTAVE_CENTRES_HZ
from roomplan.acoustics.energy_forms import Paths, forms_of

RATE = 24000
FRAMES = 30_000
LEVELS = st.floats(-60.0, 12.0).map(lambda level: 10.0 ** (level / 20.0))
FILTERS = octave_filters(OCTAVE_CENTRES_HZ)


def responses():
    """Three rooms of one channel; that of the second is loud in the bass and leaks into other bands."""
    found = np.zeros((3, FRAMES))
    for row, (seed, time_s, gap) in zip(found, ((1, 0.9, 500), (2, 0.4, 90), (3, 1.4, 1300)), strict=True):
        row[gap:] = decaying_noise(seed, time_s, FRAMES / RATE, RATE)[: FRAMES - gap]
    time = np.arange(FRAMES) / RATE
    found[1] += 30.0 * np.sin(2.0 * np.pi * 90.0 * time) * np.exp(-2.0 * time)
    return found


RESPONSES = responses()


def section():
    """Two sources in two distinct channels of four: each is there for two that are equal."""
    return Paths(
        samples=RESPONSES[[0, 1, 2]],
        gains=np.array([1.0, 0.5, 0.8]),
        sources=(0, 0, 1),
        channels=(0, 1, 0),
        alike=(0, 1, 0, 1),
    )


def room():
    """Three sources that meet nowhere."""
    return Paths(RESPONSES, np.ones(3), (0, 1, 2), (0, 1, 2), (0, 1, 2))


def assert_same_energies(found, expected, *, to):
    assert (found.onset, found.problem) == (expected.onset, expected.problem)
    assert found.impulse == pytest.approx(expected.impulse)
    assert found.meeting == pytest.approx(expected.meeting, abs=to)
    np.testing.assert_allclose(found.broadband, expected.broadband, rtol=1e-9, atol=to)
    assert found.bands.keys() == expected.bands.keys()
    for look, band in expected.bands.items():
        for field in fields(band):
            ours, theirs = getattr(found.bands[look], field.name), getattr(band, field.name)
            level = 1e-10 * float(np.max(np.abs(theirs), initial=0.0))
            np.testing.assert_allclose(ours, theirs, rtol=1e-9, atol=level, err_msg=field.name)


FORMS = {
    "section": forms_of(section(), sample_rate=RATE, filters=FILTERS),
    "room": forms_of(room(), sample_rate=RATE, filters=FILTERS),
}


@settings(max_examples=25, deadline=None)
@given(st.lists(LEVELS, min_size=2, max_size=2), st.lists(LEVELS, min_size=4, max_size=4), st.booleans())
def test_forms_give_the_energies_of_a_section_at_any_levels(gains, dry, has_dry):
    heights = np.array(dry) if has_dry else None
    found = FORMS["section"].at(np.array(gains), heights)
    left = gains[0] * RESPONSES[0] + 0.8 * gains[1] * RESPONSES[2]
    right = 0.5 * gains[0] * RESPONSES[1]
    wet = np.stack([left, right, left, right], axis=1)
    expected = composite_energies(wet, dry=heights, sample_rate=RATE)
    assert_same_energies(found, expected, to=1e-12)


@settings(max_examples=25, deadline=None)
@given(st.lists(LEVELS, min_size=3, max_size=3))
def test_forms_give_the_energies_of_a_room_at_any_levels(gains):
    found = FORMS["room"].at(np.array(gains), None)
    weights = np.square(gains)
    expected = composite_energies(RESPONSES.T, dry=None, sample_rate=RATE, weights=weights)
    assert_same_energies(found, expected, to=1e-12)


def test_leaking_bands_are_in_these_sounds():
    assert any(band.inside.size for band in FORMS["section"].at(np.ones(2), None).bands.values())


def test_responses_that_cancel_leave_silence():
    paths = Paths(RESPONSES[[0, 0]], np.array([1.0, -1.0]), (0, 1), (0, 0), (0,))
    found = forms_of(paths, sample_rate=RATE, filters=FILTERS).at(np.ones(2), None)
    assert found.problem == "the response is silent"


def test_a_constant_is_taken_out_of_a_sum_as_out_of_any_sound():
    offset = RESPONSES[:1] + 0.2
    paths = Paths(offset, np.ones(1), (0,), (0,), (0,))
    found = forms_of(paths, sample_rate=RATE, filters=FILTERS).at(np.array([0.5]), None)
    expected = composite_energies(0.5 * offset.T, dry=None, sample_rate=RATE)
    assert_same_energies(found, expected, to=1e-12)
    mid = decay_of_energies(found, with_dry=False).mid
    assert mid.t30_s == pytest.approx(0.9, rel=0.1)
