"""What README, the pages and the help say of commands and options is so."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import jsonschema
import pytest
import typer
from ruamel.yaml import YAML

from roomplan.cli.main import build
from roomplan.cli.topics import TOPICS, source
from roomplan.plan.load import plan_schema

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DOCUMENTS = {
    "README.md": README,
    "DEVELOPERS.md": (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"),
    "configs/README.md": (ROOT / "configs" / "README.md").read_text(encoding="utf-8"),
    "irs_synthetic/README.md": (ROOT / "irs_synthetic" / "README.md").read_text(encoding="utf-8"),
    **{f"help {name}": source(topic) for name, topic in TOPICS.items() if "/" not in topic.file},
}
GROUP = typer.main.get_command(build())
COMMANDS = GROUP.commands  # pyright: ignore[reportAttributeAccessIssue]
# options of other programs that our documents name
OTHERS = {"--benchmark-only", "--help", "--version"}


def options(command: str) -> set[str]:
    return {name for one in COMMANDS[command].params for name in (*one.opts, *one.secondary_opts)} | {
        "--help"
    }


def written_commands(text: str) -> list[list[str]]:
    """Command lines of a document's blocks and of its ticks, taken apart; patterns count as one file."""
    blocks = re.findall(r"^```\w*\n(.*?)^```", text, re.MULTILINE | re.DOTALL)
    lines = [line.removeprefix("$ ") for block in blocks for line in block.splitlines()]
    found = [line for line in lines if line.startswith("roomplan ")]
    found = [re.split(r" {2,}| # ", line)[0] for line in found]
    return [shlex.split(line)[1:] for line in found]


@pytest.mark.parametrize("document", DOCUMENTS)
def test_every_command_line_of_a_document_is_accepted_as_it_is_written(document):
    for name, *arguments in written_commands(DOCUMENTS[document]):
        COMMANDS[name].make_context(name, [*arguments])


def test_the_documents_have_command_lines_at_all():
    assert sum(len(written_commands(text)) for text in DOCUMENTS.values()) > 30
    assert ["render", "cue.yaml"] in written_commands(README)


@pytest.mark.parametrize("document", DOCUMENTS)
def test_every_option_that_a_document_names_exists(document):
    known = set().union(OTHERS, *map(options, COMMANDS))
    named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", DOCUMENTS[document]))
    assert named - known == set()


def test_an_option_beside_a_command_in_the_list_of_commands_is_one_of_that_command():
    rows = dict(re.findall(r"^\| `roomplan (\w+)[^`]*` \| (.*) \|$", README, re.MULTILINE))
    assert set(rows) == set(COMMANDS)
    for name, row in rows.items():
        assert set(re.findall(r"(?<![\w-])--?[a-z][a-z-]*", row)) - options(name) == set()


@pytest.mark.parametrize("command", COMMANDS)
def test_every_option_of_a_command_is_in_its_help_with_a_sentence(run, command):
    shown = run(command, "--help").output
    for one in COMMANDS[command].params:
        if one.param_type_name == "option":
            assert one.opts[0] in shown
            assert len((one.help or "").split()) > 2


@pytest.mark.parametrize("topic", TOPICS)
def test_a_topic_that_a_document_points_to_exists(topic):
    assert source(TOPICS[topic])
    pointed = re.findall(
        r"`roomplan help\s+([a-z_]+)`", "\n".join([*DOCUMENTS.values(), source(TOPICS[topic])])
    )
    assert set(pointed) - {*TOPICS, *COMMANDS} == set()


@pytest.mark.parametrize(("document", "most"), [("README.md", 16 * 1024), ("DEVELOPERS.md", 14 * 1024)])
def test_a_first_page_is_short_enough_to_be_read(document, most):
    assert len(DOCUMENTS[document].encode()) <= most


@pytest.mark.parametrize("document", ["README.md", "configs/README.md"])
def test_a_piece_of_a_plan_in_a_document_has_keys_and_values_as_plans_have_them(document):
    schema = {key: value for key, value in plan_schema().items() if key != "anyOf"}
    blocks = re.findall(r"^ *```yaml\n(.*?)^ *```", DOCUMENTS[document], re.MULTILINE | re.DOTALL)
    assert len(blocks) > 1
    for block in blocks:
        piece = YAML(typ="safe", pure=True).load(block)
        piece = {"sections": {"one": piece}} if set(piece) == {"sends"} else piece
        jsonschema.validate(piece, schema)
