"""`roomplan balance` as a person meets it: tables, sentences, JSON, exit status, and what is written."""

from __future__ import annotations

import json
import sys
from dataclasses import replace

import pytest

from roomplan.api import solving
from roomplan.balance import judging
from roomplan.balance.levels import session_at, written_levels
from roomplan.cli.main import main
from roomplan.plan.load import load_plan
from roomplan.rendering import new_pass

PLAN = """\
title: TITLE
stems: stems   # beside this file
tail: 1.5
rooms:
  near: {responses: near.wav, wiring: one_source}
  far: {responses: far.wav}
shared_sends: {near: -9}
sections:
  choir:
    stems: [choir]
    sends:
      far: -12      # the nave
  brass: {stems: [brass], sends: {far: -14}}
  low: {stems: [low], sends: {far: -14}}
targets:
TARGETS
"""


@pytest.fixture
def plan(cue, trio):
    """Write a plan with some targets."""

    def write(*targets, more=""):
        lines = "\n".join(f"  - {target}" for target in targets)
        path = cue.folder / "plan.yaml"
        path.write_text(
            PLAN.replace("TARGETS", lines).replace("TITLE", trio["title"]) + more, encoding="utf-8"
        )
        return path

    return write


@pytest.fixture
def balance(monkeypatch, capsys):
    def command(*arguments):
        monkeypatch.setattr(sys, "argv", ["roomplan", "balance", "--quiet", *map(str, arguments)])
        capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main()
        captured = capsys.readouterr()
        return int(ended.value.code or 0), captured.out, captured.err

    return command


def test_targets_stand_before_and_after_with_what_changes_and_a_verdict(plan, balance):
    status, output, errors = balance(plan("{of: choir, wet_to_dry: -9}", "{loudness: -20}"))
    assert (status, errors) == (0, "")
    assert "Ice Harbour, test: targets" in output
    row = next(line for line in output.splitlines() if line.strip().startswith("choir wet/dry"))
    assert "−9.0 dB" in row
    assert row.rstrip().endswith("met")
    assert "What changes" in output
    assert "send to far" in output
    assert "all 2 targets are met by changing 2 sends and the trim" in output
    assert "nothing written; add --write to change the plan" in output


def test_a_target_that_is_missed_says_by_how_much_and_ends_with_1(plan, balance):
    path = plan("{of: choir, wet_to_dry: 0}", more="balance: {sends: {to: -8}}\n")
    status, output, _errors = balance(path)
    assert status == 1
    assert " dB is out of reach: " in output
    assert " dB at best, with every send involved at its upper limit" in output
    assert "wider send limits would let choir wet/dry come closer" in output
    assert "at their limits, for choir wet/dry: choir send to near −8.0, choir send to far −8.0" in output
    assert "0 of 1 targets are met by changing 2 sends" in output


def test_a_peak_is_said_to_wait_for_a_pass_which_only_verify_makes(plan, balance):
    path = plan("{of: choir, wet_to_dry: -9}", "{true_peak: -1}")
    status, output, _errors = balance(path)
    assert status == 0
    row = next(line for line in output.splitlines() if line.strip().startswith("mix true peak"))
    assert row.rstrip().endswith("not measured")
    assert "mix true peak is not known at these levels: --verify measures it" in output
    assert "the other target is met by changing 2 sends" in output
    document = json.loads(balance(path, "--json")[1])
    assert document["unmeasured"] == [1]
    status, output, _errors = balance(path, "--verify")
    assert status == 0
    assert "all 2 targets are met by changing 2 sends" in output


def test_a_plan_that_meets_its_targets_is_said_to_be_left_as_it_is(plan, balance):
    path = plan("{of: choir, least_c80: 1}")
    before = path.read_bytes()
    status, output, _errors = balance(path, "--write")
    assert status == 0
    assert "the target is met by the plan as it is: nothing to change" in output
    assert "nothing to write" in output
    assert path.read_bytes() == before


def test_writing_changes_the_levels_and_nothing_else_and_keeps_the_old_file(plan, balance):
    path = plan("{of: choir, wet_to_dry: -9}", "{of: choir, over: low, margin: 1}", "{loudness: -20}")
    before = path.read_text(encoding="utf-8")
    status, output, _errors = balance(path, "--write")
    assert status == 0
    assert f"written to {path}; the old file is {path}.before-1" in output
    after = path.read_text(encoding="utf-8")
    assert "# the nave" in after
    assert "# beside this file" in after
    backups = [
        file for file in path.parent.iterdir() if file != path and file.is_file() and "yaml" in file.name
    ]
    assert [file.read_text(encoding="utf-8") for file in backups] == [before]
    assert load_plan(path).problems == ()
    # the written plan meets what was promised, so there is nothing left to do
    status, output, _errors = balance(path, "--json")
    document = json.loads(output)
    assert status == 0
    assert document["changes"] == []
    assert all(target["before"]["met"] for target in document["targets"])


def test_levels_that_sections_share_are_written_once_where_they_stand(plan, balance):
    path = plan("{of: choir, wet_to_dry: -9}", more="balance: {linked: [[choir, brass, low]]}\n")
    document = json.loads(balance(path, "--write", "--json")[1])
    assert document["shared"] == [{"at": "shared_sends.near", "sections": ["choir", "brass", "low"]}]
    moved = {(c["section"], c["room"]): c["after_db"] for c in document["changes"]}
    after = path.read_text(encoding="utf-8")
    assert f"shared_sends: {{near: {moved['choir', 'near']:g}}}" in after
    assert after.count("near:") == 2  # the room, and the shared send
    written = load_plan(path).plan
    assert written is not None
    for name, section in written.sections.items():
        assert {send.room: send.level_db for send in section.sends} == {
            "near": moved["choir", "near"],
            "far": moved[name, "far"],
        }
    # opened again, the plan has the figures of the answer
    (target,) = json.loads(balance(path, "--json")[1])["targets"]
    assert target["before"]["value"] == pytest.approx(document["targets"][0]["after"]["value"], abs=0.05)


def test_a_written_plan_whose_figures_are_not_those_of_the_answer_ends_with_1(plan, balance, monkeypatch):
    path = plan("{of: choir, wet_to_dry: -9}")
    opened = solving.open_plan
    sessions = []

    def opened_otherwise(*arguments, **more):
        session = opened(*arguments, **more)
        if sessions:
            levels = written_levels(session)
            session = session_at(session, replace(levels, sends_db=dict.fromkeys(levels.sends_db, -20.0)))
        sessions.append(session)
        return session

    monkeypatch.setattr(solving, "open_plan", opened_otherwise)
    status, output, errors = balance(path, "--write")
    assert (status, output) == (1, "")
    assert "the plan as written measures otherwise: choir wet/dry" in errors
    assert len(sessions) == 2


def test_the_document_says_in_numbers_what_the_tables_say(plan, balance):
    path = plan(
        "{of: choir, longest_centre_time: 20, tolerance: 2}", "{of: brass, share: -18, room: far, weight: 2}"
    )
    status, output, _errors = balance(path, "--json", "--verify")
    document = json.loads(output)
    assert document["schema"] == "roomplan.balance/2"
    assert document["met"] is (status == 0)
    centre, share = document["targets"]
    assert (centre["wish"], centre["of"], centre["unit"], centre["sense"]) == (
        "longest_centre_time",
        "section:choir",
        "ms",
        "most",
    )
    assert (centre["wanted"], centre["tolerance"], share["weight"]) == (20.0, 2.0, 2.0)
    assert (share["room"], share["wanted"]) == ("far", -18.0)
    for target in document["targets"]:
        assert target["measured"]["value"] == pytest.approx(target["after"]["value"], abs=0.01)
    assert all(set(change) >= {"section", "room", "before_db", "after_db"} for change in document["changes"])


def test_a_plan_without_targets_is_refused_with_an_example(plan, balance):
    path = plan("{loudness: -20}")
    path.write_text(path.read_text(encoding="utf-8").split("targets:")[0], encoding="utf-8")
    status, output, errors = balance(path)
    assert (status, output) == (1, "")
    assert "the plan has no targets" in errors
    assert "wet_to_dry" in errors


@pytest.mark.parametrize("cached", [True, False])
def test_balance_hears_a_plan_once_whatever_its_targets_and_when_it_writes(
    plan, balance, monkeypatch, cached
):
    path = plan(
        "{of: choir, wet_to_dry: -9}",
        "{of: choir, over: low, margin: 0, band: speech}",
        "{of: choir, least_c80: 0}",
        "{loudness: -23}",
        "{true_peak: -1}",
    )
    passes, records = [], []
    hear, record = new_pass.hear, judging.open_record
    monkeypatch.setattr(new_pass, "hear", lambda *given, **named: passes.append(1) or hear(*given, **named))
    monkeypatch.setattr(
        judging, "open_record", lambda *given, **named: records.append(1) or record(*given, **named)
    )
    if not cached:
        monkeypatch.setenv("ROOMPLAN_CACHE", "off")
    balance(path, "--json")
    assert (len(passes), len(records)) == (1, 1)
    passes.clear()
    records.clear()
    text = path.read_text(encoding="utf-8")
    balance(path, "--write", "--json")
    assert path.read_text(encoding="utf-8") != text
    assert len(passes) == (0 if cached else 1)
    assert len(records) == 2  # of the plan, and of what it has become
