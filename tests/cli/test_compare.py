"""What `roomplan compare` says of plans and folders, writes for the ear, and refuses."""

from __future__ import annotations

import json

import pyebur128
import pytest
import soundfile

from roomplan.cautions import LEVELS


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
    assert "plan: heard just now" in outcome.output
    assert "louder: answered from an earlier pass" in outcome.output
    assert "room orrin_nave: return +0.0 dB → +3.0 dB" in outcome.output
    assert "section choir: level +0.0 dB → +2.0 dB" in outcome.output
    document = run("compare", *plans[:2], "--json").json
    assert document["schema"] == "roomplan.compare/1"
    assert [plan["answered_from"] for plan in document["plans"]] == ["matrix", "matrix"]
    (wet,) = [d for d in document["differences"] if d["bus"] == "section:low_strings:wet"]
    assert wet["integrated_lu"] == pytest.approx(3.0, abs=1e-3)
    assert wet["true_peak_db"] == pytest.approx(3.0, abs=1e-3)
    (mix,) = [d for d in document["differences"] if d["bus"] == "mix"]
    assert mix["true_peak_db"] is None


def test_another_room_is_heard_again_and_its_decay_told_in_steps(run, plans):
    document = run("compare", plans[0], plans[2], "--json").json
    assert [plan["answered_from"] for plan in document["plans"]] == ["sound", "sound"]
    assert document["plans"][1]["changes"] == ["room orrin_nave: decay scale none → 0.7"]
    (room,) = [d for d in document["differences"] if d["bus"] == "room:orrin_nave"]
    # ISO 3382-1, Table A.1: a step is 5 %; 0.7 is 7.3 of them shorter
    assert room["t30_steps"] == pytest.approx(-7.3, abs=0.8)
    assert room["c80_steps"] > 0.0


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
        "margins: [{of: choir, over: low_strings}, {of: choir, over: low_strings, band: words}]\n",
        encoding="utf-8",
    )
    document = run("compare", plans[1], asking, "--passages", "--json").json
    for plan in document["plans"]:
        assert [(m["band"], m["passage"]) for m in plan["margins"]] == [
            ("full", None), ("full", "verse"), ("words", None), ("words", "verse"),
        ]  # fmt: skip
        assert {p["passage"] for p in plan["passages"]} == {"verse"}
        # one second of sound: no window of 3 s, and the reason
        assert all(m["margin_db"] is None and m["reason"] for m in plan["margins"] if m["passage"])
    assert "Margins, dB" in run("compare", plans[1], asking).output


def test_matched_versions_measure_equal_and_come_with_a_file_that_takes_turns(run, plans, session):
    outcome = run("compare", *plans[:2], "--bus", "wet", "--write-to", session / "listen", "--matched")
    assert outcome.status == 0
    folder = session / "listen/wet"
    assert sorted(p.name for p in folder.iterdir()) == ["louder.wav", "plan.wav", "turns.txt", "turns.wav"]
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
    assert "was not written there" in outcome.errors
    assert not (session / "listen").exists()


def test_check_says_that_it_was_answered_from_an_earlier_pass(run, plans):
    assert "earlier pass" not in run("check", plans[0]).output
    again = run("check", plans[1])
    assert "answered from an earlier pass" in again.output
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
