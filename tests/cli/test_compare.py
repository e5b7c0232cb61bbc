"""What `roomplan compare` says of plans and folders, writes for the ear, and refuses."""

from __future__ import annotations

import json
import os

import pyebur128
import pytest
import soundfile

from roomplan.api.listening import write_for_listening
from roomplan.cautions import LEVELS
from roomplan.errors import RoomplanError
from roomplan.files.staging import silent_notice
from roomplan.rendering.progress import silent_progress


@pytest.fixture
def plans(session):
    """The plan, one whose room returns 3 dB louder, and one with another room."""
    (session / "louder.yaml").write_text(
        "extends: plan.yaml\nrooms: {orrin_nave: {level: 3}}\nsections: {choir: {level: 2}}\n",
        encoding="utf-8",
    )
    (session / "shorter.yaml").write_text(
        "extends: plan.yaml\nrooms: {orrin_nave: {decay_scale: 0.7}}\n", encoding="utf-8"
    )
    return session / "plan.yaml", session / "louder.yaml", session / "shorter.yaml"


def integrated(path):
    """Integrated loudness by libebur128."""
    samples, rate = soundfile.read(path, dtype="float64", always_2d=True)
    state = pyebur128.R128State(samples.shape[1], rate, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(samples.reshape(-1), len(samples))
    return pyebur128.get_loudness_global(state)


def test_a_plan_that_moves_levels_is_answered_from_the_first_and_says_what_moved(run, plans):
    outcome = run("compare", *plans[:2])
    assert outcome.status == 0
    assert "plan: measured just now" in outcome.output
    assert "louder: taken from an earlier pass" in outcome.output
    assert "room orrin_nave: return +0.0 dB → +3.0 dB" in outcome.output
    assert "section choir: level +0.0 dB → +2.0 dB" in outcome.output
    document = run("compare", *plans[:2], "--json").json
    assert document["schema"] == "roomplan.compare/3"
    assert [plan["answered_from"] for plan in document["plans"]] == ["matrix", "matrix"]
    (wet,) = [d for d in document["differences"] if d["bus"] == "section:low_strings:wet"]
    assert wet["integrated_lu"] == pytest.approx(3.0, abs=1e-3)
    assert wet["true_peak_db"] == pytest.approx(3.0, abs=1e-3)
    (mix,) = [d for d in document["differences"] if d["bus"] == "mix"]
    assert mix["true_peak_db"] is None


def test_another_room_is_rendered_again_and_its_decay_reported_in_steps(run, plans):
    document = run("compare", plans[0], plans[2], "--json").json
    assert [plan["answered_from"] for plan in document["plans"]] == ["sound", "sound"]
    assert document["plans"][1]["changes"] == ["room orrin_nave: decay scale none → 0.7"]
    (room,) = [d for d in document["differences"] if d["bus"] == "room:orrin_nave"]
    # ISO 3382-1, Table A.1: a step is 5 %; 0.7 is 7.3 of them shorter
    assert room["t30_steps"] == pytest.approx(-7.3, abs=0.8)
    assert room["c80_steps"] > 0.0


def test_a_plan_with_a_narrower_return_is_more_alike_by_what_the_table_says(run, plans, session):
    (session / "narrow.yaml").write_text(
        "extends: plan.yaml\nrooms: {orrin_nave: {width: 0}}\n", encoding="utf-8"
    )
    document = run("compare", plans[0], session / "narrow.yaml", "--json").json
    (first, other) = (
        next(bus for bus in plan["buses"] if bus["name"] == "mix") for plan in document["plans"]
    )
    assert abs(first["late_correlation"]) < 0.1
    assert other["late_correlation"] == pytest.approx(1.0)
    (mix,) = [d for d in document["differences"] if d["bus"] == "mix"]
    change = other["late_correlation"] - first["late_correlation"]
    assert mix["late_correlation"] == pytest.approx(change, abs=1e-4)
    row = next(
        line
        for line in run("compare", plans[0], session / "narrow.yaml").output.splitlines()
        if line.startswith(" mix")
    )
    assert row.split()[-1] == f"+{change:.2f}"


def test_a_rendered_folder_compares_from_its_report(run, plans, session):
    assert run("render", plans[0]).status == 0
    document = run("compare", session / "render", plans[1], "--json").json
    assert [plan["answered_from"] for plan in document["plans"]] == ["report", "matrix"]
    (mix,) = [d for d in document["differences"] if d["bus"] == "mix"]
    heard = run("compare", plans[0], plans[1], "--json").json
    (expected,) = [d for d in heard["differences"] if d["bus"] == "mix"]
    assert mix["integrated_lu"] == pytest.approx(expected["integrated_lu"], abs=2e-3)
    assert document["plans"][1]["changes"] == heard["plans"][1]["changes"]


def test_more_than_two_plans_are_each_compared_with_the_first(run, plans):
    outcome = run("compare", *plans)
    assert "louder against plan" in outcome.output
    assert "shorter against plan" in outcome.output


def test_margins_and_passages_of_one_plan_are_asked_of_all(run, session, plans):
    asking = session / "asking.yaml"
    asking.write_text(
        "extends: plan.yaml\npassages: {verse: {from: 0, to: 1}}\n"
        "margins: [{of: choir, over: low_strings}, {of: choir, over: low_strings, band: speech}]\n",
        encoding="utf-8",
    )
    document = run("compare", plans[1], asking, "--passages", "--json").json
    for plan in document["plans"]:
        assert [(m["band"], m["passage"]) for m in plan["margins"]] == [
            ("full", None), ("full", "verse"), ("speech", None), ("speech", "verse"),
        ]  # fmt: skip
        assert {p["passage"] for p in plan["passages"]} == {"verse"}
        # one second of sound: no window of 3 s, and the reason
        assert all(m["margin_db"] is None and m["reason"] for m in plan["margins"] if m["passage"])
    assert "Margins, dB" in run("compare", plans[1], asking).output


def test_matched_versions_measure_equal_and_come_with_a_file_that_takes_turns(run, plans, session):
    outcome = run("compare", *plans[:2], "--bus", "wet", "--write-to", session / "listen", "--matched")
    assert outcome.status == 0
    folder = session / "listen/wet"
    assert {path.name for path in folder.iterdir()} == {
        "alternating.txt",
        "alternating.wav",
        "louder.wav",
        "plan.wav",
    }
    assert integrated(folder / "louder.wav") == pytest.approx(integrated(folder / "plan.wav"), abs=0.05)
    assert LEVELS in outcome.output
    assert not [p for p in session.iterdir() if p.name.startswith(".roomplan")]


def test_a_picture_of_a_comparison_is_drawn(run, plans, session):
    assert run("compare", *plans[:2], "--plot", session / "plans.png").status == 0
    assert (session / "plans.png").read_bytes().startswith(b"\x89PNG")


def test_what_cannot_be_compared_is_one_line(run, plans, session):
    (session / "empty").mkdir()
    (session / "other").mkdir()
    (session / "other/report.json").write_text(json.dumps({"schema": "else"}), encoding="utf-8")
    for name, words in (("empty", "no report.json"), ("other", "no report of a render")):
        outcome = run("compare", plans[0], session / name, "--quiet")
        assert (outcome.status, len(outcome.errors.strip().splitlines())) == (1, 1)
        assert words in outcome.errors
    outcome = run(
        "compare", *plans[:2], "--bus", "sectoin:choir", "--write-to", session / "listen", "--quiet"
    )
    assert (outcome.status, "did you mean section:choir" in outcome.errors) == (1, True)
    assert run("compare", plans[0], plans[1], "--matched").status == 2
    run("render", plans[0], "--only", "mix")
    outcome = run(
        "compare", session / "render", plans[1], "--bus", "wet", "--write-to", session / "listen", "--quiet"
    )
    assert outcome.status == 1
    assert "has no file of bus" in outcome.errors
    assert not (session / "listen").exists()


def test_check_says_that_it_was_answered_from_an_earlier_pass(run, plans):
    assert "earlier pass" not in run("check", plans[0]).output
    again = run("check", plans[1])
    assert "taken from an earlier pass" in again.output
    buses = {bus["name"]: bus for bus in run("check", plans[1], "--json").json["buses"]}
    assert buses["mix"]["loudness"]["true_peak_dbtp"] is None  # its parts moved, each by another gain
    assert buses["section:low_strings:wet"]["loudness"]["true_peak_dbtp"] is not None


def test_a_plan_may_be_named_by_any_path_that_leads_to_it(run, plans, session):
    (session / "sub").mkdir()
    roundabout = session / "sub/../plan.yaml"
    document = run("compare", roundabout, plans[1], "--json").json
    assert [plan["answered_from"] for plan in document["plans"]] == ["sound", "matrix"]
    assert document["differences"] == run("compare", *plans[:2], "--json").json["differences"]


def test_plans_of_one_name_are_told_apart_by_their_folders(run, plans, session):
    (session / "reel_2").mkdir()
    (session / "reel_2/plan.yaml").write_text("extends: ../plan.yaml\n", encoding="utf-8")
    document = run("compare", plans[0], session / "reel_2/plan.yaml", "--json").json
    assert [plan["plan"] for plan in document["plans"]] == [f"{session.name}/plan", "reel_2/plan"]


def rows_of(output, title):
    """First cell of each row of the table with this title."""
    lines = output.split(title, 1)[1].split("LUFS: the first plan")[0].splitlines()
    return [line.split()[0] for line in lines[4:] if line.strip() and "─" not in line]


def test_the_table_has_the_mix_first_and_leaves_out_what_does_not_move(run, plans, session):
    (session / "choir.yaml").write_text(
        "extends: plan.yaml\nsections: {choir: {level: 2}}\n", encoding="utf-8"
    )
    moved = run("compare", plans[0], session / "choir.yaml").output
    rows = rows_of(moved, "choir against plan")
    assert rows[0] == "mix"
    assert "section:choir" in rows
    assert not [row for row in rows if row.startswith("section:low_strings")]
    every = rows_of(run("compare", plans[0], session / "choir.yaml", "--all").output, "choir against plan")
    assert every[0] == "mix"
    still = len(every) - len(rows)
    assert still > 0
    assert f"choir: {still} of {len(every)} buses do not change; --all shows them" in moved


def test_a_plan_that_moves_nothing_has_a_line_and_no_table(run, plans, session):
    (session / "same.yaml").write_text("extends: plan.yaml\ntitle: Same\n", encoding="utf-8")
    outcome = run("compare", plans[0], session / "same.yaml")
    assert "buses changes; --all shows them" in outcome.output
    assert "same against plan" not in outcome.output


def test_an_excerpt_is_compared_with_its_own_figures(run, plans):
    whole = run("compare", *plans[:2], "--json").json
    part = run("compare", *plans[:2], "--from", "0.5", "--length", "0.5", "--json").json
    for plan in part["plans"]:
        assert plan["excerpt"]["from_s"] == 0.5
        assert plan["excerpt"]["length_s"] == 0.5
    assert part["plans"][0]["buses"][0]["loudness"] != whole["plans"][0]["buses"][0]["loudness"]
    assert "excerpt" not in whole["plans"][0]


def test_loudness_over_time_comes_in_steps_that_the_document_has_too(run, plans):
    outcome = run("compare", *plans[:2], "--every", "0.5", "--bus", "section:choir")
    assert "section:choir: loudness over time" in outcome.output
    first, other = (
        plan["course"]
        for plan in run("compare", *plans[:2], "--every", "0.5", "--bus", "section:choir", "--json").json[
            "plans"
        ]
    )
    assert (first["bus"], first["every_s"]) == ("section:choir", 0.5)
    assert [step["from_s"] for step in first["steps"][:3]] == [0.0, 0.5, 1.0]
    assert all(step["to_s"] > step["from_s"] for step in first["steps"])
    moved = other["steps"][0]["integrated_lufs"] - first["steps"][0]["integrated_lufs"]
    assert 1.5 < moved < 5.5  # the section is 2 dB up, and its room another 3


@pytest.mark.parametrize("option", [("--from", "0.5"), ("--length", "1"), ("--every", "1")])
def test_figures_without_sound_cannot_be_cut_or_followed(run, plans, session, option):
    run("render", plans[0], "--output", session / "v1", "--quiet")
    outcome = run("compare", session / "v1", plans[1], *option)
    assert outcome.status == 2
    assert "needs the sound" in " ".join(outcome.errors.split())


def test_targets_of_each_plan_are_met_or_missed_side_by_side(run, plans, session):
    (session / "asking.yaml").write_text(
        "extends: plan.yaml\ntargets: [{of: choir, least_c80: -20}, {of: choir, wet_to_dry: 40}]\n",
        encoding="utf-8",
    )
    outcome = run("compare", plans[0], session / "asking.yaml")
    assert "choir C80" in outcome.output
    assert " met" in outcome.output
    assert "missed by" in outcome.output
    document = run("compare", plans[0], session / "asking.yaml", "--json").json
    assert "targets" not in document["plans"][0]
    assert [target["met"] for target in document["plans"][1]["targets"]] == [True, False]


@pytest.mark.skipif(os.name != "posix", reason="folders of POSIX")
def test_a_folder_to_listen_from_that_may_not_be_written_to_is_named(ordinary_user):
    (ordinary_user / "shut").mkdir(mode=0o555)
    with pytest.raises(RoomplanError, match=r"shut: may not be written to — allow writing there"):
        write_for_listening(
            ordinary_user / "shut" / "listen",
            [],
            [],
            matched=False,
            progress=silent_progress,
            notice=silent_notice,
        )
