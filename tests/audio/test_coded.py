"""Sound coded for a page: it comes back with its frames, nothing shifted, as near as its coding promises."""

from __future__ import annotations

import io

import numpy as np
import pytest
import soundfile

from roomplan.audio.coded import VORBIS_LEVELS, flac_bytes, vorbis_bytes

RATE = 48_000


def decoded(content: bytes) -> np.ndarray:
    samples, rate = soundfile.read(io.BytesIO(content), dtype="float64", always_2d=True)
    assert rate == RATE
    return samples


def noise(frames: int, channels: int) -> np.ndarray:
    return np.random.default_rng(4).uniform(-0.98, 0.98, (frames, channels)).astype(np.float32)


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("bits", [16, 24])
def test_the_error_of_flac_is_the_rounding_of_its_bits(bits, channels):
    sound = noise(100_001, channels)
    error = decoded(flac_bytes(sound, sample_rate=RATE, bits=bits)) - sound
    # a step is 2^(1 - bits), and the error of rounding a twelfth of its square
    expected = 20.0 * np.log10(2.0 ** (1 - bits)) - 10.0 * np.log10(12.0)
    assert 10.0 * np.log10(np.mean(error**2)) == pytest.approx(expected, abs=1.5 if bits == 24 else 0.1)


def test_flac_stays_within_full_scale():
    sound = np.array([[1.0], [-1.0], [0.0]], np.float32)
    assert decoded(flac_bytes(sound, sample_rate=RATE, bits=16))[:, 0].tolist() == [
        32_767 / 32_768,
        -1.0,
        0.0,
    ]


@pytest.mark.parametrize("level", VORBIS_LEVELS)
@pytest.mark.parametrize("frames", [1, 999, 48_000, 130_001])
def test_vorbis_comes_back_with_its_frames(frames, level):
    assert decoded(vorbis_bytes(noise(frames, 2), sample_rate=RATE, level=level)).shape == (frames, 2)


def test_vorbis_is_not_shifted_and_smaller_with_every_level():
    clock = np.arange(3 * RATE) / RATE
    sound = (0.5 * np.sin(440.0 * clock**2)[:, None] * [[1.0, 0.5]]).astype(np.float32)
    coded = [vorbis_bytes(sound, sample_rate=RATE, level=level) for level in VORBIS_LEVELS]
    assert sorted(map(len, coded), reverse=True) == list(map(len, coded))
    back = decoded(coded[0])
    lags = range(-3, 4)
    errors = [float(np.mean((np.roll(back, lag, axis=0)[100:-100] - sound[100:-100]) ** 2)) for lag in lags]
    assert errors.index(min(errors)) == 3
    assert min(errors) < 1e-3 * float(np.mean(sound**2))
