"""The schema of room files that editors read."""

from __future__ import annotations

import json
from typing import Any

import jsonschema
import pytest
from ruamel.yaml import YAML

from roomplan.rooms.room_file import bundled_rooms, load_room_specification
from roomplan.rooms.room_shape import room_schema

GOOD = """\
title: Larkmere Annexe
dimensions: {length: 30, width: 20, height: 10}
materials:
  floor: stage_floor
  ceiling: plaster_on_masonry
  stage_wall: {"125": 0.2, "250": 0.15, "500": 0.1, "1000": 0.1, "2000": 0.1, "4000": 0.1}
  far_wall: heavy_curtain
  left_wall: brick
  right_wall: brick
seed: 7
microphones:
  main: {positions: [[15, -0.5, 3], [15, 0.5, 3]], pattern: omni}
reference_seat: {distance: 8, angle: 0}
"""
CHANGES = [
    ("", "", True),
    ("seed: 7", "seed: 7\nscattering: 0.4", True),
    ("seed: 7", "seed: 7\nscattering: {walls: 0.4, floor: 1}", True),
    ("seed: 7", "seed: 7\nscattering: {wals: 0.4}", False),
    ("seed: 7", "seed: 7\nscattering: 1.4", False),
    ("seed: 7", "seed: 7\nscattering:", False),
    ("seed: 7", "seed: -7", False),
    ("seed: 7", "seed: 7.5", False),
    ("seed: 7\n", "", False),
    ("seed: 7", "seed: 7\nstage: {from: 2, to: 11, width: 14}", True),
    ("seed: 7", "seed: 7\nstage: {from: 2, width: 14}", False),
    ("seed: 7", "seed: 7\nhumidity: 5", False),
    ("seed: 7", "seed: 7\npanels: {a: {centre: [8, 0, 5], size: [4, 3], material: brick, tilt: -90}}", True),
    ("seed: 7", "seed: 7\npanels: {a: {centre: [8, 0, 5], size: [4, 3]}}", False),
    ("seed: 7", "seed: 7\npanels: {a: {centre: [8, 0, 5], size: [4], material: brick}}", False),
    ("seed: 7", "seed: 7\nscatterers: {a: {area: 40, from: 2, to: 9, heights: [0, 1]}}", True),
    ("seed: 7", "seed: 7\nscatterers: {a: {area: -4, from: 2, to: 9, heights: [0, 1]}}", False),
    ("pattern: omni", "pattern: oval", False),
    ("pattern: omni", "pattern: omni, aims: [-45, 45], tilts: [0, 0]", True),
    ("pattern: omni", "pattern: omni, aims: [-45, 245]", False),
    ("main: {", "front: {", False),
    ("[15, 0.5, 3]]", "[15, 0.5]]", False),
    ("[15, 0.5, 3]]", "[15, 0.5, 3], [15, 0, 3], [15, 1, 3]]", False),
    ("far_wall: heavy_curtain", "far_wall: heavy_courtain", False),
    ("  far_wall: heavy_curtain\n", "", False),
    ('"125": 0.2, ', "", False),
    ('"125": 0.2', '"125": 2', False),
    ("length: 30", "length: 300", False),
    ("title: Larkmere Annexe", "title: 12", False),
    ("distance: 8", "distance: 0", False),
]


@pytest.fixture(scope="module")
def validator() -> Any:
    jsonschema.Draft202012Validator.check_schema(room_schema())
    return jsonschema.Draft202012Validator(room_schema())


def shapes(schema: dict[str, Any]) -> list[dict[str, Any]]:
    return [schema, *schema["$defs"].values()]


def test_every_key_of_a_room_file_is_described_and_no_mapping_takes_unknown_ones():
    for shape in shapes(room_schema()):
        assert shape["additionalProperties"] is False
        for name, value in shape["properties"].items():
            assert value["description"], name
            assert value["title"] == name


def test_the_schema_offers_no_null_and_no_internal_form():
    text = json.dumps(room_schema())
    assert "null" not in text
    assert "\\u0000" not in text
    assert "octave_" not in text


def test_the_schema_accepts_every_bundled_room(validator):
    assert bundled_rooms()
    for path in bundled_rooms().values():
        validator.validate(YAML(typ="safe", pure=True).load(path))


@pytest.mark.parametrize(("old", "new", "valid"), CHANGES)
def test_the_schema_and_the_loader_agree_about_a_room_file(validator, tmp_path, old, new, valid):
    text = GOOD.replace(old, new, 1)
    path = tmp_path / "annexe.yaml"
    path.write_text(text, encoding="utf-8")
    assert validator.is_valid(YAML(typ="safe", pure=True).load(text)) is valid
    assert (not load_room_specification(path)[1]) is valid


def test_the_schema_wants_one_of_times_and_materials(validator):
    room = YAML(typ="safe", pure=True).load(GOOD)
    times = {str(63 * 2**octave if octave < 1 else 125 * 2 ** (octave - 1)): 1.5 for octave in range(8)}
    assert not validator.is_valid({**room, "reverberation_time": times})
    del room["materials"]
    assert not validator.is_valid(room)
    assert validator.is_valid({**room, "reverberation_time": times})
