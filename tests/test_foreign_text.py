"""Words from outside show what they are: nothing in them steers, turns round, breaks a line or hides."""

from __future__ import annotations

import json
from pathlib import Path
from unicodedata import category

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.text import Text

from roomplan.api.faces import html_of
from roomplan.errors import AudioError, Place, PlanError, Problem, RoomplanError
from roomplan.foreign_text import printable, printable_lines
from roomplan.report.documents import to_text
from roomplan.show.tables import plain_table

# Unicode Standard Annex 44: controls, formats, surrogates, private, unassigned, separators of lines
DECEIVING = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
JOINERS = "\u200c\u200d"
ODD = st.text(
    st.sampled_from(
        "ab .\n\r\t\x00\x07\x1b\x7f\x85\x9b\u200d\u200e\u202e\u2028\u2029\u2066\ufeff\u3164\ud800"
    )
    | st.characters(),
    max_size=20,
)


@pytest.mark.parametrize(
    "name",
    [
        "nave.wav",
        "Größe – 9′.wav",
        "\N{CJK UNIFIED IDEOGRAPH-6BBF}\u3000\N{CJK UNIFIED IDEOGRAPH-6BBF}.wav",
        "Sc\u00e8ne\u00a01\u202f: chœur",
        "\u05de\u05e7\u05d4\u05dc\u05d4.wav",
        "back\\slash",
        "\U0001f469\u200d\U0001f3a4 choir",
        "\U0001f469\U0001f3fd\u200d\U0001f3a4 choir",
        "\u2764\ufe0f\u200d\U0001f525",
        "\u0645\u06cc\u200c\u062e\u0648\u0627\u0647\u0645",
        "\u0915\u094d\u200d\u0937",
    ],
)
def test_names_that_people_write_are_shown_as_they_are(name):
    assert printable(Path(name)) == name


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("a\x1b[2Jb", "a\\x1b[2Jb"),
        ("a\x9b31mb", "a\\x9b31mb"),
        ("a\nb\tc\rd", "a\\nb\\tc\\rd"),
        ("mix\u202egnp.wav", "mix\\u202egnp.wav"),
        ("\u2066a\u2069\u200e\u200f\u061c", "\\u2066a\\u2069\\u200e\\u200f\\u061c"),
        ("a\u2028b\u2029c\x85d", "a\\u2028b\\u2029c\\x85d"),
        ("a\udcff.wav", "a\\udcff.wav"),
        ("choir\u200d.wav", "choir\\u200d.wav"),
        ("\u6bbf\u200d\u6bbf", "\u6bbf\\u200d\u6bbf"),
        ("a\u3164b\u00adc\u034fd", "a\\u3164b\\xadc\\u034fd"),
        ("\U000e0041", "\\U000e0041"),
    ],
)
def test_what_steers_turns_round_breaks_a_line_or_hides_is_shown_as_an_escape(name, shown):
    assert printable(name) == shown


@given(ODD)
def test_nothing_printable_has_a_deceiving_character_and_twice_is_as_once(text):
    shown = printable(text)
    assert not {category(letter) for letter in shown if letter not in JOINERS} & DECEIVING
    assert printable(shown) == shown
    assert shown.splitlines() == ([shown] if shown else [])


@given(ODD)
def test_lines_of_our_own_stay_lines(text):
    assert printable_lines(f"a\n{text}\nb").split("\n")[0] == "a"
    assert printable_lines(text).count("\n") == text.count("\n")


@given(ODD, ODD)
def test_a_problem_is_one_printable_line_and_an_error_one_for_each(name, key):
    problem = Problem(f"no {key}", Place(Path(f"{name}.yaml"), 1, 2), f"did you mean {key}?")
    for text in (str(problem), str(problem.place), str(AudioError(Path(name), key)), str(RoomplanError(key))):
        assert printable(text) == text
    assert len(str(PlanError([problem, problem])).splitlines()) == 2


@given(ODD)
def test_a_document_has_the_exact_words_and_no_deceiving_character(name):
    text = to_text({name: [name]})
    assert json.loads(text) == {name: [name]}
    assert not {category(letter) for letter in text if letter != "\n"} & DECEIVING
    text.encode("utf-8")


@given(ODD)
def test_a_table_shows_a_name_on_one_line_in_every_part_of_it(name):
    table = plain_table(name, "ours\nand ours")
    table.add_column(name)
    table.add_row(name)
    table.add_row(Text(f"ours\n{name}".replace("\n\n", "\n")))
    cells = list(table.columns[0].cells)
    assert table.title == table.columns[0].header == cells[0] == printable(name)
    assert table.caption == "ours\nand ours"
    assert isinstance(cells[1], Text)
    assert cells[1].plain.startswith("ours\n")
    assert printable_lines(cells[1].plain) == cells[1].plain


@given(ODD)
def test_a_notebook_shows_no_deceiving_character(name):
    found = html_of([name.replace("\n", " "), Text(name)])
    assert not {category(letter) for letter in found if letter not in JOINERS} & DECEIVING
