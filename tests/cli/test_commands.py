"""What the commands print, write and end with."""

from __future__ import annotations

import json
import subprocess
import sys

import numpy as np
import pytest
import soundfile

RATE = 48_000
COMMANDS = (
    "demo",
    "new",
    "check",
    "balance",
    "depth",
    "render",
    "measure",
    "compare",
    "loudness",
    "share",
    "rooms",
    "synthesise",
    "sweep",
    "capture",
    "schema",
    "cache",
)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_with_an_example(run, command):
    outcome = run(command, "--help")
    assert outcome.status == 0
    assert "Example: roomplan" in outcome.output


def test_unknown_command_and_missing_argument_are_usage_errors(run):
    assert run("rendr").status == 2
    assert run("render").status == 2
    assert run("compare", "one.yaml").status == 2


def test_check_shows_the_send_matrix_and_writes_nothing(run, session):
    before = sorted(p for p in session.rglob("*"))
    outcome = run("check", session / "plan.yaml")
    assert outcome.status == 0
    assert "orrin_nave" in outcome.output
    assert "per channel" in outcome.output
    assert "no problems" in outcome.output
    assert sorted(p for p in session.rglob("*")) == before


def test_check_json_carries_the_documented_keys(run, session):
    document = run("check", session / "plan.yaml", "--json").json
    assert document["schema"] == "roomplan.check/3"
    send = document["sections"][0]["sends"][0]
    assert set(send) == {
        "room", "position", "level_db", "wiring", "pre_delay_ms", "low_cut_hz", "high_cut_hz",
        "wet_arrival_ms", "wet_to_dry_db", "reason",
    }  # fmt: skip
    assert send["wet_to_dry_db"] == pytest.approx(-8.0, abs=1.0)


def test_every_problem_of_a_plan_is_printed_at_once_with_its_place(run, session):
    plan = session / "plan.yaml"
    plan.write_text(
        plan.read_text(encoding="utf-8")
        .replace("stems: [choir]", "stems: [chior]")
        .replace("orrin_nave: -8", "orrin_nav: -8")
        .replace("sends: {orrin_nave: -12}", "sends: {orrin_nave: 40}"),
        encoding="utf-8",
    )
    outcome = run("check", plan)
    assert outcome.status == 1
    assert not outcome.output
    for line, word in ((8, "chior"), (10, "orrin_nav"), (13, "40")):
        assert any(f"plan.yaml:{line}:" in text and word in text for text in outcome.errors.splitlines())
    assert "did you mean" in outcome.errors


def test_problems_come_as_json_too(run, session):
    plan = session / "plan.yaml"
    plan.write_text(
        plan.read_text(encoding="utf-8").replace("stems: [low]", "stems: [lwo]"), encoding="utf-8"
    )
    outcome = run("check", plan, "--json")
    assert outcome.status == 1
    (problem,) = outcome.json["problems"]
    assert problem["line"] == 12
    assert problem["remedy"]


def test_missing_plan_is_one_line_and_exit_1(run, session):
    outcome = run("render", session / "plna.yaml")
    assert outcome.status == 1
    assert len(outcome.errors.strip().splitlines()) == 1
    assert "plan.yaml" in outcome.errors


def test_render_writes_files_and_the_report_it_prints(run, session):
    outcome = run("render", session / "plan.yaml", "--json")
    assert outcome.status == 0
    report = json.loads((session / "render/report.json").read_text(encoding="utf-8"))
    assert outcome.json == report
    assert report["schema"] == "roomplan.render/3"
    by_name = {bus["name"]: bus for bus in report["buses"]}
    assert by_name["mix"]["file"] == "mix.wav"
    assert by_name["section:choir:wet"]["file"] is None
    for bus in report["buses"]:
        if bus["file"] is not None:
            assert soundfile.info(session / "render" / bus["file"]).frames == report["frames"]


def test_bus_entries_carry_exactly_the_documented_keys(run, session):
    (bus,) = [
        b
        for b in run("render", session / "plan.yaml", "--json").json["buses"]
        if b["name"] == "section:choir"
    ]
    assert set(bus) == {
        "name", "file", "files", "loudness", "decay", "wet_to_dry_db", "wet_arrival_ms",
        "decay_to_minus_40_s", "late_correlation", "reasons",
    }  # fmt: skip
    assert set(bus["loudness"]) == {
        "integrated_lufs", "momentary_max_lufs", "short_term_max_lufs", "loudness_range_lu", "true_peak_dbtp",
        "sample_peak_dbfs",
    }  # fmt: skip
    assert [band["centre_hz"] for band in bus["decay"]["bands"]] == [125, 250, 500, 1000, 2000, 4000]
    keys = {"edt_s", "t20_s", "t30_s", "c80_db", "d50", "centre_time_s"}
    assert set(bus["decay"]["mid"]) == keys
    assert set(bus["decay"]["bands"][0]) == keys | {"centre_hz"}


def test_every_null_figure_has_a_reason(run, session):
    for bus in run("render", session / "plan.yaml", "--json").json["buses"]:
        for key in ("wet_to_dry_db", "wet_arrival_ms", "decay_to_minus_40_s", "late_correlation", "decay"):
            if bus[key] is None:
                assert key in bus["reasons"], (bus["name"], key)
        for key, value in bus["loudness"].items():
            if value is None:
                assert key in bus["reasons"], (bus["name"], key)
        for band in (bus["decay"] or {"bands": []})["bands"]:
            for key, value in band.items():
                if value is None:
                    assert f"decay.bands.{band['centre_hz']}.{key}" in bus["reasons"], (bus["name"], key)


def test_output_folder_replaces_that_of_the_delivery(run, session, tmp_path):
    folder = tmp_path / "elsewhere/listen"
    assert run("render", session / "plan.yaml", "--output", folder, "--only", "section:choir:wet").status == 0
    assert not (session / "render").exists()
    assert {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()} == {
        "section_wet/choir.wav",
        "report.json",
    }


def test_unknown_bus_and_section_name_their_neighbours(run, session):
    outcome = run("render", session / "plan.yaml", "--only", "section:chior")
    assert (outcome.status, "did you mean section:choir" in outcome.errors) == (1, True)
    outcome = run("render", session / "plan.yaml", "--mute", "chior")
    assert (outcome.status, "did you mean choir" in outcome.errors) == (1, True)


def test_progress_stays_off_standard_output(run, session):
    outcome = run("render", session / "plan.yaml", "--json")
    assert outcome.output.startswith("{")
    assert "rendering" in outcome.errors
    assert run("render", session / "plan.yaml", "--json", "--quiet").errors == ""


def test_unclaimed_stem_is_said_at_the_end_of_a_render(run, session):
    soundfile.write(session / "stems/harp.wav", np.zeros(100), RATE)
    assert "harp.wav belongs to no section" in run("render", session / "plan.yaml").output


def test_schema_is_json_that_names_the_plan_keys(run):
    schema = run("schema").json
    assert {"rooms", "sections", "shared_sends", "groups", "alternates", "deliveries"} <= set(
        schema["properties"]
    )


def test_demo_renders_from_nothing_meets_its_targets_and_keeps_an_edited_plan(run, tmp_path):
    folder = tmp_path / "cue"
    assert run("demo", folder, "--quiet").status == 0
    report = json.loads((folder / "render/report.json").read_text(encoding="utf-8"))
    loudness = {bus["name"]: bus["loudness"]["integrated_lufs"] for bus in report["buses"]}
    assert all(loudness[f"section:{s['name']}"] is not None for s in report["sections"])
    assert len(report["sections"]) == 6
    assert -30.0 < loudness["mix"] < -14.0
    assert report["warnings"] == [] or all(
        "belongs to no section" not in w["what"] for w in report["warnings"]
    )
    plan = folder / "ice_harbour.yaml"
    checked = run("check", plan, "--quiet", "--json")  # 1 where a target is missed
    assert (checked.status, [target["met"] for target in checked.json["targets"]]) == (0, [True] * 4)
    plan.write_text(plan.read_text(encoding="utf-8").replace("title: ", "title: Edited "), encoding="utf-8")
    run("demo", folder, "--quiet", "--json")
    assert json.loads((folder / "render/report.json").read_text(encoding="utf-8"))["title"].startswith(
        "Edited"
    )


def test_a_closed_pipe_ends_quietly(session):
    command = f"{sys.executable} -m roomplan.cli.main render {session / 'plan.yaml'} --json --quiet | head -1"
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, check=False)
    assert "Traceback" not in done.stderr


def test_ctrl_c_in_a_command_says_that_earlier_files_are_untouched(run, monkeypatch):
    def interrupt(**_options):
        raise KeyboardInterrupt

    monkeypatch.setattr("roomplan.api.kept_results.kept_results", interrupt)
    outcome = run("cache", "--quiet")
    assert (outcome.status, outcome.output) == (130, "")
    assert outcome.errors == "interrupted: earlier files are untouched\n"
