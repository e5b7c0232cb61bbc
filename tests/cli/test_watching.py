"""Watching: a render after every change, none without one, and no mishap that ends it but Ctrl-C."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time

import pytest

from roomplan.cli.watching import watch
from roomplan.errors import AudioError, Place, PlanError, Problem, RoomplanError

PLAN = """\
extends: base.yaml
sections:
  choir: {stems: [choir], sends: {hall: -3}}
"""
BASE = """\
title: Ice Harbour
stems: stems
rooms:
  hall: {responses: hall.wav}
  nave: {synthetic: nave.yaml}
"""


class Watching:
    """A cue that is watched; each look is a step at which something may happen."""

    def __init__(self, folder):
        self.folder = folder
        self.plan = folder / "plan.yaml"
        self.plan.write_text(PLAN)
        (folder / "base.yaml").write_text(BASE)
        (folder / "stems").mkdir()
        for name in ("hall.wav", "nave.yaml", "stems/choir.wav"):
            (folder / name).write_bytes(b"1")
        self.said = []
        self.renders = []  # number of looks before each
        self.looks = 0
        self.reads = [folder / "stems/choir.wav"]
        self.during = {}  # number of a render → what happens in it

    def save(self, name, text="changed"):
        """Return a step that saves a file."""
        return lambda: (self.folder / name).write_text(text)

    def render(self):
        self.renders.append(self.looks)
        self.during.get(len(self.renders), lambda: None)()
        return self.reads

    def run(self, *steps):
        """Watch; `steps` happen one per wait, then Ctrl-C."""
        waiting = iter(steps)

        def wait(seconds):
            assert seconds == 0.125
            self.looks += 1
            step = next(waiting, None)
            if step is None:
                raise KeyboardInterrupt
            step()

        watch(
            self.plan,
            self.render,
            progress=self.said.append,
            interval=0.125,
            wait=wait,
            clock=iter(range(1000)).__next__,
        )


def nothing():
    """Return at once: a step in which nothing happens."""


@pytest.fixture
def cue(tmp_path):
    return Watching(tmp_path)


def raising(error):
    def act():
        raise error

    return act


def test_an_unchanged_plan_is_rendered_once(cue):
    cue.run(*[nothing] * 20)
    assert len(cue.renders) == 1
    assert cue.said == ["rendered in 1.0 s; watching 5 files, Ctrl-C ends"]


@pytest.mark.parametrize("name", ["plan.yaml", "base.yaml", "nave.yaml", "hall.wav", "stems/choir.wav"])
def test_every_file_that_decides_the_sound_is_watched(cue, name):
    cue.run(nothing, cue.save(name), nothing, nothing)
    assert cue.renders == [0, 3]  # saved in step 2, at rest in step 3
    assert f"changed: {name.rsplit('/', maxsplit=1)[-1]}" in cue.said


def test_a_file_of_the_same_size_in_its_place_is_a_change(cue):
    other = cue.folder / "new"
    other.write_text(PLAN)
    os.utime(other, ns=(0, cue.plan.stat().st_mtime_ns))
    cue.run(lambda: other.replace(cue.plan), nothing, nothing)
    assert len(cue.renders) == 2


def test_a_new_stem_in_the_folder_is_a_change_and_another_new_file_is_not(cue):
    cue.run(cue.save("stems/notes.txt"), nothing, cue.save("stems/solo.flac"), nothing, nothing)
    assert cue.renders == [0, 4]
    assert "changed: stems" in cue.said


def test_a_stem_that_is_removed_is_a_change(cue):
    cue.run((cue.folder / "stems/choir.wav").unlink, nothing, nothing)
    assert "changed: choir.wav, stems" in cue.said


def test_a_file_that_is_still_being_saved_is_waited_for(cue):
    growing = [cue.save("stems/choir.wav", "x" * n) for n in range(2, 9)]
    cue.run(*growing, nothing, nothing, nothing)
    assert cue.renders == [0, len(growing) + 1]


def test_a_change_while_rendering_is_rendered_afterwards(cue):
    cue.during = {1: cue.save("plan.yaml", PLAN + "\n")}
    cue.run(nothing, nothing)
    assert cue.renders == [0, 1]


def test_a_change_that_is_taken_back_before_it_rests_is_none(cue):
    state = cue.plan.stat()

    def back():
        cue.plan.write_text(PLAN)
        os.utime(cue.plan, ns=(state.st_atime_ns, state.st_mtime_ns))

    cue.run(cue.save("plan.yaml"), back, nothing, nothing, nothing)
    assert len(cue.renders) == 1


def test_many_changes_are_named_in_one_line(cue):
    def all_of_them():
        for name in ("plan.yaml", "base.yaml", "nave.yaml", "hall.wav", "stems/choir.wav"):
            with (cue.folder / name).open("a") as file:
                file.write(" ")

    cue.run(all_of_them, nothing, nothing)
    assert "changed: base.yaml, choir.wav, hall.wav and 2 more" in cue.said


def test_a_broken_plan_is_reported_and_the_next_good_one_rendered(cue):
    problem = Problem("the level is text", Place(cue.plan, 3, 1), "a number")
    cue.during = {2: raising(PlanError([problem]))}
    cue.run(
        cue.save("plan.yaml", "sections: ["), nothing, nothing, cue.save("plan.yaml", PLAN), nothing, nothing
    )
    assert len(cue.renders) == 3
    assert f"{cue.plan}:3:1: the level is text — a number" in cue.said
    assert sum(line.startswith("not rendered") for line in cue.said) == 1


def test_while_a_plan_is_broken_what_it_named_before_is_watched(cue):
    cue.during = {2: raising(RoomplanError("broken"))}
    cue.run(cue.save("plan.yaml", ": ["), nothing, nothing, cue.save("hall.wav"), nothing, nothing)
    assert len(cue.renders) == 3


def test_a_plan_that_is_broken_from_the_start_is_watched_with_the_plan_it_extends(cue):
    cue.save("base.yaml", "title: [")()
    cue.during = {1: raising(RoomplanError("broken"))}
    cue.run(nothing, cue.save("base.yaml", BASE), nothing, nothing)
    assert len(cue.renders) == 2


def test_a_base_that_is_missing_is_waited_for(cue):
    (cue.folder / "base.yaml").unlink()
    cue.during = {1: raising(RoomplanError("there is no base.yaml"))}
    cue.run(nothing, cue.save("base.yaml", BASE), nothing, nothing)
    assert len(cue.renders) == 2


def test_a_stem_that_cannot_be_used_is_watched_although_no_render_has_read_it(cue):
    stem = cue.folder / "elsewhere.wav"
    stem.write_bytes(b"cut")
    cue.during = {1: raising(AudioError(stem, "was changed while it was read", remedy="render again"))}
    cue.run(nothing, cue.save("elsewhere.wav", "whole"), nothing, nothing)
    assert len(cue.renders) == 2
    assert cue.said[0].endswith("elsewhere.wav: was changed while it was read — render again")


def test_a_stems_folder_that_goes_and_comes_back_is_rendered_when_it_is_back(cue):
    gone = cue.folder / "unmounted"
    cue.during = {2: raising(OSError(5, "Input/output error", "stems"))}
    cue.run(
        lambda: (cue.folder / "stems").rename(gone),
        nothing,
        nothing,
        lambda: gone.rename(cue.folder / "stems"),
        nothing,
        nothing,
    )
    assert len(cue.renders) == 3
    assert "stems: Input/output error — check the disk and its permissions" in cue.said


def test_ctrl_c_while_waiting_ends_the_watch_quietly(cue):
    cue.run()
    assert len(cue.renders) == 1


def test_ctrl_c_while_rendering_is_an_interrupted_render(cue):
    cue.during = {2: raising(KeyboardInterrupt)}
    with pytest.raises(KeyboardInterrupt):
        cue.run(cue.save("plan.yaml"), nothing, nothing)


def test_a_fault_of_the_program_is_not_watched_away(cue):
    cue.during = {1: raising(ZeroDivisionError)}
    with pytest.raises(ZeroDivisionError):
        cue.run()


@pytest.mark.skipif(os.name != "posix", reason="sends the signal of Ctrl-C")
def test_a_process_that_watches_ends_with_0_on_ctrl_c(cue):
    program = (  # a shell that runs the tests in the background has its children ignore Ctrl-C
        "import pathlib, signal, sys; signal.signal(signal.SIGINT, signal.default_int_handler); "
        "from roomplan.cli.watching import watch; watch(pathlib.Path(sys.argv[1]), list)"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, cue.plan], stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stderr is not None
        assert "watching" in process.stderr.readline()
        time.sleep(0.05)
        process.send_signal(signal.SIGINT)
        try:
            assert process.wait(10) == 0
        finally:
            process.kill()
        assert not process.stderr.read()
