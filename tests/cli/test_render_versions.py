"""A finished delivery of a version: never replaced by other samples unless asked."""

from __future__ import annotations

import re

import pytest

import roomplan
from roomplan.api.jobs import RenderJob, run_job
from roomplan.cli import watching
from roomplan.errors import RoomplanError

DELIVERIES = """
tail: none
version: 3   # sent on Monday
deliveries:
  all: {folder: "out/v{version}", write: [mix, prints]}
"""


@pytest.fixture
def plan(session):
    """A plan with a version in the folder of its delivery."""
    path = session / "plan.yaml"
    path.write_text(path.read_text(encoding="utf-8") + DELIVERIES, encoding="utf-8")
    return path


def edit(plan, old, new):
    text = plan.read_text(encoding="utf-8")
    assert old in text
    plan.write_text(text.replace(old, new), encoding="utf-8")


def state(folder):
    return {path: path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def test_other_samples_of_a_finished_version_are_refused_in_one_line_with_both_ways_on(run, plan, session):
    assert run("render", plan).status == 0
    before = state(session)
    edit(plan, "orrin_nave: -8", "orrin_nave: -3")
    before[plan] = plan.read_bytes()
    outcome = run("render", plan, "--quiet")
    assert outcome.status == 1
    assert len(outcome.errors.splitlines()) == 1
    assert (
        "holds the finished version 3, with different samples in mix.wav, prints/choir.wav" in outcome.errors
    )
    assert "low_strings" not in outcome.errors  # its samples are the same
    assert "--replace" in outcome.errors
    assert "--bump" in outcome.errors
    assert state(session) == before
    assert run("render", plan, "--replace").status == 0
    assert state(session) != before


def test_files_that_differ_only_in_length_are_said_to_with_both_lengths(run, plan):
    assert run("render", plan).status == 0
    edit(plan, "tail: none", "tail: 0.5")
    said = run("render", plan, "--quiet").errors
    assert "with only another length (1.00 s, now 1.50 s) in mix.wav, prints/choir.wav" in said
    assert "different samples" not in said


def test_other_samples_of_another_length_are_told_from_those_that_only_end_later(run, plan):
    assert run("render", plan).status == 0
    edit(plan, "tail: none", "tail: 0.5")
    edit(plan, "orrin_nave: -8", "orrin_nave: -3")
    said = run("render", plan, "--quiet").errors
    assert "different samples and another length (1.00 s, now 1.50 s) in mix.wav, prints/choir.wav; " in said
    assert "only another length (1.00 s, now 1.50 s) in prints/low_strings.wav" in said


def test_the_same_samples_ask_for_nothing(run, plan):
    assert run("render", plan).status == 0
    edit(plan, "# sent on Monday", "# sent on Tuesday")
    assert run("render", plan).status == 0
    assert run("render", plan, "--only", "mix").status == 0


def test_a_part_of_a_finished_version_is_refused_too(run, plan):
    assert run("render", plan).status == 0
    outcome = run("render", plan, "--only", "mix", "--mute", "choir")
    assert "with different samples in mix.wav —" in outcome.errors
    assert outcome.status == 1


def test_an_excerpt_asks_for_nothing(run, plan):
    assert run("render", plan).status == 0
    for level in (-3, -2):
        edit(plan, "orrin_nave: -8" if level == -3 else "orrin_nave: -3", f"orrin_nave: {level}")
        assert run("render", plan, "--from", "0.2", "--length", "0.3").status == 0


def test_a_plan_without_a_version_is_rendered_again_and_again(run, plan):
    edit(plan, "version: 3   # sent on Monday", "")
    edit(plan, "out/v{version}", "out")
    assert run("render", plan).status == 0
    edit(plan, "orrin_nave: -8", "orrin_nave: -3")
    assert run("render", plan).status == 0


def test_the_next_version_is_written_into_the_plan_and_rendered_beside_the_finished_one(run, plan, session):
    assert run("render", plan).status == 0
    before = state(session / "out/v3")
    edit(plan, "orrin_nave: -8", "orrin_nave: -3")
    outcome = run("render", plan, "--bump")
    assert outcome.status == 0
    assert "version 3 → 4" in outcome.errors
    assert "version: 4   # sent on Monday" in plan.read_text(encoding="utf-8")
    assert state(session / "out/v3") == before
    assert (session / "out/v4/mix.wav").read_bytes() != (session / "out/v3/mix.wav").read_bytes()
    assert "level −8.0 dB → −3.0 dB" in outcome.output  # compared with the version before
    assert run("render", plan, "--bump").status == 0
    assert "version: 4 " in plan.read_text(encoding="utf-8")  # the same samples: nothing to count


def test_a_next_version_that_is_there_already_with_other_samples_is_passed_over(run, plan, session):
    for version, level in ((3, -8), (4, -3)):
        assert run("render", plan).status == 0
        edit(plan, f"version: {version}", f"version: {version + 1}")
        edit(plan, f"orrin_nave: {level}", f"orrin_nave: {level + 5}")
    edit(plan, "version: 5", "version: 3")
    before = state(session / "out")
    assert run("render", plan, "--bump").status == 0
    assert "version: 5" in plan.read_text(encoding="utf-8")
    assert {path: data for path, data in state(session / "out").items() if "v5" not in str(path)} == before


def test_a_next_version_that_would_replace_this_one_is_refused_and_the_plan_kept(run, plan, session):
    edit(plan, "out/v{version}", "out")
    assert run("render", plan).status == 0
    edit(plan, "orrin_nave: -8", "orrin_nave: -3")
    before = state(session)
    outcome = run("render", plan, "--bump", "--quiet")
    assert outcome.status == 1
    assert "put {version} into its `folder` or `file_name`" in outcome.errors
    assert state(session) == before


def test_versions_that_share_a_folder_are_as_finished_after_the_next_one_is_there(run, plan, session):
    edit(plan, 'folder: "out/v{version}"', 'folder: out, file_name: "{bus}_v{version}"')
    assert run("render", plan).status == 0
    edit(plan, "orrin_nave: -8", "orrin_nave: -3")
    assert run("render", plan, "--bump").status == 0
    assert (session / "out/mix_v4.wav").is_file()
    edit(plan, "version: 4", "version: 3")
    outcome = run("render", plan)
    assert outcome.status == 1
    assert "mix_v3.wav" in outcome.errors


def test_each_of_many_plans_is_asked_about_by_itself(run, plan, session):
    other = session / "other.yaml"
    other.write_text(plan.read_text(encoding="utf-8").replace("out/v", "other/v"), encoding="utf-8")
    assert run("render", plan, other).status == 0
    edit(plan, "orrin_nave: -8", "orrin_nave: -3")
    outcome = run("render", plan, other, "--quiet")
    assert outcome.status == 1
    assert len(outcome.errors.splitlines()) == 1
    assert "out/v3: holds the finished version 3" in outcome.errors
    assert run("render", plan, other, "--bump").status == 0
    assert (session / "out/v4/mix.wav").is_file()
    assert not (session / "other/v4").exists()


def test_bump_does_not_go_together_with_replace_or_a_report(run, plan, session):
    assert run("render", plan, "--bump", "--replace").status == 2
    assert run("render", plan).status == 0
    outcome = run("render", session / "out/v3/report.json", "--bump", "--output", session / "again")
    assert outcome.status == 1
    assert "only a plan gets its next version" in outcome.errors


def test_a_job_and_the_library_are_refused_alike(plan):
    roomplan.render(plan)
    edit(plan, "orrin_nave: -8", "orrin_nave: -3")
    with pytest.raises(RoomplanError, match="holds the finished version 3"):
        roomplan.render(plan)
    (problem,) = run_job(RenderJob(plan)).problems
    assert "holds the finished version 3" in problem
    assert run_job(RenderJob(plan, bump=True)).version == "4"
    assert roomplan.render(plan, replace=True).fresh == ()


@pytest.mark.parametrize("delivered", [False, True])
def test_a_watch_makes_again_what_it_made_and_nothing_that_was_finished_before(
    run, plan, monkeypatch, delivered
):
    if delivered:
        assert run("render", plan).status == 0
    outcomes = []

    def three_times(_plan, render_once):
        for level in (-8, -3, -2):
            if level != -8:
                edit(plan, f"orrin_nave: {-8 if level == -3 else -3}", f"orrin_nave: {level}")
            try:
                render_once()
            except RoomplanError as error:
                outcomes.extend(re.findall(r"holds the finished version \d", str(error)))
            else:
                outcomes.append("rendered")

    monkeypatch.setattr(watching, "watch", three_times)
    run("render", plan, "--watch", "--quiet")
    refused = "holds the finished version 3"
    assert outcomes == (["rendered", refused, refused] if delivered else ["rendered"] * 3)
