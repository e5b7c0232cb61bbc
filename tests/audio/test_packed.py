"""Samples of 24 bits that are unpacked here are those of the decoding library."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from roomplan.audio import packed
from roomplan.audio.info import SoundSource, read_sound
from roomplan.audio.packed import packed_start, read_packed
from roomplan.errors import AudioError

PIECE = packed._PIECE_VALUES


def write(path, frames, channels, *, container="WAV", endian="FILE"):
    steps = np.random.default_rng(frames).integers(-(2**23), 2**23, (frames, channels), dtype=np.int32)
    steps.flat[:4] = [-(2**23), 2**23 - 1, -1, 1][: steps.size]
    soundfile.write(path, steps << 8, 48_000, subtype="PCM_24", format=container, endian=endian)
    return steps


@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64"])
@pytest.mark.parametrize("channels", [1, 2, 5])
@pytest.mark.parametrize("frames", [1, 2, PIECE - 1, PIECE, PIECE + 1, 3 * PIECE + 7])
def test_unpacked_samples_are_the_librarys(tmp_path, frames, channels, container):
    path = tmp_path / "stem.wav"
    steps = write(path, frames, channels, container=container)
    assert packed_start(path, frames * channels) is not None
    samples, _info = read_sound(path)
    assert np.array_equal(samples, steps / 2**23)
    assert np.array_equal(samples, soundfile.read(path, always_2d=True)[0])
    single = np.empty((frames, channels), np.float32)
    with SoundSource(path) as source:
        source.read_into(single)
    assert np.array_equal(single, samples)


def test_reading_goes_on_where_a_skip_or_a_block_ended(tmp_path):
    path = tmp_path / "stem.wav"
    steps = write(path, 1000, 2)
    block = np.empty((300, 2), np.float32)
    with SoundSource(path) as source:
        source.skip(123)
        source.read_into(block)
        assert np.array_equal(block, steps[123:423] / 2**23)
        source.read_into(block[:7])
        assert np.array_equal(block[:7], steps[423:430] / 2**23)


def test_chunks_before_the_sound_are_no_sound(tmp_path):
    path = tmp_path / "stem.wav"
    steps = write(path, 50, 2)
    data = path.read_bytes()
    at = data.index(b"data")
    comment = b"ICMT" + (6).to_bytes(4, "little") + b"data99"
    note = b"LIST" + (18).to_bytes(4, "little") + b"INFO" + comment
    size = (len(data) + len(note) - 8).to_bytes(4, "little")
    path.write_bytes(data[:4] + size + data[8:at] + note + data[at:])
    assert packed_start(path, 100) == at + len(note) + 8
    assert np.array_equal(read_sound(path)[0], steps / 2**23)


def test_samples_with_the_highest_byte_first_are_left_to_the_library(tmp_path):
    path = tmp_path / "stem.wav"
    steps = write(path, 50, 2, endian="BIG")
    assert path.read_bytes()[:4] == b"RIFX"
    assert packed_start(path, 100) is None
    assert np.array_equal(read_sound(path)[0], steps / 2**23)


def test_a_file_that_ends_early_gives_the_whole_frames_it_has(tmp_path):
    path = tmp_path / "stem.wav"
    steps = write(path, 50, 2)
    start = packed_start(path, 100)
    assert start is not None
    path.write_bytes(path.read_bytes()[: start + 6 * 20 + 4])
    assert packed_start(path, 100) is None
    out = np.zeros((50, 2))
    assert read_packed(path, start, 10, out) == 10
    assert np.array_equal(out[:10], steps[10:20] / 2**23)


def test_a_file_that_is_removed_while_it_is_read_is_an_error(tmp_path):
    path = tmp_path / "stem.wav"
    write(path, 50, 2)
    block = np.empty((10, 2))
    with SoundSource(path) as source:
        source.read_into(block)
        path.unlink()
        with pytest.raises(AudioError, match="cannot be reached any more"):
            source.read_into(block)
