"""The plan that a report keeps, read back."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import BaseModel

from roomplan.documents.extends import read_extended
from roomplan.errors import Place
from roomplan.files.resources import bundled_folder
from roomplan.plan import shape
from roomplan.plan.load import load_plan
from roomplan.plan.values import Text
from roomplan.report_file import REPORT_SCHEMA

BASE = """\
stems: ../stems
tempo: 84
rooms:
  hall: {synthetic: larkmere_hall, pre_delay: "1/64"}
  booth: {synthetic: rooms/booth.yaml}
  nave:
    responses:
      front: irs/front.wav
      rear: {left: irs/rear_l.wav, right: irs/rear_r.wav}
  porch: {responses: {left: irs/l.wav, right: irs/r.wav}, mute: true}
  crypt: {responses: irs/crypt.wav}
sections:
  choir: {stems: ["*choir*"], sends: {hall: -9, nave: [{level: -9, position: front}]}}
  low: {stems: [low, {file: bass, level: -3}], dry: off}
deliveries:
  session: {folder: out, bit_depth: 24}
  plain: {format: flac}
"""
LEAF = """\
extends: house/base.yaml
title: Ice Harbour — reel 2 “Slipway”
sections: {choir: {level: 1.50}, low: {sends: {nave: {level: -12, position: rear}}}}
"""


@pytest.fixture
def plan_file(tmp_path):
    (tmp_path / "house/rooms").mkdir(parents=True)
    (tmp_path / "house/base.yaml").write_text(BASE, encoding="utf-8")
    booth = (bundled_folder("irs_synthetic") / "tallowyard_stage.yaml").read_bytes()
    (tmp_path / "house/rooms/booth.yaml").write_bytes(booth)
    path = tmp_path / "cue.yaml"
    path.write_text(LEAF, encoding="utf-8")
    return path


@pytest.fixture
def reported(tmp_path):
    """Put what a loaded plan says into a report in another folder, and return its path."""

    def _reported(loaded, *, indent=2, before="", **more):
        written = loaded.written
        rooms = [room for room in loaded.plan.rooms.values() if room.synthetic is not None]
        folder = bundled_folder("irs_synthetic")
        texts = {
            str(room.synthetic): (folder / f"{room.synthetic}.yaml").read_text(encoding="utf-8")
            if isinstance(room.synthetic, str)
            else room.synthetic.read_text(encoding="utf-8")
            for room in rooms
        }
        document = {
            "schema": REPORT_SCHEMA,
            "before": before,
            "plan": str(written.source),
            "title": loaded.plan.title,
            "rooms": [],
            "sections": [],
            "buses": [],
            "files": [],
            "reproduce": {
                "roomplan": "0",
                "synthesis": 1,
                "options": {"only": [], "mute": [], "excerpt": None},
                "plan": {
                    "source": str(written.source),
                    "data": written.data,
                    "paths": [{"at": list(at), "means": means} for at, means in written.paths.items()],
                },
                "inputs": [
                    *(
                        {"kind": "plan", "file": str(file), "of": None, "size": 1, "blake2b_160": ""}
                        for file in written.documents
                    ),
                    *(
                        {"kind": "room", "file": file, "of": None, "size": 1, "blake2b_160": "", "text": text}
                        for file, text in texts.items()
                    ),
                ],
            },
        } | more
        path = tmp_path / "elsewhere/deep/report.json"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(document, indent=indent, ensure_ascii=False), encoding="utf-8")
        return path

    return _reported


def read(path) -> Any:
    """A loaded plan; what is None where there are problems is not here."""
    return load_plan(path)


def placeless(value):
    """A plan as plain values without its places."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = {f.name: placeless(getattr(value, f.name)) for f in dataclasses.fields(value)}
        return {key: item for key, item in fields.items() if key not in {"place", "key_places"}}
    if isinstance(value, dict):
        return {key: placeless(item) for key, item in value.items()}
    return [placeless(item) for item in value] if isinstance(value, tuple | list) else value


@pytest.mark.parametrize("indent", [2, None])
def test_a_plan_read_from_a_report_elsewhere_is_the_plan_that_was_rendered(plan_file, reported, indent):
    first = read(plan_file)
    again = read(reported(first, indent=indent))
    assert again.problems == ()
    assert placeless(again.plan) == placeless(first.plan)
    assert again.plan.rooms["nave"].responses["rear"].files[1].is_absolute()
    assert again.plan.deliveries["plain"].folder == plan_file.parent / "plain"
    assert (again.written.data, again.written.paths) == (first.written.data, first.written.paths)
    assert again.written.documents == first.written.documents


def test_values_are_kept_as_they_were_written_after_extends(plan_file):
    written = read(plan_file).written
    document, _problems = read_extended(plan_file)
    assert document is not None
    assert written.data == document.data
    assert written.data["rooms"]["hall"]["pre_delay"] == "1/64"
    assert written.data["sections"]["low"]["dry"] == "off"
    assert written.data["stems"] == "../stems"
    assert written.paths["stems",] == str(plan_file.parent / "stems")


def test_a_problem_of_a_plan_in_a_report_points_to_its_line_in_the_report(plan_file, reported):
    path = reported(read(plan_file), before="x\n{}y")
    text = path.read_text(encoding="utf-8").replace('"level": 1.5', '"level": 99')
    path.write_text(text, encoding="utf-8")
    (problem,) = read(path).problems
    lines = text.splitlines()
    (line,) = [number for number, one in enumerate(lines, start=1) if '"level": 99' in one]
    assert problem.place == Place(path, line, lines[line - 1].index("99") + 1)


def test_a_room_file_that_has_changed_is_read_from_the_report(plan_file, reported):
    first = read(plan_file)
    path = reported(first)
    booth = plan_file.parent / "house/rooms/booth.yaml"
    then = booth.read_bytes()
    assert read(path).plan.rooms["booth"].synthetic == booth
    booth.write_bytes(then + b"# changed\n")
    kept = read(path).plan.rooms["booth"].synthetic
    assert (kept.name, kept.read_bytes()) == ("booth.yaml", then)
    booth.unlink()
    assert read(path).plan.rooms["booth"].synthetic.read_bytes() == then


def test_a_bundled_room_that_has_changed_is_read_from_the_report(plan_file, reported):
    path = reported(read(plan_file))
    assert read(path).plan.rooms["hall"].synthetic == "larkmere_hall"
    document = json.loads(path.read_text(encoding="utf-8"))
    (room,) = [one for one in document["reproduce"]["inputs"] if one["file"] == "larkmere_hall"]
    room["text"] += "# an earlier version\n"
    path.write_text(json.dumps(document), encoding="utf-8")
    kept = read(path).plan.rooms["hall"].synthetic
    assert (kept.name, kept.read_text(encoding="utf-8")) == ("larkmere_hall.yaml", room["text"])


def test_the_name_of_a_room_in_a_report_leads_to_no_place_outside_of_the_temporary_folder(
    plan_file, reported, tmp_path
):
    path = reported(read(plan_file))
    document = json.loads(path.read_text(encoding="utf-8"))
    data, inputs = document["reproduce"]["plan"]["data"], document["reproduce"]["inputs"]
    target = tmp_path / "aimed_at"
    data["rooms"] = {str(target): {"synthetic": "larkmere_hall"}, "../up": {"synthetic": "larkmere_hall"}}
    for entry in inputs:
        entry["text"] = "title: another\n"
    path.write_text(json.dumps(document), encoding="utf-8")
    assert read(path).problems
    assert not target.exists()


def test_a_report_is_known_by_its_schema_whatever_its_name(plan_file, reported):
    path = reported(read(plan_file))
    other = path.rename(path.with_name("kept.yaml"))
    assert read(other).plan.title.startswith("Ice Harbour")
    # a plan may be written in braces too
    (plan_file.parent / "braces.json").write_text(
        '{"rooms": {"hall": {"synthetic": "larkmere_hall"}}, "sections": {"choir": {"stems": "x"}}}',
        encoding="utf-8",
    )
    assert read(plan_file.parent / "braces.json").problems == ()


def test_reports_that_no_plan_can_be_read_from_are_one_line(plan_file, reported):
    first = read(plan_file)
    kept = json.loads(reported(first).read_text(encoding="utf-8"))["reproduce"]
    for more, words in (
        ({"reproduce": None}, "does not contain its plan"),
        ({"schema": "roomplan.check/3"}, "is a document 'roomplan.check/3'"),
        ({"reproduce": []}, "reproduce is a list"),
        ({"reproduce": kept | {"inputs": {}}}, "reproduce.inputs is an object"),
        ({"reproduce": kept | {"plan": kept["plan"] | {"data": []}}}, "reproduce.plan.data is a list"),
        ({"reproduce": kept | {"plan": {"source": "x", "data": {}}}}, "reproduce.plan.paths is missing"),
    ):
        loaded = read(reported(first, **more))
        assert loaded.plan is None
        (problem,) = loaded.problems
        assert words in problem.what
        assert problem.remedy


def test_every_key_of_a_plan_that_is_a_path_is_kept_as_an_absolute_one_too():
    # a key that joins them must be added to `written_paths`
    found = set()
    for name in shape.__all__:
        model = getattr(shape, name)
        if not (isinstance(model, type) and issubclass(model, BaseModel)):
            continue
        for key, field in model.model_fields.items():
            texts = [item for item in field.metadata if isinstance(item, Text)]
            if any("path" in text.what for text in texts):
                found.add((name, key))
    assert found == {
        ("DeliveryShape", "folder"),
        ("PairShape", "left"),
        ("PairShape", "right"),
        ("PlanShape", "extends"),
        ("PlanShape", "stems"),
        ("RoomShape", "synthetic"),
    }


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.binary(max_size=60), st.integers(0, 2000))
def test_no_damage_to_a_report_raises(plan_file, reported, noise, where):
    path = reported(read(plan_file))
    raw = path.read_bytes()
    at = where * len(raw) // 2000
    path.write_bytes(raw[:at] + noise + raw[at + len(noise) :])
    loaded = read(path)
    assert loaded.problems or loaded.plan is not None


def test_paths_of_a_plan_are_those_the_plan_was_resolved_to(plan_file):
    loaded = read(plan_file)
    for at, means in loaded.written.paths.items():
        value = loaded.written.data
        for step in at:
            value = value[step]
        assert isinstance(value, str), at
        assert Path(means).is_absolute()
        assert Path(means).name == Path(value).name
    assert len(loaded.written.paths) == 9
