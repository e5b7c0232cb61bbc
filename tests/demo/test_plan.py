"""The demo's plan has no problems, claims every stem once, and gives the choir the most space."""

from __future__ import annotations

from fnmatch import fnmatch
from pathlib import PurePath

import pytest

from roomplan.demo.ice_harbour import STEMS
from roomplan.files.resources import bundled_folder
from roomplan.plan.load import load_plan
from roomplan.rooms.room_file import load_room_specification


@pytest.fixture(scope="module")
def plan():
    loaded = load_plan(bundled_folder("configs") / "ice_harbour.yaml")
    assert [str(problem) for problem in loaded.problems] == []
    assert loaded.plan is not None
    return loaded.plan


def test_the_plan_has_six_seated_sections_a_group_an_alternate_and_a_delivery(plan):
    assert set(plan.sections) == {stem.section for stem in STEMS.values()}
    assert all(section.seat is not None for section in plan.sections.values())
    assert plan.groups["strings"].sections == ("low_strings", "melody_strings")
    assert plan.alternates["choir_up"].changes["choir"].level_db == 1.5
    assert plan.deliveries["session"].write == ("mix", "prints", "rooms", "groups", "alternates")


def test_every_section_says_how_its_sound_is_directed(plan):
    assert {name: section.source for name, section in plan.sections.items()} == {
        "choir": "voice",
        "low_strings": "strings",
        "melody_strings": "strings",
        "woodwinds": "woodwinds",
        "brass": "brass",
        "percussion": "percussion",
    }


def test_every_stem_is_claimed_by_its_own_section_alone(plan):
    for stem in STEMS.values():
        for file in stem.files:
            claims = [
                section.name
                for section in plan.sections.values()
                if any(
                    fnmatch(file.lower(), entry.pattern.lower())
                    or fnmatch(PurePath(file).stem.lower(), entry.pattern.lower())
                    for entry in section.stems
                )
            ]
            assert claims == [stem.section], file


def test_every_position_named_is_one_its_room_has(plan):
    for section in plan.sections.values():
        assert section.sends
        for send in section.sends:
            specification, problems = load_room_specification(plan.rooms[send.room].synthetic)
            assert problems == []
            assert specification is not None
            assert (send.position or "main") in specification.microphones


def test_the_stage_is_shared_by_all_and_the_nave_belongs_to_the_choir(plan):
    for section in plan.sections.values():
        rooms = {send.room for send in section.sends}
        assert {"tallowyard_stage", "larkmere_hall"} <= rooms
        assert ("orrin_nave" in rooms) == (section.name == "choir")


def test_the_nave_answers_a_sixty_fourth_note_after_the_choir(plan):
    # 60 000 / 84 / 16 = 44.643 ms: a 64th is a sixteenth of a quarter note.
    assert plan.rooms["orrin_nave"].pre_delay_s == pytest.approx(60 / 84 / 16)
