"""`roomplan compare` over folders of many cues: one table, and a CSV of plans and buses."""

from __future__ import annotations

import csv
import io
import shutil

import numpy as np
import pytest
import soundfile

from roomplan.api.jobs import RenderJob, run_job

RATE = 8_000
PLAN = """\
stems: stems
rooms: {orrin_nave: {responses: nave.wav, direct: keep}}
shared_sends: {orrin_nave: -8}
sections: {choir: {stems: choir}}
"""


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    """Folder with a stem, a response, and three plans in two versions; the second is 2 dB down."""
    folder = tmp_path_factory.mktemp("session")
    generator = np.random.default_rng(5)
    (folder / "stems").mkdir()
    soundfile.write(folder / "stems/choir.wav", 0.1 * generator.standard_normal((RATE, 2)), RATE)
    decay = np.exp(-np.arange(800) / 200)[:, None]
    soundfile.write(folder / "nave.wav", 0.2 * generator.standard_normal((800, 2)) * decay, RATE)
    for name, more in (("2m1", ""), ("2m2", "tail: none\n"), ("2m3", "")):
        (folder / f"{name}.yaml").write_text(f"{PLAN}cue: {name}\n{more}", encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def reels(session):
    """Two reels; the first has a cue that the second lacks."""
    plans = [session / f"{name}.yaml" for name in ("2m1", "2m2", "2m3")]

    def render(reel, plan):
        assert run_job(RenderJob(plan, output=session / reel / plan.stem)).problems == ()

    for plan in plans:
        render("v1", plan)
        plan.write_text(plan.read_text(encoding="utf-8") + "trim: -2\n", encoding="utf-8")
    for plan in plans[:2]:
        render("v2", plan)
    return session / "v1", session / "v2"


def rows(path):
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))


def test_reels_are_compared_cue_by_cue_in_one_table_and_a_file(run, reels, session):
    outcome = run("compare", *reels, "--csv", session / "reel.csv")
    assert (outcome.status, outcome.errors) == (0, "")
    assert "mix: all versions" in outcome.output
    assert outcome.output.count("(−2.0)") == 4  # loudness and true peak of both cues
    assert "v2 lacks 2m3" in outcome.output
    found = rows(session / "reel.csv")
    buses = {row["bus"] for row in found}
    assert {"mix", "section:choir:wet", "room:orrin_nave"} <= buses
    assert len(found) == 5 * len(buses)  # two cues in two versions, one in one
    for row in found:
        if row["plan"] == "v2":
            assert float(row["change_integrated_lu"]) == pytest.approx(-2.0, abs=2e-3)
        else:
            assert row["change_integrated_lu"] == ""
    document = run("compare", *reels, "--json").json
    assert document["schema"] == "roomplan.compare_many/3"
    assert [(cue["cue"], len(cue["plans"])) for cue in document["cues"]] == [
        ("2m1", 2),
        ("2m2", 2),
        ("2m3", 1),
    ]
    assert document["cues"][0]["plans"][1]["changes"] == ["trim: +0.0 dB → −2.0 dB"]


def test_another_bus_can_be_asked_for_and_one_that_no_cue_has_is_refused(run, reels):
    assert "section:choir: all versions" in run("compare", *reels, "--bus", "section:choir").output
    outcome = run("compare", *reels, "--bus", "section:chior")
    assert (outcome.status, "did you mean section:choir" in outcome.errors) == (1, True)


def test_many_cues_are_not_compared_with_one(run, reels):
    outcome = run("compare", reels[0], reels[1] / "2m1")
    assert outcome.status == 1
    assert "is the render of one cue" in outcome.errors
    for option in ("--write-to", "--plot"):
        assert run("compare", *reels, option, reels[0] / "x.png").status == 2


def test_plans_have_a_csv_too_with_a_row_for_each_bus(run, reels, session):
    outcome = run("compare", reels[0] / "2m1", session / "2m1.yaml", "--csv", session / "plans.csv")
    assert outcome.status == 0
    found = rows(session / "plans.csv")
    assert [row["cue"] for row in found] == [""] * len(found)
    first, second = (
        [row for row in found if row["plan"] == name] for name in ("v1/2m1", f"{session.name}/2m1")
    )
    assert [row["bus"] for row in first] == [row["bus"] for row in second]
    assert float(second[0]["change_integrated_lu"]) == pytest.approx(-2.0, abs=2e-3)
    assert float(second[0]["integrated_lufs"]) - float(first[0]["integrated_lufs"]) == pytest.approx(
        -2.0, abs=2e-3
    )


def test_a_report_compares_as_its_folder_does(run, reels, session):
    kept = shutil.copy(reels[0] / "2m1/report.json", session / "kept.json")
    document = run("compare", kept, session / "2m1.yaml", "--json").json
    assert [plan["answered_from"] for plan in document["plans"]] == ["report", "sound"]
    assert document["plans"][1]["changes"] == ["trim: +0.0 dB → −2.0 dB"]


def test_more_than_two_versions_have_a_table_of_all(run, reels):
    folders = [reels[0] / "2m1", reels[1] / "2m1", reels[0] / "2m3"]
    outcome = run("compare", *folders)
    assert "mix: all versions" in outcome.output
    assert "mix: all versions" not in run("compare", *folders[:2]).output
