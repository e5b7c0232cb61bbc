"""Recordings of claps in a room whose decay is known; and `chain.py` importable: folders are no packages."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

RATE = 48_000


@pytest.fixture
def clap():
    """One clap in a room: a click and a diffuse decay, (frames, channels), peak 0.5."""

    def make(decay_time_s=0.8, *, length_s=2.0, channels=1, seed=1, rate=RATE):
        rng = np.random.default_rng(seed)
        frames = round(length_s * rate)
        time = np.arange(frames)[:, None] / rate
        sound = 0.05 * rng.standard_normal((frames, channels)) * 10.0 ** (-3.0 * time / decay_time_s)
        sound[0] = 0.5
        return sound

    return make


@pytest.fixture
def recorded():
    """Sounds at times of a recording that has a background noise."""

    def make(sounds, *, length_s, floor=1e-5, rate=RATE, channels=1, seed=9):
        rng = np.random.default_rng(seed)
        recording = floor * rng.standard_normal((round(length_s * rate), channels))
        for at_s, sound in sounds:
            first = round(at_s * rate)
            recording[first : first + len(sound)] += sound[: len(recording) - first]
        return recording

    return make
