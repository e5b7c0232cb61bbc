"""The cache gives only what was put in, raises nothing for what the disk does, and keeps to its limit."""

from __future__ import annotations

import errno
import json
import os
import shutil
import stat
import sys
import threading
import time
from collections import namedtuple
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomplan.files import file_notes as module
from roomplan.files.cache import Cache
from roomplan.files.digests import digest_of, file_digest

KEY = digest_of("a key")
OTHER = digest_of("another key")


@pytest.fixture
def cache(tmp_path):
    return Cache(tmp_path / "kept")


def put(cache, key=KEY, *, title="cross powers", values=1_000, last_used=None):
    """Make an entry of an array and a document."""
    with cache.writing(key, title=title, source="reel_2.yaml", parts={"rate": 48_000}) as new:
        new.save_array("powers", np.arange(values, dtype=np.float32))
        new.save_document("peaks", {"mix": -3.5})
    if last_used is not None:
        os.utime(cache.folder / "entries" / key / "meta.json", (last_used, last_used))


def opened(**environment):
    cache = Cache.open(environment)
    assert cache is not None
    return cache


def left_overs(cache):
    return [path.name for path in cache.folder.rglob("*") if path.name.startswith(".temporary")]


@pytest.fixture
def settled(monkeypatch):
    """Pretend that every file was last changed long ago."""
    monkeypatch.setattr(module, "_SETTLED_S", -1.0)


def test_entry_gives_back_what_was_put_in(cache):
    put(cache)
    entry = cache.entry(KEY)
    assert np.array_equal(entry.array("powers"), np.arange(1_000, dtype=np.float32))
    assert entry.document("peaks") == {"mix": -3.5}
    assert (entry.title, entry.source, entry.parts) == ("cross powers", "reel_2.yaml", {"rate": 48_000})
    assert entry.size_bytes == sum(path.stat().st_size for path in entry.folder.iterdir())
    assert cache.notes == []
    assert left_overs(cache) == []


def test_what_was_never_put_in_is_a_miss(cache):
    assert cache.entry(KEY) is None
    put(cache)
    assert cache.entry(OTHER) is None
    entry = cache.entry(KEY)
    assert entry.array("other") is None
    assert entry.document("other") is None


def test_a_ledger_gives_back_its_numbers_and_is_forgotten_with_the_cache(cache):
    cache.files.note("stems_1", {KEY: [1.0, -2.5]})
    cache.files.note("stems_1", {OTHER: [3.0]})
    assert cache.files.noted("stems_1") == {KEY: [1.0, -2.5], OTHER: [3.0]}
    cache.clear()
    assert cache.files.noted("stems_1") == {}


@pytest.mark.parametrize("name", ["../x", "a/b", "", "X", "a" * 51])
def test_a_ledger_whose_name_is_a_path_is_refused(name, cache):
    with pytest.raises(ValueError, match="no name of a ledger"):
        cache.files.note(name, {KEY: [1.0]})
    assert not cache.folder.exists()


def test_looking_makes_no_folder(cache):
    assert cache.entry(KEY) is None
    assert cache.entries() == []
    assert cache.clear().entries == 0
    assert not cache.folder.exists()


def test_files_of_the_callers_own_making_belong_to_the_entry(cache):
    with cache.writing(KEY, title="own file") as new:
        (new.folder / "own.npy").write_bytes(b"own")
    assert (cache.entry(KEY).folder / "own.npy").read_bytes() == b"own"


def test_only_the_user_may_look_in(cache):
    put(cache)
    entry = cache.entry(KEY)
    for folder in (cache.folder, entry.folder.parent, entry.folder):
        assert stat.S_IMODE(folder.stat().st_mode) == 0o700


@pytest.mark.parametrize(
    "key", ["", "..", "../../etc", "/etc", "ABCDEF0123456789ABCD", "0" * 15, f"{KEY}\n", None]
)
def test_key_that_is_no_digest_is_refused(key, cache):
    with pytest.raises(ValueError, match="no hex digest"):
        cache.entry(key)
    with pytest.raises(ValueError, match="no hex digest"):
        cache.forget(key)
    with pytest.raises(ValueError, match="no hex digest"), cache.writing(key, title="x"):
        pass
    assert not cache.folder.exists()


@pytest.mark.parametrize("name", ["../x", "a/b", "a\\b", "", ".x", "X", "a" * 61])
def test_name_that_is_a_path_is_refused(name, cache):
    put(cache)
    with pytest.raises(ValueError, match="no file name"):
        cache.entry(KEY).array(name)
    with cache.writing(OTHER, title="x") as new, pytest.raises(ValueError, match="no file name"):
        new.save_array(name, np.zeros(1))


def _cut(folder):
    path = folder / "powers.npy"
    path.write_bytes(path.read_bytes()[:-1])


def _one_bit(folder):
    path = folder / "powers.npy"
    content = bytearray(path.read_bytes())
    content[-5] ^= 1
    path.write_bytes(content)


def _file_gone(folder):
    (folder / "peaks.json").unlink()


def _meta_gone(folder):
    (folder / "meta.json").unlink()


def _meta_cut(folder):
    path = folder / "meta.json"
    path.write_bytes(path.read_bytes()[:50])


def _meta_of_another_kind(folder):
    (folder / "meta.json").write_text("[]")


def _meta_no_text(folder):
    (folder / "meta.json").write_bytes(b"\xff\xfe\x00")


def _meta_deep(folder):
    (folder / "meta.json").write_text("[" * 200_000)


def _meta_altered(change):
    def damage(folder):
        path = folder / "meta.json"
        meta = json.loads(path.read_text())
        change(meta)
        path.write_text(json.dumps(meta))

    return damage


DAMAGES = {
    "cut off": _cut,
    "one bit": _one_bit,
    "file gone": _file_gone,
    "meta gone": _meta_gone,
    "meta cut off": _meta_cut,
    "meta is a list": _meta_of_another_kind,
    "meta is no text": _meta_no_text,
    "meta is nested": _meta_deep,
    "later schema": _meta_altered(lambda meta: meta.update(schema="roomplan.cache-entry/2")),
    "no title": _meta_altered(lambda meta: meta.pop("title")),
    "title is a list": _meta_altered(lambda meta: meta.update(title=[])),
    "files lead out": _meta_altered(lambda meta: meta.update(files={"../../files.json": [1, 1]})),
    "files are a list": _meta_altered(lambda meta: meta.update(files=["powers.npy"])),
    "file without state": _meta_altered(lambda meta: meta.update(files={"powers.npy": None})),
}


@pytest.mark.parametrize("damage", DAMAGES.values(), ids=DAMAGES.keys())
def test_damaged_entry_is_a_miss_and_makes_room_for_a_good_one(damage, cache):
    put(cache)
    damage(cache.folder / "entries" / KEY)
    assert cache.entry(KEY) is None
    assert not (cache.folder / "entries" / KEY).exists()
    put(cache)
    assert cache.entry(KEY) is not None


def test_damaged_entry_does_not_keep_a_good_one_out(cache):
    put(cache)
    _cut(cache.folder / "entries" / KEY)
    put(cache)  # without having looked
    assert cache.entry(KEY).array("powers").size == 1_000


def test_array_that_would_be_unpickled_is_a_miss(cache):
    with cache.writing(KEY, title="x") as new:
        np.save(new.folder / "objects.npy", np.array([{}], dtype=object), allow_pickle=True)
        (new.folder / "broken.npy").write_bytes(b"\x93NUMPY\x01\x00\x10\x00('descr': '<f4'")
        (new.folder / "broken.json").write_text("{")
    entry = cache.entry(KEY)
    assert entry.array("objects") is None
    assert entry.array("broken") is None
    assert entry.document("broken") is None


def test_first_of_two_writers_wins_and_the_other_says_nothing(cache):
    with cache.writing(KEY, title="slow") as slow:
        slow.save_document("who", "slow")
        with cache.writing(KEY, title="quick") as quick:
            quick.save_document("who", "quick")
    assert cache.entry(KEY).document("who") == "quick"
    assert cache.notes == []
    assert left_overs(cache) == []


def test_many_writers_of_one_key_leave_one_whole_entry(cache):
    together = threading.Barrier(8)

    def write(number):
        with cache.writing(KEY, title="x") as new:
            new.save_array("powers", np.full(5_000, number))
            together.wait()

    threads = [threading.Thread(target=write, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    found = cache.entry(KEY).array("powers")
    assert found.size == 5_000
    assert (found == found[0]).all()
    assert left_overs(cache) == []
    assert cache.notes == []


@pytest.mark.parametrize("error", [KeyboardInterrupt, RuntimeError, OSError])
def test_interrupted_writing_leaves_nothing_and_is_not_hidden(error, cache):
    def interrupted():
        with cache.writing(KEY, title="x") as new:
            new.save_array("powers", np.zeros(10))
            assert left_overs(cache)
            raise error

    with pytest.raises(error):
        interrupted()
    assert cache.entry(KEY) is None
    assert left_overs(cache) == []


def test_writer_that_gives_up_leaves_nothing_and_a_note(cache):
    with cache.writing(KEY, title="cross powers") as new:
        new.save_array("powers", np.zeros(10))
        new.give_up("powers.npy would be larger than 512 MB")
        new.give_up("a later reason")
    assert cache.entry(KEY) is None
    assert cache.notes == ["cross powers: not kept, powers.npy would be larger than 512 MB"]


def test_folder_that_cannot_be_made_is_no_cache_and_no_error(tmp_path):
    (tmp_path / "file").write_text("in the way")
    cache = Cache(tmp_path / "file" / "kept")
    put(cache)
    assert cache.entry(KEY) is None
    assert cache.entries() == []
    assert cache.notes == ["cross powers: not kept, the cache cannot be written (Not a directory)"]
    sound = tmp_path / "stem.wav"
    sound.write_bytes(b"RIFF")
    assert cache.files.digest(sound) == file_digest(sound)


def test_full_disk_is_no_cache_and_no_error(cache, monkeypatch):
    def full(*_arguments, **_options):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patched:
        patched.setattr(np, "save", full)
        put(cache)
    assert cache.entry(KEY) is None
    with monkeypatch.context() as patched:
        patched.setattr(Path, "write_text", full)
        put(cache)
    assert cache.entry(KEY) is None
    assert (
        cache.notes == ["cross powers: not kept, the cache cannot be written (No space left on device)"] * 2
    )
    assert left_overs(cache) == []


def test_folder_removed_while_it_is_written_is_no_error(cache):
    with cache.writing(KEY, title="x") as new:
        new.save_document("a", 1)
        cache.clear()
        new.save_document("b", 2)
    assert cache.entry(KEY) is None
    assert len(cache.notes) == 1


def test_least_recently_used_entries_go_first(cache):
    keys = [digest_of(number) for number in range(4)]
    now = time.time()
    for age, key in enumerate(keys):
        put(cache, key, last_used=now - 1_000 + age)
    cache.entry(keys[0])  # used again
    each = cache.entries()[0].size_bytes
    cache.limit_bytes = int(3.5 * each)
    put(cache, KEY)
    assert {entry.key for entry in cache.entries()} == {keys[0], keys[3], KEY}
    assert sum(entry.size_bytes for entry in cache.entries()) <= cache.limit_bytes


@settings(max_examples=15, deadline=None, derandomize=True)
@given(sizes=st.lists(st.integers(0, 4_000), min_size=1, max_size=8), limit=st.integers(0, 20_000))
def test_entries_together_never_exceed_the_limit(sizes, limit, tmp_path_factory):
    cache = Cache(tmp_path_factory.mktemp("kept"), limit_bytes=limit)
    for number, size in enumerate(sizes):
        put(cache, digest_of(number), values=size)
        assert sum(entry.size_bytes for entry in cache.entries()) <= limit
        newest = cache.entry(digest_of(number))
        assert (newest is None) == (cache.notes != [] and "larger than" in cache.notes[-1])
        cache.notes.clear()


def test_removal_by_another_process_is_tolerated(cache):
    put(cache)
    entry = cache.entry(KEY)
    cache.forget(KEY)
    cache.forget(KEY)
    assert entry.array("powers") is None
    assert entry.document("peaks") is None
    assert cache.entries() == []


def test_entries_are_not_counted_again_for_every_small_one(cache, monkeypatch):
    counted = []
    entries = Cache.entries

    def counting(self):
        counted.append(1)
        return entries(self)

    monkeypatch.setattr(Cache, "entries", counting)
    for number in range(20):
        put(cache, digest_of(number))
    assert len(counted) == 1


def test_new_sound_takes_a_quarter_of_what_is_free_at_most_whatever_earlier_sound_will_go(cache, monkeypatch):
    with cache.writing_sound(KEY, title="sound of choir") as new:
        new.save_array("sound", np.zeros(100_000, np.float32))
    usage = namedtuple("usage", "total used free")  # noqa: PYI024
    monkeypatch.setattr(shutil, "disk_usage", lambda _path: usage(10**9, 10**9 - 80_000, 80_000))
    assert cache.room_for_sound(0) == 20_000


@pytest.mark.usefixtures("settled")
def test_clearing_removes_what_the_cache_made_and_nothing_else(cache):
    put(cache)
    put(cache, OTHER)
    sound = cache.folder / "stem.wav"
    sound.write_bytes(b"RIFF")
    cache.files.digest(sound)
    (cache.folder / "entries" / "notes").mkdir()
    (cache.folder / "entries" / "notes" / "mine.txt").write_text("mine")
    size = sum(entry.size_bytes for entry in cache.entries())
    removed = cache.clear()
    assert (removed.entries, removed.size_bytes) == (2, size)
    left = sorted(path.name for path in cache.folder.rglob("*") if path.is_file())
    assert left == ["mine.txt", "stem.wav"]


def test_entry_that_is_a_link_elsewhere_is_never_emptied(cache, tmp_path):
    put(cache)
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "mine.txt").write_text("mine")
    (cache.folder / "entries" / OTHER).symlink_to(elsewhere)
    assert [entry.key for entry in cache.entries()] == [KEY]
    assert cache.entry(OTHER) is None
    cache.clear()
    assert left_overs(cache) == []
    assert (elsewhere / "mine.txt").read_text() == "mine"


def test_damaged_entry_is_listed_and_cleared(cache):
    put(cache)
    _meta_cut(cache.folder / "entries" / KEY)
    assert [entry.title for entry in cache.entries()] == ["damaged"]
    assert cache.clear().entries == 1


def test_plan_of_unprintable_name_is_kept(cache):
    with cache.writing(KEY, title="x", source="r\udce9el.yaml") as new:
        new.save_document("a", 1)
    assert cache.entry(KEY).source == "r?el.yaml"


def test_parts_that_are_no_plain_values_are_refused_before_the_work(cache):
    with pytest.raises(TypeError), cache.writing(KEY, title="x", parts={"folder": Path()}):
        pytest.fail("too late")


@pytest.mark.parametrize("value", ["off", "OFF", " off ", "", "  "])
def test_cache_can_be_switched_off(value):
    assert Cache.open({"ROOMPLAN_CACHE": value}) is None


def test_environment_names_the_folder_and_the_size(tmp_path):
    cache = opened(ROOMPLAN_CACHE=str(tmp_path), ROOMPLAN_CACHE_SIZE="12.5")
    assert (cache.folder, cache.limit_bytes, cache.notes) == (tmp_path, 12_500_000, [])
    assert opened(ROOMPLAN_CACHE="here").folder == Path.cwd() / "here"


@pytest.mark.parametrize("size", ["much", "-1", "nan", "inf", ""])
def test_size_that_is_no_number_is_noted_and_the_default_holds(size, tmp_path):
    cache = opened(ROOMPLAN_CACHE=str(tmp_path), ROOMPLAN_CACHE_SIZE=size)
    assert cache.limit_bytes == 2_000_000_000
    assert cache.notes == [
        f"ROOMPLAN_CACHE_SIZE={size} is not a number of MB: the cache holds at most 2000 MB"
    ]


def test_without_a_word_the_folder_is_that_of_the_system(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    folder = opened().folder
    assert folder.name == "roomplan"
    if sys.platform == "linux":
        assert folder.parent == tmp_path
