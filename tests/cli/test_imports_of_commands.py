"""No command imports what it does not compute with: the packages that take the longest to load."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest

from roomplan.cli.main import COMMANDS

# What is looked for; scipy's parts are all slow: `scipy_kernels` loads its compiled modules by their files.
SLOW = ("scipy", "matplotlib", "pyloudnorm", "distributed", "pandas")

PROBE = """
import json, sys
from roomplan.cli.main import main
try:
    main()
finally:
    print("\\n" + json.dumps(sorted(name for name in sys.modules if name.partition(".")[0] in %r)))
"""

PLAN = """\
stems: stems
rooms:
  nave:
    responses: nave.wav
    decay_scale: 0.9
    low_cut: 120
    high_cut: 9000
  stage:
    synthetic: tallowyard_stage
sections:
  choir:
    stems: [choir]
    sends: {nave: -8}
  low_strings:
    stems: [low]
    seat: {distance: 9, angle: 10}
    sends: {nave: -12, stage: -15}
"""

TARGETS = """\
targets:
  - {of: choir, least_d50: 0.5}
  - {of: choir, least_c80: -30}
balance:
  sends: {from: -30, to: 0}
"""

# Loaded by a pass over the sound, and of no use to whoever recalls one.
MAKES_A_PASS = {
    "roomplan.acoustics.energies",
    "roomplan.audio.writers",
    "roomplan.convolution.engine",
    "roomplan.rendering.one_pass",
    "roomplan.rooms.preparation",
    "roomplan.rooms.room_file",
    "roomplan.rooms.synthesis",
}

RUNS = {
    "check": ("check", "plan.yaml"),
    "check of targets": ("check", "targets.yaml"),
    "check of a mistake": ("check", "mistake.yaml"),
    "render": ("render", "plan.yaml", "--output", "out"),
    "excerpt": ("render", "plan.yaml", "--output", "part", "--from", "0.2", "--length", "0.5"),
    "render of targets": ("render", "targets.yaml", "--output", "aim"),
    "compare": ("compare", "plan.yaml", "targets.yaml"),
    "depth": ("depth", "depth.yaml"),
    "loudness": ("loudness", "stems/choir.wav"),
    "share": ("share", "plan.yaml", "page.html"),
    "rooms": ("rooms",),
    "a room": ("rooms", "wrenfold_chamber"),
    "synthesise": ("synthesise", "wrenfold_chamber", "made.wav"),
    "sweep": ("sweep", "sweep.wav", "--seconds", "1"),
    "capture": ("capture", "nave.wav", "--impulse", "--output", "captured"),
    "measure": ("measure", "nave.wav"),
    "measure against another": ("measure", "nave.wav", "--against", "hall.wav"),
    "new": ("new", "stems", "--output", "new.yaml"),
    "schema": ("schema",),
    "cache": ("cache",),
    "help": ("help", "deliveries"),
    "--help": ("--help",),
    "an unknown command": ("chekc",),
}


@pytest.fixture
def cue(session):
    """The small session with plans that use more of a plan."""
    (session / "plan.yaml").write_text(PLAN, encoding="utf-8")
    (session / "targets.yaml").write_text(PLAN + TARGETS, encoding="utf-8")
    (session / "mistake.yaml").write_text(PLAN.replace("sends:", "sneds:"), encoding="utf-8")
    missed = TARGETS.replace("least_d50: 0.5", "wet_to_dry: -6")
    (session / "missed.yaml").write_text(PLAN + missed, encoding="utf-8")
    near = "seat: {distance: 6, angle: 0}\n    sends: {stage: -8}"
    (session / "depth.yaml").write_text(PLAN.replace("sends: {nave: -8}", near), encoding="utf-8")
    (session / "hall.wav").write_bytes((session / "nave.wav").read_bytes())
    return session


def loaded(cue, *arguments, packages=SLOW):
    outcome = subprocess.run(
        [sys.executable, "-c", PROBE % (packages,), *arguments],
        cwd=cue,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    assert "Traceback" not in outcome.stderr
    return outcome.returncode, json.loads(outcome.stdout.splitlines()[-1]), outcome.stderr


@pytest.mark.parametrize("run", RUNS)
def test_a_command_loads_no_slow_package(cue, run):
    status, slow, errors = loaded(cue, *RUNS[run])
    assert status == {"check of a mistake": 1, "an unknown command": 2}.get(run, 0), errors
    assert slow == []


def test_a_plan_that_was_heard_is_answered_without_what_makes_a_pass(cue):
    compare = "compare", "plan.yaml", "targets.yaml"
    _status, first, _errors = loaded(cue, *compare, packages=("roomplan",))
    assert set(first) >= MAKES_A_PASS
    for command in (compare, ("check", "targets.yaml")):
        status, again, errors = loaded(cue, *command, packages=("roomplan",))
        assert status == 0, errors
        assert not MAKES_A_PASS & set(again)


def test_a_picture_loads_what_draws_it_so_the_probe_sees_what_is_loaded(cue):
    status, slow, errors = loaded(cue, "rooms", "wrenfold_chamber", "--plot", "room.png")
    assert status == 0, errors
    assert "matplotlib" in slow


def test_solving_loads_the_solver_and_nothing_that_draws(cue):
    status, slow, errors = loaded(cue, "balance", "missed.yaml")
    assert status == 0, errors
    assert "scipy.optimize" in slow
    assert not {"scipy.signal", "scipy.stats", "matplotlib", "pyloudnorm"} & set(slow)


def test_every_command_is_run_here():
    run = {arguments[0] for arguments in RUNS.values()} | {"balance"}
    assert set(COMMANDS) - run == {"demo"}  # which renders, as `render` does
