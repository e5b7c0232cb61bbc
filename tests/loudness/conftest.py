"""Signals shared by the loudness tests: tones and noise made here, nothing recorded."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from roomplan.loudness import Meter

RATE = 48_000


def _tone(*segments, sample_rate=RATE, channels=2, frequency_hz=1000.0):
    """Phase-continuous sine in every channel; segments are (seconds, peak dBFS), None for silence."""
    gains = [
        np.full(round(seconds * sample_rate), 0.0 if level is None else 10.0 ** (level / 20.0))
        for seconds, level in segments
    ]
    envelope = np.concatenate(gains)
    time = np.arange(len(envelope)) / sample_rate
    sine = envelope * np.sin(2 * np.pi * frequency_hz * time)
    return np.repeat(sine[:, None], channels, axis=1)


def _gated_noise(seconds, *, sample_rate=RATE, channels=2, seed=7):
    """Noise whose level jumps every 0.37 s over 90 dB, so that both gates have work; channels half alike."""
    rng = np.random.default_rng(seed)
    frames = round(seconds * sample_rate)
    common = rng.standard_normal((frames, 1))
    noise = 0.1 * (common + rng.standard_normal((frames, channels)))
    step = round(0.37 * sample_rate)
    levels = rng.uniform(-90.0, 0.0, frames // step + 1)
    return noise * 10.0 ** (np.repeat(levels, step)[:frames, None] / 20.0)


def _read(samples, *, sample_rate=RATE, weights=None, cuts=()):
    """Meter a whole sound, fed in blocks that end at `cuts`."""
    meter = Meter(sample_rate=sample_rate, channels=samples.shape[1], weights=weights)
    for start, stop in pairwise((0, *sorted(cuts), len(samples))):
        meter.feed(samples[start:stop])
    return meter.result()


@pytest.fixture(scope="session")
def tone():
    return _tone


@pytest.fixture(scope="session")
def gated_noise():
    return _gated_noise


@pytest.fixture(scope="session")
def read():
    return _read
