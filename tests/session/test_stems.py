"""Names, patterns, pairs, and the stems nobody claims."""

from __future__ import annotations

import numpy as np
import pytest

from roomplan.session.stems import split_side

MONO = np.full((4800, 1), 0.1)


def plan_for(**sections):
    return {
        "rooms": {"orrin_nave": {"responses": "ir.wav"}},
        "sections": {name: {"stems": stems} for name, stems in sections.items()},
    }


@pytest.fixture
def folder(cue):
    cue.response("ir.wav", np.random.default_rng(1).standard_normal((2000, 1)))
    return cue


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("brass_L", ("brass", "left")),
        ("brass-r", ("brass", "right")),
        ("brass.L", ("brass", "left")),
        ("Brass left", ("Brass", "left")),
        ("brass_Right", ("brass", "right")),
        ("cello", None),
        ("choir", None),
        ("_L", None),
        ("IH_pedal", None),
    ],
)
def test_side_marks_are_read_only_after_a_separator(name, expected):
    assert split_side(name) == expected


def test_mono_files_named_left_and_right_join_into_one_stereo_stem(folder):
    folder.stem("brass_L.wav", MONO)
    folder.stem("brass_R.wav", MONO)
    session = folder.session(plan_for(brass=["brass"]))
    (path,) = session.section("brass").stems
    assert (path.stem.name, path.stem.channels) == ("brass", 2)
    assert [f.name for f in path.stem.files] == ["brass_L.wav", "brass_R.wav"]


def test_halves_claimed_by_one_pattern_or_by_two_names_join_alike(folder):
    folder.stem("brass-L.wav", MONO)
    folder.stem("brass-R.wav", MONO)
    for stems in (["*BRASS*"], ["brass-R.wav", "brass-L"]):
        (path,) = folder.session(plan_for(brass=stems)).section("brass").stems
        assert [f.name for f in path.stem.files] == ["brass-L.wav", "brass-R.wav"]


def test_halves_with_their_own_pans_stay_mono_stems(folder):
    folder.stem("brass_L.wav", MONO)
    folder.stem("brass_R.wav", MONO)
    stems = [{"file": "brass_L", "pan": -60}, {"file": "brass_R", "pan": 60}]
    assert [p.stem.channels for p in folder.session(plan_for(brass=stems)).section("brass").stems] == [1, 1]


def test_stem_claimed_by_two_sections_is_a_problem_with_its_line(folder):
    folder.stem("choir_high.wav", MONO)
    (problem,) = folder.problems(plan_for(choir=["*choir*"], high=["choir_high"]))
    assert "belongs to section choir and to section high" in problem
    assert "plan.yaml:" in problem


@pytest.mark.parametrize(
    ("one", "other", "asked"),
    [
        ("choir", "choirr", True),
        ("choir", "chior", True),
        ("horns", "horn", True),
        ("violins", "violas", False),
        ("choir", "high", False),
        ("horn_1", "horn_2", False),
    ],
)
def test_a_stem_of_two_sections_whose_names_are_nearly_one_asks_for_a_slip(folder, one, other, asked):
    folder.stem("high.wav", MONO)
    (problem,) = folder.problems(plan_for(**{one: ["*high*"], other: ["high"]}))
    assert (f"is {other} a misspelling of {one}?" in problem) is asked
    assert "narrow one of the two patterns" in problem


def test_unclaimed_stem_is_a_warning_and_the_response_beside_it_is_not(folder):
    folder.stem("choir.wav", MONO)
    folder.stem("harp.wav", MONO)
    session = folder.session(plan_for(choir=["choir"]))
    assert ["harp.wav" in str(w) for w in session.warnings if "belongs to no section" in w.what] == [True]


def test_misspelt_stem_names_its_neighbour(folder):
    folder.stem("choir.wav", MONO)
    (problem,) = folder.problems(plan_for(choir=["chior"]))
    assert "did you mean 'choir" in problem


def test_name_that_fits_two_files_is_a_problem(folder):
    folder.stem("choir.wav", MONO)
    folder.stem("choir.aiff", MONO)
    (problem,) = folder.problems(plan_for(choir=["choir"]))
    assert "fits several files" in problem


def test_exact_name_beside_a_pattern_keeps_its_own_level(folder):
    folder.stem("choir.wav", MONO)
    folder.stem("choir_solo.wav", MONO)
    session = folder.session(plan_for(choir=["*choir*", {"file": "choir_solo", "level": -3}]))
    assert {p.stem.name: p.stem.level_db for p in session.section("choir").stems} == {
        "choir": 0.0,
        "choir_solo": -3.0,
    }


def test_stem_with_more_than_two_channels_is_refused(folder):
    folder.stem("choir.wav", np.zeros((100, 3)))
    (problem,) = folder.problems(plan_for(choir=["choir"]))
    assert "3 channels" in problem


def test_missing_stems_folder_is_one_problem_that_names_the_near_one(folder):
    folder.stem("choir.wav", MONO)
    content = plan_for(choir=["choir"], brass=["brass"]) | {"stems": "stem"}
    (problem,) = folder.problems(content)
    assert "does not exist" in problem
    assert "did you mean stems?" in problem


def test_lonely_half_of_a_pair_is_used_as_mono_and_said_so(folder):
    folder.stem("brass_L.wav", MONO)
    session = folder.session(plan_for(brass=["brass_L"]))
    assert any("other half is missing" in w.what for w in session.warnings)
