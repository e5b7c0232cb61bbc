"""The next version of a plan: which it is, and how it is written."""

from __future__ import annotations

import pytest

from roomplan.errors import RoomplanError
from roomplan.plan.bumping import bump_version, next_version, require_version_in_names
from roomplan.plan.load import load_plan


@pytest.mark.parametrize(
    ("version", "following"),
    [("3", "4"), ("9", "10"), ("02", "03"), ("99", "100"), ("v3", "v4"), ("1.9", "1.10"), ("mix 7", "mix 8")],
)
def test_the_number_at_the_end_is_counted_up_and_keeps_its_width(version, following):
    assert next_version(version) == following


@pytest.mark.parametrize("version", ["final", "3b", "", "٣"])
def test_a_version_without_a_number_at_its_end_has_no_next_one(version):
    assert next_version(version) is None


def plan(folder, head, name="plan.yaml"):
    rest = "rooms: {nave: {synthetic: orrin_nave}}\nsections:\n  choir: {stems: [choir]}\n"
    (folder / name).write_text(f"{head}\n{rest}", encoding="utf-8")
    return folder / name


def version_of(path):
    found = load_plan(path).plan
    assert found is not None
    return found.version


@pytest.mark.parametrize(
    ("written", "changed"),
    [("3", "4"), ('"02"', '"03"'), ("v3", "v4"), ('"3"', '"4"'), ('"1.10"', '"1.11"')],
)
def test_the_version_is_changed_in_its_place_and_all_else_is_kept(tmp_path, written, changed):
    path = plan(tmp_path, f"title: x   # ours\n# counted by hand\nversion: {written}   # for the mixer")
    before = path.read_text(encoding="utf-8")
    old, new, kept = bump_version(path)
    assert path.read_text(encoding="utf-8") == before.replace(f"version: {written}", f"version: {changed}")
    assert version_of(path) == new == next_version(old)
    assert kept is not None
    assert kept.read_text(encoding="utf-8") == before


def test_an_inherited_version_is_written_into_the_plan_itself(tmp_path):
    base = tmp_path / "house.yaml"
    base.write_text("version: 3\n", encoding="utf-8")
    path = plan(tmp_path, "extends: house.yaml")
    assert bump_version(path)[:2] == ("3", "4")
    assert version_of(path) == "4"
    assert base.read_text(encoding="utf-8") == "version: 3\n"


def test_a_version_that_cannot_be_counted_up_is_left_in_one_line_with_its_place(tmp_path):
    path = plan(tmp_path, "version: final")
    before = path.read_bytes()
    with pytest.raises(RoomplanError, match=r"plan\.yaml: version 'final' does not end in a number"):
        bump_version(path)
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    ("keys", "own", "enough"),
    [
        ("folder: 'out/v{version}'", True, True),
        ("folder: 'out/v{version}'", False, False),
        ("file_name: '{bus}_v{version}'", False, True),
        ("folder: out", True, False),
    ],
)
def test_a_next_version_needs_the_version_in_a_name_that_counts(tmp_path, keys, own, enough):
    loaded = load_plan(plan(tmp_path, f"version: 1\ndeliveries:\n  all:\n    write: [mix]\n    {keys}"))
    assert loaded.problems == ()
    if enough:
        require_version_in_names(loaded, ["all"], in_own_folders=own)
    else:
        with pytest.raises(RoomplanError, match="delivery all: its next version would replace this one"):
            require_version_in_names(loaded, ["all"], in_own_folders=own)
