"""Names from file systems, plans and the command line reach a terminal as words, and documents as data."""

from __future__ import annotations

from unicodedata import category

import numpy as np
import pytest
import soundfile

from roomplan.cli.environment import StageProgress, print_errors, show

RATE = 24_000
STEERING = "\x1b[2J\x1b]0;owned\x07"
ODD = f"nave{STEERING}\u202egnp\nnote: all is well\u2028"
NO_TEXT = f"{ODD}\udcff"  # a byte that is not UTF-8


def require_printable(*texts):
    for text in texts:
        assert not {category(letter) for letter in text if letter != "\n"} & {"Cc", "Cf", "Cs", "Zl", "Zp"}
        assert "\nnote: all is well" not in text


@pytest.fixture
def odd_files(folder):
    """Two responses and a broken file in a folder with an empty one; their names would steer a terminal."""
    time = np.arange(RATE) / RATE
    noise = np.random.default_rng(3).standard_normal(RATE)
    place = folder / ODD
    place.mkdir()
    soundfile.write(folder / "plain.wav", 0.3 * noise * 10.0 ** (-3.0 * time / 0.4), RATE, subtype="FLOAT")
    names = [f"a{ODD}.wav", f"b{ODD}.wav", f"broken{ODD}.wav"]
    for name in names[:2]:
        (folder / name).write_bytes((folder / "plain.wav").read_bytes())
    (folder / names[2]).write_bytes(b"no sound")
    return names


@pytest.mark.parametrize("options", [(), ("--against", 0), ("--csv",), ("--plot", "no/such.png")])
def test_measuring_prints_no_name_that_steers_the_terminal(run, odd_files, options):
    words = [odd_files[option] if option == 0 else option for option in options]
    outcome = run("measure", *odd_files, *words)
    assert outcome.status == 1
    assert "\\x1b[2J" in outcome.output + outcome.errors
    require_printable(outcome.errors, *([] if "--csv" in options else [outcome.output]))


def test_one_response_of_an_odd_name_is_shown_on_lines_of_ours(run, odd_files):
    outcome = run("measure", "--quiet", odd_files[0])
    assert outcome.status == 0
    require_printable(outcome.output)


@pytest.mark.parametrize("options", [(), ("--against", 0), ("--plot", "no/such.png")])
def test_metering_prints_no_name_that_steers_the_terminal(run, odd_files, options):
    words = [odd_files[option] if option == 0 else option for option in options]
    outcome = run("loudness", *odd_files, *words)
    assert outcome.status == 1
    require_printable(outcome.output, outcome.errors)


@pytest.mark.parametrize("command", ["measure", "loudness"])
def test_a_document_names_odd_files_exactly(run, odd_files, command):
    outcome = run(command, "--quiet", "--json", *odd_files)
    require_printable(outcome.output)
    names = [entry["file"] for key in ("responses", "files", "failed") for entry in outcome.json.get(key, [])]
    assert names == odd_files


@pytest.mark.parametrize(
    "arguments",
    [
        ("measure", NO_TEXT),
        ("loudness", f"missing{NO_TEXT}.wav"),
        ("check", f"missing{NO_TEXT}.yaml"),
        ("measure", f"--odd{NO_TEXT}"),
        (f"measure{NO_TEXT}",),
        ("check", NO_TEXT, "--update"),
        ("render", f"plan{NO_TEXT}.yaml", "--only", NO_TEXT),
        ("rooms", NO_TEXT),
        ("new", NO_TEXT),
        ("compare", f"a{NO_TEXT}.yaml", f"b{NO_TEXT}.yaml"),
        ("synthesise", "larkmere_hall", "a.wav", "--seat", NO_TEXT),
        ("measure", "plain.wav", "--noise", NO_TEXT),
    ],
    ids=lambda arguments: arguments[0][:10],
)
def test_an_error_repeats_an_odd_name_on_its_own_line(run, odd_files, arguments):
    del odd_files
    outcome = run(*arguments)
    assert outcome.status in {1, 2}
    assert "nave" in outcome.errors
    require_printable(outcome.errors, outcome.output)


def test_a_plan_with_odd_words_everywhere_is_refused_in_printable_lines(run, folder):
    words = '"mix\\e[2J\\u202Egnp\\nnote: all is well"'
    (folder / f"plan{ODD}.yaml").write_text(
        f"title: {words}\n{words}: 1\nstems: {words}\nrooms:\n  {words}: {{responses: {words}}}\n"
        f"sections:\n  choir: {{stems: [{words}], sends: {{{words}: {words}}}}}\n  {words}: {words}\n",
        encoding="utf-8",
    )
    outcome = run("check", f"plan{ODD}.yaml")
    assert outcome.status == 1
    require_printable(outcome.errors, outcome.output)
    assert all("plan" in line for line in outcome.errors.splitlines())


def test_everything_that_is_shown_or_said_goes_out_as_one_printable_line(capsys):
    show(NO_TEXT)
    print_errors(NO_TEXT)
    with StageProgress() as progress:
        progress.note(NO_TEXT)
    captured = capsys.readouterr()
    require_printable(captured.out, captured.err)
    assert len(captured.err.splitlines()) == 2
