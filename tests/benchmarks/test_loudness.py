"""Loudness against libebur128 and pyloudnorm, and what-if answers: ratios of one run.

Run with `pytest tests/benchmarks --benchmark-only -s -k loudness`. The music is synthetic: decaying, filtered
noise bursts with a crest of some 20 dB.
"""

from __future__ import annotations

import time

import numpy as np
import pyebur128
import pyloudnorm
import pytest
from scipy.signal import lfilter

from roomplan.loudness import Meter, SoundMeter, loudness_of_hops
from roomplan.loudness.algebra import BusPowers
from roomplan.loudness.cross_powers import CrossPowers, CrossPowerWriter

RATE = 48_000
SECONDS = 300


@pytest.fixture(scope="module")
def music():
    generator = np.random.default_rng(4)
    frames = SECONDS * RATE
    envelope = np.zeros(frames)
    for start in range(0, frames, RATE // 2):
        length = min(RATE // 2, frames - start)
        envelope[start : start + length] = generator.uniform(0.1, 1.0) * np.exp(-np.arange(length) / 5000.0)
    bursts = generator.standard_normal((frames, 2)) * envelope[:, None]
    sound = np.asarray(lfilter([0.15], [1.0, -0.85], bursts, axis=0))
    return (0.5 * sound / np.abs(sound).max()).astype(np.float32)


def best(run, rounds=3):
    times = []
    for _round in range(rounds):
        start = time.perf_counter()
        run()
        times.append(time.perf_counter() - start)
    return min(times)


def ours(kind, music):
    meter = kind(sample_rate=RATE, channels=2)
    for start in range(0, len(music), 10 * RATE):
        meter.feed(music[start : start + 10 * RATE])
    return meter.result()


def theirs(music, mode):
    state = pyebur128.R128State(2, RATE, mode)
    samples = music.astype(np.float64).reshape(-1)
    state.add_frames(samples, len(music))
    return pyebur128.get_loudness_global(state)


def test_loudness_of_five_minutes(benchmark, capsys, music):
    mode = pyebur128.MeasurementMode
    plain = best(lambda: ours(Meter, music))
    whole = best(lambda: ours(SoundMeter, music))
    library = best(lambda: theirs(music, mode.MODE_I))
    with_peak = best(lambda: theirs(music, mode.MODE_I | mode.MODE_TRUE_PEAK))
    python = best(lambda: pyloudnorm.Meter(RATE).integrated_loudness(music.astype(np.float64)), rounds=1)
    with capsys.disabled():
        print(f"\nloudness of {SECONDS} s stereo: {plain:.2f} s, all figures with true peak {whole:.2f} s")
        print(f"  libebur128 {library:.2f} s: {library / plain:.1f} ×")
        print(f"  libebur128 with true peak {with_peak:.2f} s: {with_peak / whole:.1f} ×")
        print(f"  pyloudnorm {python:.2f} s: {python / plain:.1f} ×")
    benchmark.pedantic(lambda: None, rounds=1)


def test_loudness_of_twelve_buses_after_a_send_moved(benchmark, capsys, tmp_path):
    generator = np.random.default_rng(5)
    gains = generator.uniform(0.0, 1.0, (12, 16))
    with CrossPowerWriter(tmp_path / "cross.npy", components=16) as keep:
        powers = BusPowers(gains, sample_rate=RATE, keep=keep)
        for _second in range(0, SECONDS, 10):
            powers.feed(0.05 * generator.standard_normal((16, 2, 10 * RATE)).astype(np.float32))
        powers.finish()
        keep.finish()
    cross = CrossPowers.open(tmp_path / "cross.npy")

    def answer():
        gains[:, 3] *= 1.01
        return [loudness_of_hops(sums, sample_rate=RATE) for sums in cross.sums_many(gains)]

    answer()
    taken = best(answer, rounds=20)
    with capsys.disabled():
        print(f"\n12 buses of 16 components over {SECONDS} s after a send moved: {1000 * taken:.1f} ms")
    benchmark.pedantic(answer, rounds=1)
