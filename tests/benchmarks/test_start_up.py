"""What a command takes beyond importing the libraries it is built on, as processes side by side.

Run with `pytest tests/benchmarks/test_start_up.py --benchmark-only -s`. The demo is rendered and every
command run once, so that what can be kept is kept and bytecode is compiled, as an installer compiles it. Then
the imports alone and the commands take turns, each a process of its own; medians of processor time and of
wall time are printed. Aims (the project's own): 0.35 s of processor time beyond the imports; for `--help` 1.5
times the import of typer and rich. Nothing is asserted on time.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time

import numpy as np
import pytest
import soundfile

ROUNDS = 9
LIBRARIES = "numpy, soundfile, pydantic, ruamel.yaml, typer, rich"
COMMAND = "from roomplan.cli.main import main; main()"
RATE = 48_000

RUNS = {
    "rooms": ("rooms",),
    "rooms NAME": ("rooms", "larkmere_hall"),
    "loudness": ("loudness", "demo/render/mix.wav"),
    "a plan with a mistake": ("check", "demo/mistake.yaml"),
    "check": ("check", "demo/ice_harbour.yaml"),
    "depth": ("depth", "demo/ice_harbour.yaml"),
    "compare": ("compare", "demo/ice_harbour.yaml", "demo/drier.yaml"),
    "measure": ("measure", "response.wav"),
}
FAILS = {"a plan with a mistake": 1}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Folder with the demo rendered, two plans made of it, and a response of 2 s."""
    place = tmp_path_factory.mktemp("start_up")
    process(place, COMMAND, "demo", "demo", "--quiet")
    plan = (place / "demo" / "ice_harbour.yaml").read_text("utf-8")
    (place / "demo" / "drier.yaml").write_text(plan.replace("level: -0.5", "level: -2.5"), "utf-8")
    (place / "demo" / "mistake.yaml").write_text(plan.replace("\n    sends:", "\n    sneds:"), "utf-8")
    frame_s = np.arange(2 * RATE) / RATE
    noise = np.random.default_rng(3).standard_normal((2 * RATE, 2))
    soundfile.write(
        place / "response.wav", 0.1 * noise * 10.0 ** (-3.0 * frame_s[:, None] / 1.2), RATE, subtype="FLOAT"
    )
    return place


def process(place, code, *arguments, status=0):
    """Processor and wall time of Python running `code`, in seconds."""
    environment = os.environ | {
        "ROOMPLAN_CACHE": str(place / "cache"),
        "PYTHONPYCACHEPREFIX": str(place / "bytecode"),
        "PYTHONPATH": os.pathsep.join(sys.path),
    }
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    before, began = os.times(), time.perf_counter()
    outcome = subprocess.run(
        [sys.executable, "-c", code, *arguments], cwd=place, env=environment, capture_output=True, check=False
    )
    wall_s, after = time.perf_counter() - began, os.times()
    assert outcome.returncode == status, outcome.stderr.decode()
    spent_s = after.children_user + after.children_system - before.children_user - before.children_system
    return spent_s, wall_s


def in_turns(runs):
    """Medians of processor and wall time of each run, one after the other in every round."""
    for run in runs.values():
        run()
    found = {name: [] for name in runs}
    for _round in range(ROUNDS):
        for name, run in runs.items():
            found[name].append(run())
    return {name: tuple(map(statistics.median, zip(*times, strict=True))) for name, times in found.items()}


def once(benchmark, work):
    return benchmark.pedantic(work, rounds=1, iterations=1)


@pytest.mark.parametrize("name", RUNS)
def test_a_command_against_the_imports_of_its_libraries(benchmark, folder, name):
    runs = {
        "imports": lambda: process(folder, f"import {LIBRARIES}"),
        "command": lambda: process(folder, COMMAND, *RUNS[name], status=FAILS.get(name, 0)),
    }
    found = once(benchmark, lambda: in_turns(runs))
    (imports_s, imports_wall_s), (command_s, command_wall_s) = found["imports"], found["command"]
    print(
        f"\n{name}: {command_s:.2f} s of processor time, {command_s - imports_s:.2f} s beyond the imports "
        f"({imports_s:.2f} s), {command_s / imports_s:.1f} times them; wall {command_wall_s:.2f} s, "
        f"{command_wall_s - imports_wall_s:.2f} s beyond"
    )


def test_the_list_of_commands_against_the_import_of_typer_and_rich(benchmark, folder):
    runs = {
        "imports": lambda: process(folder, "import typer, rich"),
        "help": lambda: process(folder, COMMAND, "--help"),
    }
    found = once(benchmark, lambda: in_turns(runs))
    (imports_s, _), (help_s, wall_s) = found["imports"], found["help"]
    print(f"\n--help: {help_s:.2f} s, {help_s / imports_s:.2f} times the imports; wall {wall_s:.2f} s")
