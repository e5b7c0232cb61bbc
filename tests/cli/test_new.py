"""What `roomplan new` writes, prints and ends with, for good folders, bad folders and tired hands."""

from __future__ import annotations

import json

import numpy as np
import pytest
import soundfile
import typer

from roomplan.api.drafting import default_plan
from roomplan.plan.load import load_plan

RATE = 8_000


@pytest.fixture
def stems(folder):
    """Folder `cue/stems` with four stems and a click."""
    place = folder / "cue" / "stems"
    place.mkdir(parents=True)
    generator = np.random.default_rng(2)
    for name in ("3m12_Vln1_v2", "3m12_Vc_v2", "3m12_Kazoo_v2", "3m12_Br_v2", "click"):
        soundfile.write(place / f"{name}.wav", 0.01 * generator.standard_normal((4800, 2)), RATE)
    return place


@pytest.mark.usefixtures("stems")
def test_a_plan_is_written_beside_the_folder_and_the_next_two_commands_are_said(run, folder):
    outcome = run("new", "cue/stems")
    assert outcome.status == 0, outcome.errors
    loaded = load_plan(folder / "cue" / "cue.yaml")
    assert loaded.problems == ()
    assert outcome.output.rstrip().splitlines()[-2:] == [
        "  roomplan check cue/cue.yaml",
        "  roomplan render cue/cue.yaml",
    ]
    for words in ("violins_1", "a click", "no instrument in its name", "larkmere_hall"):
        assert words in outcome.output
    assert outcome.errors == "listening…\n"


@pytest.mark.usefixtures("stems")
def test_the_written_plan_passes_check(run):
    assert run("new", "cue/stems", "--quiet").status == 0
    outcome = run("check", "cue/cue.yaml", "--quiet")
    assert outcome.status == 0, outcome.errors
    assert "no problems" in outcome.output


@pytest.mark.usefixtures("stems")
def test_two_plans_in_one_folder_are_drafted_and_rendered_beside_each_other(run, folder):
    for name in ("cue.yaml", "cue 2.yaml"):
        assert run("new", "cue/stems", "-o", f"cue/{name}", "--quiet").status == 0
        outcome = run("render", f"cue/{name}", "--quiet")
        assert outcome.status == 0, outcome.errors
    assert (folder / "cue" / "render" / "mix.wav").is_file()
    assert (folder / "cue" / "cue 2_render" / "mix.wav").is_file()


@pytest.mark.parametrize(
    ("folder_name", "plan"),
    [("cue/stems", "cue.yaml"), ("cue/3m12 final", "3m12 final.yaml"), ("cue/Audio", "cue.yaml")],
)
def test_a_plan_nobody_named_goes_by_the_session(folder, folder_name, plan):
    assert default_plan(folder / folder_name).name == plan


def test_a_plan_for_the_folder_one_stands_in_goes_beside_it(stems, monkeypatch):
    monkeypatch.chdir(stems)
    assert default_plan(type(stems)(".")).resolve() == stems.parent / "cue.yaml"


@pytest.mark.usefixtures("stems")
def test_an_existing_plan_is_kept_until_replaced(run, folder):
    (folder / "cue" / "cue.yaml").write_text("mine\n")
    outcome = run("new", "cue/stems", "--quiet")
    assert (outcome.status, outcome.errors.count("\n")) == (1, 1)
    assert (folder / "cue" / "cue.yaml").read_text() == "mine\n"
    assert run("new", "cue/stems", "--quiet", "--replace").status == 0
    assert load_plan(folder / "cue" / "cue.yaml").problems == ()


def test_a_stem_is_never_replaced_by_a_plan(run, stems):
    before = (stems / "click.wav").read_bytes()
    outcome = run("new", "cue/stems", "-o", "cue/stems/click.wav", "--replace", "--quiet")
    assert outcome.status == 1
    assert (stems / "click.wav").read_bytes() == before


@pytest.mark.usefixtures("stems")
def test_json_says_of_every_file_where_it_went_and_why(run):
    outcome = run("new", "cue/stems", "--json", "--quiet", "-o", "x.yaml")
    assert outcome.status == 0, outcome.errors
    document = json.loads(outcome.output)
    assert document["schema"] == "roomplan.new/1"
    assert document["plan"] == "x.yaml"
    files = {entry["file"]: entry for entry in document["files"]}
    assert files["click.wav"]["section"] is None
    assert files["3m12_Vln1_v2.wav"] | {"why": ""} == {
        "file": "3m12_Vln1_v2.wav",
        "section": "violins_1",
        "sure": True,
        "why": "",
        "channels": 2,
        "sample_rate": RATE,
        "duration_s": 0.6,
        "loudness_lufs": files["3m12_Vln1_v2.wav"]["loudness_lufs"],
        "peak_dbfs": files["3m12_Vln1_v2.wav"]["peak_dbfs"],
        "sounds_s": [0.0, 0.6],
    }
    sections = {entry["section"]: entry for entry in document["sections"]}
    assert sections["violins_1"]["sends"] == {"tallowyard_stage": -18.0, "larkmere_hall": -12.0}
    assert sections["violas"]["alternative"] == "brass"


def test_a_template_is_filled_and_its_empty_sections_are_named(run, stems, folder):
    assert run("new", "cue/stems", "--quiet", "-o", "house.yaml").status == 0
    (stems / "3m12_Vc_v2.wav").unlink()
    outcome = run("new", "cue/stems", "--quiet", "--template", "house.yaml")
    assert outcome.status == 0, outcome.errors
    assert "without stems here: cellos" in outcome.output
    loaded = load_plan(folder / "cue" / "cue.yaml")
    assert loaded.problems == ()
    assert loaded.plan is not None
    assert "cellos" not in loaded.plan.sections
    assert "extends: ../house.yaml" in (folder / "cue" / "cue.yaml").read_text(encoding="utf-8")
    assert run("check", "cue/cue.yaml", "--quiet").status == 0


@pytest.mark.usefixtures("stems")
def test_a_template_is_not_its_own_cue(run, folder):
    assert run("new", "cue/stems", "--quiet").status == 0
    outcome = run("new", "cue/stems", "--quiet", "--replace", "--template", "cue/cue.yaml")
    assert (outcome.status, outcome.errors.count("\n")) == (1, 1)
    assert "extends" not in (folder / "cue" / "cue.yaml").read_text(encoding="utf-8")


@pytest.mark.usefixtures("stems")
def test_a_missing_template_is_one_line(run):
    outcome = run("new", "cue/stems", "--quiet", "--template", "hose.yaml")
    assert (outcome.status, outcome.errors.count("\n")) == (1, 1)


@pytest.mark.parametrize("place", ["nowhere", "empty", "text", "broken"])
def test_a_folder_that_gives_no_plan_is_one_line(run, folder, place):
    (folder / "empty").mkdir()
    (folder / "text").mkdir()
    (folder / "text" / "notes.txt").touch()
    (folder / "broken").mkdir()
    (folder / "broken" / "a.wav").write_text("no sound")
    outcome = run("new", place, "--quiet")
    assert (outcome.status, outcome.errors.count("\n"), outcome.output) == (1, 1, "")
    assert not list(folder.glob("*.yaml"))


@pytest.mark.usefixtures("stems")
def test_asking_without_a_terminal_is_refused_in_one_line(run):
    outcome = run("new", "cue/stems", "--ask", "--quiet")
    assert (outcome.status, outcome.errors.count("\n")) == (1, 1)


@pytest.mark.usefixtures("stems")
def test_on_a_terminal_only_the_unsure_files_are_asked_about(run, folder, monkeypatch):
    questions = []

    def answer(question, *, default):
        questions.append(question)
        return {"kazoo": "harp", "violas": "-"}.get(default, default)

    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr(typer, "prompt", answer)
    outcome = run("new", "cue/stems", "--ask", "--quiet")
    assert outcome.status == 0, outcome.errors
    assert len(questions) == 2
    plan = load_plan(folder / "cue" / "cue.yaml").plan
    assert plan is not None
    assert list(plan.sections) == ["harp", "violins_1", "cellos"]
