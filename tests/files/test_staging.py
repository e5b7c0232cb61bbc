"""A folder whose files appear together: at every step, every way of failing."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import random
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest

from roomplan.errors import AudioError, RoomplanError
from roomplan.files import journal, locks, seal, staging
from roomplan.files.staging import StagedFolder, place_for_temporaries

posix_only = pytest.mark.skipif(os.name != "posix", reason="signals, fork and user ids of POSIX")

OLD = {
    "report.json": "old report",
    "mix.wav": "old mix",
    "prints/choir.wav": "old choir",
    "notes.txt": "mine",
}
NEW = {
    "report.json": "new report",
    "mix.wav": "new mix",
    "prints/choir.wav": "new choir",
    "rooms/a/larkmere.wav": "new room",
}
AFTER = {**OLD, **NEW}

# The calls by which files come, go and move; pathlib makes them through this module.
CALLS = ("mkdir", "link", "replace", "unlink", "rmdir")


@pytest.fixture
def folder(tmp_path):
    """Return an output folder with an earlier delivery and a file of the user's."""
    put(tmp_path / "out", OLD)
    return tmp_path / "out"


def put(folder, files):
    for name, text in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text)


def contents(folder):
    return {
        path.relative_to(folder).as_posix(): path.read_text()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and ".partial-" not in path.as_posix()
    }


def left_overs(folder):
    """Everything hidden beside or in the folder, and empty folders that were made for nothing."""
    places = [*folder.parent.iterdir(), *(folder.rglob("*") if folder.exists() else [])]
    return [
        path for path in places if ".partial-" in path.name or (path.is_dir() and not any(path.iterdir()))
    ]


def deliver(folder, files=NEW, *, commit=True):
    with StagedFolder(folder) as stage:
        for name, text in files.items():
            stage.path(name).write_text(text)
        if commit:
            stage.commit()
    return stage


def interfere(monkeypatch, at, act, *, after=False):
    """Let the call number `at` of those that move files be preceded or followed by `act`; count them."""
    count = [0]

    def wrap(original):
        def call(*arguments, **options):
            count[0] += 1
            mine = count[0] == at
            if mine and not after:
                act()
            result = original(*arguments, **options)
            if mine and after:
                act()
            return result

        return call

    for name in CALLS:
        monkeypatch.setattr(os, name, wrap(getattr(os, name)))
    return count


def steps_of_a_commit(tmp_path):
    """Count the calls of entering, writing, committing and leaving."""
    put(tmp_path / "rehearsal" / "out", OLD)
    with pytest.MonkeyPatch.context() as patch:
        count = interfere(patch, 0, lambda: None)
        deliver(tmp_path / "rehearsal" / "out")
    return count[0]


def test_files_are_in_place_after_commit_and_others_untouched(folder):
    deliver(folder)
    assert contents(folder) == AFTER
    assert left_overs(folder) == []


def test_nothing_is_seen_before_commit(folder):
    with StagedFolder(folder) as stage:
        stage.path("mix.wav").write_text("new")
        stage.path("rooms/larkmere.wav").write_text("new")
        assert contents(folder) == OLD
        stage.commit()
        assert contents(folder)["mix.wav"] == "new"


def test_leaving_without_commit_removes_everything_staged(folder):
    deliver(folder, commit=False)
    assert contents(folder) == OLD
    assert left_overs(folder) == []


def test_an_exception_inside_comes_through_and_leaves_the_earlier_files(folder):
    def deliver_and_fail():
        with StagedFolder(folder) as stage:
            stage.path("mix.wav").write_text("new")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        deliver_and_fail()
    assert contents(folder) == OLD
    assert left_overs(folder) == []


def test_a_folder_with_missing_parents_is_made(tmp_path):
    folder = tmp_path / "a" / "b" / "out"
    deliver(folder)
    assert contents(folder) == NEW
    assert sorted(path.name for path in folder.parent.iterdir()) == ["out"]


def test_missing_parents_are_taken_away_again_without_commit(tmp_path):
    deliver(tmp_path / "a" / "b" / "out", commit=False)
    assert list(tmp_path.iterdir()) == []


def test_the_last_file_moves_after_all_others(folder, monkeypatch):
    order = []
    replace = os.replace

    def follow(source, target):
        if Path(target).is_relative_to(folder):
            order.append(Path(target).relative_to(folder).as_posix())
        replace(source, target)

    monkeypatch.setattr(os, "replace", follow)
    with StagedFolder(folder) as stage:
        for name in ("a.json", "b.wav", "z/z.wav"):
            stage.path(name).write_text("x")
        stage.commit(last="a.json")
    assert order == ["b.wav", "z/z.wav", "a.json"]


def test_committing_nothing_is_fine(folder):
    deliver(folder, {})
    assert contents(folder) == OLD


def test_the_folder_may_be_relative_to_home_and_reached_by_a_link(folder, tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))
    (tmp_path / "link").symlink_to(folder)
    assert deliver(Path("~/link")).folder == folder.resolve()
    assert contents(folder) == AFTER


def test_a_linked_file_is_replaced_and_what_it_points_to_stays(folder, tmp_path):
    stem = tmp_path / "stem.wav"
    stem.write_text("input")
    (folder / "mix.wav").unlink()
    (folder / "mix.wav").symlink_to(stem)
    deliver(folder)
    assert stem.read_text() == "input"
    assert (folder / "mix.wav").read_text() == "new mix"


@pytest.mark.parametrize(
    "relative", ["../mix.wav", "a/../../mix.wav", "/etc/mix.wav", "", ".", "C:\\mix.wav", "\\mix.wav", "a/.."]
)
def test_a_path_that_leads_out_of_the_folder_is_refused(folder, relative):
    with StagedFolder(folder) as stage, pytest.raises(RoomplanError, match="not a place inside"):
        stage.path(relative)


def test_a_linked_subfolder_that_leads_out_is_refused_and_nothing_moves(folder, tmp_path):
    (tmp_path / "elsewhere").mkdir()
    (folder / "rooms").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(RoomplanError, match="link that leads out"):
        deliver(folder)
    assert contents(folder) == OLD
    assert list((tmp_path / "elsewhere").iterdir()) == []


def test_use_outside_a_with_statement_or_after_commit_is_a_mistake_of_the_caller(folder):
    with pytest.raises(RuntimeError):
        StagedFolder(folder).path("mix.wav")
    with StagedFolder(folder) as stage:
        stage.commit()
        with pytest.raises(RuntimeError):
            stage.path("mix.wav")


@pytest.mark.parametrize("place", ["out", "out/deeper/still"])
def test_a_file_where_the_folder_should_be_is_refused_at_once(tmp_path, place):
    (tmp_path / "out").write_text("a file")
    with pytest.raises(RoomplanError, match=r"out: is a file, not a folder"), StagedFolder(tmp_path / place):
        pass
    assert (tmp_path / "out").read_text() == "a file"


@pytest.mark.parametrize(
    ("name", "words"), [("mix.wav", "there is a folder at"), ("prints", "there is a file at")]
)
def test_a_folder_for_a_file_and_the_reverse_are_refused_and_nothing_moves(tmp_path, name, words):
    folder = tmp_path / "out"
    put(folder, {"report.json": "old"})
    if name == "mix.wav":
        (folder / name).mkdir()
    else:
        (folder / name).write_text("a file")
    before = contents(folder)
    with pytest.raises(RoomplanError, match=words):
        deliver(folder)
    assert contents(folder) == before


@pytest.mark.parametrize(
    ("error", "after", "links"),
    [
        (OSError(errno.ENOSPC, "No space left"), False, True),
        (OSError(errno.ENOSPC, "No space left"), False, False),
        (KeyboardInterrupt(), False, False),
        (KeyboardInterrupt(), True, True),
    ],
    ids=["disk full", "disk full, no links", "ctrl-c before, no links", "ctrl-c after"],
)
def test_a_failure_at_any_step_leaves_all_old_or_all_new(tmp_path, error, after, links):
    steps = steps_of_a_commit(tmp_path)
    assert steps > 15
    outcomes = set()
    for step in range(1, steps + 8):  # without links there are a few more
        folder = tmp_path / str(step) / "out"
        put(folder, OLD)

        def act():
            raise error

        with pytest.MonkeyPatch.context() as patch:
            if not links:
                patch.setattr(os, "link", refuse_links)
            interfere(patch, step, act, after=after)
            with contextlib.suppress(RoomplanError, KeyboardInterrupt):
                deliver(folder)
        found = contents(folder)
        assert found in (OLD, AFTER), f"mixed at step {step}"
        outcomes.add(found == AFTER)
        deliver(folder, {})  # whatever is left over, the next run clears away
        assert contents(folder) == found
        assert left_overs(folder) == []
    assert outcomes == {True, False}


@pytest.mark.parametrize("links", [True, False], ids=["hard links", "no hard links"])
def test_a_failure_in_the_middle_of_the_moves_puts_the_earlier_files_back(folder, monkeypatch, links):
    moved = []
    replace = os.replace

    def fail_third(source, target):
        if Path(target).is_relative_to(folder):
            if len(moved) == 2:
                moved.append("failed")
                raise OSError(errno.EIO, "Input/output error")
            moved.append(target)
        replace(source, target)

    if not links:
        monkeypatch.setattr(os, "link", refuse_links)
    monkeypatch.setattr(os, "replace", fail_third)
    with pytest.raises(RoomplanError, match="earlier files are untouched") as caught:
        deliver(folder)
    assert "failed" in moved
    assert "\n" not in str(caught.value)
    assert contents(folder) == OLD
    assert left_overs(folder) == []


def test_a_second_ctrl_c_while_putting_back_does_not_stop_it(folder, monkeypatch):
    calls = []
    replace = os.replace

    def interrupt_twice(source, target):
        calls.append(target)
        if len(calls) in {4, 5, 6}:  # the third move, and the first steps back
            raise KeyboardInterrupt
        replace(source, target)

    monkeypatch.setattr(os, "replace", interrupt_twice)
    with pytest.raises(KeyboardInterrupt):
        deliver(folder)
    assert len(calls) > 6
    assert contents(folder) == OLD
    assert left_overs(folder) == []


def test_files_that_cannot_be_put_back_are_kept_and_the_next_run_tries_again(folder, monkeypatch):
    replace = os.replace
    broken = []

    def break_down(source, target):
        if Path(target).is_relative_to(folder) and (broken or Path(target).name == "report.json"):
            broken.append(target)
            raise OSError(errno.EIO, "Input/output error")
        replace(source, target)

    monkeypatch.setattr(os, "replace", break_down)
    with pytest.raises(RoomplanError, match=r"could not be put back .* they are kept in .*partial-"):
        deliver(folder)
    monkeypatch.setattr(os, "replace", replace)
    with StagedFolder(folder) as stage:
        assert stage.restored
        assert contents(folder) == OLD
    assert left_overs(folder) == []


def test_a_file_that_the_user_put_there_after_a_kill_is_not_overwritten(folder):
    moves_then_dies(folder)
    (folder / "mix.wav").write_text("by the user's own hand, later")
    with StagedFolder(folder) as stage:
        assert stage.restored
    assert contents(folder) == {**OLD, "mix.wav": "by the user's own hand, later"}


def moves_then_dies(folder):
    """Leave what a run leaves that was killed before its last move."""
    stage = StagedFolder(folder).__enter__()  # and never leaves
    for name, text in NEW.items():
        stage.path(name).write_text(text)
    place, lock = stage._stage, stage._lock
    assert place is not None
    assert lock is not None
    moves = journal.plan_moves(place, stage.folder, last="report.json")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "replace", raise_at(os.replace, "report.json"))
        with pytest.raises(KeyboardInterrupt):
            journal.carry_out(moves, place, stage.folder, key=seal.user_key())
    lock.release()
    assert contents(folder) != OLD


def raise_at(replace, name):
    def call(source, target):
        if Path(target).name == name:
            raise KeyboardInterrupt
        replace(source, target)

    return call


def refuse_links(*_arguments, **_options):
    raise OSError(errno.EPERM, "Operation not permitted")


@posix_only
@pytest.mark.parametrize("links", [True, False], ids=["hard links", "no hard links"])
def test_a_kill_at_any_step_leaves_whole_files_and_the_next_run_makes_them_one_set(tmp_path, links):
    steps = steps_of_a_commit(tmp_path)
    outcomes = set()
    for step in range(1, steps + 1):
        folder = tmp_path / str(step) / "out"
        put(folder, OLD)
        child = os.fork()
        if child == 0:
            try:
                if not links:
                    os.link = refuse_links
                interfere(pytest.MonkeyPatch(), step, lambda: os.kill(os.getpid(), signal.SIGKILL))
                deliver(folder)
            finally:
                os._exit(1)
        assert os.WIFSIGNALED(os.waitpid(child, 0)[1])
        found = contents(folder)
        for name, text in found.items():
            assert text in (OLD.get(name), NEW.get(name)), f"{name} is neither at step {step}"
        if links:
            assert set(found) >= set(OLD), f"a file is missing at step {step}"
        if found.get("report.json") == NEW["report.json"]:
            assert found == AFTER, "the report came before its files"
        deliver(folder, {})
        assert contents(folder) in (OLD, AFTER), f"mixed after recovery at step {step}"
        assert left_overs(folder) == []
        outcomes.add(contents(folder) == AFTER)
    assert outcomes == {True, False}


# Delivers set after set, each file naming its set and carrying a digest of itself.
DELIVER_FOR_EVER = textwrap.dedent("""
    import hashlib, itertools, sys
    from pathlib import Path
    from roomplan.files.staging import StagedFolder, place_for_temporaries
    for number in itertools.count(1):
        with StagedFolder(Path(sys.argv[1])) as stage:
            for name in ("mix.wav", "prints/choir.wav", "prints/brass.wav", "report.json"):
                body = f"{number} {name} " * 20_000
                stage.path(name).write_text(f"{number} {hashlib.sha256(body.encode()).hexdigest()} {body}")
            stage.commit()
        print(number, flush=True)
""")


@posix_only
def test_a_kill_at_a_random_moment_leaves_every_file_whole_and_one_set_after_the_next_start(tmp_path):
    folder = tmp_path / "out"
    moments = random.Random(7)
    for _ in range(3):
        with subprocess.Popen(
            [sys.executable, "-c", DELIVER_FOR_EVER, str(folder)], stdout=subprocess.PIPE, text=True
        ) as child:
            assert child.stdout is not None
            assert child.stdout.readline()  # one set at least
            time.sleep(moments.uniform(0, 0.05))
            child.kill()
        assert len(read_sets(folder)) <= 2
        with StagedFolder(folder):
            pass
        assert len(read_sets(folder)) == 1
        assert left_overs(folder) == []


def read_sets(folder):
    """Check that each file is whole; return the numbers of the sets found."""
    numbers = set()
    for name in ("mix.wav", "prints/choir.wav", "prints/brass.wav", "report.json"):
        number, digest, body = (folder / name).read_text().split(" ", 2)
        assert hashlib.sha256(body.encode()).hexdigest() == digest
        numbers.add(number)
    return numbers


def test_a_second_run_on_the_same_folder_is_refused_while_the_first_lives(folder):
    with StagedFolder(folder) as first:
        with (
            pytest.raises(RoomplanError, match="another run is writing to this folder"),
            StagedFolder(folder),
        ):
            pass
        first.path("mix.wav").write_text("new")
        first.commit()
    assert contents(folder)["mix.wav"] == "new"
    deliver(folder)


def test_folders_side_by_side_and_nested_do_not_disturb_each_other(tmp_path):
    with (
        StagedFolder(tmp_path / "out") as one,
        StagedFolder(tmp_path / "out2") as two,
        StagedFolder(tmp_path / "out" / "b") as three,
    ):
        for stage in (one, two, three):
            stage.path("mix.wav").write_text(stage.folder.name)
            stage.commit()
    for place in ("out", "out2", "out/b"):
        assert (tmp_path / place / "mix.wav").read_text() == Path(place).name


def test_the_stage_of_a_dead_run_is_removed_at_the_start(folder):
    dead = StagedFolder(folder).__enter__()
    dead.path("mix.wav").write_text("x" * 1000)
    lock = dead._lock
    assert lock is not None
    lock.release()  # the system does this for a dead process
    with StagedFolder(folder) as stage:
        assert not stage.restored
        assert left_overs(folder) == [stage._stage]
    assert contents(folder) == OLD


def test_where_the_disk_has_no_locks_it_works_and_leaves_the_unknown_alone(folder, monkeypatch):
    def no_locks(_descriptor):
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr(locks, "_lock", no_locks)
    unknown = folder.parent / f"{StagedFolder(folder)._prefix}12345678"
    unknown.mkdir()
    deliver(folder)
    assert contents(folder) == AFTER
    assert unknown.is_dir()


def test_on_a_disk_of_its_own_the_stage_stands_inside_the_folder(folder, monkeypatch):
    monkeypatch.setattr(staging, "_on_one_disk", lambda *_: False)
    with StagedFolder(folder) as stage:
        assert stage._stage is not None
        assert stage._stage.parent == folder
        for name, text in NEW.items():
            stage.path(name).write_text(text)
        stage.commit()
    assert contents(folder) == AFTER
    assert left_overs(folder) == []


@posix_only
@pytest.mark.parametrize("exists", [True, False])
def test_a_read_only_folder_is_refused_at_the_start_in_one_line(ordinary_user, exists):
    place = ordinary_user / "out"
    place.mkdir()
    place.chmod(0o555)
    with (
        pytest.raises(RoomplanError, match="may not be written to") as caught,
        StagedFolder(place if exists else place / "a" / "b"),
    ):
        pass
    assert "\n" not in str(caught.value)


@posix_only
def test_temporaries_are_beside_a_folder_and_in_it_where_its_parent_is_read_only(ordinary_user):
    folder = ordinary_user / "parent" / "out"
    folder.mkdir(parents=True)
    assert place_for_temporaries(folder) == folder.parent
    folder.parent.chmod(0o555)
    assert place_for_temporaries(folder) == folder


@posix_only
def test_a_folder_whose_parent_is_read_only_gets_its_stage_inside(ordinary_user):
    folder = ordinary_user / "parent" / "out"
    put(folder, OLD)
    folder.parent.chmod(0o555)
    deliver(folder)
    assert contents(folder) == AFTER
    assert left_overs(folder) == []


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EROFS, errno.EDQUOT, errno.EFBIG])
def test_a_full_or_read_only_disk_inside_is_one_line(folder, code):
    with pytest.raises(RoomplanError, match="could not be written") as caught, StagedFolder(folder):
        raise OSError(code, os.strerror(code))
    assert "\n" not in str(caught.value)
    assert str(folder) in str(caught.value)
    assert contents(folder) == OLD


def test_too_many_open_files_are_not_laid_on_the_folder(folder):
    with pytest.raises(RoomplanError, match="allow more open files") as caught, StagedFolder(folder) as stage:
        raise OSError(errno.EMFILE, os.strerror(errno.EMFILE), str(stage.path("mix.wav")))
    assert "another folder" not in str(caught.value)


def test_a_system_error_about_an_input_is_not_laid_on_the_output(folder):
    with pytest.raises(PermissionError), StagedFolder(folder):
        raise PermissionError(errno.EACCES, "Permission denied", "/stems/choir.wav")


def test_a_system_error_about_a_staged_file_is_one_line(folder):
    def deliver_and_fail():
        with StagedFolder(folder) as stage:
            raise PermissionError(errno.EACCES, "Permission denied", str(stage.path("mix.wav")))

    with pytest.raises(RoomplanError, match="could not be written"):
        deliver_and_fail()


def test_a_folder_with_the_longest_possible_name_can_be_staged(tmp_path):
    deliver(tmp_path / ("ü" * 127))
    assert contents(tmp_path / ("ü" * 127)) == NEW


def aside_and_new(folder):
    """Deliver a set that lacks a file of the old one, which goes to another place."""
    with StagedFolder(folder) as stage:
        stage.path("report.json").write_text("new report")
        stage.path("mix.wav").write_text("new mix")
        stage.set_aside("prints/choir.wav", "left_over/prints/choir.wav")
        stage.commit()


ASIDE = {
    "report.json": "new report",
    "mix.wav": "new mix",
    "left_over/prints/choir.wav": "old choir",
    "notes.txt": "mine",
}


def test_a_file_set_aside_moves_with_the_new_ones(folder):
    with StagedFolder(folder) as stage:
        stage.set_aside("prints/choir.wav", "left_over/prints/choir.wav")
    assert contents(folder) == OLD
    aside_and_new(folder)
    assert contents(folder) == ASIDE


def test_a_file_is_not_set_aside_onto_another(folder):
    put(folder, {"left_over/prints/choir.wav": "older"})
    with pytest.raises(RoomplanError, match="where an earlier one is to be kept"):
        aside_and_new(folder)
    assert contents(folder) == {**OLD, "left_over/prints/choir.wav": "older"}


@pytest.mark.parametrize("places", [("../x", "a"), ("a", "../x"), ("a", "/x")])
def test_nothing_is_set_aside_outside_the_folder(folder, places):
    with StagedFolder(folder) as stage, pytest.raises(RoomplanError, match="not a place inside"):
        stage.set_aside(*places)


@posix_only
def test_a_kill_at_any_step_leaves_a_file_set_aside_in_one_of_its_two_places(tmp_path):
    put(tmp_path / "rehearsal" / "out", OLD)
    with pytest.MonkeyPatch.context() as patch:
        count = interfere(patch, 0, lambda: None)
        aside_and_new(tmp_path / "rehearsal" / "out")
    outcomes = set()
    for step in range(1, count[0] + 1):
        folder = tmp_path / str(step) / "out"
        put(folder, OLD)
        child = os.fork()
        if child == 0:
            try:
                interfere(pytest.MonkeyPatch(), step, lambda: os.kill(os.getpid(), signal.SIGKILL))
                aside_and_new(folder)
            finally:
                os._exit(1)
        assert os.WIFSIGNALED(os.waitpid(child, 0)[1])
        found = contents(folder)
        assert [found.get("prints/choir.wav"), found.get("left_over/prints/choir.wav")].count(
            "old choir"
        ) == 1
        deliver(folder, {})
        assert contents(folder) in (OLD, ASIDE), f"mixed after recovery at step {step}"
        outcomes.add(contents(folder) == ASIDE)
    assert outcomes == {True, False}


def test_a_text_that_cannot_be_written_is_one_line_about_its_own_folder(folder, tmp_path, monkeypatch):
    def full(*_arguments, **_options):
        raise OSError(errno.ENOSPC, "No space left on device")

    with StagedFolder(folder) as first, StagedFolder(tmp_path / "second"):
        first.path("report.json")
        monkeypatch.setattr(Path, "write_text", full)
        with pytest.raises(RoomplanError, match=r"out: report\.json could not be written") as error:
            first.write_text("report.json", "{}")
    assert "the disk is full" in str(error.value)


def test_a_sound_that_cannot_be_written_names_its_place_in_the_folder_and_not_the_stage(folder):
    def fail(stage):
        raise AudioError(stage.path("prints/choir.wav"), "could not be written", remedy="free some space")

    with pytest.raises(AudioError) as error, StagedFolder(folder) as stage:
        fail(stage)
    assert str(error.value) == f"{folder / 'prints/choir.wav'}: could not be written — free some space"
    assert error.value.path == folder / "prints/choir.wav"


def test_a_sound_that_cannot_be_read_keeps_its_own_name(folder):
    with pytest.raises(AudioError, match=r"^/stems/choir\.wav: is damaged"), StagedFolder(folder):
        raise AudioError(Path("/stems/choir.wav"), "is damaged")
