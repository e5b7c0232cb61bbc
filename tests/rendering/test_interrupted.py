"""Renders that are killed or run out of disk: files under final names are whole, and the next run goes on.

Set ROOMPLAN_KILLS to a number to kill more often than the 20 times of a normal run.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import subprocess
import sys
import textwrap
from contextlib import contextmanager

import numpy as np
import pytest
import soundfile

from roomplan.files.staging import StagedFolder

pytestmark = pytest.mark.skipif(os.name != "posix", reason="signals, fork and limits of POSIX")

RATE = 48_000
KILLS = int(os.environ.get("ROOMPLAN_KILLS", "20"))
SOUNDS = {".wav", ".flac"}

# Renders a plan for each line it is given, in a child: which it kills so many seconds after its start, or
# after it began to move files into place, or which may write so many bytes to a file.
SERVER = textwrap.dedent("""
    import os, resource, signal, sys, time
    from pathlib import Path
    from roomplan.errors import RoomplanError
    from roomplan.session.output_files import plan_targets
    from roomplan.rendering.render import render_session
    from roomplan.session.session import open_session
    from roomplan.plan.load import load_plan
    from roomplan.report.documents import render_document, to_text

    def render(plan, progress):
        session, problems = open_session(load_plan(plan).plan)
        assert session is not None, problems
        render_session(
            session,
            plan_targets(session.plan),
            report=lambda result, target: to_text(render_document(result, target)),
            progress=progress,
        )

    for line in sys.stdin:
        plan, how, amount = line.split()
        reading, writing = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(reading)
            def progress(stage, done, total):
                if stage == "moving files into place" and done == 0:
                    os.write(writing, b"m")
            if how == "limit":
                resource.setrlimit(resource.RLIMIT_FSIZE, (int(amount), int(amount)))
                signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            try:
                render(Path(plan), progress)
            except RoomplanError as error:
                os.write(writing, str(error).encode())
                os._exit(1)
            except BaseException as error:
                os.write(writing, b"traceback: " + repr(error).encode())
                os._exit(2)
            os._exit(0)
        os.close(writing)
        begun = time.perf_counter()
        said = b""
        if how == "moving":
            said = os.read(reading, 1)
            time.sleep(float(amount))
            os.kill(child, signal.SIGKILL)
        elif how == "after":
            time.sleep(float(amount))
            os.kill(child, signal.SIGKILL)
        while more := os.read(reading, 4096):
            said += more
        os.close(reading)
        status = os.waitpid(child, 0)[1]
        end = "killed" if os.WIFSIGNALED(status) else str(os.WEXITSTATUS(status))
        text = said.decode(errors="replace").lstrip("m")
        print(end, f"{time.perf_counter() - begun:.4f}", text.replace(chr(10), " "), flush=True)
""")


class Server:
    def __init__(self, process):
        self.process = process

    def render(self, plan, how="whole", amount=0.0):
        self.process.stdin.write(f"{plan} {how} {amount}\n")
        self.process.stdin.flush()
        end, seconds, said = self.process.stdout.readline().rstrip("\n").split(" ", 2)
        return end, float(seconds), said


@pytest.fixture(scope="module")
def server():
    with subprocess.Popen(
        [sys.executable, "-c", SERVER],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
    ) as process:
        assert process.stdin is not None
        yield Server(process)
        process.stdin.close()


@pytest.fixture
def plans(cue, decay):
    """Two states of one plan, whose files all differ."""
    for seed, name in enumerate(("choir", "harp", "low")):
        cue.stem(f"{name}.wav", 0.05 * np.random.default_rng(seed).standard_normal((RATE, 2)))
    cue.response("nave.wav", decay(0.2, 0.2, 2, 4))
    content = {
        "title": "Ice Harbour",
        "tail": 0.2,
        "start": "01:00:00:00",
        "frame_rate": 25,
        "rooms": {"nave": {"responses": "nave.wav"}},
        "shared_sends": {"nave": -9},
        "sections": {name: {"stems": [name]} for name in ("choir", "harp", "low")},
        "deliveries": {
            "session": {"write": ["mix", "prints", "rooms", "dry"]},
            "stream": {"format": "flac", "sample_rate": 44_100, "write": ["mix", "prints"]},
        },
    }
    return [content, content | {"trim": -3}]


FOLDERS = ("session", "stream")


def digests(folder):
    """Digest of the samples of every finished file in a folder, as reports have it; a cut file raises."""
    found = {}
    for path in sorted(p for p in folder.rglob("*") if p.suffix in SOUNDS and ".partial-" not in str(p)):
        if path.suffix == ".wav":
            values = soundfile.read(path, dtype="float32")[0].astype("<f4")
        else:
            values = np.right_shift(np.asarray(soundfile.read(path, dtype="int32")[0]), 8).astype("<i4")
        found[path.relative_to(folder).as_posix()] = hashlib.sha256(values.tobytes()).hexdigest()
    return found


def reported(folder):
    """Digest of every file, as the report in the folder has it."""
    report = json.loads((folder / "report.json").read_text(encoding="utf-8"))
    return {entry["file"]: entry["samples_sha256"] for entry in report["files"]}


def left_overs(folder):
    return [p for p in folder.rglob("*") if ".partial-" in p.name]


def test_a_kill_at_a_random_moment_leaves_whole_files_and_the_next_run_succeeds(cue, plans, server):
    sets, seconds = [], 0.0
    for content in plans:
        end, seconds, said = server.render(cue.plan(content))
        assert (end, said) == ("0", "")
        sets.append({name: digests(cue.folder / name) for name in FOLDERS})
    assert len(sets[0]["session"]) == 7
    assert all(sets[0][name][file] != sets[1][name][file] for name in FOLDERS for file in sets[0][name])
    moments = random.Random(6)
    killed = undone = 0
    for number in range(KILLS):
        plan = cue.plan(plans[number % 2])
        if moments.randrange(2):
            end, _seconds, said = server.render(plan, "after", moments.uniform(0.0, 1.2 * seconds))
        else:
            end, _seconds, said = server.render(plan, "moving", moments.uniform(0.0, 0.012))
        assert end in {"killed", "0"}, said
        killed += end == "killed"
        for name in FOLDERS:
            found = digests(cue.folder / name)
            assert found.keys() == sets[0][name].keys()
            for file, digest in found.items():
                assert digest in (sets[0][name][file], sets[1][name][file]), f"{file} is neither old nor new"
            with StagedFolder(cue.folder / name) as staged:  # what the next run does first
                undone += bool(staged.restored)
            assert digests(cue.folder / name) == reported(cue.folder / name), f"{name} is mixed"
    assert killed > KILLS // 2
    if KILLS >= 50:
        assert undone, "no kill came while files were moved"
    end, _seconds, said = server.render(cue.plan(plans[1]))
    assert (end, said) == ("0", "")
    assert {name: digests(cue.folder / name) for name in FOLDERS} == sets[1]
    assert left_overs(cue.folder) == []


@pytest.mark.parametrize("limit", [2_000, 100_000, 300_000])
def test_a_disk_that_takes_no_more_leaves_the_earlier_deliveries_and_says_so_in_one_line(
    cue, plans, server, limit
):
    server.render(cue.plan(plans[0]))
    before = {p: p.read_bytes() for p in cue.folder.rglob("*") if p.is_file() and p.suffix != ".yaml"}
    # a file may grow to so many bytes: EFBIG, which the system gives where a disk is full at that point
    end, _seconds, said = server.render(cue.plan(plans[1]), "limit", limit)
    assert end == "1", said
    assert "could not be written" in said or "cannot be written" in said
    assert "choose another folder" in said
    assert ".partial-" not in said
    after = {p: p.read_bytes() for p in cue.folder.rglob("*") if p.is_file() and p.suffix != ".yaml"}
    assert after == before
    assert server.render(cue.plan(plans[1]))[0] == "0"


@contextmanager
def small_disk(folder, size):
    """A disk in memory; skips where the system gives none to us."""
    folder.mkdir()
    mounting = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "none", str(folder)], capture_output=True, check=False
    )
    if mounting.returncode:
        pytest.skip("no disk of a given size can be had here")
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=False)


@pytest.mark.skipif(sys.platform != "linux", reason="mounts a disk in memory")
def test_a_full_disk_leaves_the_earlier_delivery_on_it_and_the_other_folder_too(cue, plans, server):
    with small_disk(cue.folder / "disk", "7m") as disk:
        # a set takes 3.2 MB: with the other file there is no room for a second one
        for content in plans:
            content["deliveries"] = {
                "stream": content["deliveries"]["stream"],
                "session": {"folder": str(disk / "session"), "write": ["mix", "prints", "rooms", "dry"]},
            }
        end, _seconds, said = server.render(cue.plan(plans[0]))
        assert (end, said) == ("0", "")
        (disk / "other").write_bytes(bytes(1_500_000))
        folders = {"session": disk / "session", "stream": cue.folder / "stream"}
        before = {name: digests(folder) for name, folder in folders.items()}
        end, _seconds, said = server.render(cue.plan(plans[1]))
        assert end == "1", said
        assert "the disk is full" in said
        assert str(disk / "session") in said
        assert ".partial-" not in said
        assert {name: digests(folder) for name, folder in folders.items()} == before
        assert {name: reported(folder) for name, folder in folders.items()} == before
        assert left_overs(disk) == left_overs(cue.folder) == []
        (disk / "other").unlink()
        assert server.render(cue.plan(plans[1]))[0] == "0"
        after = {name: digests(folder) for name, folder in folders.items()}
        assert after == {name: reported(folder) for name, folder in folders.items()}
        assert all(after[name][file] != before[name][file] for name in after for file in after[name])
