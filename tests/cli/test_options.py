"""One option has one meaning and one spelling, and the help names no type where none is taken."""

from __future__ import annotations

import pytest

from roomplan.cli.main import RENAMED, RENAMED_VALUES, build
from roomplan.cli.measure import Bands, SortKey


def names():
    return [command.name for command in build().registered_commands if command.name is not None]


@pytest.mark.parametrize("command", [None, *names()])
def test_a_flag_shows_no_type_in_the_help(run, command):
    output = run(*([command] if command else []), "--help").output
    assert "--help" in output
    assert "bool" not in output


@pytest.mark.parametrize("command", names())
def test_an_argument_is_named_by_what_it_is_and_not_by_a_type_of_the_program(run, command):
    output = run(command, "--help").output
    for word in ("list[", "<path>", "<str>"):
        assert word not in output


def test_every_command_but_schema_and_help_takes_json_and_quiet(run):
    for command in names():
        output = run(command, "--help").output
        assert ("--quiet" in output and "--json" in output) is (command not in {"schema", "help"}), command


@pytest.mark.parametrize("command", RENAMED)
def test_an_earlier_spelling_is_not_in_the_help(run, command):
    words = run(command, "--help").output.replace("│", " ").split()
    for earlier, now in RENAMED[command].items():
        assert earlier not in words
        assert now in words


def test_an_option_offers_the_new_values_and_no_earlier_one():
    offered = {"measure": {"--band-width": set(Bands), "--sort": set(SortKey)}}
    assert {command: set(options) for command, options in RENAMED_VALUES.items()} == {
        command: set(options) for command, options in offered.items()
    }
    for command, options in RENAMED_VALUES.items():
        for option, values in options.items():
            assert not {*values} & offered[command][option]
            assert {*values.values()} <= offered[command][option]


@pytest.mark.parametrize("spelling", [("--band-width", "third"), ("--band-width=third",)])
def test_an_earlier_value_does_what_the_new_one_does_and_says_so_in_one_line(run, session, spelling):
    response = session / "nave.wav"
    now = run("measure", response, "--band-width", "third_octave", "--csv", "--quiet")
    before = run("measure", response, *spelling, "--csv", "--quiet")
    assert (before.status, before.output) == (now.status, now.output)
    assert now.errors == ""
    assert before.errors == (
        "note: --band-width third is now --band-width third_octave; the next version accepts only the new "
        "name\n"
    )


def test_sorting_by_an_earlier_key_sorts_by_the_new_one(run, session):
    now = run("measure", session / "nave.wav", "--sort", "decay_range", "--csv", "--quiet")
    before = run("measure", session / "nave.wav", "--sort", "range", "--csv", "--quiet")
    assert (before.status, before.output, now.errors) == (0, now.output, "")
    assert before.errors.startswith("note: --sort range is now --sort decay_range")


def test_a_file_called_like_an_earlier_value_is_a_file(run, session, monkeypatch):
    monkeypatch.chdir(session)
    (session / "nave.wav").rename("third")
    outcome = run("measure", "--quiet", "third")
    assert (outcome.status, outcome.errors) == (0, "")


@pytest.mark.parametrize("spelling", [("--bands", "third"), ("--bands=third",)])
def test_an_earlier_spelling_does_what_the_new_one_does_and_says_so_line_by_line(run, session, spelling):
    response = session / "nave.wav"
    now = run("measure", response, "--band-width", "third_octave", "--csv", "--quiet")
    before = run("measure", response, *spelling, "--csv", "--quiet")
    assert (before.status, before.output) == (now.status, now.output)
    assert now.errors == ""
    assert before.errors == (
        "note: --bands is now --band-width; the next version accepts only the new name\n"
        "note: --band-width third is now --band-width third_octave; the next version accepts only the new "
        "name\n"
    )


def test_the_earlier_spelling_of_a_template_fills_it(run, session, monkeypatch):
    monkeypatch.chdir(session)
    outcome = run("new", "stems", "--from", "plan.yaml", "-o", "cue.yaml", "--quiet")
    assert outcome.status == 0, outcome.errors
    assert outcome.errors.startswith("note: --from is now --template")
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
