"""Suggestions and how values are shown."""

from __future__ import annotations

from difflib import SequenceMatcher, get_close_matches

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roomplan.documents.suggest import Guesses, did_you_mean
from roomplan.documents.wording import decimal_comma, describe, listed, number, quoted


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


def test_guesses_stop_after_a_fixed_amount_of_work_and_not_within_a_single_question():
    guesses, names = Guesses(), [f"{'ab' * 38}{number:04}" for number in range(200)]
    found = [guesses.nearest(names[150], names) for _ in range(100)]
    answered = found.count(names[150])
    assert found == [names[150]] * answered + [None] * (100 - answered)
    assert 1 <= answered < 100
    assert Guesses().nearest(names[150], names) == names[150]


@given(st.text(max_size=20), st.lists(st.text("abcd_", min_size=1, max_size=12), max_size=8))
def test_a_suggestion_is_as_near_as_any_that_the_library_finds(word, candidates):
    plain = word.casefold().replace("-", "_").replace(" ", "_").strip("_")
    spelt = [candidate.strip("_") for candidate in candidates]
    near = get_close_matches(plain, [one for one in spelt if one], n=1)
    found = did_you_mean(word, candidates)
    assert (found is None) == (not near)
    if found is not None:
        nearness = [SequenceMatcher(None, one, plain).ratio() for one in (near[0], found.strip("_"))]
        assert nearness[0] == nearness[1]


def test_what_there_is_is_listed_once_each_shortened_and_a_dozen_at_most():
    assert listed(["b", "a", "b"]) == "b, a"
    assert listed([]) == ""
    assert listed(str(number) for number in range(12)) == ", ".join(map(str, range(12)))
    assert listed(str(number) for number in range(10**6)).endswith("11, …")
    assert len(listed(["x" * 1000])) == 48


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


@pytest.mark.parametrize(
    ("text", "meant"), [("-7,4", "-7.4"), ("1,5", "1.5"), (" 1:02,5 ", "1:02.5"), ("\u22127,4", "\u22127.4")]
)
def test_a_decimal_comma_is_answered_with_the_number_to_write(text, meant):
    assert decimal_comma(text) == f"write {meant}, with a point"


@pytest.mark.parametrize("text", ["1,234,5", "1.234,5", "7", "a,5", "1,", ",5", "", "1, 5"])
def test_what_may_be_something_else_than_a_decimal_comma_is_not_explained(text):
    assert decimal_comma(text) is None
