"""The schema that editors read."""

from __future__ import annotations

import json

import pytest
from ruamel.yaml import YAML

from roomplan.files.resources import bundled_folder
from roomplan.plan.load import plan_schema

TWO_SECTIONS = "rooms: {h: {synthetic: a}}\nsections: {c: {stems: x}, d: {stems: y}}\n"
PLANS = [
    ("rooms: {h: {synthetic: a}}\nsections: {c: {stems: x}}\n", True),
    (
        "tempo: 84\nrooms: {h: {synthetic: a, pre_delay: 1/8}}\nsections: {c: {stems: [x, {file: y}]}}\n",
        True,
    ),
    ("rooms: {h: {responses: {a: x, b: {left: l, right: r}}}}\nsections: {c: {stems: x}}\n", True),
    (
        "rooms: {h: {synthetic: a}}\nsections: {c: {stems: x, sends: {h: [-3, {level: 1, position: p}]}}}\n",
        True,
    ),
    ("extends: base.yaml\nsections: {c: {seat: {angle: 3}, sends: {h: null}}, d: null}\n", True),
    (
        TWO_SECTIONS + 'passages: {v: {from: 1.5, to: "0:48"}, w: {from: "1:02:03.5", to: "75:30"}}\n',
        True,
    ),
    (
        TWO_SECTIONS + "margins: [{of: c, over: d}, {of: d, over: c, band: speech}]\n",
        True,
    ),
    ("extends: base.yaml\npassages: {v: {to: 3}, w: null}\nmargins: null\n", True),
    (TWO_SECTIONS + "passages: {v: {from: -1, to: 3}}\n", False),
    (
        TWO_SECTIONS + 'passages: {v: {from: "01:02:03:04", to: 99999}}\n',
        False,
    ),
    (
        TWO_SECTIONS
        + 'frame_rate: 25\nstart: "01:00:00:00"\npassages: {v: {from: "01:02:03:04", to: "01:02:04:00"}}\n',
        True,
    ),
    (
        TWO_SECTIONS + 'frame_rate: 29.97df\nstart: 01:00:00;00\ncue: 12\nversion: "1.10"\nstrict: true\n',
        True,
    ),
    (TWO_SECTIONS + "frame_rate: 26\n", False),
    (TWO_SECTIONS + "frame_rate: 25\nstart: 1:00\n", False),
    (TWO_SECTIONS + "version: 1.1\n", False),
    (
        TWO_SECTIONS
        + "groups: {g: {sections: [c]}}\nalternates: {u: {g: {dry: off}, c: {level: 1, sends: {}}}}\n"
        + 'deliveries: {a: {write: [alternate_groups], sample_rate: 44100}, b: {file_name: "{bus}"}}\n',
        True,
    ),
    (TWO_SECTIONS + "deliveries: {a: {sample_rate: 300000}}\n", False),
    (TWO_SECTIONS + "alternates: {u: {c: {sends: {h: loud}}}}\n", False),
    ("rooms: {h: {synthetic: a}}\nsections: {c: {stems: x, optional: true}}\n", True),
    ("rooms: {h: {synthetic: a}}\nsections: {c: {stems: x, optional: 1}}\n", False),
    (TWO_SECTIONS + 'passages: {v: {from: "0:75", to: 99}}\n', False),
    (TWO_SECTIONS + "passages: {v: {start: 1, to: 3}}\n", False),
    (TWO_SECTIONS + "margins: []\n", False),
    (
        TWO_SECTIONS + "margins: [{of: c, over: d, band: 1000}]\n",
        False,
    ),
    (
        "rooms: {h: {synthetic: a}}\nsections: {c: {stems: x, seat: {distance: 9, angle: 3, spread: 0}}}\n",
        True,
    ),
    (
        "rooms: {h: {synthetic: a}}\nsections: {c: {stems: x, seat: {distance: 9, angle: 3, spread: 21}}}\n",
        False,
    ),
    ("sections: {c: {stems: x}}\n", False),
    ("rooms: {}\nsections: {c: {stems: x}}\n", False),
    ("rooms: {h: {synthetic: a, feeds: {}}}\nsections: {c: {stems: x}}\n", False),
    ("rooms: {h: {synthetic: a, pre_delay: 1/3}}\nsections: {c: {stems: x}}\n", False),
    ("rooms: {h: {synthetic: a, level: 25}}\nsections: {c: {stems: x}}\n", False),
    ("rooms: {h: {synthetic: a, mute: yes}}\nsections: {c: {stems: x}}\n", False),
    ("rooms: {'a:b': {synthetic: a}}\nsections: {c: {stems: x}}\n", False),
    ("rooms: {h: {synthetic: a}}\nsections: {c: {stems: x, sends: {h: [off]}}}\n", False),
    ("rooms: {h: {synthetic: a}}\nsections: {c: {stems: []}}\n", False),
    ("rooms: {h: {synthetic: a}}\nsections: {c: {stems: x}}\ntempo: 0\n", False),
]


def mappings(schema):
    """Yield every part of the schema that describes a mapping."""
    if isinstance(schema, dict):
        if schema.get("type") == "object":
            yield schema
        for value in schema.values():
            yield from mappings(value)
    elif isinstance(schema, list):
        for value in schema:
            yield from mappings(value)


def test_every_key_of_the_schema_has_a_description_and_no_mapping_takes_unknown_ones():
    found = list(mappings(plan_schema()))
    assert len(found) > 10
    keys = 0
    for mapping in found:
        assert "additionalProperties" in mapping
        for name, value in mapping.get("properties", {}).items():
            assert value.get("description"), name
            assert value["title"] == name
            keys += 1
        if "properties" in mapping:
            assert mapping["additionalProperties"] is False
    assert keys > 45


def test_every_measured_key_of_the_schema_names_its_unit():
    rooms = plan_schema()["$defs"]["RoomShape"]["properties"]
    for key, unit in (
        ("level", "dB"),
        ("pre_delay", "ms"),
        ("low_cut", "Hz"),
        ("reverberation_time", "s."),
        ("width", "%"),
    ):
        assert unit in rooms[key]["description"]


def test_the_schema_is_json_and_the_same_every_time():
    assert json.dumps(plan_schema()) == json.dumps(plan_schema())


def test_the_schema_names_no_internal_form():
    assert "\\u0000list" not in json.dumps(plan_schema())


def test_the_schema_itself_is_valid():
    jsonschema = pytest.importorskip("jsonschema")
    jsonschema.Draft202012Validator.check_schema(plan_schema())


@pytest.mark.parametrize(("text", "valid"), PLANS)
def test_the_schema_accepts_good_plans_and_refuses_bad_ones(text, valid):
    jsonschema = pytest.importorskip("jsonschema")
    validator = jsonschema.Draft202012Validator(plan_schema())
    assert validator.is_valid(YAML(typ="safe", pure=True).load(text)) is valid


@pytest.mark.parametrize(("text", "valid"), [(text, valid) for text, valid in PLANS if "extends" not in text])
def test_the_loader_agrees_about_the_plans_the_schema_is_tried_with(load, text, valid):
    assert (not load(text).problems) is valid


def test_the_schema_accepts_every_bundled_plan():
    jsonschema = pytest.importorskip("jsonschema")
    plans = sorted(
        set(bundled_folder("configs").glob("*.yaml")) - {bundled_folder("configs") / "instruments.yaml"}
    )
    assert plans
    for path in plans:
        jsonschema.Draft202012Validator(plan_schema()).validate(YAML(typ="safe", pure=True).load(path))
