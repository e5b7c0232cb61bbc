"""The whole job rendered again after five of its eleven sends moved, against rendering it anew.

Run with `pytest tests/benchmarks --benchmark-only -s -k render_again`. All are processes of their own, by
turns in one test; on a busy machine the ratio of processor times is the one that holds.
"""

from __future__ import annotations

import json
import shutil
import statistics
import sys
from typing import TYPE_CHECKING

import numpy as np
import pytest
import soundfile
from benchmarks.test_whole_job import SENDS, make_job, timed, write_plan

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from benchmarks.test_whole_job import Run

ROUNDS = 3
MOVED = {
    ("choir", "hall_front"): -4,
    ("choir", "nave_rear"): -11,
    ("low", "hall_front"): -10,
    ("winds", "chapel"): -9,
    ("brass", "stage"): -13,
}


def render(plan: Path, output: Path, cache: Path | str) -> Run:
    """Render into an empty folder."""
    shutil.rmtree(output, ignore_errors=True)
    command = [sys.executable, "-m", "roomplan.cli.main", "render", str(plan), "--quiet"]
    return timed([*command, "--output", str(output)], cache=str(cache))


def with_other_sends(plan: Path) -> Path:
    """The plan with five sends at other levels, as another file."""
    text = plan.read_text(encoding="utf-8")
    for name, sends in SENDS.items():
        moved = {room: MOVED.get((name, room), level) for room, level in sends.items()}
        text = text.replace(json.dumps(sends), json.dumps(moved))
    other = plan.with_name("moved.yaml")
    other.write_text(text, encoding="utf-8")
    return other


def middle(runs: Sequence[Run]) -> tuple[float, float]:
    """Medians of processor time and of wall time."""
    return statistics.median(r.processor_s for r in runs), statistics.median(r.wall_s for r in runs)


@pytest.mark.parametrize("seconds", [120])
def test_rendering_again_after_five_sends_moved(benchmark, tmp_path, monkeypatch, seconds):
    plan = write_plan(tmp_path, make_job(tmp_path, seconds, "music"))
    moved, cache = with_other_sends(plan), tmp_path / "cache"
    first: list[Run] = []
    unkept: list[Run] = []
    again: list[Run] = []
    anew: list[Run] = []

    def one_round() -> None:
        shutil.rmtree(cache, ignore_errors=True)
        with monkeypatch.context() as patch:
            patch.setenv("ROOMPLAN_CACHE_SOUND", "off")
            unkept.append(render(plan, tmp_path / "unkept", cache))
        shutil.rmtree(cache, ignore_errors=True)
        first.append(render(plan, tmp_path / "first", cache))
        again.append(render(moved, tmp_path / "again", cache))
        anew.append(render(moved, tmp_path / "anew", "off"))

    benchmark.pedantic(one_round, rounds=ROUNDS, warmup_rounds=0)
    files = sorted(path.relative_to(tmp_path / "anew") for path in (tmp_path / "anew").rglob("*.wav"))
    assert len(files) >= 12
    for file in files:  # null to the last bit
        ours, _rate = soundfile.read(tmp_path / "again" / file, dtype="float32")
        theirs, _rate = soundfile.read(tmp_path / "anew" / file, dtype="float32")
        np.testing.assert_array_equal(ours, theirs, err_msg=str(file))
    (fresh, fresh_s), (later, later_s) = middle(anew), middle(again)
    print(
        f"\n{seconds} s, {len(files)} files: processor time anew {fresh:.1f} s, again {later:.1f} s", end=""
    )
    print(
        f": {fresh / later:.1f} times; wall {fresh_s:.1f} and {later_s:.1f} s: {fresh_s / later_s:.1f} times"
    )
    (kept, kept_s), (not_kept, not_kept_s) = middle(first), middle(unkept)
    print(f"keeping the sound: {kept / not_kept - 1.0:+.0%} of processor time,", end=" ")
    print(f"{kept_s / not_kept_s - 1.0:+.0%} of wall time of the first render")
