"""A damaged report through the commands: a line for each fault, exit 1, nothing written."""

from __future__ import annotations

import json
import shutil

import pytest


@pytest.fixture(scope="module")
def kept():
    """Text of one rendered report, for all tests of this module."""
    return {}


@pytest.fixture
def damaged(run, session, kept):
    """Change the document of a rendered report in place, and give back the report."""
    folder = session / "render"
    if not kept:
        assert run("render", session / "plan.yaml", "--only", "mix", "--quiet").status == 0
        kept["text"] = (folder / "report.json").read_text(encoding="utf-8").replace(str(session), "{folder}")
        kept["sound"] = (folder / "mix.wav").read_bytes()
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    (folder / "mix.wav").write_bytes(kept["sound"])

    def change(edit):
        document = json.loads(kept["text"].replace("{folder}", str(session)))
        edit(document)
        (folder / "report.json").write_text(json.dumps(document, indent=2), encoding="utf-8")
        return folder / "report.json"

    return change


def figure_is_nan(document):
    document["buses"][0]["loudness"]["integrated_lufs"] = float("nan")


def bus_has_no_name(document):
    del document["buses"][0]["name"]


def excerpt_at_rate_0(document):
    document["reproduce"]["options"]["excerpt"] = {"start_frame": 0, "frames": 9, "sample_rate": 0}


def input_is_a_list(document):
    document["reproduce"]["inputs"][1] = ["choir.wav"]


@pytest.mark.parametrize("edit", [figure_is_nan, bus_has_no_name, excerpt_at_rate_0, input_is_a_list])
def test_no_command_uses_a_damaged_report_and_each_says_where_the_fault_is(run, session, damaged, edit):
    report = damaged(edit)
    before = report.read_bytes()
    for arguments in (
        ("render", report, "--check"),
        ("render", report, "--output", session / "again", "--quiet"),
        ("render", session / "plan.yaml", "--against", report, "--output", session / "again", "--quiet"),
        ("compare", report.parent, report, "--json"),
        ("compare", session / "plan.yaml", report.parent, "--csv", session / "table.csv", "--quiet"),
    ):
        outcome = run(*arguments)
        assert (outcome.status, outcome.output) == (1, "")
        assert outcome.errors.startswith(f"{report}:")
        assert all(path in outcome.errors for path in ("[", "]") if edit is not excerpt_at_rate_0)
        assert len(outcome.errors.splitlines()) == 1
    assert not (session / "again").exists()
    assert not (session / "table.csv").exists()
    assert report.read_bytes() == before


def test_a_check_reads_no_device_that_a_report_names(run, damaged):
    def edit(document):
        for entry in document["reproduce"]["inputs"]:
            entry |= {"file": "/dev/zero", "size": 0}
        document["reproduce"]["inputs"].append(
            {"kind": "room", "of": "x", "file": "/dev/zero", "size": 0, "blake2b_160": "", "text": ""}
        )

    outcome = run("render", damaged(edit), "--check", "--json")
    assert outcome.status == 1
    assert {entry["state"] for entry in outcome.json["inputs"] if entry["file"] == "/dev/zero"} == {"missing"}


@pytest.mark.parametrize("up", [True, False])
def test_compare_writes_no_sound_from_outside_of_the_folder_that_was_named(run, session, damaged, up):
    outside = session / "stems/choir.wav"

    def edit(document):
        document["buses"][0]["file"] = "../stems/choir.wav" if up else str(outside)

    report = damaged(edit)
    outcome = run("compare", report.parent, report, "--write-to", session / "listen", "--quiet")
    assert outcome.status == 1
    assert "outside of the folder" in outcome.errors
    assert len(outcome.errors.splitlines()) == 1
    assert not (session / "listen").exists()
