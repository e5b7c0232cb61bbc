"""The whole job as a plain script does it: fftconvolve in float64, pyloudnorm for every bus.

Run as `python plain_script.py JOB.json`. It is the yardstick of `test_whole_job.py`: the same stems,
responses, sends and buses, no streaming, nothing shared. Levels are plain gains; nothing is normalised.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import pyloudnorm
import soundfile
from scipy.signal import fftconvolve


def main(job_file: str) -> None:
    """Render every bus of the job and print the loudness of each."""
    job = json.loads(Path(job_file).read_text(encoding="utf-8"))
    out = Path(job["out"])
    out.mkdir(parents=True, exist_ok=True)
    stems, rate = {}, job["sample_rate"]
    for name, file in job["stems"].items():
        stems[name], rate = soundfile.read(file, dtype="float64", always_2d=True)
    responses = {name: soundfile.read(file, always_2d=True)[0] for name, file in job["responses"].items()}
    frames = max(map(len, stems.values())) + max(map(len, responses.values())) - 1
    buses: dict[str, np.ndarray] = {}

    def add(bus: str, sound: np.ndarray) -> None:
        total = buses.setdefault(bus, np.zeros((frames, 2)))
        total[: len(sound)] += sound

    for name, dry in stems.items():
        for bus in ("mix", "dry", f"print_{name}"):
            add(bus, dry)
        for response, gain in job["sends"][name].items():
            wet = gain * fftconvolve(dry, responses[response], axes=0)
            for bus in ("mix", f"print_{name}", f"room_{response}"):
                add(bus, wet)
    meter = pyloudnorm.Meter(rate)
    loudness = {}
    for bus in job["buses"]:
        soundfile.write(out / f"{bus}.wav", buses[bus], rate, subtype="FLOAT")
        loudness[bus] = meter.integrated_loudness(buses[bus])
    print(json.dumps(loudness))


if __name__ == "__main__":
    main(sys.argv[1])
