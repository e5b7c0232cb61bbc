"""Changed files: whole or untouched, the old one kept, links and permissions respected."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from roomplan.documents import rewriting
from roomplan.documents.rewriting import read_original, write_edited
from roomplan.errors import PlanError, RoomplanError

OLD = "\ufeffa: 1 # ü\r\n"


@pytest.fixture
def plan(tmp_path):
    path = tmp_path / "plan.yaml"
    path.write_bytes(OLD.encode())
    return path


def names(folder):
    return sorted(entry.name for entry in folder.iterdir())


def test_the_new_text_stands_in_the_file_and_the_old_one_beside_it_to_the_byte(plan):
    original = read_original(plan)
    assert original.text == OLD
    kept = write_edited(original, OLD.replace("1", "2"))
    assert plan.read_bytes() == OLD.replace("1", "2").encode()
    assert kept == plan.with_name("plan.yaml.before-1")
    assert kept is not None
    assert kept.read_bytes() == OLD.encode()
    assert names(plan.parent) == ["plan.yaml", "plan.yaml.before-1"]


def test_no_kept_file_is_ever_overwritten_and_the_newest_has_the_highest_number(plan):
    plan.with_name("plan.yaml.before-7").write_text("mine")
    plan.with_name("plan.yaml.before-x").write_text("mine")
    for turn in (8, 9):
        kept = write_edited(read_original(plan), f"a: {turn}\n")
        assert kept is not None
        assert kept.name == f"plan.yaml.before-{turn}"
    assert plan.with_name("plan.yaml.before-9").read_text() == "a: 8\n"
    assert plan.with_name("plan.yaml.before-7").read_text() == "mine"


def test_the_kept_file_is_named_as_the_file_was(plan, monkeypatch):
    monkeypatch.chdir(plan.parent)
    assert write_edited(read_original(Path("plan.yaml")), "a: 2\n") == Path("plan.yaml.before-1")
    assert write_edited(read_original(plan), "a: 3\n") == plan.with_name("plan.yaml.before-2")


def test_the_same_text_writes_nothing(plan):
    before = plan.stat()
    assert write_edited(read_original(plan), OLD) is None
    assert names(plan.parent) == ["plan.yaml"]
    assert plan.stat().st_mtime_ns == before.st_mtime_ns


@pytest.mark.parametrize("change", [lambda file: file.write_text("a: 3\n"), lambda file: file.unlink()])
def test_a_file_that_has_changed_since_it_was_read_is_left_alone(plan, change):
    original = read_original(plan)
    change(plan)
    left = names(plan.parent)
    with pytest.raises(RoomplanError, match="since it was read"):
        write_edited(original, "a: 2\n")
    assert names(plan.parent) == left
    assert not plan.exists() or plan.read_text() == "a: 3\n"


def test_a_change_in_the_last_moment_is_seen_too(plan, monkeypatch):
    original = read_original(plan)
    keep = rewriting._keep

    def late(real, raw):
        kept = keep(real, raw)
        plan.write_text("a: 3\n")
        return kept

    monkeypatch.setattr(rewriting, "_keep", late)
    with pytest.raises(RoomplanError, match="changed since"):
        write_edited(original, "a: 2\n")
    assert names(plan.parent) == ["plan.yaml"]
    assert plan.read_text() == "a: 3\n"


@pytest.mark.skipif(os.name != "posix", reason="permissions of other systems are others")
@pytest.mark.parametrize("mode", [0o600, 0o640, 0o664, 0o755])
def test_permissions_stay_for_the_new_file_and_the_kept_one(plan, mode):
    plan.chmod(mode)
    kept = write_edited(read_original(plan), "a: 2\n")
    assert kept is not None
    assert stat.S_IMODE(plan.stat().st_mode) == mode
    assert stat.S_IMODE(kept.stat().st_mode) == mode


@pytest.mark.skipif(os.name != "posix", reason="permissions of other systems are others")
def test_a_write_protected_file_is_left_alone(plan):
    plan.chmod(0o444)
    with pytest.raises(RoomplanError, match="write-protected"):
        write_edited(read_original(plan), "a: 2\n")
    assert names(plan.parent) == ["plan.yaml"]
    assert plan.read_bytes() == OLD.encode()


@pytest.mark.skipif(os.name != "posix", reason="links need a right of their own elsewhere")
def test_a_link_stays_a_link_and_its_file_is_changed(plan, tmp_path):
    (tmp_path / "links").mkdir()
    first = tmp_path / "links" / "cue.yaml"
    first.symlink_to("../second.yaml")
    (tmp_path / "second.yaml").symlink_to(plan)
    kept = write_edited(read_original(first), "a: 2\n")
    assert kept == plan.with_name("plan.yaml.before-1")
    assert first.is_symlink()
    assert (tmp_path / "second.yaml").is_symlink()
    assert first.read_text() == plan.read_text() == "a: 2\n"
    assert names(tmp_path / "links") == ["cue.yaml"]


@pytest.mark.parametrize("step", ["_dress_like", "_keep"])
@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_a_failure_leaves_the_folder_as_it_was(plan, monkeypatch, step, error):
    def fail(*_):
        raise error

    monkeypatch.setattr(rewriting, step, fail)
    with pytest.raises(KeyboardInterrupt if isinstance(error, KeyboardInterrupt) else RoomplanError) as told:
        write_edited(read_original(plan), "a: 2\n")
    assert isinstance(error, KeyboardInterrupt) or "No space left" in str(told.value)
    assert names(plan.parent) == ["plan.yaml"]
    assert plan.read_bytes() == OLD.encode()


def test_a_failed_move_takes_the_kept_copy_back(plan, monkeypatch):
    def fail(*_):
        raise PermissionError(1, "Operation not permitted")

    original = read_original(plan)
    monkeypatch.setattr(type(plan), "replace", fail)
    with pytest.raises(RoomplanError, match="cannot be rewritten: Operation not permitted"):
        write_edited(original, "a: 2\n")
    assert names(plan.parent) == ["plan.yaml"]


@pytest.mark.parametrize("content", [b"a: 1\na: 2\n", b"\xff", b"", b"- 1\n"])
def test_a_file_with_faults_is_not_read_for_changing(tmp_path, content):
    path = tmp_path / "plan.yaml"
    path.write_bytes(content)
    with pytest.raises(PlanError):
        read_original(path)
    with pytest.raises(PlanError):
        read_original(tmp_path / "none.yaml")
