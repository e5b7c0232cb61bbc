from __future__ import annotations

import pytest

from roomplan.rendering import new_pass


def with_targets(session, *targets):
    plan = session / "plan.yaml"
    plan.write_text(
        plan.read_text(encoding="utf-8").rstrip()
        + "\ntargets:\n"
        + "".join(f"  - {{{target}}}\n" for target in targets),
        encoding="utf-8",
    )
    return plan


def test_check_verifies_targets_and_exits_1_when_one_is_missed(run, session):
    plan = with_targets(session, "of: choir, least_c80: 0", "of: choir, wet_to_dry: 40")
    outcome = run("check", plan, "--json")
    assert outcome.status == 1
    met, missed = outcome.json["targets"]
    assert met["met"]
    assert met["value"] >= 0.0
    assert not missed["met"]
    assert missed["miss"] > 5.0
    assert outcome.json["problems"] == []


def test_a_plan_whose_targets_are_met_passes(run, session):
    plan = with_targets(session, "of: choir, least_c80: 0", "longest_centre_time: 400, of: choir")
    outcome = run("check", plan)
    assert outcome.status == 0
    assert "all 2 targets are met" in outcome.output
    assert "no problems" in outcome.output


def test_a_missed_target_is_named(run, session):
    outcome = run("check", with_targets(session, "of: choir, least_c80: 29"))
    assert outcome.status == 1
    assert "choir C80" in outcome.output
    assert "missed by" in outcome.output
    assert "no problems, but targets are missed" in outcome.output


def test_an_unknown_section_in_a_target_is_a_problem_at_its_line(run, session):
    outcome = run("check", with_targets(session, "of: chior, wet_to_dry: -5"))
    assert outcome.status == 1
    assert "chior" in outcome.errors
    assert "choir" in outcome.errors
    assert "plan.yaml:" in outcome.errors


@pytest.mark.parametrize("cached", [True, False])
def test_check_hears_a_plan_with_targets_once_and_says_so(run, session, monkeypatch, cached):
    plan = with_targets(session, "of: choir, over: low_strings, margin: 0, band: speech")
    passes = []
    hear = new_pass.hear
    monkeypatch.setattr(new_pass, "hear", lambda *given, **named: passes.append(1) or hear(*given, **named))
    if not cached:
        monkeypatch.setenv("ROOMPLAN_CACHE", "off")
    outcome = run("check", plan)
    assert len(passes) == 1
    assert "taken from an earlier pass" not in outcome.output
    assert "Margins, dB" not in outcome.output  # the plan itself asks for none
    again = run("check", plan, "--json")
    assert len(passes) == (1 if cached else 2)
    assert again.json["answered_from"] == ("matrix" if cached else "sound")
    assert again.json["margins"] == []


@pytest.mark.parametrize("cached", [True, False])
def test_compare_renders_a_plan_with_targets_once(run, session, monkeypatch, cached):
    plan = with_targets(session, "of: choir, over: low_strings, margin: 0, band: speech")
    (session / "other.yaml").write_text(
        "extends: plan.yaml\nrooms: {orrin_nave: {decay_scale: 0.7}}\n", encoding="utf-8"
    )
    passes = []
    hear = new_pass.hear
    monkeypatch.setattr(new_pass, "hear", lambda *given, **named: passes.append(1) or hear(*given, **named))
    if not cached:
        monkeypatch.setenv("ROOMPLAN_CACHE", "off")
    document = run("compare", plan, session / "other.yaml", "--json").json
    assert len(passes) == 2
    assert [one["answered_from"] for one in document["plans"]] == ["sound", "sound"]
    assert all(one["targets"] for one in document["plans"])
