"""The kinds of single values, each on its own."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic_core import PydanticCustomError

from roomplan.plan.notes import note_duration_ms
from roomplan.plan.values import Choice, ListOf, Moment, Number, Thinned


def test_true_is_not_the_number_one():
    assert Choice((1, 2)).check(1) == 1
    for kind in (Choice((1, 2)), Number("dB", -6, 6, "1")):
        with pytest.raises(PydanticCustomError):
            kind.check(True)


def test_a_number_is_accepted_at_its_limits_and_not_beyond():
    decibels = Number("dB", -120, 24, "-6")
    assert [decibels.check(value) for value in (-120, 24, 0.0)] == [-120.0, 24.0, 0.0]
    for value in (-120.001, 24.001, 10**308, -(10**308)):
        with pytest.raises(PydanticCustomError):
            decibels.check(value)


def test_a_lower_limit_may_be_excluded():
    with pytest.raises(PydanticCustomError, match="not above 0"):
        Number("m", 0, 200, "12", above=True).check(0)


def test_a_whole_number_may_be_written_with_a_point():
    rate = Number("Hz", 8000, 192000, "48000", whole=True).check(48000.0)
    assert (rate, type(rate)) == (48000, int)


def test_an_empty_list_is_refused_and_one_that_lost_its_entries_is_not():
    with pytest.raises(PydanticCustomError, match="empty list"):
        ListOf("entries").check([])
    assert ListOf("entries").check(Thinned()) == []


def test_three_triplets_last_as_long_as_two_notes_and_a_dot_adds_half():
    assert 3 * note_duration_ms("triplet 1/8", 84) == pytest.approx(
        2 * note_duration_ms("1/8", 84), rel=1e-12
    )
    assert note_duration_ms("dotted 1/8", 84) == pytest.approx(note_duration_ms("1/8", 84) * 1.5, rel=1e-12)
    assert note_duration_ms("1/64", 84) == pytest.approx(60000 / 84 / 16, rel=1e-12)


@given(st.integers(0, 23), st.integers(0, 59), st.integers(0, 59), st.integers(0, 999))
def test_a_moment_means_the_same_as_a_number_with_minutes_and_with_hours(
    hours, minutes, seconds, thousandths
):
    total = hours * 3600 + minutes * 60 + seconds + thousandths / 1000
    shown = f"{seconds:02}.{thousandths:03}"
    for written in (total, f"{hours * 60 + minutes}:{shown}", f"{hours}:{minutes:02}:{shown}"):
        assert Moment().check(written) == pytest.approx(total, abs=1e-9)


@given(st.text(st.sampled_from("0123456789:.;,- "), max_size=12))
def test_a_text_is_a_moment_exactly_when_editors_are_told_so(text):
    pattern = Moment().describe_to_editors()["anyOf"][1]["pattern"]
    accepted = True
    try:
        Moment().check(text)
    except PydanticCustomError as error:
        accepted = "more than 24 hours" in str(error)  # which a pattern cannot say
    assert accepted is bool(re.search(pattern, text))
