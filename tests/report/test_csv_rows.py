"""Rows for spreadsheets: numbers stay numbers, and no words are taken for a formula."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roomplan.report.csv_rows import csv_text

NUMBERS = st.integers(-(10**6), 10**6) | st.floats(allow_nan=False, allow_infinity=False)


def read(text):
    return list(csv.reader(io.StringIO(text, newline="")))


@pytest.mark.parametrize(
    "words",
    [
        "=1+1", "+1", "-1", "@sum(a1)", " =1+1", "\t=1+1", "\r=1+1", "\n=1+1", "\u3000=1", "\uff1d1+1",
        "\uff0b1", "-nave.wav", '=HYPERLINK("x")',
    ],
)  # fmt: skip
def test_words_that_look_like_a_formula_are_marked_as_words(words):
    ((cell,),) = read(csv_text([[words]]))
    assert cell.startswith(("'", "\\t", "\\r"))


@given(st.text(max_size=12))
def test_no_cell_of_words_begins_as_a_formula_does(words):
    ((cell, _last),) = read(csv_text([[words, 1]]))
    assert not cell.lstrip().startswith(("=", "+", "-", "@", "\t", "\r"))


@pytest.mark.parametrize("words", ["nave.wav", 'a, "b"\nc.wav', "bis -3 dB", "1m4", "'quoted'", "", "Größe"])
def test_other_words_are_read_back_as_they_were(words):
    assert read(csv_text([[words, "x"]])) == [[words, "x"]]


@given(st.lists(NUMBERS, min_size=1, max_size=4))
def test_numbers_are_read_back_exactly_negative_ones_too(numbers):
    (cells,) = read(csv_text([numbers]))
    assert [float(cell) for cell in cells] == [float(number) for number in numbers]


def test_what_does_not_exist_is_an_empty_cell():
    assert csv_text([["a", None, -1.5]]) == "a,,-1.5\n"
