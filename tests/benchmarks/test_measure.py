"""Everything of a response against the decay times of one, as ratios measured side by side.

Run with `pytest tests/benchmarks/test_measure.py --benchmark-only -s`. 200 responses of 2 s at 48 kHz,
decaying noise over a floor, six octave bands. The rival does less: octave bands (pyfar), the Lundeby curve
and lines for T20 and T30 (pyrato), on 20 of the responses. Both take turns in one process; the best of the
turns counts, the median is printed beside it. Aim (the project's own): 5 × per response. Nothing is asserted
on time; that both measure the same decays is.
"""

from __future__ import annotations

import os
import statistics
import time
import warnings
from contextlib import nullcontext

import numpy as np
import pytest
import soundfile

from roomplan.acoustics.filters import octaves
from roomplan.acoustics.response import analyse_response
from roomplan.measuring.responses import MeasuredFile, MeasuringChoice, all_cores, measure_files

pyfar = pytest.importorskip("pyfar")
pyrato = pytest.importorskip("pyrato")

RATE = 48_000
RESPONSES = 200
RIVALS = 20
ROUNDS = 5
BANDS = octaves(lowest_hz=125, highest_hz=4000)


@pytest.fixture(scope="module")
def responses():
    """(responses, frames): T from 0.8 to 1.4 s, floors 60 to 70 dB down."""
    rng = np.random.default_rng(41)
    frame_s = np.arange(2 * RATE) / RATE
    made = np.empty((RESPONSES, frame_s.size))
    for row in made:
        decay = np.exp(-3.0 * np.log(10.0) * frame_s / rng.uniform(0.8, 1.4))
        floor = 10.0 ** (-rng.uniform(60.0, 70.0) / 20.0)
        row[:] = 0.1 * rng.normal(size=frame_s.size) * (decay + floor)
    return made


def ours(response):
    return analyse_response(response[:, None], sample_rate=RATE, filters=BANDS)


def theirs(response):
    """T20 and T30 of six octave bands, noise compensated."""
    bands = pyfar.dsp.filter.fractional_octave_bands(
        pyfar.Signal(response, RATE), 1, frequency_range=(120, 4500)
    )
    curves = pyrato.edc.energy_decay_curve_lundeby(bands, time_shift=False)
    line = pyrato.parameters.reverberation_time_linear_regression
    return [np.squeeze(line(curves, name)) for name in ("T20", "T30")]


def seconds_each(measure, batch):
    start = time.perf_counter()
    for response in batch:
        measure(response)
    return (time.perf_counter() - start) / len(batch)


def test_measure_200_responses_of_2_s_in_six_octaves(benchmark, capsys, responses):
    taken = {"everything": [], "decay times alone": []}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found = np.array([theirs(response)[1] for response in responses[:RIVALS]])
        ours(responses[0])
        for turn in range(ROUNDS):
            # the rival after every fifth of the batch: a busy machine slows both
            part = responses[turn * RESPONSES // ROUNDS : (turn + 1) * RESPONSES // ROUNDS]
            taken["everything"].append(seconds_each(ours, part))
            taken["decay times alone"].append(seconds_each(theirs, responses[:RIVALS]))
    mine = np.array(
        [[band.t30_s for band in ours(r).channels[0].decay.bands] for r in responses[:RIVALS]],
        dtype=np.float64,
    )
    # other filters, the same decays: 2 % on average over 20 responses
    assert np.nanmean(mine / found, axis=0) == pytest.approx(np.ones(len(BANDS)), abs=0.02)
    best = {name: min(values) for name, values in taken.items()}
    with capsys.disabled():
        print(f"\n{RESPONSES} responses of 2 s, 48 kHz, {len(BANDS)} octave bands, one process")
        for name, values in taken.items():
            print(
                f"  {name:20s} best {1000 * min(values):6.1f} ms   median "
                f"{1000 * statistics.median(values):6.1f} ms   a response   "
                f"{min(values) / best['everything']:5.2f} × everything"
            )
    benchmark.extra_info["ratio"] = best["decay times alone"] / best["everything"]
    benchmark.pedantic(ours, args=(responses[0],), rounds=1)


def test_measure_200_files_on_all_cores(benchmark, capsys, responses, tmp_path):
    paths = []
    for index, response in enumerate(responses):
        paths.append(tmp_path / f"response_{index:03d}.wav")
        soundfile.write(paths[-1], response, RATE, subtype="FLOAT")
    choice = MeasuringChoice(filters=BANDS)

    def all_files():
        with all_cores(len(paths)) or nullcontext() as executor:
            return list(measure_files(paths, choice, executor=executor))

    start = time.perf_counter()
    results = all_files()
    files = (time.perf_counter() - start) / len(paths)
    assert all(isinstance(result, MeasuredFile) for result in results)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        rival = min(seconds_each(theirs, responses[:RIVALS]) for _ in range(3))
    with capsys.disabled():
        print(f"\n{len(paths)} files on {os.cpu_count()} cores, starting the processes included")
        print(
            f"  everything {1000 * files:6.1f} ms a file; decay times alone, one process: "
            f"{rival / files:5.2f} ×"
        )
    benchmark.extra_info["ratio"] = rival / files
    benchmark.pedantic(lambda: None, rounds=1)
