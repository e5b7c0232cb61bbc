"""Suggestions and how values are shown."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roomplan.documents import describe, did_you_mean, quoted
from roomplan.documents.wording import number


@pytest.mark.parametrize(
    ("word", "nearest"),
    [
        ("refrence", "reference"),
        ("Low-Cut", "low_cut"),
        ("LEVEL", "level"),
        ("predelay", "pre_delay"),
        ("zzz", None),
        ("", None),
        ("level" * 100, None),
    ],
)
def test_the_nearest_word_is_suggested_and_nothing_when_none_is_near(word, nearest):
    assert did_you_mean(word, ["level", "reference", "low_cut", "high_cut", "pre_delay"]) == nearest


def test_a_suggestion_is_spelt_as_the_candidate():
    assert did_you_mean("parish nave", ["Parish_Nave", "hall"]) == "Parish_Nave"


@given(st.text(max_size=30), st.lists(st.text(max_size=30), max_size=6))
def test_a_suggestion_is_always_one_of_the_candidates(word, candidates):
    assert did_you_mean(word, candidates) in [*candidates, None]


@given(st.text())
def test_a_quoted_text_is_short_printable_and_on_one_line(text):
    shown = quoted(text)
    assert "\n" not in shown
    assert shown.isprintable()


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (None, "is empty"),
        (True, "true is a truth value"),
        (12, "12 is a number"),
        (-0.5, "-0.5 is a number"),
        ("loud", "'loud' is text"),
        ("", "is an empty text"),
        ({}, "is a mapping"),
        ([], "is a list"),
    ],
)
def test_a_value_is_described_by_what_it_is(value, said):
    assert describe(value) == said


def test_numbers_are_shown_as_a_person_writes_them():
    written = [number(value) for value in (48000, 48000.0, 0.1, 10**300, 1e-7)]
    assert written == ["48000", "48000", "0.1", "1e+300", "1e-07"]
