"""What is noted of a file holds as long as the file is the same."""

from __future__ import annotations

import json
import os
import time
from pathlib import Path

import pytest

from roomplan.errors import AudioError
from roomplan.files import file_notes as module
from roomplan.files.cache import Cache
from roomplan.files.digests import file_digest, file_digests


@pytest.fixture
def cache(tmp_path):
    return Cache(tmp_path / "kept")


def left_overs(cache):
    return [path.name for path in cache.folder.rglob("*") if path.name.startswith(".temporary")]


def aged(path, seconds=10.0):
    """Make a file look as if it had not been touched lately; its inode keeps the true time."""
    then = time.time() - seconds
    os.utime(path, (then, then))
    return path


@pytest.fixture
def settled(monkeypatch):
    """Pretend that every file was last changed long ago."""
    monkeypatch.setattr(module, "_SETTLED_S", -1.0)


@pytest.mark.usefixtures("settled")
def test_unchanged_file_is_not_read_again(cache, tmp_path, monkeypatch):
    sound = tmp_path / "stem.wav"
    sound.write_bytes(b"RIFF" * 1_000)
    digest = cache.files.digest(sound)
    monkeypatch.setattr(module, "file_digest", lambda _path: pytest.fail("read again"))
    assert cache.files.digest(sound) == digest
    assert Cache(cache.folder).files.digest(sound) == digest
    link = tmp_path / "link.wav"
    link.symlink_to(sound)
    assert cache.files.digest(link) == digest


@pytest.mark.usefixtures("settled")
def test_index_of_digests_is_read_again_only_when_another_process_has_written_it(
    cache, tmp_path, monkeypatch
):
    one, other = tmp_path / "one.wav", tmp_path / "other.wav"
    for sound in (one, other):
        sound.write_bytes(sound.name.encode() * 1_000)
    cache.files.digest(one)
    read = []
    read_json = module.read_json

    def counted(path):
        read.append(path.name)
        return read_json(path)

    monkeypatch.setattr(module, "read_json", counted)
    for _time in range(5):
        cache.files.digest(one)
    assert read == ["files.json"]
    digest = Cache(cache.folder).files.digest(other)
    read.clear()
    monkeypatch.setattr(module, "file_digest", lambda _path: pytest.fail("read again"))
    assert [cache.files.digest(other), cache.files.digest(other)] == [digest, digest]
    assert read == ["files.json"]


def _other_content(path):
    path.write_bytes(b"RIFX" * 1_000)


def _other_content_and_the_old_time(path):
    before = path.stat()
    time.sleep(0.02)  # the inode's time has the resolution of the system's tick
    path.write_bytes(b"RIFX" * 1_000)
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


def _another_file_of_the_same_time(path):
    before = path.stat()
    other = path.with_name("other")
    other.write_bytes(b"RIFX" * 1_000)
    os.utime(other, ns=(before.st_atime_ns, before.st_mtime_ns))
    other.replace(path)


@pytest.mark.parametrize(
    "change", [_other_content, _other_content_and_the_old_time, _another_file_of_the_same_time]
)
@pytest.mark.usefixtures("settled")
def test_changed_file_is_read_again(change, cache, tmp_path):
    sound = tmp_path / "stem.wav"
    sound.write_bytes(b"RIFF" * 1_000)
    aged(sound)
    first = cache.files.digest(sound)
    change(sound)
    assert cache.files.digest(sound) == file_digest(sound) != first


def test_file_that_changed_a_moment_ago_is_not_remembered(cache, tmp_path):
    sound = tmp_path / "stem.wav"
    sound.write_bytes(b"RIFF")
    cache.files.digest(sound)
    assert not (cache.folder / "files.json").exists()


@pytest.mark.parametrize(
    "content",
    [
        "",
        "{",
        "[]",
        '{"schema": "x"}',
        '{"schema": "roomplan.file-digests/1", "files": []}',
        "[" * 200_000,
        "state",
    ],
)
@pytest.mark.usefixtures("settled")
def test_damaged_index_is_ignored_and_replaced(content, cache, tmp_path):
    sound = tmp_path / "stem.wav"
    sound.write_bytes(b"RIFF")
    if content == "state":
        files = {str(sound): [1, 2, "three", 4, "no digest"]}
        content = json.dumps({"schema": "roomplan.file-digests/1", "files": files})
    cache.folder.mkdir()
    (cache.folder / "files.json").write_text(content)
    assert cache.files.digest(sound) == file_digest(sound)
    index = json.loads((cache.folder / "files.json").read_text())
    assert index["files"][str(sound)][-1] == file_digest(sound)


@pytest.mark.usefixtures("settled")
def test_index_forgets_the_oldest_files(cache, tmp_path, monkeypatch):
    monkeypatch.setattr(module, "_MOST_DIGESTS", 3)
    for number in (0, 1, 2, 1, 3):  # the second is changed and asked for again
        path = tmp_path / f"{number}.wav"
        path.write_bytes(path.read_bytes() + b"x" if path.exists() else b"")
        cache.files.digest(path)
    index = json.loads((cache.folder / "files.json").read_text())
    assert [Path(name).stem for name in index["files"]] == ["2", "1", "3"]
    assert left_overs(cache) == []


@pytest.mark.parametrize("name", ["missing.wav", "."])
def test_file_that_cannot_be_read_is_named(name, cache, tmp_path):
    with pytest.raises(AudioError, match="cannot be read"):
        cache.files.digest(tmp_path / name)


@pytest.mark.usefixtures("settled")
def test_digests_of_several_files_are_those_of_each_without_the_one_that_cannot_be_read(cache, tmp_path):
    sounds = [tmp_path / f"stem_{number}.wav" for number in range(5)]
    for number, sound in enumerate(sounds):
        sound.write_bytes(bytes([number]) * 3_000)
    cache.files.digest(sounds[3])
    asked = [sounds[4], tmp_path / "gone.wav", *sounds[:4]]
    found = cache.files.digests(asked, workers=2)
    assert list(found.items()) == [(sound, file_digest(sound)) for sound in (sounds[4], *sounds[:4])]


@pytest.mark.usefixtures("settled")
def test_files_digested_side_by_side_are_all_remembered_in_one_write(cache, tmp_path, monkeypatch):
    sounds = [tmp_path / f"stem_{number}.wav" for number in range(8)]
    for number, sound in enumerate(sounds):
        sound.write_bytes(bytes([number]) * 3_000)
    earlier = tmp_path / "earlier.wav"
    earlier.write_bytes(b"RIFF")
    cache.files.digest(earlier)
    written = []
    write = cache.files._write
    monkeypatch.setattr(cache.files, "_write", lambda *text: (written.append(text), write(*text)))
    first = cache.files.digests(sounds, workers=2)
    assert len(written) == 1
    for name in ("file_digest", "file_digests"):
        monkeypatch.setattr(
            module, name, lambda *paths, **_: pytest.fail("read again") if [*paths[0]] else {}
        )
    assert Cache(cache.folder).files.digests(sounds, workers=2) == first
    monkeypatch.setattr(module, "file_digest", lambda _path: pytest.fail("read again"))
    assert cache.files.digest(earlier)


def test_a_file_that_is_written_while_others_are_digested_is_not_remembered(cache, tmp_path, monkeypatch):
    monkeypatch.setattr(module, "_SETTLED_S", -1.0)
    one, other = tmp_path / "one.wav", tmp_path / "other.wav"
    for sound in (one, other):
        sound.write_bytes(b"RIFF" * 100)

    def written_meanwhile(paths, **threads):
        found = file_digests(paths, **threads)
        other.write_bytes(b"another" * 100)
        return found

    with monkeypatch.context() as patch:
        patch.setattr(module, "file_digests", written_meanwhile)
        cache.files.digests([one, other], workers=2)
    index = json.loads((cache.folder / "files.json").read_text())
    assert list(index["files"]) == [str(one)]
    assert cache.files.digest(other) == file_digest(other)
