"""What is taken off a name, and what is left of it."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roomplan.drafting.names import fold, read_names, word_forms


def words(*stems: str) -> list[tuple[str, ...]]:
    return [name.words for name in read_names(stems)]


@pytest.mark.parametrize(
    ("stem", "left"),
    [
        ("3m12_Vln1_v4", ("vln", "1")),
        ("1M05a-Harp", ("harp",)),
        ("Reel2-Choir", ("choir",)),
        ("Choir tk3", ("choir",)),
        ("Choir take 2", ("choir",)),
        ("Choir_V02", ("choir",)),
        ("Choir version 3", ("choir",)),
        ("2026-02-03_Choir", ("choir",)),
        ("Choir_20260203", ("choir",)),
        ("Choir_48k_24b", ("choir",)),
        ("Choir 44.1kHz 32f", ("choir",)),
        ("Choir_84bpm", ("choir",)),
        ("Choir 84.5 BPM", ("choir",)),
        ("Choir_close", ("choir",)),
        ("Vln1 Tree_L", ("vln", "1")),
        ("1st Violins", ("1", "violins")),
        ("LowStrings", ("low", "strings")),
        ("ViolinsII", ("violins", "ii")),
        ("WWHigh", ("ww", "high")),
        ("VLNs", ("vlns",)),
        ("Chœur.femmes", ("choeur", "femmes")),
        ("Flöte", ("flote",)),
        ("close", ("close",)),
    ],
)
def test_marks_of_a_session_are_taken_off_and_the_rest_is_cut_into_words(stem, left):
    assert words(stem) == [left]


def test_cue_take_version_side_and_microphone_are_kept_apart():
    (name,) = read_names(["3m12_Vln1_Close_tk3_v4.1_L"])
    assert (name.cue, name.take, name.version, name.side, name.microphone) == (
        "3m12",
        3,
        (4, 1),
        "left",
        "close",
    )


def test_what_most_names_begin_and_end_with_is_kept_aside():
    names = read_names(["Ice Harbour Vln final", "Ice Harbour Vla final", "Ice Harbour Vc final", "click"])
    assert [name.words for name in names] == [("vln",), ("vla",), ("vc",), ("click",)]
    assert [token.text for token in names[0].leading] == ["ice", "harbour"]
    assert [token.text for token in names[0].trailing] == ["final"]


def test_the_order_of_tracks_is_no_part_of_a_name_but_a_part_number_is():
    assert words("01 - Flute", "02 - Oboe", "03 - Horn") == [("flute",), ("oboe",), ("horn",)]
    assert words("1 Violins", "2 Violins", "Viola", "Cello", "Bass")[0] == ("1", "violins")


@pytest.mark.parametrize("form", ["{number} - IH {word}", "IH {number} {word}", "IH_{word}_{number}k"])
def test_numbering_and_initials_come_off_in_either_order(form):
    stems = [form.format(number=f"4{i}", word=word) for i, word in enumerate(("Vln", "Vla", "Vc", "Cb"))]
    assert words(*stems) == [("vln",), ("vla",), ("vc",), ("cb",)]


def test_names_that_are_numbers_only_keep_their_number():
    assert words("01", "02", "03") == [("01",), ("02",), ("03",)]


def test_sides_that_the_stems_folder_does_not_join_are_believed_where_both_exist():
    names = read_names(["Brass L", "Brass R", "Brass (L)", "Harp L"])
    assert [(name.side, name.loose_side) for name in names] == [
        ("left", True),
        ("right", True),
        (None, False),
        (None, False),
    ]


def test_composed_and_decomposed_accents_read_alike():
    composed, decomposed = "Flûtes_Chœur", unicodedata.normalize("NFD", "Flûtes_Chœur")
    assert composed != decomposed
    assert read_names([composed]) == read_names([decomposed])


def test_umlauts_are_found_bare_and_written_out():
    assert word_forms("Hörner") == {"horner", "hoerner"}
    assert fold("STRASSE") == fold("Straße")


@given(st.lists(st.text(max_size=24), max_size=12))
def test_any_names_are_read_and_tokens_stand_where_they_say(stems):
    for stem, name in zip(stems, read_names(stems), strict=True):
        assert name.stem == unicodedata.normalize("NFC", stem)
        places = [(token.start, token.end) for token in name.everything]
        assert places == sorted(places)
        assert all(
            fold(name.stem[token.start : token.end]).startswith(token.text) for token in name.everything
        )


def test_the_work_of_reading_names_grows_with_their_number_and_not_its_square(tenfold_cost):
    stems = [f"3m12_IceHarbour_Vln{i}_v4_tk{i % 7}" for i in range(5_000)]
    assert tenfold_cost(lambda: read_names(stems[:500]), lambda: read_names(stems)) < 15.0
