"""Deliveries outside the plan's folder: said before any work, refused without the user's word."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest

import roomplan
from roomplan.errors import RoomplanError

SAID = "writes outside the plan's folder: "
SAID_OF_REPORT = "writes outside the report's folder: "


@pytest.fixture
def cue(session):
    """A cue in a folder of its own, with an `elsewhere` beside it."""
    place = session / "cue"
    place.mkdir()
    for name in ("stems", "nave.wav", "plan.yaml"):
        (session / name).rename(place / name)
    (session / "elsewhere").mkdir()
    return place


@pytest.fixture
def deliver_to(cue):
    """Let the plan deliver the mix to a folder; returns the plan."""

    def write(folder, name="plan.yaml"):
        text = (cue / "plan.yaml").read_text(encoding="utf-8").split("deliveries:", maxsplit=1)[0]
        delivery = f"deliveries: {{mixes: {{folder: {json.dumps(str(folder))}, write: [mix]}}}}\n"
        (cue / name).write_text(text + delivery, encoding="utf-8")
        return cue / name

    return write


def files_in(*folders):
    return sorted(str(path) for folder in folders for path in folder.rglob("*"))


@pytest.mark.parametrize("how", ["..", "absolute", "~", "link"])
def test_a_plan_of_the_users_own_writes_outside_its_folder_and_says_so_first(
    run, cue, session, deliver_to, monkeypatch, how
):
    monkeypatch.setenv("HOME", str(session / "elsewhere"))
    (cue / "way").symlink_to(session / "elsewhere")
    ways = {"..": "../elsewhere/mixes", "absolute": session / "elsewhere/mixes", "~": "~/mixes"}
    plan = deliver_to(ways.get(how, "way/mixes"))
    outcome = run("render", plan)
    assert outcome.status == 0
    first, *_rest = outcome.errors.splitlines()
    assert first.startswith(f"{plan}: {SAID}")
    assert first.endswith(f"way/mixes (leads to {session}/elsewhere/mixes)" if how == "link" else "/mixes")
    assert (session / "elsewhere/mixes/mix.wav").is_file()


def test_quiet_does_not_silence_where_a_plan_writes(run, deliver_to):
    assert SAID in run("render", deliver_to("../elsewhere/mixes"), "--quiet").errors


def test_a_plan_inside_its_own_folder_says_nothing_of_it(run, deliver_to):
    assert SAID not in run("render", deliver_to("deep/down/../mixes")).errors


def test_a_folder_named_on_the_command_line_is_the_users_own_word(run, session, deliver_to):
    outcome = run("render", deliver_to("../elsewhere/mixes"), "--output", session / "mine", "--quiet")
    assert (outcome.status, outcome.errors) == (0, "")


def test_each_of_many_plans_says_before_the_first_is_rendered_where_it_writes(run, session, deliver_to):
    plans = [deliver_to(f"../elsewhere/{name}", f"{name}.yaml") for name in ("a", "b")]
    outcome = run("render", *plans)
    assert outcome.status == 0
    assert [SAID in line for line in outcome.errors.splitlines()[:2]] == [True, True]
    assert "rendering" in outcome.errors.splitlines()[2]
    assert (session / "elsewhere/b/mix.wav").is_file()


@pytest.mark.parametrize("place", ["/", "~", "//", "home/..", "."])
@pytest.mark.parametrize("options", [[], ["--outside"], ["--from", "0.1", "--length", "0.2"]])
def test_a_delivery_to_a_whole_disk_or_the_home_folder_is_refused(
    run, cue, session, deliver_to, monkeypatch, place, options
):
    monkeypatch.setenv("HOME", str(cue))
    before = files_in(session)
    outcome = run("render", deliver_to(place), *options)
    assert outcome.status == 1
    assert "would scatter the files of a delivery over" in outcome.errors
    assert len(outcome.errors.splitlines()) == 1
    assert files_in(session) == before


@pytest.mark.parametrize("place", ["/", "home", "link"])
def test_an_output_folder_that_is_a_whole_disk_or_the_home_folder_is_refused(
    run, cue, session, monkeypatch, place
):
    monkeypatch.setenv("HOME", str(session / "elsewhere"))
    (session / "link").symlink_to(session / "elsewhere")
    folder = {"/": "/", "home": session / "elsewhere", "link": session / "link"}[place]
    outcome = run("render", cue / "plan.yaml", "--output", folder)
    assert outcome.status == 1
    assert "would scatter the files of a delivery over" in outcome.errors
    assert files_in(session / "elsewhere") == []
    assert run("render", cue / "plan.yaml", "--output", session / "elsewhere/out").status == 0


def test_a_plan_in_a_strangers_folder_needs_a_word_to_write_outside_of_it(
    run, session, deliver_to, monkeypatch
):
    monkeypatch.setattr(os, "geteuid", lambda: 4711)
    plan = deliver_to("../elsewhere/mixes")
    outcome = run("render", plan)
    assert outcome.status == 1
    assert "another user's folder" in outcome.errors
    assert SAID in outcome.errors
    assert "--output, or give --outside" in outcome.errors
    assert len(outcome.errors.splitlines()) == 1
    assert files_in(session / "elsewhere") == []
    assert run("render", plan, "--outside").status == 0
    assert run("render", deliver_to("mixes")).status == 0


def test_a_report_needs_a_word_to_write_anywhere_but_where_it_lies(run, cue, session, deliver_to):
    assert run("render", deliver_to("mixes")).status == 0
    report = shutil.copy(cue / "mixes/report.json", session / "elsewhere/report.json")
    before = files_in(session / "elsewhere", cue)
    shutil.rmtree(cue / "mixes")
    outcome = run("render", report)
    assert outcome.status == 1
    assert f"{report}: is a report, and {SAID_OF_REPORT}{cue / 'mixes'}" in outcome.errors
    assert "--output, or give --outside" in outcome.errors
    assert files_in(session / "elsewhere", cue) == [path for path in before if "/mixes" not in path]
    assert run("render", report, "--outside").status == 0
    assert (cue / "mixes/mix.wav").is_file()


def test_a_report_whose_plan_claims_a_wide_folder_is_refused_all_the_same(run, cue, session, deliver_to):
    assert run("render", deliver_to("mixes")).status == 0
    report = cue / "mixes/report.json"
    document = json.loads(report.read_text(encoding="utf-8"))
    plan = document["reproduce"]["plan"]
    plan["source"] = "/plan.yaml"
    for entry in plan["paths"]:
        if entry["at"][0] == "deliveries":
            entry["means"] = str(session / "elsewhere/mixes")
    report.write_text(json.dumps(document), encoding="utf-8")
    outcome = run("render", report)
    assert outcome.status == 1
    assert SAID_OF_REPORT in outcome.errors
    assert files_in(session / "elsewhere") == []


def test_the_library_says_it_in_a_warning_and_asks_for_outside(session, deliver_to, monkeypatch):
    plan = deliver_to("../elsewhere/mixes")
    rendered = roomplan.render(plan)
    assert [SAID in warning.what for warning in rendered.warnings].count(True) == 1
    monkeypatch.setattr(os, "geteuid", lambda: 4711)
    with pytest.raises(RoomplanError, match="outside=True"):
        roomplan.render(plan)
    assert roomplan.render(plan, outside=True).files["mix"]
    assert roomplan.render(plan, session / "mine").files["mix"]
    with pytest.raises(RoomplanError, match="would scatter"):
        roomplan.render(plan, "/", outside=True)


def test_the_library_asks_for_outside_for_a_report(session, deliver_to):
    report = Path(roomplan.render(deliver_to("mixes")).files["mix"][0]).parent / "report.json"
    moved = shutil.move(report, session / "elsewhere/report.json")
    with pytest.raises(RoomplanError, match="is a report, and writes outside"):
        roomplan.render(moved)


def test_a_subfolder_that_is_a_link_out_of_the_delivery_is_refused_before_the_stems_are_rendered(
    run, cue, session, deliver_to
):
    plan = deliver_to("mixes")
    plan.write_text(plan.read_text().replace("[mix]", "[mix, prints]"))
    (cue / "mixes").mkdir()
    (cue / "mixes" / "prints").symlink_to(session / "elsewhere")
    outcome = run("render", plan)
    assert outcome.status == 1
    assert "is a link that leads out of the folder" in outcome.errors
    assert "rendering" not in outcome.errors
