"""Plan files whose old words are rewritten in place."""

from __future__ import annotations

import pytest

from roomplan.errors import PlanError, RoomplanError
from roomplan.plan.load import load_plan
from roomplan.plan.updating import update_plan

BASE = (
    "rooms: {nave: {synthetic: orrin_nave, reference: main}}  # the back\nsections: {choir: {stems: choir}}\n"
)
LEAF = "extends: base.yaml\nanchor: choir   # nearest\n"


@pytest.fixture
def files(tmp_path):
    base, leaf = tmp_path / "base.yaml", tmp_path / "cue.yaml"
    base.write_text(BASE, encoding="utf-8")
    leaf.write_text(LEAF, encoding="utf-8")
    return leaf, base


def test_a_plan_is_rewritten_alone_and_its_old_file_kept_beside_it(files):
    leaf, base = files
    (updated,) = update_plan(leaf)
    assert leaf.read_text(encoding="utf-8") == "extends: base.yaml\nreference_section: choir   # nearest\n"
    assert updated.backup.name == "cue.yaml.before-1"
    assert updated.backup.read_text(encoding="utf-8") == LEAF
    assert base.read_text(encoding="utf-8") == BASE
    (note,) = load_plan(leaf).notes
    assert str(note.place).startswith(f"{base}:1:")
    assert update_plan(leaf) == ()
    assert [entry.name for entry in sorted(leaf.parent.glob("cue.yaml.*"))] == ["cue.yaml.before-1"]


def test_a_base_that_is_named_is_rewritten_too(files):
    assert [one.file.name for one in update_plan(files[0], files[1:])] == ["cue.yaml", "base.yaml"]
    assert files[1].read_text(encoding="utf-8") == BASE.replace("reference", "gain_position")
    assert load_plan(files[0]).notes == ()


def test_a_file_that_the_plan_does_not_extend_is_refused_and_nothing_is_written(files):
    leaf, _base = files
    other = leaf.with_name("other.yaml")
    other.write_text(BASE, encoding="utf-8")
    with pytest.raises(RoomplanError, match=r"does not extend .*other.yaml.* — of what it extends: .*base"):
        update_plan(leaf, [other])
    assert leaf.read_text(encoding="utf-8") == LEAF


def test_no_file_is_written_when_one_of_them_has_faults(files):
    leaf, base = files
    base.write_text(BASE + "rooms: {}\n", encoding="utf-8")
    with pytest.raises(PlanError):
        update_plan(leaf, [base])
    assert leaf.read_text(encoding="utf-8") == LEAF
