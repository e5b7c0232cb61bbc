"""`roomplan render PLAN…`: many cues in one table, none kept back by another."""

from __future__ import annotations

import csv
import io
import json
import time
from pathlib import Path

import jsonschema
import pytest

from roomplan.api import jobs
from roomplan.report.summary import summary_csv


@pytest.fixture
def cues(session):
    """Three plans of one base with folders of their own; the second has no such stem."""
    (session / "base.yaml").write_text(
        (session / "plan.yaml").read_text(encoding="utf-8")
        + "deliveries: {session: {folder: 'out/{cue}', write: [mix]}}\n",
        encoding="utf-8",
    )
    for name, more in (
        ("2m1", "title: Slipway\n"),
        ("2m2", "sections: {choir: {stems: harp}}\n"),
        ("2m3", "sections: {choir: {level: -3}}\n"),
    ):
        (session / f"{name}.yaml").write_text(f"extends: base.yaml\ncue: {name}\n{more}", encoding="utf-8")
    return [session / f"{name}.yaml" for name in ("2m1", "2m2", "2m3")]


def rows(text):
    return list(csv.DictReader(io.StringIO(text)))


def test_a_failure_is_a_row_with_its_reason_and_the_others_are_rendered(run, cues, session):
    outcome = run("render", *cues, "--quiet")
    assert outcome.status == 1
    assert "failed: " in outcome.output
    assert [line for line in outcome.errors.splitlines() if "harp" in line and "2m2.yaml" in line]
    assert (session / "out/2m1/mix.wav").exists()
    assert not (session / "out/2m2").exists()
    assert (session / "out/2m3/mix.wav").exists()


def test_the_table_has_a_row_for_each_cue_and_the_csv_its_figures(run, cues, session):
    outcome = run("render", cues[0], cues[2], "--csv", session / "reel.csv")
    assert outcome.status == 0
    assert "2 plans" in outcome.output
    found = rows((session / "reel.csv").read_text(encoding="utf-8"))
    assert [row["cue"] for row in found] == ["2m1", "2m3"]
    for row in found:
        report = json.loads((session / "out" / row["cue"] / "report.json").read_text(encoding="utf-8"))
        (mix,) = [bus for bus in report["buses"] if bus["name"] == "mix"]
        assert float(row["integrated_lufs"]) == mix["loudness"]["integrated_lufs"]
        assert float(row["true_peak_dbtp"]) == mix["loudness"]["true_peak_dbtp"]
        assert float(row["wet_to_dry_db"]) == mix["wet_to_dry_db"]
        assert float(row["duration_s"]) == report["duration_s"]
        assert row["change_lu"] == ""  # there was nothing to compare with
        assert row["files"] == "1"
        assert row["folders"] == str(session / "out" / row["cue"])
    assert float(found[1]["integrated_lufs"]) < float(found[0]["integrated_lufs"])


def test_a_second_run_tells_what_changed_in_each_cue(run, cues, session):
    assert run("render", cues[0], cues[2]).status == 0
    (session / "2m3.yaml").write_text(
        "extends: base.yaml\ncue: 2m3\ntrim: -2\nsections: {choir: {level: -3}}\n"
    )
    document = run("render", cues[0], cues[2], "--json").json
    assert [plan["change_lu"] for plan in document["plans"]] == [0.0, pytest.approx(-2.0, abs=1e-3)]
    assert "change" in run("render", cues[0], cues[2]).output


def test_one_folder_for_all_holds_a_folder_of_each_plan(run, cues, session):
    assert run("render", cues[0], cues[2], "--output", session / "reel").status == 0
    assert sorted(path.name for path in (session / "reel").iterdir()) == ["2m1", "2m3"]
    # and the next reel is compared with it, plan by plan
    outcome = run(
        "render", cues[0], cues[2], "--output", session / "next", "--against", session / "reel", "--json"
    )
    assert [plan["change_lu"] for plan in outcome.json["plans"]] == [0.0, 0.0]


def test_plans_that_would_write_to_one_folder_are_refused_before_any_work(run, cues, session):
    (session / "2m3.yaml").write_text("extends: base.yaml\ncue: 2m1\n", encoding="utf-8")
    outcome = run("render", *cues, "--quiet")
    assert outcome.status == 1
    (line,) = outcome.errors.splitlines()
    assert "2m1.yaml and " in line
    assert f"would both write to {session / 'out/2m1'}" in line
    assert not (session / "out").exists()
    assert run("render", cues[0], cues[0], "--quiet").status == 1


def test_two_plans_at_a_time_give_what_one_after_the_other_gives(run, cues, session):
    def without_time(document):
        return [{k: v for k, v in plan.items() if k != "seconds"} for plan in document["plans"]]

    alone = run("render", *cues, "--output", session / "a", "--json")
    together = run("render", *cues, "--output", session / "b", "--json", "--jobs", 2)
    assert (alone.status, together.status) == (1, 1)
    for one, other in zip(without_time(alone.json), without_time(together.json), strict=True):
        assert one | {"folders": []} == other | {"folders": []}


def test_the_document_of_several_renders_has_a_stable_shape(run, cues):
    figure = {"type": ["number", "null"]}
    text = {"type": ["string", "null"]}
    row = {
        "plan": {"type": "string"}, "title": {"type": "string"}, "cue": text, "version": text,
        "state": {"enum": ["done", "failed"]}, "files": {"type": "integer"}, "duration_s": figure,
        "integrated_lufs": figure, "true_peak_dbtp": figure, "loudness_range_lu": figure,
        "wet_to_dry_db": figure,
        "change_lu": figure, "seconds": {"type": "number"},
        "warnings": {"type": "array", "items": {"type": "string"}},
        "folders": {"type": "array", "items": {"type": "string"}},
        "problems": {"type": "array", "items": {"type": "string"}},
    }  # fmt: skip
    document = run("render", *cues, "--json").json
    jsonschema.validate(
        document,
        {
            "type": "object",
            "additionalProperties": False,
            "required": ["schema", "roomplan", "plans", "done", "failed", "note", "hearing_note"],
            "properties": {
                "schema": {"const": "roomplan.render_many/2"},
                "roomplan": {"type": "string"},
                "done": {"const": 2},
                "failed": {"const": 1},
                "note": {"type": "string"},
                "hearing_note": {"type": "string"},
                "plans": {
                    "type": "array",
                    "minItems": 3,
                    "items": {"properties": row, "required": list(row), "additionalProperties": False},
                },
            },
        },
    )


@pytest.mark.parametrize(
    "arguments",
    [
        ("--bands",),
        ("--watch",),
        ("--check",),
        ("--jobs", "0"),
        ("--against", "nowhere"),
    ],
)
def test_options_that_mean_nothing_for_several_plans_are_refused(run, cues, arguments):
    assert run("render", cues[0], cues[2], *arguments).status == 2


@pytest.mark.parametrize(
    "arguments",
    [
        ("--jobs", "2"),
        ("--watch", "--json"),
        ("--watch", "--csv", "x.csv"),
        ("--watch", "--against", "x"),
        ("--check", "--watch"),
        ("--check", "--output", "x"),
    ],
)
def test_options_that_mean_nothing_for_one_plan_are_refused(run, session, arguments):
    assert run("render", session / "plan.yaml", *arguments).status == 2


def test_a_table_file_that_cannot_be_written_is_one_line(run, cues, session):
    outcome = run("render", cues[0], cues[2], "--csv", session / "nowhere/x.csv", "--quiet")
    assert outcome.status == 1
    assert "x.csv: cannot be written" in outcome.errors
    assert (session / "out/2m1/mix.wav").exists()  # the work is not lost


def test_names_with_commas_and_quotes_stand_in_one_cell_of_the_csv():
    summary = jobs.JobSummary(
        plan=Path("a,b.yaml"),
        title='Slipway, "reel" 2', cue=None, version=None, files=0, duration_s=None, integrated_lufs=None,
        true_peak_dbtp=None, loudness_range_lu=None, wet_to_dry_db=None, change_lu=None,
        warnings=(), seconds=0.0,
        folders=(), problems=("one", "two"),
    )  # fmt: skip
    (row,) = rows(summary_csv([summary]))
    assert row["title"] == 'Slipway, "reel" 2'
    assert (row["state"], row["reason"], row["integrated_lufs"]) == ("failed", "one two", "")


def test_time_is_counted_in_the_row_of_a_failure_too(cues):
    began = time.perf_counter()
    summary = jobs.run_job(jobs.RenderJob(cues[1]))
    assert 0.0 < summary.seconds <= time.perf_counter() - began
    assert summary.problems
