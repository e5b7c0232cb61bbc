"""Stages that a stranger left in a project folder: nothing outside the output folder changes."""

from __future__ import annotations

import contextlib
import json
import os
import random
import shutil
from dataclasses import asdict

import pytest

from roomplan.errors import RoomplanError
from roomplan.files import journal
from roomplan.files.seal import seal_of, user_key
from roomplan.files.staging import StagedFolder

pytestmark = pytest.mark.skipif(os.name != "posix", reason="links without special rights")

ATTACKS = 10_000


class Project:
    """A project folder from a stranger, with files of the user's beside it."""

    def __init__(self, root):
        self.root = root
        self.home = root / "home"
        self.folder = root / "project" / "out"
        self.home.mkdir()
        (self.home / ".profile").write_text("mine")
        (self.home / "notes.txt").write_text("mine too")
        for file in self.home.iterdir():
            os.utime(file, ns=(0, 0))  # so that a journal can describe it
        self.folder.mkdir(parents=True)
        (self.folder / "mix.wav").write_text("mix")
        self.prefix = StagedFolder(self.folder)._prefix
        self.key = user_key()

    def stage(self, moves=(), folders=(), *, key=None):
        """Plant a stage; its journal sealed with a key, or as a stranger would write it."""
        stage = self.folder.parent / f"{self.prefix}0a1b2c3d"
        shutil.rmtree(stage, ignore_errors=True)
        (stage / "new").mkdir(parents=True)
        (stage / "old").mkdir()
        (stage / "old/x").write_text("planted")
        text = json.dumps({"moves": list(moves), "folders": list(folders)})
        (stage / "journal.json").write_text(text if key is None else self.sealed(moves, folders, key))
        return stage

    def sealed(self, moves, folders, key):
        """Text of a journal for that stage."""
        text = json.dumps({"moves": list(moves), "folders": list(folders)})
        seal = seal_of(f"{self.prefix}0a1b2c3d\n{text}", key=key)
        return json.dumps({"record": text, "seal": seal})

    def outside(self):
        """Everything that is not in the project: names, and size, time and number of every file."""
        states = [os.lstat(f"{self.home}/{name}") for name in (".profile", "notes.txt")]
        return (
            sorted(os.listdir(self.home)),  # noqa: PTH208 - ten thousand times
            sorted(os.listdir(self.root)),  # noqa: PTH208
            [(state.st_size, state.st_mtime_ns, state.st_ino, state.st_nlink) for state in states],
        )

    def run(self):
        """What the next run does first; returns what it said."""
        said = []
        with StagedFolder(self.folder, notice=said.append):
            pass
        return said


@pytest.fixture
def project(tmp_path):
    root = tmp_path / "disk"
    root.mkdir()
    return Project(root)


def move(name, was=None, size=7, changed_ns=0):
    return asdict(journal.Move(name, size, changed_ns, was))


def test_a_journal_without_the_users_seal_is_left_alone_and_one_line_says_so(project):
    stage = project.stage([move("x")])
    before = {path: path.read_bytes() for path in stage.rglob("*") if path.is_file()}
    (line,) = project.run()
    assert str(stage) in line
    assert "left alone" in line
    assert {path: path.read_bytes() for path in stage.rglob("*") if path.is_file()} == {
        **before,
        stage / "lock": b"",
    }
    assert [path.name for path in project.folder.iterdir()] == ["mix.wav"]


def test_a_journal_sealed_with_another_users_key_is_left_alone(project):
    project.stage([move("x")], key=b"another" * 4)
    assert "left alone" in project.run()[0]
    assert not (project.folder / "x").exists()


def test_a_seal_of_another_stage_does_not_count(project):
    stage = project.stage([move("x")], key=user_key())
    stage.rename(stage.with_name(f"{project.prefix}99999999"))
    assert "left alone" in project.run()[0]
    assert not (project.folder / "x").exists()


def test_a_journal_of_the_users_own_is_undone_and_one_line_names_the_files(project):
    project.stage([move("x")], key=user_key())
    (line,) = project.run()
    assert line.startswith(f"{project.folder}: restored")
    assert line.endswith(": x")
    assert (project.folder / "x").read_text() == "planted"


@pytest.mark.parametrize(
    "name",
    [
        "../../home/.profile",
        "a/../../../home/.profile",
        "{home}/.profile",
        "..\\..\\home\\.profile",
        "C:\\x",
        "",
        ".",
        "x\0",
        "x\ud800",
        None,
        7,
        ["x"],
    ],
)
def test_a_name_that_leads_out_is_refused_even_in_a_sealed_journal(project, name):
    if isinstance(name, str):
        name = name.replace("{home}", str(project.home))
    before = project.outside()
    for moves in ([move("x"), move(name)], [move("x"), move("y", was=name)] if name is not None else []):
        project.stage(moves, key=user_key())
        if moves:
            assert "left alone" in project.run()[0]
        assert project.outside() == before
        assert not (project.folder / "x").exists()  # nothing before it was carried out either
    project.stage([move("x")], ["a", name], key=user_key())
    if name != ".":
        assert "left alone" in project.run()[0]
    assert project.outside() == before


@pytest.mark.parametrize("entry", ["old", "new", "journal.json"])
def test_a_stage_with_a_link_in_the_place_of_its_own_is_left_alone(project, entry):
    stage = project.stage([move(".profile", size=4)], key=user_key())
    real = project.root / "project" / "real"
    (stage / entry).rename(real)
    (stage / entry).symlink_to(project.home if entry == "old" else real)
    before = project.outside()
    assert "left alone" in project.run()[0]
    assert project.outside() == before
    assert not (project.folder / ".profile").exists()


def test_a_stage_that_is_a_link_is_left_alone(project):
    stage = project.folder.parent / f"{project.prefix}0a1b2c3d"
    stage.symlink_to(project.home)
    before = project.outside()
    assert "left alone" in project.run()[0]
    assert project.outside() == before  # no lock in it either
    assert stage.is_symlink()


def test_a_lock_that_is_a_link_makes_no_file_where_it_leads(project):
    stage = project.stage([move("x")], key=user_key())
    (stage / "lock").symlink_to(project.home / "made")
    before = project.outside()
    project.run()
    assert project.outside() == before


def test_a_subfolder_that_has_become_a_link_out_of_the_folder_is_not_followed(project):
    stage = project.stage([move("prints/x")], key=user_key())
    (stage / "old/prints").mkdir()
    (stage / "old/x").rename(stage / "old/prints/x")
    (project.folder / "prints").symlink_to(project.home)
    before = project.outside()
    with pytest.raises(RoomplanError, match="a link that leads out"):
        project.run()
    assert project.outside() == before


def test_a_link_that_the_undoing_itself_puts_in_the_way_is_not_followed(project):
    stage = project.stage([move("a/x"), move("a")], key=user_key())  # undone from the last one on
    (stage / "old/a").symlink_to(project.home)
    (stage / "old/b").mkdir()
    before = project.outside()
    with pytest.raises(RoomplanError, match="a link that leads out"):
        project.run()
    assert project.outside() == before


def test_a_pipe_in_the_place_of_the_journal_does_not_hold_the_run_up(project):
    stage = project.stage()
    (stage / "journal.json").unlink()
    os.mkfifo(stage / "journal.json")
    assert "left alone" in project.run()[0]


INNER = ["x", "a", "a/x", "link", "link/.profile", "link/x", "mix.wav", "old", "a/link/notes.txt", ".profile"]
OUTER = ["..", ".", "home", ".profile", "link", "", "notes.txt", "project", "x"]


def random_name(chance, home, *, tame):
    if tame or chance.random() < 0.5:
        return chance.choice(INNER)
    name = "/".join(chance.choice(OUTER) for _ in range(chance.randrange(1, 6)))
    return chance.choice([name, name, f"{home}/{name}", f"/{name}", name.replace("/", "\\"), None, 3])


def random_journal(chance, project):
    """Text of a journal: half of them name inner places alone, three in four are sealed."""
    tame = chance.random() < 0.5

    def name():
        return random_name(chance, project.home, tame=tame)

    moves = [
        move(name(), chance.choice([None, None, name()]), chance.choice([3, 4, 7]), 0)
        for _ in range(chance.randrange(1, 5))
    ]
    key = chance.choice([project.key, project.key, project.key, b"another" * 4])
    return project.sealed(moves, [name() for _ in range(chance.randrange(3))], key)


def set_the_scene(chance, project):
    """Make stage and folder anew, with links to the user's files and folders in both."""
    shutil.rmtree(project.folder, ignore_errors=True)
    stage = project.stage()
    for place in (stage / "old", stage / "new", project.folder):
        (place / "a").mkdir(parents=True)
        if chance.random() < 0.4:
            (place / "link").mkdir()
            (place / "link/x").write_text("planted")
        for name in ("link", "x", "a/x", "a/link", ".profile", "mix.wav"):
            if os.path.lexists(place / name) or chance.random() < 0.4:
                continue
            if chance.random() < 0.5:
                (place / name).write_text("planted")
                os.utime(place / name, ns=(0, 0))
            else:
                goal = chance.choice([project.home, project.home / ".profile", "../../../home"])
                (place / name).symlink_to(goal)
                os.utime(place / name, ns=(0, 0), follow_symlinks=False)
    if chance.random() < 0.1:
        shutil.rmtree(stage / "old")
        (stage / "old").symlink_to(project.home)
    return stage


def test_ten_thousand_random_journals_change_nothing_outside_the_folder(project):
    # most are sealed, as if the key were known: names and links have to be refused all the same
    chance = random.Random(11)
    before, undone, stage = project.outside(), [], project.stage()
    for number in range(ATTACKS):
        if number % 25 == 0:
            stage = set_the_scene(chance, project)
        (stage / "journal.json").unlink(missing_ok=True)
        (stage / "journal.json").write_text(random_journal(chance, project))
        with contextlib.suppress(journal.ForeignStageError, OSError):
            journal.undo(stage, project.folder, key=project.key, tell=undone.append)
        assert project.outside() == before, f"attack {number}"
    assert len(undone) > 300  # many were carried out as far as they are harmless


def test_random_journals_in_the_way_of_a_run_change_nothing_outside_the_folder(project):
    chance = random.Random(12)
    before = project.outside()
    for number in range(100):
        stage = set_the_scene(chance, project)
        (stage / "journal.json").write_text(random_journal(chance, project))
        with contextlib.suppress(RoomplanError):
            project.run()
        assert project.outside() == before, f"attack {number}"
