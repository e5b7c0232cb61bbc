"""One file written: whole, in one step, and nothing left beside it."""

from __future__ import annotations

import os
import stat
import threading

import pytest

from roomplan.files.whole_file import whole_file, write_new, write_whole


def test_a_file_is_written_and_nothing_stays_beside_it(tmp_path):
    write_whole(tmp_path / "reel.csv", b"new")
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {"reel.csv": b"new"}


def test_an_earlier_file_is_replaced_only_where_it_may_be(tmp_path):
    place = tmp_path / "cue.yaml"
    write_whole(place, b"old", replace=False)
    with pytest.raises(FileExistsError):
        write_whole(place, b"new", replace=False)
    assert place.read_bytes() == b"old"
    write_whole(place, b"new")
    assert place.read_bytes() == b"new"
    assert [path.name for path in tmp_path.iterdir()] == ["cue.yaml"]


def test_a_failure_leaves_the_earlier_file_whole_and_nothing_beside_it(tmp_path):
    place = tmp_path / "decay.pdf"
    place.write_bytes(b"old")

    def break_off():
        with whole_file(place) as partial:
            partial.write_bytes(b"half")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        break_off()
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {"decay.pdf": b"old"}


@pytest.mark.parametrize("links", [True, False])
def test_of_many_writers_at_once_that_may_not_replace_one_succeeds(tmp_path, monkeypatch, links):
    place, won = tmp_path / "key", []
    barrier = threading.Barrier(8)
    if not links:

        def refuse(*_given):
            raise PermissionError

        monkeypatch.setattr(os, "link", refuse)

    def write(number: int) -> None:
        barrier.wait()
        try:
            write_whole(place, b"%d" % number, replace=False)
            won.append(number)
        except FileExistsError:
            pass

    writers = [threading.Thread(target=write, args=(number,)) for number in range(8)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert int(place.read_bytes()) in won
    assert not links or len(won) == 1  # without links the look and the move are two steps
    assert [path.name for path in tmp_path.iterdir()] == ["key"]


def test_two_writers_of_one_place_never_meet_in_one_file(tmp_path):
    place = tmp_path / "reel.csv"
    with whole_file(place) as first, whole_file(place) as second:
        assert first != second
        first.write_bytes(b"first")
        second.write_bytes(b"second")
    assert place.read_bytes() == b"first"


def test_a_link_at_the_place_is_replaced_and_what_it_leads_to_stays(tmp_path):
    (tmp_path / "profile").write_bytes(b"mine")
    place = tmp_path / "reel.csv"
    place.symlink_to(tmp_path / "profile")
    write_whole(place, b"rows")
    assert (tmp_path / "profile").read_bytes() == b"mine"
    assert place.read_bytes() == b"rows"


def test_a_new_file_is_never_written_through_a_link(tmp_path):
    place = tmp_path / "plan.yaml"
    place.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(FileExistsError):
        write_new(place, b"plan")
    assert not (tmp_path / "elsewhere").exists()


@pytest.mark.skipif(os.name != "posix", reason="permissions of POSIX")
def test_a_secret_is_nobody_elses_to_read_from_the_beginning(tmp_path):
    write_new(tmp_path / "key", b"secret", mode=0o600)
    assert stat.S_IMODE((tmp_path / "key").stat().st_mode) == 0o600


def test_the_longest_name_a_system_takes_is_still_written(tmp_path):
    place = tmp_path / ("ü" * 125 + ".png")
    write_whole(place, b"picture")
    assert place.read_bytes() == b"picture"
