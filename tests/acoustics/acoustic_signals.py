"""Responses of known decay, made by formula: (frames,) arrays, the tests put them into (frames, 1)."""

from __future__ import annotations

import numpy as np

NEPER_60_DB = 6.0 * np.log(10.0)  # 13.8155: energy falls by 60 dB


def number(value):
    """Return a figure that must be there."""
    assert value is not None
    return float(value)


def times(seconds, sample_rate):
    return np.arange(round(seconds * sample_rate)) / sample_rate


def envelope(decay_time_s, seconds, sample_rate):
    """Amplitude of a decay: exp(-13.8155 t / 2 T)."""
    return np.exp(-0.5 * NEPER_60_DB * times(seconds, sample_rate) / decay_time_s)


def decaying_noise(seed, decay_time_s, seconds, sample_rate, floor_db=None):
    """Gaussian noise of variance 1 at time 0, with a stationary floor `floor_db` under it."""
    rng = np.random.default_rng(seed)
    decay = envelope(decay_time_s, seconds, sample_rate)
    sound = rng.normal(size=decay.size) * decay
    if floor_db is not None:
        sound += rng.normal(size=decay.size) * 10.0 ** (-floor_db / 20.0)
    return sound


def decaying_tone(frequency_hz, decay_time_s, seconds, sample_rate):
    tone = np.cos(2.0 * np.pi * frequency_hz * times(seconds, sample_rate))
    return tone * envelope(decay_time_s, seconds, sample_rate)


def ideal_c80(decay_time_s, limit_s=0.08):
    early = -np.expm1(-NEPER_60_DB * limit_s / decay_time_s)
    return 10.0 * np.log10(early / (1.0 - early))


def ideal_d50(decay_time_s):
    return -np.expm1(-NEPER_60_DB * 0.05 / decay_time_s)
