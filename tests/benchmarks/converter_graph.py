"""The whole job as the filter graph of a general converter: `afir`, `amix` and `ebur128` of FFmpeg.

The same stems, responses, sends and buses as `plain_script.py`, and the loudness of every bus; levels are
plain gains, nothing is normalised. It streams and works on several threads.
"""

from __future__ import annotations

import re
from collections import defaultdict
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

TAIL_S = 6.0  # the longest response


def converter_command(program: str, job: dict, *, true_peak: bool) -> list[str]:
    """Command line that renders every bus of a job and logs its loudness, and its true peak if asked."""
    names = list(job["stems"])
    responses = list(job["responses"])
    uses = {response: sum(response in sends for sends in job["sends"].values()) for response in responses}
    lines = [
        f"[{len(names) + number}:a]{_split(response, uses[response])}"
        for number, response in enumerate(responses)
    ]
    taken: dict[str, int] = defaultdict(int)
    rooms: dict[str, list[str]] = defaultdict(list)
    for number, name in enumerate(names):
        sends = job["sends"][name]
        lines.append(f"[{number}:a]apad=pad_dur={TAIL_S},{_split(name, len(sends) + 2)}")
        parts = [f"{name}1"]
        for place, (response, gain) in enumerate(sends.items()):
            taken[response] += 1
            wet = f"{name}_{response}"
            lines.append(
                f"[{name}{place + 2}][{response}{taken[response] - 1}]afir=gtype=none:irnorm=-1:maxir=60,"
                f"volume={gain:.9f}:precision=float,{_split(wet, 2)}"
            )
            parts.append(f"{wet}0")
            rooms[response].append(f"{wet}1")
        lines.append(f"{_sum(parts)},{_split(f'print_{name}_', 2)}")
    buses = {f"print_{name}": f"[print_{name}_1]anull" for name in names}
    buses["dry"] = _sum([f"{name}0" for name in names])
    buses["mix"] = _sum([f"print_{name}_0" for name in names])
    buses |= {f"room_{response}": _sum(parts) for response, parts in rooms.items()}
    peak = "true" if true_peak else "none"
    for bus, sound in buses.items():
        lines.append(f"{sound},ebur128@{bus}=peak={peak}:framelog=quiet,aformat=sample_fmts=flt[out_{bus}]")
    command = [program, "-hide_banner", "-nostats", "-y"]
    for file in [*job["stems"].values(), *job["responses"].values()]:
        command += ["-i", file]
    command += ["-filter_complex", ";".join(lines)]
    for bus in buses:
        command += ["-map", f"[out_{bus}]", "-c:a", "pcm_f32le", str(Path(job["out"]) / f"{bus}.wav")]
    return command


def logged_loudness(log: str) -> dict[str, float]:
    """Integrated loudness of every bus, from the log of the converter."""
    found = re.findall(r"\[ebur128@(\w+) @ \w+\] Summary:\s+Integrated loudness:\s+I:\s+(-?[\d.]+) LUFS", log)
    return {bus: float(loudness) for bus, loudness in found}


def _split(name: str, count: int) -> str:
    """Copies of a sound, named by number."""
    return f"asplit={count}" + "".join(f"[{name}{number}]" for number in range(count))


def _sum(names: Sequence[str]) -> str:
    inputs = "".join(f"[{name}]" for name in names)
    return f"{inputs}amix=inputs={len(names)}:normalize=0:duration=longest"
