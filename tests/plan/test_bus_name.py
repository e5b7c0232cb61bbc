"""Names of buses are text, and know their parts."""

from __future__ import annotations

import json

import pytest

from roomplan.plan.bus_name import BusName

GROUPS = {"strings": ("cello", "violin"), "choir": ("choir_sa",)}


@pytest.mark.parametrize(
    ("name", "kind", "subject", "part", "wet"),
    [
        ("mix", "mix", "", "", False),
        ("dry", "dry", "", "", False),
        ("wet", "wet", "", "", True),
        ("section:choir", "section", "choir", "", False),
        ("section:choir:dry", "section", "choir", "dry", False),
        ("group:strings:wet", "group", "strings", "wet", True),
        ("room:orrin_nave", "room", "orrin_nave", "", True),
        ("room:orrin_nave:rear", "room", "orrin_nave", "rear", True),
        ("alternate:choir_up", "alternate", "choir_up", "", False),
        ("alternate:choir_up:strings", "alternate", "choir_up", "strings", False),
        ("alternate:choir_up:group:strings", "alternate", "choir_up", "group:strings", False),
    ],
)
def test_a_bus_name_knows_its_kind_its_subject_its_part_and_whether_it_is_wet(name, kind, subject, part, wet):
    bus = BusName(name)
    assert (bus.kind, bus.subject, bus.part, bus.is_wet) == (kind, subject, part, wet)


def test_a_group_called_wet_makes_no_wet_bus_of_an_alternate():
    assert not BusName.of_alternate("choir_up", "wet").is_wet


def test_a_bus_name_is_its_text_as_a_key_and_in_json():
    name = BusName.of_section("choir", "wet")
    assert name == "section:choir:wet"
    assert {"section:choir:wet": 1}[name] == 1
    assert json.dumps({name: name}) == '{"section:choir:wet": "section:choir:wet"}'


def test_the_sections_of_a_bus_are_those_of_its_group_and_none_of_a_group_there_is_not():
    assert BusName.of_section("horn").sections(GROUPS) == {"horn"}
    assert BusName.of_group("strings").sections(GROUPS) == {"cello", "violin"}
    assert BusName.of_group("brass").sections(GROUPS) == set()
    assert BusName("mix").sections(GROUPS) == set()
