"""Sound to write and read: seeded noise, and files made of it."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile


@pytest.fixture
def noise():
    """Return a factory of white noise, (frames, channels) float64 within ±0.9."""

    def make(frames: int, channels: int = 2, seed: int = 1) -> np.ndarray:
        return np.random.default_rng(seed).uniform(-0.9, 0.9, (frames, channels))

    return make


@pytest.fixture
def sound_file(tmp_path, noise):
    """Return a factory of sound files of noise; gives the path."""

    def make(
        name="ice_harbour_choir.wav",
        frames=4800,
        channels=2,
        rate=48000,
        subtype=None,
        container=None,
        seed=1,
    ):
        path = tmp_path / name
        soundfile.write(path, noise(frames, channels, seed), rate, subtype=subtype, format=container)
        return path

    return make
