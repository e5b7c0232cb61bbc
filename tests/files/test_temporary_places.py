"""Temporary places: what a process that is gone has left is removed, what a living one uses is not."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time

import pytest

from roomplan.files import temporary_places as module
from roomplan.files.cache import Cache
from roomplan.files.digests import digest_of
from roomplan.files.locks import LockUnknownError
from roomplan.files.temporary_places import TemporaryPlaces

KEY = digest_of("a key")

WRITER = """
import sys
from pathlib import Path
from roomplan.files.cache import Cache
cache = Cache(Path(sys.argv[1]))
with cache.writing(sys.argv[2], title="sound of choir") as new:
    (new.folder / "sound.npy").write_bytes(bytes(1000))
    print("writing", flush=True)
    sys.stdin.read()
"""


@pytest.fixture
def writer(tmp_path):
    """A process that is in the middle of writing an entry of the cache in `tmp_path`."""
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    process = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(tmp_path), KEY],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env=environment,
    )
    with process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"writing\n"
        yield process
        process.kill()


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def kept_open(place):
    place.mkdir()
    (place / "sound.npy").write_bytes(b"x")
    return place


def looked_at_by_a_new_run(tmp_path):
    Cache(tmp_path).room_for_sound(0)
    return [name for name in names(tmp_path / "entries") if name.startswith(".temporary-")]


def test_what_a_killed_process_was_writing_is_removed_by_the_next_run_and_not_before(writer, tmp_path):
    assert len(looked_at_by_a_new_run(tmp_path)) == 2  # a folder, and its lock
    writer.kill()
    writer.wait()
    assert len(names(tmp_path / "entries")) == 2
    assert looked_at_by_a_new_run(tmp_path) == []


def test_writing_any_entry_removes_what_a_killed_process_has_left(writer, tmp_path):
    writer.kill()
    writer.wait()
    with Cache(tmp_path).writing(digest_of("another"), title="room") as new:
        new.save_document("room", {})
    assert names(tmp_path / "entries") == [digest_of("another")]


def test_nothing_is_left_when_all_places_are_given_back(tmp_path):
    places = TemporaryPlaces(tmp_path)
    with places.place() as one, places.place() as other:
        assert one != other
        kept_open(one)
        other.write_bytes(b"x")
    assert names(tmp_path) == []


def test_places_of_many_threads_stay_until_each_is_given_back(tmp_path):
    places = TemporaryPlaces(tmp_path)
    together = threading.Barrier(4)
    seen = []

    def use():
        for _round in range(50):
            together.wait()
            with places.place() as place:
                kept_open(place)
                TemporaryPlaces(tmp_path).clear_left_over()
                seen.append((place / "sound.npy").exists())

    threads = [threading.Thread(target=use) for _thread in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(seen) == 200
    assert all(seen)
    assert names(tmp_path) == []


@pytest.mark.parametrize("name", ["another machine", "no lock", "no owner"])
def test_where_no_lock_tells_only_what_is_a_day_old_is_removed(name, tmp_path):
    owners = {"another machine": "0a1b2c3d-", "no lock": f"{module._machine()}-", "no owner": ""}
    left = kept_open(tmp_path / f".temporary-{owners[name]}0123456789abcdef-0")
    if name == "another machine":
        left.with_name(f"{left.name[:-2]}.lock").touch()
    TemporaryPlaces(tmp_path).clear_left_over()
    assert left.exists()
    two_days_ago = time.time() - 2 * 86_400
    for path in (*left.iterdir(), *tmp_path.iterdir()):
        os.utime(path, (two_days_ago, two_days_ago))
    TemporaryPlaces(tmp_path).clear_left_over()
    assert names(tmp_path) == []


def test_a_folder_that_takes_no_locks_has_places_all_the_same(tmp_path, monkeypatch):
    def refused(path):
        path.touch()
        raise LockUnknownError

    monkeypatch.setattr(module, "take_lock", refused)
    places = TemporaryPlaces(tmp_path)
    with places.place() as place:
        kept_open(place)
        TemporaryPlaces(tmp_path).clear_left_over()
        assert names(tmp_path) == [place.name]
    assert names(tmp_path) == []
