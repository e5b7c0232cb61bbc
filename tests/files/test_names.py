"""File names that every system takes."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roomplan.files.names import MOST_BYTES, safe_file_names

RESERVED = {"con", "prn", "aux", "nul", *(f"{p}{d}" for p in ("com", "lpt") for d in "123456789")}


def name_of(name):
    return safe_file_names([name])[name]


@pytest.mark.parametrize(
    "name", ["choir", "low_strings", "Larkmere Hall", "Kör", "合唱", "room-2.rear", "a+b (1)"]
)
def test_a_safe_name_stays_as_it_is(name):
    assert name_of(name) == name


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("room:larkmere_hall", "room_larkmere_hall"),
        ("a/b\\c", "a_b_c"),
        ('<>"|?*', "______"),
        ("../../etc/passwd", "_.._etc_passwd"),
        (".hidden", "hidden"),
        ("choir.", "choir"),
        ("choir . ", "choir"),
        ("  choir", "choir"),
        ("a\0b\nc", "a_b_c"),
        ("a\u202eb\ud800", "a_b_"),
        ("", "unnamed"),
        ("...", "unnamed"),
        ("CON", "_CON"),
        ("nul.rear", "_nul.rear"),
        ("com1", "_com1"),
        ("LPT¹", "_LPT¹"),
        ("com10", "com10"),
        ("e\u0301", "\u00e9"),
    ],
)
def test_what_a_system_refuses_is_replaced(name, expected):
    assert name_of(name) == expected


def test_names_that_differ_in_case_get_different_files():
    assert safe_file_names(["Choir", "choir", "CHOIR"]) == {
        "Choir": "Choir",
        "choir": "choir_2",
        "CHOIR": "CHOIR_3",
    }


def test_letters_that_some_system_takes_for_one_are_kept_apart():
    # ẞ has ss as its folded form, ı has I as its capital (Unicode case folding and mapping).
    names = ["Straße", "STRASSE", "STRAẞE", "mix", "mıx"]
    assert list(safe_file_names(names).values()) == ["Straße", "STRASSE_2", "STRAẞE_3", "mix", "mıx_2"]


def test_a_safe_name_is_not_pushed_aside_by_one_that_becomes_it():
    assert safe_file_names(["a:b", "a_b"]) == {"a:b": "a_b_2", "a_b": "a_b"}


def test_a_number_that_makes_another_clash_is_stepped_over():
    assert safe_file_names(["a", "A", "a_2"]) == {"a": "a", "A": "A_2", "a_2": "a_2_2"}


def test_a_name_given_twice_counts_once():
    assert safe_file_names(["mix", "mix"]) == {"mix": "mix"}


def test_long_names_are_cut_between_characters_and_stay_distinct():
    long = "ü" * 200
    names = safe_file_names([long, long + "a", long + "b"])
    assert len(set(names.values())) == 3
    assert all(len(name.encode()) <= MOST_BYTES for name in names.values())
    assert names[long] == "ü" * 60


@given(st.lists(st.text(max_size=150), max_size=12))
def test_every_text_becomes_a_name_that_every_system_takes(names):
    result = safe_file_names(names)
    assert list(result) == list(dict.fromkeys(names))
    assert result == safe_file_names(names)
    for safe in result.values():
        assert 1 <= len(safe.encode("utf-8")) <= MOST_BYTES
        assert safe == unicodedata.normalize("NFC", safe)
        assert not set(safe) & set('<>:"/\\|?*')
        assert all(unicodedata.category(char)[0] != "C" for char in safe)
        assert safe[0] not in ". "
        assert safe[-1] not in ". "
        assert safe.split(".", maxsplit=1)[0].rstrip().casefold() not in RESERVED
    keys = [safe.casefold() for safe in result.values()]
    assert len(set(keys)) == len(keys)


@given(st.lists(st.text("aAbB.: _2", max_size=4), max_size=20))
def test_clashing_names_are_kept_apart_and_changed_names_give_way(names):
    result = safe_file_names(names)
    keys = [safe.casefold() for safe in result.values()]
    assert len(set(keys)) == len(keys)
