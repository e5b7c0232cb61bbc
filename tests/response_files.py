"""Responses of known decay, and how they get to the disk."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
import soundfile

if TYPE_CHECKING:
    from pathlib import Path

DECAY_RATE = 3.0 * np.log(10.0)


@pytest.fixture
def write_sound(tmp_path: Path):
    def write(name: str, samples: np.ndarray, *, sample_rate: int = 48_000, subtype: str = "DOUBLE") -> Path:
        path = tmp_path / name
        soundfile.write(path, samples, sample_rate, subtype=subtype)
        return path

    return write


@pytest.fixture
def decaying_noise():
    """Gaussian noise with one exponential decay in every band, shape (frames, channels), amplitude 0.1."""

    def make(
        time_s: float,
        *,
        length_s: float,
        channels: int = 1,
        sample_rate: int = 48_000,
        seed: int = 1,
        floor_db: float | None = None,
    ) -> np.ndarray:
        generator = np.random.default_rng(seed)
        frames = round(length_s * sample_rate)
        clock = np.arange(frames) / sample_rate
        samples = generator.standard_normal((frames, channels))
        samples *= np.exp(-DECAY_RATE * clock / time_s)[:, None]
        if floor_db is not None:
            samples += generator.standard_normal((frames, channels)) * 10.0 ** (floor_db / 20.0)
        return 0.1 * samples

    return make
