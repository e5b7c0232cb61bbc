"""The table of instruments as a file: what is read, what is refused, where the fault is said to be."""

from __future__ import annotations

import json
import random
from typing import TYPE_CHECKING, Any

import pytest
from ruamel.yaml import YAML

from roomplan.drafting.instrument_file import read_instruments
from roomplan.drafting.instruments import instrument_table, table_of
from roomplan.errors import PlanError
from roomplan.files.resources import bundled_folder

if TYPE_CHECKING:
    from pathlib import Path

BUNDLED = bundled_folder("configs") / "instruments.yaml"
TEXT = BUNDLED.read_text(encoding="utf-8")


@pytest.fixture
def read(tmp_path) -> Any:
    def written(text: str):
        path = tmp_path / "instruments.yaml"
        path.write_text(text, encoding="utf-8")
        return table_of(read_instruments(path))

    return written


@pytest.fixture
def faults(read) -> Any:
    """Faults of the bundled table with one change: line in the text and message."""

    def found(old: str, new: str) -> list[tuple[int | None, str]]:
        assert TEXT.count(old) == 1
        with pytest.raises(PlanError) as error:
            read(TEXT.replace(old, new))
        return [
            (problem.place.line if problem.place else None, f"{problem.what} — {problem.remedy}")
            for problem in error.value.problems
        ]

    return found


def line_of(text: str) -> int:
    return TEXT[: TEXT.index(text)].count("\n") + 1


def test_the_table_is_read_once_a_process():
    assert instrument_table() is instrument_table()


def test_a_name_that_is_added_to_the_file_is_found(read):
    table = read(TEXT.replace("[organ, ", "[organ, harmonium, "))
    (organ,) = [one for one in table.instruments if one.name == "organ"]
    assert "harmonium" in organ.names


def test_a_seat_and_sends_are_those_of_the_file(read):
    table = read(TEXT.replace("seat: {distance: 14, angle: 0}", "seat: {distance: 17.5, angle: -3}"))
    (organ,) = [one for one in table.instruments if one.name == "organ"]
    assert (organ.distance_m, organ.angle_deg, organ.hall_db, organ.church_db) == (17.5, -3.0, -15.0, -12.0)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("- section: harp\n", "- sektion: harp\n", "unknown key 'sektion'"),
        ("- section: harp\n    family: keys", "- section: harp\n    family: kees", "did you mean 'keys'?"),
        ("- names: [cor]", "- names: [horn]", "'horn' is a name of horns already, in line"),
        ("[organ, organs", "[organ, tutti", "'tutti' is a name of orchestra already, in line"),
        ("- names: [kb]", "- names: [k-b]", "'k-b' is never found — a name of letters alone"),
        ("[harp, harps", "[the old harp from orrin, harps", "'the old harp from orrin' is too long"),
        ("[click, clicks", "[click track, clicks", "'click track' is too long — one word"),
        ("beside: [harp, piano]", "beside: [harp, pianno]", "did you mean 'piano'?"),
        ("parts: [violins_1, violins_2]", "parts: [violins_1, violin_2]", "did you mean 'violins_2'?"),
        ("{distance: 9, angle: -32}", "{distance: 9, angle: -320}", "-320 is below -180 degrees"),
        ("{distance: 9, angle: -32}", "{angle: -32}", "`distance` is missing — add `distance:`"),
        ("title: harp and keyboards", "title: 7", "in quotes"),
    ],
)
def test_a_slip_is_reported_with_its_line_and_what_would_be_right(faults, old, new, message):
    found = faults(old, new)
    lines = range(line_of(old), line_of(old) + old.count("\n") + 1)
    assert [line for line, what in found if message in what and line in lines], found


def test_all_slips_are_reported_at_once_in_the_order_of_the_file(read):
    text = (
        TEXT.replace("angle: -32}", "angle: far}").replace("[kb]", "[k.b]").replace("hall: true", "hall: 1")
    )
    with pytest.raises(PlanError) as error:
        read(text)
    lines = [problem.place.line or 0 for problem in error.value.problems if problem.place]
    assert lines == sorted(lines)
    assert len(lines) == TEXT.count("hall: true") + 2


def test_a_refused_seat_does_not_hide_a_name_that_two_sections_claim(faults):
    found = faults(
        "names: [harp, harps, hp, hps, hrp, harfe, harfen, hrf, hfe, harpe, harpes, arpa, arpe, arpas]\n"
        "    seat: {distance: 9, angle: -32}",
        "names: [harp, horn]\n    seat: {distance: -9}",
    )
    assert [what.split(" — ")[0] for _line, what in found] == [
        f"'horn' is a name of horns already, in line {line_of('[horn, horns')}",
        "seat: `angle` is missing",
        "distance: -9 is not above 0 m",
    ]


@pytest.mark.parametrize("name", ["violins_1", "tenors", "other"])
def test_what_files_are_proposed_as_without_its_name_cannot_be_taken_out(read, name):
    text = TEXT.replace(f"section: {name}\n", "section: organ\n").replace(
        f"  {name}: {{title", "  rest: {title"
    )
    with pytest.raises(PlanError, match=f"there is no (section|family) '{name}' — keep it"):
        read(text)


def test_a_table_with_any_value_anywhere_is_read_or_refused_with_lines(tmp_path):
    data = YAML(typ="safe", pure=True).load(TEXT)
    data["instruments"] = data["instruments"][:4]
    path = tmp_path / "instruments.yaml"
    odd = [None, True, -1, 10**30, "", "x y z u v", "\n", [], {}, [[]], {"names": [1]}, ["kb", "kb"]]
    for seed in range(100):
        dice = random.Random(seed)
        changed = json.loads(json.dumps(data))
        spots: list[tuple[Any, Any]] = []

        def walk(node: Any, spots: list[tuple[Any, Any]] = spots) -> None:
            for step, value in list(node.items() if isinstance(node, dict) else enumerate(node)):
                spots.append((node, step))
                if isinstance(value, dict | list):
                    walk(value)

        walk(changed)
        holder, step = dice.choice(spots)
        holder[step] = dice.choice(odd)
        path.write_text(json.dumps(changed), encoding="utf-8")
        with pytest.raises(PlanError) as error:  # four entries lack sections that are needed
            read_instruments(path)
        assert all(problem.place and problem.remedy for problem in error.value.problems)


def test_importing_the_drafting_package_does_not_read_the_table(tmp_path: Path):
    import subprocess
    import sys

    code = (
        "import roomplan.drafting, roomplan.drafting.instruments as i;"
        "assert i.instrument_table.cache_info().currsize == 0"
    )
    assert subprocess.run([sys.executable, "-c", code], cwd=tmp_path, check=False).returncode == 0
