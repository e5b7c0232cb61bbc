"""Versions and takes of one stem: told from parts, halves and microphones, never played together unasked."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roomplan.session.stem_names import revision_groups

SOUND = np.full((4800, 1), 0.1)


def groups(*stems: str, beside: tuple[str, ...] = ()) -> list[tuple[set[str], set[str]]]:
    """Members and newest of every group, by name."""
    return [
        ({stems[i] for i in group.members}, {stems[i] for i in group.newest})
        for group in revision_groups(stems, beside)
    ]


@pytest.mark.parametrize(
    ("older", "newer"),
    [
        ("1m4_Vln_dry_v2", "1m4_Vln_dry_v3"),
        ("1m4_Vln_dry_v9", "1m4_Vln_dry_v10"),
        ("1m4_Vln", "1m4_Vln_v2"),
        ("Choir v1.9", "Choir v2.0"),
        ("Choir_take2", "Choir_tk3"),
        ("Choir_v2_take9", "Choir_v3_take1"),
        ("1m4v2_Vln", "1m4v3_Vln"),
        ("Choir_20260203", "Choir_20260310"),
        ("Choir_2025-12-31", "Choir_20260101"),
        ("V1_v2", "V1_v3"),
        ("Choir_V1", "Choir_V2"),
        ("Choir_v2_48k_24b", "Choir_v3_96k_32f"),
        ("Chœur_v1", "CHOEUR_v2"),
        ("Trp v2", "Trp V3 FIX"),
        ("Trp v3", "Trp v3 fixed"),
        ("Piano", "Piano final"),
        ("Piano final", "Piano_FINAL2"),
        ("Piano final", "Piano final final"),
        ("1m4 Piano final v2", "1m4 Piano v3"),
        ("CB_24-11-29", "CB_24-11-30"),
        ("CB 30.11.24", "CB 01.12.2024"),
        ("CB 11-29-2024", "CB 12-30-2024"),
    ],
)
def test_names_that_differ_by_version_take_date_or_final_are_one_stem_and_the_newest_is_known(older, newer):
    assert groups(newer, older) == [({older, newer}, {newer})]


@pytest.mark.parametrize(
    "stems",
    [
        ("choir_1", "choir_2"),
        ("vln1_v2", "vln2_v2"),
        ("vln1", "vln2"),
        ("Violins I", "Violins II"),
        ("1m4_Vln_v2", "1m5_Vln_v3"),
        ("Choir_L_v2", "Choir_R_v3"),
        ("Choir_v2_L", "Choir_v2_R"),
        ("Choir_close_v2", "Choir_room_v3"),
        ("V1", "V2"),
        ("V1_v3", "V2_v3"),
        ("Reel1_Choir", "Reel2_Choir"),
        ("Choir_84bpm", "Choir_92bpm"),
        ("Choir_48k", "Choir_96k"),
        ("verse 1", "verse 2"),
        ("tenor_t1", "tenor_t2"),
        ("Final Choir", "Choir"),
        ("final", "new"),
        ("Choir final close", "Choir final room"),
    ],
)
def test_parts_halves_cues_microphones_and_rates_are_no_versions(stems):
    assert groups(*stems) == []


def test_v1_and_v2_behind_a_title_are_violins_beside_stems_without_versions():
    beside = ("Ice_Harbour_Vla", "Ice_Harbour_Vc", "Ice_Harbour_Cb")
    assert groups("Ice_Harbour_V1", "Ice_Harbour_V2", beside=beside) == []
    versions = tuple(f"{name}_v2" for name in beside)
    assert groups("Ice_Harbour_V1", "Ice_Harbour_V2", beside=versions) != []


def test_two_halves_of_the_newest_version_stay_together():
    stems = ("Choir_v2_L", "Choir_v2_R", "Choir_v3_L", "Choir_v3_R")
    assert groups(*stems) == [(set(stems), {"Choir_v3_L", "Choir_v3_R"})]


@given(st.lists(st.text(max_size=24), max_size=12))
def test_groups_of_any_names_are_disjoint_and_hold_their_newest(stems):
    found = revision_groups(stems)
    members = [index for group in found for index in group.members]
    assert len(members) == len(set(members))
    assert all(set(group.newest) < set(group.members) for group in found)


# --- In a plan ---------------------------------------------------------------------------------------


def plan_for(versions: str | None = None, stems: str = "*Vln*"):
    section = {"stems": [stems]} | ({} if versions is None else {"versions": versions})
    return {"rooms": {"orrin_nave": {"responses": "ir.wav"}}, "sections": {"violins": section}}


@pytest.fixture
def folder(cue):
    cue.response("ir.wav", np.random.default_rng(1).standard_normal((2000, 1)))
    cue.stem("1m4_Vln_dry_v2.wav", SOUND)
    cue.stem("1m4_Vln_dry_v3.wav", SOUND)
    return cue


def heard(session) -> list[str]:
    return [file.name for path in session.section("violins").stems for file in path.stem.files]


def test_two_versions_behind_one_pattern_are_a_problem_that_names_both_and_proposes_the_newest(folder):
    (problem,) = folder.problems(plan_for())
    assert "1m4_Vln_dry_v2.wav and 1m4_Vln_dry_v3.wav" in problem
    assert "`versions: newest` in the section plays 1m4_Vln_dry_v3.wav alone" in problem
    assert "`versions: all`" in problem


def test_newest_plays_the_newest_alone_and_a_line_says_what_is_left_out(folder):
    session = folder.session(plan_for("newest"))
    assert heard(session) == ["1m4_Vln_dry_v3.wav"]
    (warning,) = session.warnings
    assert "leaves earlier versions out: 1m4_Vln_dry_v2.wav" in warning.what


def test_all_plays_every_version_and_says_nothing(folder):
    session = folder.session(plan_for("all"))
    assert heard(session) == ["1m4_Vln_dry_v2.wav", "1m4_Vln_dry_v3.wav"]
    assert session.warnings == ()


def test_an_unknown_word_for_versions_is_a_problem_with_its_choices(folder):
    problem = folder.problems(plan_for("latest"))[0]
    assert "newest" in problem
    assert "all" in problem


def test_versions_of_a_house_plan_hold_in_the_cue_that_extends_it(folder):
    folder.plan(plan_for("newest"), "house.yaml")
    assert heard(folder.session({"extends": "house.yaml"})) == ["1m4_Vln_dry_v3.wav"]


def test_one_stem_in_two_types_of_file_is_a_problem_even_with_newest(folder):
    folder.stem("Harp.wav", SOUND)
    folder.stem("Harp.flac", SOUND)
    (problem,) = folder.problems(
        {
            "rooms": {"orrin_nave": {"responses": "ir.wav"}},
            "sections": {
                "harp": {"stems": ["*harp*"], "versions": "newest"},
                "violins": {"stems": ["*v3*", "*v2*"], "versions": "all"},
            },
        }
    )
    assert "Harp.flac and Harp.wav" in problem


def test_a_newest_half_without_its_partner_is_not_joined_with_an_older_one(folder):
    for name in ("Brass_v2_L.wav", "Brass_v2_R.wav", "Brass_v3_L.wav"):
        folder.stem(name, SOUND)
    plan = plan_for("all")
    plan["sections"]["brass"] = {"stems": ["*brass*"], "versions": "newest"}
    session = folder.session(plan)
    (path,) = session.section("brass").stems
    assert [file.name for file in path.stem.files] == ["Brass_v3_L.wav"]
    assert any("looks like the left half" in warning.what for warning in session.warnings)
