"""The whole job against a plain script and a general converter: five sections, six responses, eleven sends.

Run with `pytest tests/benchmarks --benchmark-only -s -k whole_job`. Both sides run as processes of their own,
by turns in one test, so that their ratio holds on any machine; on a busy one the ratio of processor times
does. Peak memory is the largest resident set. The converter is FFmpeg, where it is installed.
"""

from __future__ import annotations

import itertools
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import psutil
import pytest
import soundfile
from benchmarks.converter_graph import converter_command, logged_loudness

from roomplan.demo.ice_harbour import STEMS, render_stem

if TYPE_CHECKING:
    from collections.abc import Iterator

RATE = 48_000
SECONDS = 300
ROUNDS = 3
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


@dataclass(frozen=True)
class Run:
    """What a process took, and what it printed on its two streams."""

    wall_s: float
    processor_s: float
    peak_mb: float
    output: str
    log: str

    @property
    def cores(self) -> float:
        """Processors that were busy, on average."""
        return self.processor_s / self.wall_s

    def __str__(self) -> str:
        """Times, cores and memory in words."""
        busy = f"{self.processor_s:.1f} s of processor time, {self.cores:.2f} cores"
        return f"{self.wall_s:.1f} s ({busy}), {self.peak_mb:.0f} MB"


def processor_seconds() -> float:
    """Processor time of all processes that have ended."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def timed(command: list[str], *, cache: str = "off") -> Run:
    """Run a command, its cache in a folder or off."""
    environment = os.environ | {"NO_COLOR": "1", "ROOMPLAN_CACHE": cache}
    # into files: a report is longer than a pipe holds, and nobody reads one while the memory is watched
    with (
        tempfile.TemporaryFile("w+", encoding="utf-8") as output,
        tempfile.TemporaryFile("w+", encoding="utf-8") as log,
    ):
        before, start = processor_seconds(), time.perf_counter()
        process = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=output, stderr=log, env=environment
        )
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
        log.seek(0)
        run = Run(seconds, processor_seconds() - before, peak / 1e6, output.read(), log.read())
    assert process.returncode == 0, run.log[-2000:]
    return run


def first_render(plan: Path) -> Run:
    """Render a plan of which nothing is known yet, and keep what a render keeps."""
    with tempfile.TemporaryDirectory() as cache:
        command = [sys.executable, "-m", "roomplan.cli.main", "render", str(plan), "--quiet", "--json"]
        return timed(command, cache=cache)


@pytest.mark.parametrize("material", ["music", "noise"])
def test_whole_job_against_a_plain_script(benchmark, tmp_path, material):
    job = make_job(tmp_path, SECONDS, material)
    (tmp_path / "job.json").write_text(json.dumps(job), encoding="utf-8")
    plan = write_plan(tmp_path, job)
    script = [sys.executable, str(Path(__file__).with_name("plain_script.py")), str(tmp_path / "job.json")]
    pairs = [(first_render(plan), timed(script)) for _round in range(ROUNDS - 1)]  # by turns: equal load
    pairs.append((benchmark.pedantic(first_render, args=(plan,), rounds=1), timed(script)))
    report = {bus["name"]: bus for bus in json.loads(pairs[0][0].output)["buses"]}
    expected = json.loads(pairs[0][1].output)
    # pyloudnorm reads 0.04 LU low and counts a partial last block: see the guide
    for name in SENDS:
        assert abs(report[f"section:{name}"]["loudness"]["integrated_lufs"] - expected[f"print_{name}"]) < 0.1
    show(f"whole job, {SECONDS} s of {material}", "plain script", pairs)


@pytest.mark.parametrize("true_peak", [False, True])
def test_whole_job_against_a_general_converter(benchmark, tmp_path, true_peak):
    program = shutil.which("ffmpeg")
    if program is None:
        pytest.skip("no general converter is installed")
    job = make_job(tmp_path, SECONDS, "music")
    Path(job["out"]).mkdir()
    plan = write_plan(tmp_path, job)
    graph = converter_command(program, job, true_peak=true_peak)
    pairs = [(first_render(plan), timed(graph)) for _round in range(ROUNDS - 1)]
    pairs.append((benchmark.pedantic(first_render, args=(plan,), rounds=1), timed(graph)))
    report = {bus["name"]: bus for bus in json.loads(pairs[0][0].output)["buses"]}
    expected = logged_loudness(pairs[0][1].log)
    for name in SENDS:  # it logs one decimal
        assert abs(report[f"section:{name}"]["loudness"]["integrated_lufs"] - expected[f"print_{name}"]) < 0.1
    show("whole job, music", f"filter graph {'with' if true_peak else 'without'} true peak", pairs)


def show(job: str, other: str, pairs: list[tuple[Run, Run]]) -> None:
    """Print the quickest run of each side, and the ratios of the quickest times."""
    ours, theirs = (min(side, key=lambda run: run.wall_s) for side in zip(*pairs, strict=True))
    processor = min(them.processor_s for _we, them in pairs) / min(we.processor_s for we, _them in pairs)
    print(f"\n{job}: roomplan {ours}\n{other} {theirs}: {theirs.wall_s / ours.wall_s:.1f} times as long,")
    print(f"{processor:.1f} times the processor time")


def test_memory_does_not_grow_with_length(benchmark, tmp_path):
    peaks = []
    for seconds in (60, 3600):
        with tempfile.TemporaryDirectory(dir=tmp_path) as folder:
            plan = write_plan(Path(folder), make_job(Path(folder), seconds, "music"))
            command = [sys.executable, "-m", "roomplan.cli.main", "render", str(plan), "--quiet"]
            run = benchmark.pedantic(timed, args=(command,), rounds=1) if seconds == 60 else timed(command)
            peaks.append(run.peak_mb)
    print(f"\npeak memory: {peaks[0]:.0f} MB for a minute, {peaks[1]:.0f} MB for an hour")
    assert peaks[1] < 1.15 * peaks[0]
