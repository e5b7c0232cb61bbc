"""What is said of loud levels and of what figures are not for: one wording, once, wherever it applies."""

from __future__ import annotations

import csv
import io
import json
import shutil
from pathlib import Path

import pytest

from roomplan.cautions import LEVELS, MUSIC_ONLY, RESPONSE, SWEEPS, sentence

TARGETS = "targets:\n  - {of: choir, least_sti: 0.3}\n"
HELP = {
    "render": [LEVELS],
    "demo": [LEVELS],
    "compare": [LEVELS],
    "loudness": [LEVELS],
    "share": [MUSIC_ONLY, LEVELS],
    "measure": [MUSIC_ONLY, SWEEPS],
    "check": [MUSIC_ONLY],
    "balance": [MUSIC_ONLY],
    "depth": [MUSIC_ONLY],
    "rooms": [MUSIC_ONLY],
    "synthesise": [MUSIC_ONLY, RESPONSE],
    "sweep": [SWEEPS],
    "capture": [MUSIC_ONLY, SWEEPS],
    "new": [],
    "cache": [],
    "schema": [],
    "help": [],
}
SHOWN = [
    (("measure", "nave.wav"), MUSIC_ONLY),
    (("measure", "nave.wav", "other.wav"), MUSIC_ONLY),
    (("measure", "nave.wav", "--noise", "noise.txt"), MUSIC_ONLY),
    (("measure", "nave.wav", "--against", "other.wav"), MUSIC_ONLY),
    (("check", "targets.yaml"), MUSIC_ONLY),
    (("balance", "targets.yaml"), MUSIC_ONLY),
    (("depth", "plan.yaml"), MUSIC_ONLY),
    (("rooms",), MUSIC_ONLY),
    (("rooms", "marram_choir_room"), MUSIC_ONLY),
    (("render", "plan.yaml", "--output", "out", "--replace"), LEVELS),
    (("render", "plan.yaml", "targets.yaml", "--output", "many", "--replace"), LEVELS),
    (("compare", "plan.yaml", "targets.yaml", "--write-to", "listen"), LEVELS),
    (("loudness", "stems/choir.wav"), LEVELS),
    (("share", "plan.yaml", "page.html"), LEVELS),
]


def words(text: str) -> str:
    return " ".join(text.replace("│", " ").split())


@pytest.fixture
def place(session, monkeypatch):
    plan = (session / "plan.yaml").read_text(encoding="utf-8")
    (session / "targets.yaml").write_text(plan + TARGETS, encoding="utf-8")
    shutil.copy(session / "nave.wav", session / "other.wav")
    (session / "noise.txt").write_text("30 30 30 30 30 30 30\n", encoding="utf-8")
    monkeypatch.chdir(session)
    monkeypatch.setenv("ROOMPLAN_CACHE", str(session / "cache"))
    return session


@pytest.mark.parametrize(("command", "cautions"), HELP.items())
def test_the_help_of_a_command_has_its_cautions_before_its_examples_and_no_others(run, command, cautions):
    text = words(run(command, "--help").output)
    for caution in (LEVELS, MUSIC_ONLY, RESPONSE, SWEEPS):
        assert text.count(sentence(caution)) == (caution in cautions), caution
        if caution in cautions:
            assert text.index(sentence(caution)) < text.index("Example:")


@pytest.mark.usefixtures("place")
@pytest.mark.parametrize(("arguments", "caution"), SHOWN)
def test_tables_end_with_their_caution_and_have_it_once(run, arguments, caution):
    output = run(*arguments, "--quiet").output
    assert output.rstrip().splitlines()[-1].strip() == caution
    assert words(output).count(caution) == 1


@pytest.mark.usefixtures("place")
@pytest.mark.parametrize(("arguments", "caution"), SHOWN)
def test_a_document_has_its_caution_as_a_field_of_its_own(run, arguments, caution):
    document = json.loads(run(*arguments, "--json", "--quiet").output)
    assert document["note"] == MUSIC_ONLY
    assert document.get("hearing_note") == (LEVELS if caution == LEVELS else None)


@pytest.mark.usefixtures("place")
def test_a_table_that_comes_with_no_sound_says_nothing_of_loud_levels_and_its_document_does(run):
    compared = ("compare", "plan.yaml", "targets.yaml", "--quiet")
    assert "hearing caution" not in run(*compared).output
    assert json.loads(run(*compared, "--json").output)["hearing_note"] == LEVELS
    failed = run("render", "none.yaml", "missing.yaml", "--output", "out", "--quiet")
    assert failed.status == 1
    assert "hearing caution" not in failed.output


@pytest.mark.usefixtures("place")
def test_rows_of_measured_responses_end_with_one_that_says_what_they_are_not_for(run):
    rows = list(csv.reader(io.StringIO(run("measure", "nave.wav", "other.wav", "--csv", "--quiet").output)))
    assert rows[-1] == [MUSIC_ONLY, *[""] * (len(rows[0]) - 1)]
    assert sum(MUSIC_ONLY in row for row in rows) == 1


def test_targets_without_a_speech_index_need_no_caution(run, place):
    text = (place / "targets.yaml").read_text(encoding="utf-8").replace("least_sti: 0.3", "wet_to_dry: -8")
    (place / "targets.yaml").write_text(text, encoding="utf-8")
    for command in ("check", "balance"):
        assert MUSIC_ONLY not in words(run(command, "targets.yaml", "--quiet").output)


def test_a_report_beside_a_render_has_both(run, place):
    assert run("render", "plan.yaml", "--output", "out", "--quiet").status == 0
    report = json.loads((place / "out" / "report.json").read_text(encoding="utf-8"))
    assert (report["note"], report["hearing_note"]) == (MUSIC_ONLY, LEVELS)


def test_the_schema_says_of_the_speech_index_what_it_is_not_for(run):
    assert MUSIC_ONLY in run("schema").output


def test_the_read_me_files_and_the_librarys_pages_have_the_same_words():
    import roomplan.api

    root = Path(__file__).parents[2]
    for text in (
        (root / "README.md").read_text(encoding="utf-8").replace("**", ""),
        (root / "irs_synthetic" / "README.md").read_text(encoding="utf-8"),
        roomplan.api.__doc__ or "",
    ):
        for caution in (LEVELS, MUSIC_ONLY):
            assert caution in words(text).replace("Hearing caution", "hearing caution")
