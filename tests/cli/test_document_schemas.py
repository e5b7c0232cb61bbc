"""What `roomplan schema` says of a document is so: real ones are held against it, unknown keys forbidden."""

from __future__ import annotations

import json
import re
from typing import Any

import jsonschema
import numpy as np
import pytest
import soundfile

from roomplan.cli.schema import Described
from roomplan.cli.topics import TOPICS, source
from roomplan.report.schemas.catalogue import DOCUMENTS, document_schema

MORE = """\
extends: plan.yaml
frame_rate: 25
start: "01:00:00:00"
cue: 2m1
version: 3
groups: {voices: {sections: [choir]}}
alternates: {choir_up: {choir: {level: 1.5}}}
passages: {verse: {from: 0.1, to: 0.8}}
margins: [{of: choir, over: low_strings}]
sections:
  low_strings: {dry: "off", sends: {orrin_nave: {level: -3, low_cut: 90}}}
targets:
  - {of: choir, wet_to_dry: -5}
  - {of: choir, least_sti: 0.99}
  - {of: choir, over: low_strings, margin: 1, passage: verse}
  - {true_peak: -1}
  - {loudness: -23}
"""
ROOM = """\
title: Ice Harbour, rooms
stems: stems
rooms: {marram_choir_room: {synthetic: marram_choir_room}}
shared_sends: {marram_choir_room: -9}
sections:
  choir: {stems: choir, seat: {distance: 4, angle: 0}}
  low_strings: {stems: low, seat: {distance: 6, angle: 20}}
"""
BROKEN = "rooms: {h: {synthetic: nowhere}}\nsections: {choir: {stems: missing}}\n"

# document → command lines that print it
PRINTED = {
    "render": [
        ("render", "plan.yaml", "--output", "a"),
        ("render", "plan.yaml", "--output", "a", "--mute", "choir"),
        ("render", "more.yaml", "--output", "b"),
        ("render", "more.yaml", "--output", "c", "--from", "0.2", "--length", "0.3"),
        ("render", "rooms.yaml", "--output", "d"),
    ],
    "render_many": [("render", "plan.yaml", "more.yaml", "broken.yaml", "--output", "many")],
    "reproduction_check": [("render", "a/report.json", "--check")],
    "check": [("check", "more.yaml"), ("check", "broken.yaml"), ("check", "--update", "plan.yaml")],
    "compare": [
        ("compare", "plan.yaml", "more.yaml", "--passages"),
        ("compare", "plan.yaml", "more.yaml", "--from", "0.2", "--length", "0.6", "--every", "0.4"),
        ("compare", "a", "b"),
    ],
    "compare_many": [("compare", "reel_1", "reel_2")],
    "measure": [
        ("measure", "nave.wav", "mono.wav", "silence.wav", "missing.wav"),
        ("measure", "nave.wav", "--binaural", "--against", "nave.wav"),
        ("measure", "mono.wav", "--band-width", "third_octave"),
    ],
    "loudness": [
        ("loudness", "stems/choir.wav", "silence.wav", "missing.wav"),
        ("loudness", "stems/choir.wav", "--against", "stems/low.wav"),
    ],
    "balance": [("balance", "more.yaml"), ("balance", "more.yaml", "--verify", "--write")],
    "depth": [("depth", "plan.yaml"), ("depth", "rooms.yaml"), ("depth", "rooms.yaml", "--absolute")],
    "rooms": [("rooms",)],
    "one_room": [("rooms", "marram_choir_room"), ("rooms", "./materials.yaml")],
    "synthesise": [
        ("synthesise", "marram_choir_room", "one.wav", "--sample-rate", "24000"),
        ("synthesise", "marram_choir_room", "two.wav", "--spread", "2", "--without-direct"),
    ],
    "sweep": [("sweep", "s.wav", "--seconds", "1"), ("sweep", "t.wav", "--over-noise", "40")],
    "capture": [
        ("capture", "nave.wav", "silence.wav", "--impulse", "-o", "captured"),
        ("capture", "mono.wav", "--impulse", "-o", "of_one", "--room", "a_room", "--write", "plan.yaml"),
    ],
    "share": [("share", "plan.yaml", "one.html"), ("share", "more.yaml", "two.html", "--length", "0.5")],
    "new": [
        ("new", "stems", "-o", "new.yaml"),
        ("new", "stems", "--template", "plan.yaml", "-o", "filled.yaml"),
    ],
    "cache": [("cache",), ("cache", "--clear")],
}
INSIDE_A_PAGE = "page"  # printed by no command: see tests/show/page
REPORTS = [("render", "more.yaml", "--output", "out"), ("render", "rooms.yaml", "--output", "out")]


def strict(schema: Any) -> Any:
    """Return a schema in which a mapping has no keys but those it lists."""
    if isinstance(schema, list):
        return [strict(one) for one in schema]
    if not isinstance(schema, dict):
        return schema
    closed = {
        key: one if key in {"enum", "const", "required"} else strict(one) for key, one in schema.items()
    }
    return closed | ({"additionalProperties": False} if "required" in schema else {})


def keys_in(schema) -> set[str]:
    """Return the keys that a schema has a word for, at any depth."""
    if isinstance(schema, list):
        return set().union(*map(keys_in, schema))
    if not isinstance(schema, dict):
        return set()
    own = set(schema["properties"]) if isinstance(schema.get("properties"), dict) else set()
    return own.union(*map(keys_in, schema.values()))


def words_in(schema) -> set[str]:
    """Return the words that values of a schema may be, at any depth."""
    if isinstance(schema, list):
        return set().union(*map(words_in, schema))
    if not isinstance(schema, dict):
        return set()
    own = {word for word in schema.get("enum", ()) if isinstance(word, str)}
    return own.union(*map(words_in, schema.values()))


def hold(document, name: str) -> None:
    jsonschema.Draft202012Validator(strict(document_schema(name))).validate(document)


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    return tmp_path_factory.mktemp("cache")


@pytest.fixture
def place(session, kept, monkeypatch):
    (session / "more.yaml").write_text(MORE, encoding="utf-8")
    (session / "rooms.yaml").write_text(ROOM, encoding="utf-8")
    (session / "broken.yaml").write_text(BROKEN, encoding="utf-8")
    samples, rate = soundfile.read(session / "nave.wav")
    soundfile.write(session / "mono.wav", samples[:, 0], rate)
    soundfile.write(session / "silence.wav", np.zeros(rate), rate)
    text = (session.joinpath("materials.yaml"), source(TOPICS["room_file"]))
    text[0].write_text(re.findall(r"```yaml\n(.*?)```", text[1], re.DOTALL)[0], encoding="utf-8")
    monkeypatch.chdir(session)
    monkeypatch.setenv("ROOMPLAN_CACHE", str(kept))
    return session


@pytest.mark.parametrize("name", DOCUMENTS)
def test_the_schema_of_a_document_is_a_schema(name):
    jsonschema.Draft202012Validator.check_schema(document_schema(name))


def test_every_document_but_that_inside_a_page_is_printed_by_a_command():
    assert {*PRINTED, INSIDE_A_PAGE} == set(DOCUMENTS)


@pytest.mark.usefixtures("place")
@pytest.mark.parametrize("name", PRINTED)
def test_what_a_command_prints_has_the_keys_and_kinds_of_values_that_its_schema_says(run, name):
    if name in {"reproduction_check", "compare"}:
        for plan, folder in (("plan.yaml", "a"), ("more.yaml", "b")):
            assert run("render", plan, "--output", folder, "--quiet").status == 0
    if name == "compare_many":
        for reel in ("reel_1", "reel_2"):
            assert run("render", "plan.yaml", "rooms.yaml", "--output", reel, "--quiet").status == 0
    if name == "cache":
        assert run("check", "rooms.yaml", "--quiet").status == 0
    for arguments in PRINTED[name]:
        outcome = run(*arguments, "--json", "--quiet")
        assert outcome.output, outcome.errors
        hold(outcome.json, name)


@pytest.mark.parametrize("arguments", REPORTS)
def test_a_report_beside_a_render_has_them_too(run, place, arguments):
    assert run(*arguments, "--quiet").status == 0
    hold(json.loads((place / "out" / "report.json").read_text(encoding="utf-8")), "render")


@pytest.mark.usefixtures("place")
def test_a_key_that_no_schema_lists_is_found(run):
    document = run("loudness", "mono.wav", "--json", "--quiet").json
    document["files"][0]["loudness"]["loudest"] = 1
    with pytest.raises(jsonschema.ValidationError, match="loudest"):
        hold(document, "loudness")


def test_every_document_can_be_asked_for_by_its_name(run):
    assert [*Described] == ["plan", "room", *DOCUMENTS]
    for name in DOCUMENTS:
        assert json.loads(run("schema", name).output) == document_schema(name)


@pytest.mark.parametrize("topic", ["json", "report"])
def test_every_key_and_word_that_a_page_names_is_in_a_schema(topic):
    schemas = [document_schema(name) for name in DOCUMENTS]
    known = set().union(*map(keys_in, schemas), *map(words_in, schemas))
    page = source(TOPICS[topic])
    named = set(re.findall(r"`([a-z][a-z0-9_]*)`", page))
    assert len(named) > 25
    assert named - known - {"null", *Described} == set()


def test_every_document_is_on_the_page_about_documents_with_its_version():
    page = source(TOPICS["json"])
    for name in DOCUMENTS:
        identity = document_schema(name)["properties"]["schema"]["const"]
        assert re.search(rf"^\| .*`{re.escape(identity)}`.* \| `{name}` \|$", page, re.MULTILINE), name


def test_captured_sweeps_have_the_keys_and_kinds_of_values_that_the_schema_says(run, place):
    settings = ("--seconds", "1", "--rate", "16000", "--decay", "0.3", "--quiet")
    assert run("sweep", "sweep.wav", *settings).status == 0
    played, rate = soundfile.read(place / "sweep.wav")
    heard = 0.5 * played + 1e-3 * np.random.default_rng(1).standard_normal(played.shape)
    heard[400:] += 0.2 * played[:-400, ::-1]
    soundfile.write(place / "front.wav", heard, rate)
    outcome = run("capture", "front.wav", "--sweep", "sweep.wav", "-o", "captured", "--json", "--quiet")
    document = json.loads(outcome.output)
    (one,) = document["sweeps"]
    assert all(one[key] for key in ("files", "takes", "ranges", "harmonics", "arrivals", "findings"))
    hold(document, "capture")
