"""One option has one meaning and one spelling, and the help names no type where none is taken."""

from __future__ import annotations

import pytest

from roomplan.cli.main import RENAMED, build


def names():
    return [command.name for command in build().registered_commands if command.name is not None]


@pytest.mark.parametrize("command", [None, *names()])
def test_a_flag_shows_no_type_in_the_help(run, command):
    output = run(*([command] if command else []), "--help").output
    assert "--help" in output
    assert "bool" not in output


def test_every_command_but_schema_takes_json_and_quiet(run):
    for command in names():
        output = run(command, "--help").output
        assert ("--quiet" in output and "--json" in output) is (command != "schema"), command


@pytest.mark.parametrize("command", RENAMED)
def test_an_earlier_spelling_is_not_in_the_help(run, command):
    words = run(command, "--help").output.replace("│", " ").split()
    for earlier, now in RENAMED[command].items():
        assert earlier not in words
        assert now in words


@pytest.mark.parametrize("spelling", [("--bands", "third"), ("--bands=third",)])
def test_an_earlier_spelling_does_what_the_new_one_does_and_says_so_in_one_line(run, session, spelling):
    response = session / "nave.wav"
    now = run("measure", response, "--band-width", "third", "--csv", "--quiet")
    before = run("measure", response, *spelling, "--csv", "--quiet")
    assert (before.status, before.output) == (now.status, now.output)
    assert now.errors == ""
    assert before.errors == (
        "note: --bands is called --band-width now; the next version knows that name only\n"
    )


def test_the_earlier_spelling_of_a_template_fills_it(run, session, monkeypatch):
    monkeypatch.chdir(session)
    outcome = run("new", "stems", "--from", "plan.yaml", "-o", "cue.yaml", "--quiet")
    assert outcome.status == 0, outcome.errors
    assert outcome.errors.startswith("note: --from is called --template now")
    assert "extends: plan.yaml" in (session / "cue.yaml").read_text(encoding="utf-8")


def test_a_file_behind_two_dashes_may_be_called_like_an_earlier_option(run, session, monkeypatch):
    monkeypatch.chdir(session)
    outcome = run("measure", "--quiet", "--", "--bands")
    assert outcome.status == 1
    assert "note:" not in outcome.errors


def test_options_that_other_commands_have_keep_their_meaning(run, session):
    outcome = run("check", session / "plan.yaml", "--bands", "--quiet")
    assert (outcome.status, outcome.errors) == (0, "")
    assert "125" in outcome.output
