"""`roomplan check --update`: old words of a plan are noted, and rewritten when asked."""

from __future__ import annotations

import pytest


@pytest.fixture
def plan(session):
    path = session / "plan.yaml"
    path.write_text(path.read_text(encoding="utf-8") + "anchor: choir  # nearest\n", encoding="utf-8")
    return path


def test_an_old_word_is_a_note_of_check_and_nothing_is_rewritten(run, plan):
    before = plan.read_bytes()
    outcome = run("check", plan, "--json")
    assert outcome.status == 0
    whats = [warning["what"] for warning in outcome.json["warnings"]]
    assert "`anchor` is now `reference_section`" in whats
    assert "updated" not in outcome.json
    assert plan.read_bytes() == before


def test_update_rewrites_the_plan_and_then_checks_it(run, plan):
    before = plan.read_text(encoding="utf-8")
    outcome = run("check", plan, "--update", "--json")
    assert outcome.status == 0
    assert plan.read_text(encoding="utf-8") == before.replace("anchor:", "reference_section:")
    (updated,) = outcome.json["updated"]
    assert updated["file"] == str(plan)
    assert updated["words"] == [{"line": before.count("\n"), "old": "anchor", "new": "reference_section"}]
    assert not any("anchor" in warning["what"] for warning in outcome.json["warnings"])
    assert run("check", plan, "--update", "--json").json["updated"] == []


def test_further_files_without_update_are_a_slip_of_usage(run, plan):
    outcome = run("check", plan, plan)
    assert outcome.status == 2
    assert "rewritten by --update alone" in outcome.errors
