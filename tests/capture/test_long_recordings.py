"""An hour with one sequence in it takes no more memory than some minutes."""

from __future__ import annotations

import tracemalloc
from dataclasses import dataclass

import numpy as np
import pytest
from chain import Chain, decaying_room, recorded

from roomplan.capture.capturing import capture_sweeps
from roomplan.capture.sequence import SweepSequence
from roomplan.capture.sweep import Sweep

RATE = 16_000
SEQUENCE = SweepSequence(Sweep(60.0, 7000.0, 1.5, RATE), ("left", "right", "left"), 0.3, 0.5)
MADE = recorded(SEQUENCE, Chain(decaying_room(3, rate=RATE, decay_s=0.2), noise_db=50.0)).recording
SOUND = MADE.read(0, MADE.frames)
HISS = 0.3 * np.std(SOUND[:4000]) * np.random.default_rng(2).normal(size=(1 << 16, 2))


@dataclass
class Long:
    """Hiss, and a recorded sequence from one frame on; nothing is kept."""

    frames: int
    at: int
    sample_rate: int = RATE
    channels: int = 2

    def read(self, first, frames):
        places = np.arange(first, min(first + frames, self.frames))
        made = HISS[places % len(HISS)]
        there = (places >= self.at) & (places < self.at + len(SOUND))
        made[there] += SOUND[places[there] - self.at]
        return made


def peak_of(minutes, at_minute):
    tracemalloc.start()
    capture = capture_sweeps(Long(minutes * 60 * RATE, at_minute * 60 * RATE), SEQUENCE)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return capture, peak


def test_an_hour_is_captured_in_the_memory_of_some_minutes():
    capture, peak = peak_of(60, 41)
    assert capture.takes[0].start_s == pytest.approx(41 * 60 + 0.5 + 0.3 + 0.004, abs=0.01)
    _, some = peak_of(4, 2)
    # an hour of samples is 460 MB more, what is kept of it some 20 MB
    assert peak - some < 60e6
