"""`roomplan render report.json`: the same again, and what has changed since."""

from __future__ import annotations

import json
import shutil

import jsonschema
import numpy as np
import pytest
import soundfile

from roomplan.files.digests import file_digest

RATE = 48_000


@pytest.fixture
def rendered(run, session):
    """The report of a render with options that it must keep."""
    assert (
        run("render", session / "plan.yaml", "--only", "mix", "--only", "wet", "--mute", "low_strings").status
        == 0
    )
    return session / "render/report.json"


def digests(folder):
    files = json.loads((folder / "report.json").read_text(encoding="utf-8"))["files"]
    return {entry["file"]: entry["samples_sha256"] for entry in files}


def test_a_report_alone_renders_the_same_samples_when_the_plan_is_gone(
    run, rendered, session, tmp_path_factory
):
    elsewhere = tmp_path_factory.mktemp("elsewhere")
    report = shutil.copy(rendered, elsewhere / "kept.json")
    (session / "plan.yaml").unlink()
    outcome = run("render", report, "--output", elsewhere / "again", "--quiet")
    assert (outcome.status, outcome.errors) == (0, "")
    assert "2 of 2 files have the same samples as in the report" in outcome.output
    assert "every figure within" not in outcome.output  # the next line says more
    assert digests(elsewhere / "again") == digests(rendered.parent)
    assert set(digests(rendered.parent)) == {"mix.wav", "dry_and_wet/wet.wav"}


def test_a_render_from_a_report_says_when_its_sounds_are_not_those_of_the_report(run, rendered, session):
    samples, _rate = soundfile.read(session / "stems/choir.wav")
    soundfile.write(session / "stems/choir.wav", 0.5 * samples, RATE)
    outcome = run("render", rendered, "--output", session / "again", "--quiet")
    assert outcome.status == 0
    assert "0 of 2 files have the same samples as in the report" in outcome.output
    assert f"changed since the report: {session / 'stems/choir.wav'};" in outcome.output.replace("\n", "")
    assert (
        "changed since" not in run("render", session / "again/report.json", "--output", session / "b").output
    )


def test_a_render_from_a_report_keeps_what_the_first_report_kept(run, rendered, session):
    assert run("render", rendered, "--output", session / "again").status == 0
    first, again = (
        json.loads((folder / "report.json").read_text(encoding="utf-8"))
        for folder in (rendered.parent, session / "again")
    )
    assert again["reproduce"] == first["reproduce"]
    assert first["reproduce"]["options"] == {"only": ["mix", "wet"], "mute": ["low_strings"], "excerpt": None}


def test_options_that_are_given_take_the_place_of_those_in_the_report(run, rendered, session):
    outcome = run(
        "render", rendered, "--output", session / "again", "--only", "mix", "--mute", "choir", "--json"
    )
    assert [entry["bus"] for entry in outcome.json["files"]] == ["mix"]
    assert [section["muted"] for section in outcome.json["sections"]] == [True, False]


def test_a_render_from_a_report_replaces_no_render_unless_asked(run, rendered):
    before = rendered.read_bytes()
    outcome = run("render", rendered, "--quiet")
    assert outcome.status == 1
    assert "already holds a render" in outcome.errors
    assert len(outcome.errors.splitlines()) == 1
    assert rendered.read_bytes() == before
    assert run("render", rendered, "--replace").status == 0


def test_the_inputs_are_kept_with_their_size_and_digest(rendered, session):
    inputs = json.loads(rendered.read_text(encoding="utf-8"))["reproduce"]["inputs"]
    assert [(entry["kind"], entry["of"], entry["file"]) for entry in inputs] == [
        ("plan", None, str(session / "plan.yaml")),
        ("stem", "choir", str(session / "stems/choir.wav")),
        ("stem", "low_strings", str(session / "stems/low.wav")),
        ("response", "orrin_nave", str(session / "nave.wav")),
    ]
    for entry in inputs:
        file = session / entry["file"]
        assert entry["size"] == file.stat().st_size
        assert entry["blake2b_160"] == file_digest(file)


def test_a_check_finds_nothing_while_the_inputs_are_the_same(run, rendered, session):
    shutil.copy(session / "nave.wav", session / "copy.wav")
    (session / "copy.wav").replace(session / "nave.wav")  # another file, the same content
    outcome = run("render", rendered, "--check")
    assert outcome.status == 0
    assert "none of 4 inputs changed since the render" in outcome.output
    document = run("render", rendered, "--check", "--json").json
    assert document["unchanged"] is True
    assert {entry["state"] for entry in document["inputs"]} == {"same"}


def test_a_check_names_what_has_changed_is_missing_or_new(run, rendered, session):
    (session / "plan.yaml").write_text("# another plan\n", encoding="utf-8")
    (session / "nave.wav").unlink()
    samples, _rate = soundfile.read(session / "stems/low.wav")
    samples[5] += 0.25
    soundfile.write(session / "stems/low.wav", samples, RATE)
    (session / "stems/choir.wav").rename(session / "stems/Choir.flac")
    outcome = run("render", rendered, "--check", "--json")
    assert outcome.status == 1
    states = {
        (entry["kind"], entry["file"].rsplit("/", 1)[-1]): entry["state"] for entry in outcome.json["inputs"]
    }
    assert states == {
        ("plan", "plan.yaml"): "changed",
        ("stem", "choir.wav"): "missing",
        ("stem", "low.wav"): "changed",
        ("response", "nave.wav"): "missing",
        ("stem", "Choir.flac"): "new",
    }
    assert "5 of 5 inputs changed since the render" in run("render", rendered, "--check").output


def test_a_check_names_the_version_of_the_program_and_of_its_rooms(run, rendered):
    document = json.loads(rendered.read_text(encoding="utf-8"))
    document["reproduce"] |= {"roomplan": "0.0.1", "synthesis": 1}
    rendered.write_text(json.dumps(document), encoding="utf-8")
    outcome = run("render", rendered, "--check", "--json")
    assert outcome.status == 0  # the inputs are the same
    (line,) = outcome.json["version_differences"]  # no room of this plan is synthetic
    assert line.startswith("made by roomplan 0.0.1, this is ")
    assert line in run("render", rendered, "--check").output


def test_a_synthetic_room_is_kept_whole_and_heard_as_it_was(run, session):
    from roomplan.files.resources import bundled_folder

    text = (bundled_folder("irs_synthetic") / "tallowyard_stage.yaml").read_text(encoding="utf-8")
    (session / "booth.yaml").write_text(text, encoding="utf-8")
    plan = session / "rooms.yaml"
    plan.write_text(
        "stems: stems\nrooms: {booth: {synthetic: ./booth.yaml}}\nshared_sends: {booth: -8}\n"
        "sections: {choir: {stems: choir}, low_strings: {stems: low}}\n",
        encoding="utf-8",
    )
    assert run("render", plan, "--only", "mix", "--output", session / "first").status == 0
    (session / "booth.yaml").write_text(
        text.replace("seed:", "seed: 1").replace("seed: 1 ", "seed: 1"), encoding="utf-8"
    )
    report = session / "first/report.json"
    (state,) = [
        entry["state"]
        for entry in run("render", report, "--check", "--json").json["inputs"]
        if entry["kind"] == "room"
    ]
    assert state == "changed"
    assert run("render", report, "--output", session / "again").status == 0
    assert digests(session / "again") == digests(session / "first")


def test_a_report_without_its_plan_and_a_plan_with_check_are_one_line(run, rendered, session):
    document = json.loads(rendered.read_text(encoding="utf-8"))
    del document["reproduce"]
    old = session / "old.json"
    old.write_text(json.dumps(document), encoding="utf-8")
    for arguments, words in (
        ((old,), "does not contain its plan"),
        ((session / "plan.yaml", "--check"), "roomplan check"),
        ((session / "nothing.json",), "there is no such file"),
    ):
        outcome = run("render", *arguments, "--quiet")
        assert (outcome.status, len(outcome.errors.strip().splitlines())) == (1, 1)
        assert words in outcome.errors
    assert run("render", rendered, "--check", "--only", "mix").status == 2
    assert run("render", rendered, rendered, "--check").status == 2


def test_the_same_report_renders_the_same_integer_samples_dither_included(run, session):
    (session / "dithered.yaml").write_text(
        "extends: plan.yaml\ntrim: -12\ndeliveries: {cd: {bit_depth: 16, format: flac, write: [mix]}}\n",
        encoding="utf-8",
    )
    assert run("render", session / "dithered.yaml").status == 0
    assert run("render", session / "cd/report.json", "--output", session / "again").status == 0
    assert digests(session / "again") == digests(session / "cd")
    assert np.any(soundfile.read(session / "again/mix.flac", dtype="int16")[0])


def test_the_check_document_has_a_stable_shape(run, rendered):
    schema = {
        "type": "object",
        "required": ["schema", "roomplan", "plan", "made_by", "version_differences", "inputs", "unchanged"],
        "additionalProperties": False,
        "properties": {
            "schema": {"const": "roomplan.reproduction_check/1"},
            "roomplan": {"type": "string"},
            "plan": {"type": "string"},
            "made_by": {"type": "object", "required": ["roomplan", "synthesis"]},
            "version_differences": {"type": "array", "items": {"type": "string"}},
            "inputs": {
                "type": "array",
                "items": {"type": "object", "required": ["kind", "of", "file", "state"]},
            },
            "unchanged": {"type": "boolean"},
        },
    }
    jsonschema.validate(run("render", rendered, "--check", "--json").json, schema)
