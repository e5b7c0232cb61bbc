"""Comments of WAV files: what we write, what soundfile reads of it, what others write, and damage."""

from __future__ import annotations

import struct
from typing import Any

import numpy as np
import pytest
import soundfile

from roomplan.audio.comments import read_comment
from roomplan.audio.writers import OutputFormat, SoundWriter
from roomplan.errors import AudioError

TEXT = '{"schema": "roomplan.sweep/1", "sides": ["left"]}'


@pytest.fixture
def written(tmp_path):
    def write(comment: str = TEXT, *, expected: int = 100, bit_depth: Any = 24):
        path = tmp_path / "sweep.wav"
        writer = SoundWriter(
            path,
            sample_rate=48_000,
            channels=2,
            frames_expected=expected,
            format=OutputFormat("wav", bit_depth),
            dither_seed="",
            comment=comment,
        )
        with writer:
            writer.write(np.full((100, 2), 0.25, np.float32))
        return path

    return write


@pytest.mark.parametrize("expected", [100, 2**30])  # a plain WAV, and one opened as RF64
@pytest.mark.parametrize("bit_depth", [16, 24, "32f"])
def test_a_comment_that_is_written_is_read_here_and_by_an_independent_reader(written, expected, bit_depth):
    path = written(expected=expected, bit_depth=bit_depth)
    with soundfile.SoundFile(path) as sound:
        assert sound.comment == TEXT
        assert np.allclose(sound.read(), 0.25, atol=1e-4)
    assert read_comment(path) == TEXT


def test_a_comment_is_found_among_other_texts_that_another_program_wrote(tmp_path):
    path = tmp_path / "other.wav"
    with soundfile.SoundFile(path, "w", 48_000, 1) as sound:
        sound.title = "Ice Harbour"
        sound.comment = TEXT
        sound.write(np.zeros(10))
    assert read_comment(path) == TEXT


def test_a_text_of_odd_size_before_the_comment_is_padded_as_riff_wants_it(tmp_path):
    # RIFF 1991: sizes count no padding
    texts = b"INAM" + struct.pack("<I", 5) + b"Nave\0\0" + b"ICMT" + struct.pack("<I", 3) + b"ok\0\0"
    contents = b"WAVELIST" + struct.pack("<I", 4 + len(texts)) + b"INFO" + texts
    path = tmp_path / "made.wav"
    path.write_bytes(b"RIFF" + struct.pack("<I", len(contents)) + contents)
    assert read_comment(path) == "ok"


def test_a_file_without_a_comment_has_none(tmp_path, written):
    assert read_comment(written("")) is None
    soundfile.write(tmp_path / "plain.flac", np.zeros(10), 48_000)
    assert read_comment(tmp_path / "plain.flac") is None
    (tmp_path / "text.wav").write_text("no sound", encoding="utf-8")
    assert read_comment(tmp_path / "text.wav") is None


def test_a_comment_whose_size_is_wrong_ends_with_its_list(written):
    path = written()
    raw = path.read_bytes()
    place = raw.index(b"ICMT") + 4
    path.write_bytes(raw[:place] + b"\xff\xff\xff\x7f" + raw[place + 4 :])
    assert read_comment(path) == TEXT


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(AudioError, match=r"nothing\.wav: does not exist"):
        read_comment(tmp_path / "nothing.wav")
