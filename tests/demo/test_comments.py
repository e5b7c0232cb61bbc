"""What the comments of the shipped plans tell a reader to type does what they say."""

from __future__ import annotations

import re
import shlex
import sys

import numpy as np
import pytest
import soundfile
from ruamel.yaml import YAML

from roomplan.cli.main import main
from roomplan.demo.cues import CUE_PLANS, write_cues
from roomplan.demo.ice_harbour import STEMS
from roomplan.files.resources import bundled_folder
from roomplan.plan.load import load_plan
from roomplan.rooms.room_file import bundled_rooms

PLANS = ("ice_harbour.yaml", *CUE_PLANS)
TEXTS = {name: (bundled_folder("configs") / name).read_text(encoding="utf-8") for name in PLANS}
# A command stands on a line of its own, before two spaces, or between backticks.
COMMAND = re.compile(r"^#   (roomplan .+?)(?:  .*)?$|`(roomplan [^`]+)`", re.MULTILINE)
COMMANDS = [
    (name, alone or within) for name, text in TEXTS.items() for alone, within in COMMAND.findall(text)
]


SHORT_TARGETS = re.compile(r"^  - \{of: .*\n", re.MULTILINE)  # noise meets none of them
WORDS = {"FOLDER": ["cues/2m3"], "OLD": ["ice_harbour_2m1.yaml"], "NEW": ["ice_harbour_2m3.yaml"]}


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """Folder as `roomplan demo --cues` leaves it, with half a second of noise for stems."""
    folder = tmp_path_factory.mktemp("demo") / "ice_harbour"
    (folder / "stems").mkdir(parents=True)
    generator = np.random.default_rng(1)
    for stem in STEMS.values():
        for file in stem.files:
            channels = 1 if len(stem.files) == 2 or "percussion" in file or "woodwinds" in file else 2
            noise = 0.05 * generator.standard_normal((24_000, channels))
            soundfile.write(folder / "stems" / file, noise, 48_000)
    write_cues(folder / "stems", folder / "cues")
    for name, text in TEXTS.items():
        (folder / name).write_text(SHORT_TARGETS.sub("", text), encoding="utf-8")
    return folder


def typed(command: str, place) -> list[str]:
    """Arguments of a command with a shell's patterns and the comment's capital words filled in."""
    arguments = []
    for word in shlex.split(command)[1:]:
        matches = sorted(path.name for path in place.glob(word)) if "*" in word else [word]
        arguments += WORDS.get(word, matches)
    if arguments in (["check"], ["balance"]):  # named alone: this plan is meant
        arguments.append("ice_harbour.yaml")
    return arguments


@pytest.mark.parametrize(("plan", "command"), COMMANDS)
def test_a_command_in_a_comment_of_a_shipped_plan_does_its_work(place, monkeypatch, plan, command):
    assert (place / plan).exists()
    arguments = typed(command, place)
    monkeypatch.setenv("ROOMPLAN_CACHE", str(place.parent / "cache"))
    monkeypatch.chdir(place.parent if arguments[0] == "demo" else place)
    monkeypatch.setattr(sys, "argv", ["roomplan", *arguments, "--quiet"])
    with pytest.raises(SystemExit) as ended:
        main()
    assert not ended.value.code
    if arguments[0] == "new":
        assert load_plan(place / "cues" / "2m3.yaml").problems == ()


def test_every_shipped_plan_but_the_leaves_says_how_it_is_run():
    assert {name for name, _command in COMMANDS} == {"ice_harbour.yaml", "house_base.yaml"}


def test_the_room_that_is_offered_in_a_comment_is_one_a_plan_accepts(tmp_path):
    (line,) = re.findall(r"^#   (my_church: .+)$", TEXTS["ice_harbour.yaml"], re.MULTILINE)
    plan = {
        "rooms": YAML(typ="safe").load(line),
        "sections": {
            "choir": {"stems": ["choir"], "sends": {"my_church": [{"level": -9, "position": "front"}]}}
        },
    }
    with (tmp_path / "plan.yaml").open("w", encoding="utf-8") as file:
        YAML().dump(plan, file)
    assert load_plan(tmp_path / "plan.yaml").problems == ()


def test_the_comments_count_the_bundled_rooms_and_those_the_plan_uses():
    plan = load_plan(bundled_folder("configs") / "ice_harbour.yaml").plan
    assert plan is not None
    words = {3: "Three", 8: "eight"}
    text = f"{words[len(plan.rooms)]} of the {words[len(bundled_rooms())]} invented rooms"
    assert text in TEXTS["ice_harbour.yaml"]
