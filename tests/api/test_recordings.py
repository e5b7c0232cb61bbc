"""A recording in a file gives every stretch that is asked for, in any order."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from roomplan.api.recordings import FileRecording
from roomplan.capture.recording import ArrayRecording
from roomplan.errors import AudioError


@pytest.mark.parametrize(("name", "subtype"), [("r.wav", "PCM_24"), ("r.wav", "FLOAT"), ("r.flac", "PCM_16")])
def test_a_file_gives_the_stretches_of_its_samples_forwards_and_backwards(tmp_path, name, subtype):
    samples = np.random.default_rng(1).uniform(-0.5, 0.5, (200_000, 2))
    soundfile.write(tmp_path / name, samples, 48_000, subtype=subtype)
    held = soundfile.read(tmp_path / name)[0].astype(np.float64)
    whole = ArrayRecording(held, 48_000)
    with FileRecording(tmp_path / name) as recording:
        assert (recording.sample_rate, recording.channels, recording.frames) == (48_000, 2, 200_000)
        for first, frames in ((0, 10), (150_000, 70_000), (5, 100_000), (5, 1), (199_999, 5), (200_000, 5)):
            found = recording.read(first, frames)
            assert found.dtype == np.float64
            assert np.array_equal(found, whole.read(first, frames))


def test_a_coding_that_cannot_be_sought_gives_the_same_stretches(tmp_path):
    samples = 0.1 * np.random.default_rng(1).standard_normal((100_000, 1))
    soundfile.write(tmp_path / "r.ogg", samples, 48_000)
    with FileRecording(tmp_path / "r.ogg") as recording:
        later, earlier = recording.read(60_000, 1000), recording.read(100, 1000)
        assert np.array_equal(recording.read(60_000, 1000), later)
        assert np.array_equal(recording.read(100, 1000), earlier)


def test_a_missing_recording_is_named(tmp_path):
    with pytest.raises(AudioError, match="does not exist"):
        FileRecording(tmp_path / "none.wav")
