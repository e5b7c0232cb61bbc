"""What is heard in a folder: facts of the files, and faults instead of failures."""

from __future__ import annotations

import numpy as np
import pyebur128
import pytest
import soundfile

from roomplan.drafting.listening import list_stems, listen
from roomplan.errors import RoomplanError

RATE = 48_000


def heard(folder, name, samples, rate=RATE, subtype="FLOAT"):
    soundfile.write(folder / name, samples, rate, subtype=subtype)
    return listen([folder / name])[0]


def test_loudness_and_peak_are_those_of_an_independent_meter(tmp_path):
    samples = 0.1 * np.random.default_rng(3).standard_normal((2 * RATE, 2))
    found = heard(tmp_path, "noise.wav", samples)
    stored = samples.astype(np.float32).astype(np.float64)
    # pyebur128 (libebur128), BS.1770; both round nothing on the way
    assert found.loudness_lufs == pytest.approx(pyebur128.get_loudness_global(_state(stored)), abs=1e-3)
    assert found.peak_dbfs == pytest.approx(20 * np.log10(np.abs(stored).max()), abs=1e-6)
    assert (found.channels, found.sample_rate, found.duration_s) == (2, RATE, 2.0)


def _state(samples):
    state = pyebur128.R128State(samples.shape[1], RATE, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(samples).ravel(), len(samples))
    return state


def test_a_stem_that_enters_late_and_stops_early_says_when(tmp_path):
    samples = np.zeros((4 * RATE, 1))
    samples[RATE : 3 * RATE] = 0.1 * np.random.default_rng(3).standard_normal((2 * RATE, 1))
    first, last = heard(tmp_path, "late.wav", samples).sounds_s or (0.0, 0.0)
    assert first == pytest.approx(1.0, abs=0.021)
    assert last == pytest.approx(3.0, abs=0.041)  # the filter rings for a hop


def test_silence_is_no_fault_and_has_no_loudness(tmp_path):
    found = heard(tmp_path, "silence.wav", np.zeros((RATE, 2)))
    assert (found.silent, found.fault, found.loudness_lufs, found.sounds_s) == (True, None, None, None)


def test_a_rate_above_the_meters_is_no_fault(tmp_path):
    found = heard(tmp_path, "high.wav", 0.1 * np.ones((4000, 1)), 384_000)
    assert (found.fault, found.loudness_lufs, found.silent) == (None, None, False)


@pytest.mark.parametrize(
    ("samples", "why"),
    [(np.full((100, 1), np.nan), "NaN"), (np.zeros((100, 4)), "4 channels")],
)
def test_what_cannot_be_rendered_says_why(tmp_path, samples, why):
    fault = heard(tmp_path, "bad.wav", samples).fault
    assert fault is not None
    assert why.casefold() in fault.casefold()
    assert str(tmp_path) not in fault


def test_text_that_calls_itself_sound_and_a_folder_that_does_are_faults(tmp_path):
    (tmp_path / "a.wav").write_text("no sound")
    (tmp_path / "b.wav").mkdir()
    assert all(file.fault for file in listen(list_stems(tmp_path)))


def test_stems_are_listed_in_natural_order_without_other_systems_leftovers(tmp_path):
    for name in ("Audio 10.wav", "Audio 2.WAV", "._Audio 2.wav", "notes.txt", "x.flac"):
        (tmp_path / name).touch()
    assert [path.name for path in list_stems(tmp_path)] == ["Audio 2.WAV", "Audio 10.wav", "x.flac"]


def test_a_folder_without_stems_is_refused_with_what_would_be_right(tmp_path):
    (tmp_path / "empty").mkdir()
    (tmp_path / "outer" / "inner").mkdir(parents=True)
    (tmp_path / "outer" / "inner" / "x.wav").touch()
    (tmp_path / "file.wav").touch()
    for place, words in (
        ("nowhere", "there is no folder"),
        ("empty", "is empty"),
        ("outer", "did you mean"),
        ("file.wav", "is a file"),
    ):
        with pytest.raises(RoomplanError, match=words) as refused:
            list_stems(tmp_path / place)
        assert "\n" not in str(refused.value)
