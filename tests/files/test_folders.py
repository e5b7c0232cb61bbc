"""Which sound files are meant: files as given, folders in natural order, nothing twice."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from roomplan.errors import RoomplanError
from roomplan.files.folders import find_sounds


def touch(folder: Path, *names: str) -> None:
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).touch()


def test_a_folder_gives_the_sounds_in_and_under_it_with_numbers_in_order(tmp_path):
    touch(tmp_path, "seat10.wav", "seat2.wav", "rear/seat1.FLAC", "notes.txt", "._seat2.wav", ".old/a.wav")
    found = [path.relative_to(tmp_path).as_posix() for path in find_sounds([tmp_path])]
    assert found == ["seat2.wav", "seat10.wav", "rear/seat1.FLAC"]


def test_files_keep_their_order_and_spelling_whatever_they_are_called(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    given = [Path("b.bin"), Path("missing.wav"), Path("a.wav")]
    touch(tmp_path, "b.bin", "a.wav")
    assert find_sounds(given) == given


def test_what_is_named_twice_is_found_once(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    touch(tmp_path, "a.wav", "b.wav")
    found = find_sounds([Path("b.wav"), Path(), tmp_path / "a.wav"])
    assert found == [Path("b.wav"), Path("a.wav")]


def test_a_folder_without_sound_is_an_error_that_names_it(tmp_path):
    touch(tmp_path, "notes.txt")
    with pytest.raises(RoomplanError, match="no sound file in this folder") as refusal:
        find_sounds([tmp_path])
    assert str(tmp_path) in str(refusal.value)


def test_a_folder_that_may_not_be_read_is_an_error_that_names_it(tmp_path, monkeypatch):
    def refuse(_path):
        raise PermissionError(13, "Permission denied", str(tmp_path))

    monkeypatch.setattr(os, "scandir", refuse)  # root, who runs some tests, may read anything
    with pytest.raises(RoomplanError, match="Permission denied — allow reading the folder"):
        find_sounds([tmp_path])
