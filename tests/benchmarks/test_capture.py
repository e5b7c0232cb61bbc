"""Capturing against the inversion alone, by an independent library, side by side in one process.

Run with `pytest tests/benchmarks/test_capture.py --benchmark-only -s`. A sweep of 10 s left, right and left
into two channels at 48 kHz; the rival is given the takes cut out, and inverts each channel of each.
"""

from __future__ import annotations

import time

import numpy as np
import pytest

from roomplan.capture.capturing import capture_sweeps
from roomplan.capture.recording import ArrayRecording
from roomplan.capture.sequence import SweepSequence, sequence_samples
from roomplan.capture.sweep import Sweep, sweep_samples

pyfar = pytest.importorskip("pyfar")

RATE = 48_000
SEQUENCE = SweepSequence(Sweep(20.0, 20_000.0, 10.0, RATE), ("left", "right", "left"), 1.0, 2.0)
ROUNDS = 3


def made():
    """Both sides in both channels, a decay of 0.6 s, and noise."""
    rng = np.random.default_rng(4)
    times = np.arange(RATE)
    rooms = 0.05 * rng.normal(size=(2, 2, RATE)) * 10.0 ** (-3.0 * times / (0.6 * RATE))
    for side in range(2):
        rooms[side, :, 100] += 1.0
        rooms[side, 1 - side, :100] = 0.0
    played = np.concatenate(list(sequence_samples(SEQUENCE)))
    size = len(played) + RATE
    sides = np.fft.rfft(played, size, axis=0)
    sound = np.fft.irfft(np.einsum("ls,scl->cl", sides, np.fft.rfft(rooms, size)), size).T
    sound *= 0.4 / np.max(np.abs(sound))
    return sound + 1e-4 * rng.normal(size=sound.shape)


def theirs(sound):
    length = SEQUENCE.sweep.frames() + 2 * RATE
    size = length + SEQUENCE.sweep.frames()
    sweep = pyfar.Signal(np.pad(sweep_samples(SEQUENCE.sweep), (0, size - SEQUENCE.sweep.frames())), RATE)
    inverse = pyfar.dsp.RegularizedSpectrumInversion.from_frequency_range(sweep, [20, 20_000]).invert
    return [
        np.fft.irfft(np.fft.rfft(np.pad(take, ((0, size - len(take)), (0, 0))).T) * inverse.freq, size)
        for take in (sound[start : start + length] for start in SEQUENCE.start_frames)
    ]


def test_a_true_stereo_capture(benchmark, capsys):
    sound = made()
    recording = ArrayRecording(sound, RATE)
    ours, others = [], []
    for _ in range(ROUNDS):
        begun = time.process_time()
        assert len(capture_sweeps(recording, SEQUENCE).responses) == 2
        middle = time.process_time()
        theirs(sound)
        ours.append(middle - begun)
        others.append(time.process_time() - middle)
    with capsys.disabled():
        print(f"\ncapture {min(ours):.2f} s, inversion alone {min(others):.2f} s of processor time")
        print(f"ratio {min(ours) / min(others):.1f}")
    benchmark.pedantic(lambda: None, rounds=1)
