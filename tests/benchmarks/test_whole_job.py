"""The whole job against a plain script: five sections, six responses, eleven sends, all files and loudness.

Run with `pytest tests/benchmarks --benchmark-only -s -k whole_job`. Both sides run as processes of their own
in one test, so that their ratio holds on any machine; peak memory is the largest resident set of each.
"""

from __future__ import annotations

import itertools
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import psutil
import pytest
import soundfile

from roomplan.demo.ice_harbour import STEMS, render_stem

if TYPE_CHECKING:
    from collections.abc import Iterator

RATE = 48_000
RESPONSES = {
    "stage": 2.2,
    "hall_front": 3.0,
    "hall_rear": 3.4,
    "chapel": 4.5,
    "nave_front": 5.2,
    "nave_rear": 6.0,
}
SENDS = {
    "choir": {"hall_front": -6, "nave_front": -9, "nave_rear": -14},
    "low": {"stage": -15, "hall_front": -8},
    "melody": {"stage": -15, "hall_rear": -7},
    "winds": {"stage": -14, "chapel": -12},
    "brass": {"stage": -16, "hall_rear": -9},
}
# who plays a section of the job in music
PLAYERS = {
    "choir": "choir",
    "low": "low_strings",
    "melody": "melody_strings",
    "winds": "woodwinds",
    "brass": "brass",
}


def second_by_second(name: str, material: str, generator: np.random.Generator) -> Iterator[np.ndarray]:
    """A stem without end, (frames, 2) a second: white noise, or the demo's part again and again."""
    if material == "noise":
        while True:
            yield 0.05 * generator.standard_normal((RATE, 2))
    part = render_stem(STEMS[PLAYERS[name]])
    if part.shape[1] == 1:  # a mono part comes to the right 10 ms later
        part = np.concatenate([part, np.roll(part, RATE // 100, axis=0)], axis=1)
    part = part[: len(part) // RATE * RATE]
    for start in itertools.cycle(range(0, len(part), RATE)):
        yield part[start : start + RATE]


def make_job(folder: Path, seconds: float, material: str) -> dict:
    """Write stems of `music` or `noise` and responses; return the job in the script's words."""
    generator = np.random.default_rng(11)
    stems, responses = {}, {}
    for name in SENDS:
        stems[name] = str(folder / "stems" / f"{name}.wav")
        Path(stems[name]).parent.mkdir(parents=True, exist_ok=True)
        with soundfile.SoundFile(stems[name], "w", RATE, 2, "PCM_24") as file:
            for sound in itertools.islice(second_by_second(name, material, generator), int(seconds)):
                file.write(sound)
    for name, length in RESPONSES.items():
        responses[name] = str(folder / f"{name}.wav")
        t = np.arange(round(length * RATE)) / RATE
        noise = 0.02 * generator.standard_normal((len(t), 2)) * 10.0 ** (-3.0 * t / (length / 1.5))[:, None]
        soundfile.write(responses[name], noise, RATE, subtype="FLOAT")
    buses = ["mix", "dry", *(f"print_{name}" for name in SENDS)]
    buses += ["room_stage", "room_hall_front", "room_hall_rear", "room_chapel", "room_nave_front"]
    sends = {s: {r: 10 ** (db / 20) for r, db in group.items()} for s, group in SENDS.items()}
    return {
        "sample_rate": RATE,
        "stems": stems,
        "responses": responses,
        "sends": sends,
        "buses": buses,
        "out": str(folder / "script"),
    }


def write_plan(folder: Path, job: dict) -> Path:
    """Write the same job as a plan."""
    rooms = "".join(
        f"  {name}: {{responses: {json.dumps(file)}, normalise: none, direct: absent, trim_tail: false}}\n"
        for name, file in job["responses"].items()
    )
    sections = "".join(f"  {s}: {{stems: [{s}], sends: {json.dumps(SENDS[s])}}}\n" for s in SENDS)
    plan = folder / "plan.yaml"
    plan.write_text(f"stems: stems\nrooms:\n{rooms}sections:\n{sections}", encoding="utf-8")
    return plan


def timed(command: list[str]) -> tuple[float, float, str]:
    """Seconds, peak megabytes and output of a command."""
    # into a file: a report is longer than a pipe holds, and nobody reads one while the memory is watched
    with tempfile.TemporaryFile("w+", encoding="utf-8") as output:
        start = time.perf_counter()
        process = subprocess.Popen(command, stdout=output, env=os.environ | {"NO_COLOR": "1"})
        watched, peak = psutil.Process(process.pid), 0
        while process.poll() is None:
            try:
                peak = max(peak, watched.memory_info().rss)
            except psutil.NoSuchProcess:
                break
            time.sleep(0.01)
        process.wait()
        seconds = time.perf_counter() - start
        output.seek(0)
        said = output.read()
    assert process.returncode == 0
    return seconds, peak / 1e6, said


@pytest.mark.parametrize("material", ["music", "noise"])
def test_whole_job_against_a_plain_script(benchmark, tmp_path, material):
    seconds = 300
    job = make_job(tmp_path, seconds, material)
    (tmp_path / "job.json").write_text(json.dumps(job), encoding="utf-8")
    plan = write_plan(tmp_path, job)
    roomplan = [sys.executable, "-m", "roomplan.cli.main", "render", str(plan), "--quiet", "--json"]
    script = [sys.executable, str(Path(__file__).with_name("plain_script.py")), str(tmp_path / "job.json")]
    ours = benchmark.pedantic(timed, args=(roomplan,), rounds=3, warmup_rounds=0)
    fastest = benchmark.stats.stats.min
    theirs = timed(script)
    report = {bus["name"]: bus for bus in json.loads(ours[2])["buses"]}
    expected = json.loads(theirs[2])
    # pyloudnorm reads 0.04 LU low and counts a partial last block: see the guide
    for name in SENDS:
        assert abs(report[f"section:{name}"]["loudness"]["integrated_lufs"] - expected[f"print_{name}"]) < 0.1
    print(f"\nwhole job, {seconds} s of {material}: roomplan {fastest:.1f} s, {ours[1]:.0f} MB")
    print(f"plain script {theirs[0]:.1f} s, {theirs[1]:.0f} MB: {theirs[0] / fastest:.1f} times as long")


def test_memory_does_not_grow_with_length(benchmark, tmp_path):
    peaks = []
    for seconds in (300, 1200):
        folder = tmp_path / str(seconds)
        plan = write_plan(folder, make_job(folder, seconds, "noise"))
        command = [sys.executable, "-m", "roomplan.cli.main", "render", str(plan), "--quiet", "--only", "mix"]
        peaks.append(
            (benchmark.pedantic(timed, args=(command,), rounds=1) if seconds == 300 else timed(command))[1]
        )
    print(f"\npeak memory: {peaks[0]:.0f} MB for 5 minutes, {peaks[1]:.0f} MB for 20")
    assert peaks[1] < 1.15 * peaks[0]
