"""The engine against scipy's convolutions, as ratios measured side by side.

Run with `pytest tests/benchmarks/test_engine.py --benchmark-only -s`. Rivals take turns within one run, so
that a busy machine slows all of them; the best of the turns counts, the median is printed beside it. Aims
(the project's own): at least 4 × oaconvolve in float32 and 12 × fftconvolve in float64 for 300 s of stereo
through 6 s of stereo at 48 kHz. Nothing is asserted on time; errors are.
"""

from __future__ import annotations

import math
import statistics
import time
import tracemalloc

import numpy as np
import scipy.signal

from roomplan.convolution import Convolver, Route, convolve

RATE = 48_000
WORKERS = 2


def _noise(channels, seconds):
    generator = np.random.default_rng(31)
    return generator.standard_normal((channels, round(seconds * RATE)), dtype=np.float32)


def _response(seconds, seed):
    """Noise that falls by 60 dB over its length."""
    taps = round(seconds * RATE)
    noise = np.random.default_rng(seed).standard_normal(taps)
    return (noise * 10.0 ** (-3.0 * np.arange(taps) / taps)).astype(np.float32)


def _planar(convolver, signal, keep):
    """Run the kernel over `signal` (inputs, frames) and its tail; the whole output if `keep`."""
    convolver.reset()
    frames = signal.shape[1] + convolver.tail
    block = np.zeros((convolver.inputs, convolver.hop), np.float32)
    out = np.zeros((convolver.outputs, convolver.hop), np.float32)
    kept = np.empty((convolver.outputs, frames if keep else 0), np.float32)
    for start in range(0, frames, convolver.hop):
        piece = signal[:, start : start + convolver.hop]
        block[:, : piece.shape[1]] = piece
        block[:, piece.shape[1] :] = 0
        convolver.process_planar(block, out)
        if keep:
            kept[:, start : start + convolver.hop] = out[:, : frames - start]
    return kept


def _turns(rivals, rounds):
    """Seconds of each rival, all rounds; within a round they run one after the other."""
    taken = {name: [] for name in rivals}
    for _ in range(rounds):
        for name, (rival, every) in rivals.items():
            if len(taken[name]) < every:
                start = time.perf_counter()
                rival()
                taken[name].append(time.perf_counter() - start)
    return taken


def _table(title, taken, reference, capsys):
    with capsys.disabled():
        print(f"\n{title}")
        for name, seconds in taken.items():
            ratio = min(seconds) / min(taken[reference])
            print(
                f"  {name:34s} best {min(seconds):7.3f} s   median {statistics.median(seconds):7.3f} s"
                f"   {ratio:5.1f} × {reference}"
            )


def _error_db(result, reference):
    return 10 * math.log10(np.mean(np.square(result - reference)) / np.mean(np.square(reference)))


def test_engine_300_s_stereo_through_6_s_stereo(benchmark, capsys):
    signal = _noise(2, 300)
    responses = np.stack([_response(6, 1), _response(6, 2)])
    frames, response_frames = np.ascontiguousarray(signal.T), np.ascontiguousarray(responses.T)
    signal_64, responses_64 = signal.astype(np.float64), responses.astype(np.float64)
    frames_64, response_frames_64 = frames.astype(np.float64), response_frames.astype(np.float64)

    def build():
        return Convolver(
            list(responses),
            [Route(0, 0, 0), Route(1, 1, 1)],
            inputs=2,
            outputs=2,
            workers=WORKERS,
            expected_frames=signal.shape[1],
        )

    convolver = build()
    rivals = {
        # building the engine is part of its time, as transforming the response is part of the others'
        "engine": (lambda: _planar(build(), signal, keep=False), 7),
        "engine, result in memory": (lambda: _planar(convolver, signal, keep=True), 5),
        "convolve (frames, channels)": (lambda: convolve(frames, response_frames, workers=WORKERS), 5),
        "oaconvolve float32": (lambda: scipy.signal.oaconvolve(signal, responses, axes=-1), 5),
        "fftconvolve float64": (lambda: scipy.signal.fftconvolve(signal_64, responses_64, axes=-1), 3),
        # the layout of sound files, as a plain script has it
        "fftconvolve float64, (frames, ch.)": (
            lambda: scipy.signal.fftconvolve(frames_64, response_frames_64, axes=0),
            3,
        ),
    }
    taken = _turns(rivals, 7)
    _table("300 s stereo × 6 s stereo, 48 kHz", taken, "engine", capsys)

    reference = scipy.signal.fftconvolve(signal_64, responses_64, axes=-1)
    errors = {
        "engine": _error_db(_planar(convolver, signal, keep=True), reference),
        "oaconvolve float32": _error_db(scipy.signal.oaconvolve(signal, responses, axes=-1), reference),
    }
    with capsys.disabled():
        print("  error: " + ", ".join(f"{name} {value:.1f} dB" for name, value in errors.items()))
    assert errors["engine"] <= -125

    benchmark.extra_info |= {name: min(seconds) / min(taken["engine"]) for name, seconds in taken.items()}
    benchmark.pedantic(rivals["engine"][0], rounds=1)


def test_engine_ten_inputs_to_twenty_two_outputs(benchmark, capsys):
    # the size of a real job: five stereo sections, six stereo responses of 2 … 6 s, eleven stereo sends
    lengths = (6.0, 5.2, 4.5, 3.4, 3.0, 2.2)
    responses = [_response(seconds, 10 + index) for index, seconds in enumerate(lengths) for _ in "lr"]
    responses = [response * (1 + side % 2) for side, response in enumerate(responses)]
    routes = [
        Route(2 * (send % 5) + side, 2 * send + side, 2 * (send % 6) + side)
        for send in range(11)
        for side in range(2)
    ]
    signal = _noise(10, 300)
    convolver = Convolver(
        responses, routes, inputs=10, outputs=22, workers=WORKERS, expected_frames=signal.shape[1]
    )
    pair = np.stack(responses[:2])
    rivals = {
        "engine": (lambda: _planar(convolver, signal, keep=False), 3),
        "oaconvolve float32, one of 11 pairs": (
            lambda: scipy.signal.oaconvolve(signal[:2], pair, axes=-1),
            3,
        ),
    }
    taken = _turns(rivals, 3)
    _table("10 inputs × 300 s, 22 routes, 22 outputs", taken, "engine", capsys)
    eleven = 11 * min(taken["oaconvolve float32, one of 11 pairs"])

    tracemalloc.start()
    convolver = Convolver(responses, routes, inputs=10, outputs=22, workers=WORKERS)
    _planar(convolver, signal[:, : 3 * convolver.hop], keep=False)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    with capsys.disabled():
        print(f"  11 pairs of oaconvolve would take {eleven / min(taken['engine']):.1f} × engine")
        print(f"  peak memory of the engine, its blocks included: {peak / 1e6:.0f} MB; hop {convolver.hop}")
    benchmark.extra_info |= {"peak_mb": peak / 1e6, "oaconvolve": eleven / min(taken["engine"])}
    benchmark.pedantic(rivals["engine"][0], rounds=1)


def test_engine_short_job_3_s_through_2_s(benchmark, capsys):
    signal = _noise(2, 3)
    responses = np.stack([_response(2, 1), _response(2, 2)])
    frames, response_frames = np.ascontiguousarray(signal.T), np.ascontiguousarray(responses.T)
    rivals = {
        "convolve (frames, channels)": (lambda: convolve(frames, response_frames, workers=WORKERS), 15),
        "oaconvolve float32": (lambda: scipy.signal.oaconvolve(signal, responses, axes=-1), 15),
        "fftconvolve float32": (lambda: scipy.signal.fftconvolve(signal, responses, axes=-1), 15),
    }
    taken = _turns(rivals, 15)
    _table("3 s stereo × 2 s stereo, engine built anew", taken, "convolve (frames, channels)", capsys)
    benchmark.pedantic(rivals["convolve (frames, channels)"][0], rounds=1)
