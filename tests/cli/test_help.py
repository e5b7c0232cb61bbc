"""`roomplan help`: every key of the plan language, from the shapes themselves; a page for every topic."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import Any

import pytest
import typer

from roomplan.cli import topics
from roomplan.cli.main import build
from roomplan.cli.topics import TOPICS, keys_markdown, page
from roomplan.files.resources import bundled_folder
from roomplan.plan.keys import keys_of, plan_shapes, shapes_of
from roomplan.plan.targets import WISHES
from roomplan.rooms.room_shape import RoomFileShape

COMMANDS: Any = typer.main.get_command(build()).commands  # pyright: ignore[reportAttributeAccessIssue]
KEYS = [(shape, key) for shape, fields in plan_shapes().items() for key in keys_of(fields)]
PAGES = Path(topics.__file__).parent / "pages"


def words(text: str) -> str:
    return " ".join(text.split())


@pytest.fixture(scope="module")
def plan_language() -> str:
    return " ".join(
        words(page(topic, COMMANDS)) for topic in TOPICS.values() if topic.file.startswith("configs")
    )


@pytest.mark.parametrize("key", [key for _, key in KEYS], ids=[f"{shape}.{key.name}" for shape, key in KEYS])
def test_every_key_is_in_the_help_with_what_it_takes_what_holds_without_it_and_what_it_means(
    plan_language, key
):
    assert key.meaning.endswith(".")
    assert key.accepted
    entry = f"{key.name} {key.meaning} Value: {key.accepted}."
    if key.default:
        entry += " Required." if key.default == "required" else f" If left out: {key.default}."
    assert words(entry) in plan_language


def test_only_a_wish_may_be_left_out_without_a_word_about_what_holds_then():
    assert {(shape, key.name) for shape, key in KEYS if not key.default} == {
        ("TargetShape", wish) for wish in WISHES
    }


def test_a_key_shows_the_range_and_unit_that_the_plan_enforces():
    shown = {(shape, key.name): key.accepted for shape, key in KEYS}
    assert shown["RoomShape", "pre_delay"].startswith("a number from 0 to 4000 ms")
    assert shown["DeliveryShape", "sample_rate"].startswith("a whole number from 8000 to 192000 Hz")
    assert shown["SeatShape", "distance"].startswith("a number above 0 and up to 200 m")
    assert "each a number from -120 to 24 dB, such as -9, or `off`" in shown["SectionShape", "sends"]


def test_a_wish_shows_its_tolerance_in_its_own_unit():
    meanings = {key.name: key.meaning for shape, key in KEYS if shape == "TargetShape"}
    assert meanings["longest_centre_time"].endswith("Tolerance: 5 ms.")
    assert meanings["longest_wet_decay"].endswith("Tolerance: 2.5 %.")
    assert meanings["least_d50"].endswith("Tolerance: 0.025.")


def test_the_page_of_the_plan_language_has_each_mapping_once_and_its_keys_as_they_are():
    text = (bundled_folder("configs") / "README.md").read_text(encoding="utf-8")
    tables = re.findall(r"<!-- keys: (\w+) -->\n\n(.*?)\n<!-- end -->", text, re.DOTALL)
    assert sorted(name for name, _ in tables) == sorted(plan_shapes())
    for name, table in tables:
        assert table == keys_markdown(name)


def test_every_key_of_a_room_file_is_on_its_page():
    text = page(TOPICS["room_file"], COMMANDS)
    shapes = shapes_of(RoomFileShape).values()
    missing = [
        key.name for shape in shapes for key in keys_of(shape) if not re.search(rf"\b{key.name}\b", text)
    ]
    assert missing == []


def test_every_section_of_the_plan_language_belongs_to_one_topic():
    text = (bundled_folder("configs") / "README.md").read_text(encoding="utf-8")
    headings = ["", *re.findall(r"^## (.+)$", text, re.MULTILINE)]
    shown = [one for topic in TOPICS.values() if topic.file.startswith("configs") for one in topic.sections]
    assert sorted(shown) == sorted(headings)


def test_every_page_belongs_to_one_topic():
    shown = [topic.file for topic in TOPICS.values() if "/" not in topic.file]
    assert sorted(shown) == sorted(file.name for file in PAGES.iterdir())


def test_help_alone_lists_every_topic_with_a_line(run):
    outcome = run("help")
    assert outcome.status == 0
    for name, topic in TOPICS.items():
        assert re.search(rf"^  {name} +{re.escape(topic.about)}$", outcome.output, re.MULTILINE)


@pytest.mark.parametrize("name", TOPICS)
def test_a_topic_goes_into_a_pipe_as_plain_text_without_marks_of_its_source(run, name):
    outcome = run("help", name)
    assert (outcome.status, outcome.errors) == (0, "")
    assert outcome.output == page(TOPICS[name], COMMANDS)
    assert len(outcome.output.splitlines()) > 5
    assert not re.search(r"\x1b|<!--|```|^#|\]\(", outcome.output, re.MULTILINE)
    assert not any(line != line.rstrip() for line in outcome.output.splitlines())


@pytest.mark.parametrize("name", ["render", "balance", "synthetic"])
def test_the_options_at_the_end_of_a_page_begin_after_an_empty_line(name):
    lines = page(TOPICS[name], COMMANDS).splitlines()
    headings = [place for place, line in enumerate(lines) if line.startswith("Options of")]
    assert headings
    assert all(lines[place - 1] == "" for place in headings)


def test_the_page_on_instruments_names_the_file_to_correct_where_it_is():
    last = page(TOPICS["instruments"], COMMANDS, 40).splitlines()[-1]
    assert Path(last.removeprefix("Here it is ")) == bundled_folder("configs") / "instruments.yaml"


@pytest.mark.parametrize("width", [60, 80, 100])
def test_no_name_in_a_table_of_a_page_is_cut(width):
    text = page(TOPICS["room_file"], COMMANDS, width)
    assert "`suspended_gypsum_board`" in text
    assert "`empty_upholstered_seats`" in text
    for topic in TOPICS.values():
        assert not re.search(r"`\w+…", page(topic, COMMANDS, width))


def test_prose_keeps_to_the_width_of_the_terminal():
    prose = page(TOPICS["sections"], COMMANDS, 60)
    assert max(map(len, prose.splitlines())) <= 60


@pytest.mark.parametrize(("rows", "paged"), [(20, True), (2000, False)])
def test_a_page_that_is_longer_than_the_terminal_is_shown_a_page_at_a_time(run, monkeypatch, rows, paged):
    shown = []
    monkeypatch.setattr("pydoc.pager", shown.append)
    monkeypatch.setattr(type(sys.stdout), "isatty", lambda _: True, raising=False)
    monkeypatch.setenv("LINES", str(rows))
    monkeypatch.setenv("COLUMNS", "100")
    outcome = run("help", "rooms")
    assert (shown, outcome.output) == (
        ([page(TOPICS["rooms"], COMMANDS)], "") if paged else ([], page(TOPICS["rooms"], COMMANDS))
    )


@pytest.mark.parametrize(
    ("wrong", "hint"),
    [("delivery", "did you mean deliveries?"), ("rom", "did you mean rooms?"), ("xyzzy", "lists the topics")],
)
def test_an_unknown_topic_is_wrong_usage_and_names_the_nearest(run, wrong, hint):
    outcome = run("help", wrong)
    assert (outcome.status, outcome.output) == (2, "")
    assert f"'{wrong}' is not known: " in outcome.errors
    assert hint in words(outcome.errors.replace("│", ""))


def test_a_command_that_is_no_topic_shows_its_own_help(run):
    names = {command.name for command in build().registered_commands} - TOPICS.keys()
    assert {"new", "check", "demo", "synthesise", "schema"} <= names
    for name in names:
        assert run("help", name).output == run(name, "--help").output


@pytest.mark.parametrize("command", COMMANDS)
def test_every_option_is_in_the_help_of_a_topic_or_of_its_command(run, command):
    topic = next((name for name, one in TOPICS.items() if command in one.commands), command)
    shown = words(run("help", topic).output)
    for one in COMMANDS[command].params:
        if one.param_type_name == "option":
            assert one.opts[0] in shown
            assert one.is_flag or one.metavar
    if topic in TOPICS:
        listed = [one for one in COMMANDS[command].params if one.param_type_name == "option"]
        assert all(words(one.help) in shown for one in listed)


def test_a_topic_called_like_a_command_has_the_options_of_that_command_but_where_it_is_about_plans():
    same = {name for name in TOPICS if name in COMMANDS}
    assert {name for name in same if name not in TOPICS[name].commands} == {"rooms"}


@pytest.mark.parametrize("command", COMMANDS)
def test_no_word_of_an_option_is_lost_as_markup(run, command):
    shown = words(run(command, "--help").output.replace("│", " "))
    sentences = [one.help for one in COMMANDS[command].params if one.param_type_name == "option"]
    lost = {word for text in sentences for word in text.split()} - set(shown.split())
    assert lost == set()


@pytest.mark.parametrize("arguments", [(), ("-h",), ("--help",)], ids=["nothing", "-h", "--help"])
def test_the_list_of_commands_is_what_the_whole_command_line_shows(run, capsys, arguments):
    with pytest.raises(SystemExit) as ended:
        build()([*arguments], prog_name="roomplan")
    captured = capsys.readouterr()
    listed = run(*arguments)
    assert listed.status == int(ended.value.code or 0)
    assert (listed.output, listed.errors) == (captured.out, captured.err)
    shown, other = (listed.output, listed.errors) if arguments else (listed.errors, listed.output)
    assert listed.status == (0 if arguments else 2)
    assert not other
    assert all(f"\n  {name} " in shown for name in COMMANDS)
