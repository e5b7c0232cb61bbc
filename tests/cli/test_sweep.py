"""What `roomplan sweep` writes, says and refuses."""

from __future__ import annotations

import json

import numpy as np
import pytest
import soundfile

import roomplan
from roomplan.api.playing import RecordedSound
from roomplan.api.sweeps import read_sweep
from roomplan.cautions import SWEEPS
from roomplan.errors import RoomplanError


@pytest.fixture
def sweep(run, folder):  # noqa: ARG001 — the command runs in the folder
    def command(*arguments, status=0):
        outcome = run("sweep", "--quiet", *arguments, "--rate", "16000")
        assert outcome.status == status, outcome.errors
        assert bool(outcome.errors) == (status != 0)
        return outcome

    return command


@pytest.mark.parametrize("arguments", [("sweep.wav", "--seconds", "1"), ("sweep.mp3",), ("none/sweep.wav",)])
def test_the_hearing_caution_comes_before_anything_else(sweep, arguments):
    shown = sweep(*arguments, status=0 if arguments[0] == "sweep.wav" else 1).output
    assert shown.startswith(SWEEPS)
    assert shown.count(SWEEPS) == 1


def test_the_file_holds_silence_the_left_the_right_and_the_left_sweep_again(sweep):
    sweep("sweep.wav", "--seconds", "1", "--decay", "1")
    samples, rate = soundfile.read("sweep.wav")
    played = read_sweep_of("sweep.wav")
    assert (rate, samples.shape) == (16_000, (played.frames, 2))
    assert np.abs(samples[:rate]).max() < 1e-6  # dither alone
    sounding = np.abs(samples) > 0.01
    first, second, third = played.start_frames
    length = played.sweep.frames()
    for start, side in ((first, 0), (second, 1), (third, 0)):
        assert sounding[start : start + length, side].mean() > 0.9
        assert not sounding[start : start + length, 1 - side].any()
        assert not sounding[start + length : start + length + round(1.75 * rate)].any()
    assert 20.0 * np.log10(np.abs(samples).max()) == pytest.approx(-6.0, abs=0.01)
    assert soundfile.info("sweep.wav").subtype == "PCM_24"


def read_sweep_of(name):
    from pathlib import Path

    return read_sweep(Path(name))


def test_how_it_was_made_is_in_the_file_and_in_the_text_beside_it(sweep, folder):
    sweep("sweep.wav", "--seconds", "1.5", "--from", "50", "--to", "5000", "--sides", "right,left")
    played = read_sweep_of("sweep.wav")
    assert (played.sweep.start_frequency, played.sweep.end_frequency) == (50.0, 5000.0)
    assert (played.sweep.seconds, played.sides) == (1.5, ("right", "left", "right"))
    assert read_sweep_of("sweep.txt") == played
    # either is enough
    (folder / "sweep.txt").rename(folder / "elsewhere")
    assert read_sweep_of("sweep.wav") == played
    (folder / "elsewhere").rename(folder / "sweep.txt")
    # an editor that drops the text of the file
    samples, rate = soundfile.read("sweep.wav")
    soundfile.write("sweep.wav", samples, rate)
    assert read_sweep_of("sweep.wav") == played
    (folder / "sweep.txt").unlink()
    with pytest.raises(RoomplanError, match="does not say how it was made"):
        read_sweep_of("sweep.wav")


def test_a_sweep_is_as_long_as_the_room_asks_for_and_ten_seconds_at_least(sweep):
    # closed form of the reference: octaves · RT · (60 - 40) / 60
    octaves = np.log2(7360 / 20)
    for decay, least in ((1.0, 10.0), (6.0, np.ceil(octaves * 6.0 / 3.0))):
        document = sweep("sweep.wav", "--decay", decay, "--json", "--replace").json
        assert document["made"]["sweep_s"] == least
        assert document["advice"]["least_sweep_s"] == pytest.approx(octaves * decay / 3.0, abs=1e-3)
        assert document["made"]["gap_s"] >= decay


def test_a_sweep_that_is_too_short_for_the_room_is_called_so(sweep):
    shown = sweep("sweep.wav", "--seconds", "1", "--decay", "2").output
    assert "this is too short" in shown
    assert "this is enough" in sweep("sweep.wav", "--seconds", "9", "--replace").output


def test_files_that_are_there_are_kept_unless_they_may_be_replaced(sweep, folder):
    (folder / "sweep.txt").write_text("mine", encoding="utf-8")
    outcome = sweep("sweep.wav", "--seconds", "1", status=1)
    assert "sweep.txt: already exists — name another file, or give --replace" in outcome.errors
    assert (folder / "sweep.txt").read_text(encoding="utf-8") == "mine"
    assert not (folder / "sweep.wav").exists()
    sweep("sweep.wav", "--seconds", "1", "--replace")
    assert json.loads((folder / "sweep.txt").read_text(encoding="utf-8"))["sweep_s"] == 1.0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("sweep.mp3",), "a sweep is written as WAV — name a .wav"),
        (("none/sweep.wav",), "there is no folder none"),
        (("sweep.wav", "--sides", "lefft"), "there is no side 'lefft' — did you mean left?"),
        (("sweep.wav", "--to", "9000"), "end at 7360 Hz or below"),
        (("sweep.wav", "--from", "100", "--to", "120"), "end at least an octave above the start"),
        (("sweep.wav", "--seconds", "nan"), "not all its values are finite numbers"),
    ],
)
def test_a_sweep_that_cannot_be_is_refused_in_one_line_and_writes_nothing(sweep, folder, arguments, words):
    outcome = sweep(*arguments, status=1)
    assert words in outcome.errors
    assert len(outcome.errors.splitlines()) == 1
    assert list(folder.iterdir()) == []


def test_the_library_makes_the_sound_that_the_command_writes(sweep):
    sweep("sweep.wav", "--seconds", "1")
    made = roomplan.sweep(seconds=1.0, sample_rate=16_000).samples()
    samples, _rate = soundfile.read("sweep.wav")
    assert np.abs(samples - made).max() < 4 * 2.0**-24  # dither and rounding of 24 bit


def test_a_played_sweep_comes_back_as_a_recording_and_lost_sound_is_an_error(sweep, monkeypatch, folder):
    class Wire:
        lost = False

        def playrec(self, samples, *, sample_rate, channels):
            noise = 1e-4 * np.random.default_rng(1).standard_normal((len(samples), channels))
            heard = 0.5 * samples[:, :1] + 0.5 * samples[:, 1:] + noise
            assert sample_rate == 16_000
            return RecordedSound(heard.astype(np.float32), self.lost, False)

    monkeypatch.setattr("roomplan.api.playing.open_device", lambda _name: Wire())
    shown = sweep("s.wav", "--seconds", "1", "--play", "0", "--record", "front.wav", "--inputs", "1").output
    assert shown.startswith(SWEEPS)
    assert "roomplan capture front.wav --sweep s.wav --output FOLDER" in shown
    assert soundfile.info("front.wav").channels == 1
    assert (
        "front.wav: already exists"
        in sweep("t.wav", "--seconds", "1", "--play", "0", "--record", "front.wav", status=1).errors
    )
    assert not (folder / "t.wav").exists()
    Wire.lost = True
    again = ("t.wav", "--seconds", "1", "--play", "0", "--record", "rear.wav")
    outcome = sweep(*again, "--json", status=1)
    assert outcome.json["recording"]["input_lost"] is True
    assert "rear.wav: sound was lost on the way" in outcome.errors


@pytest.mark.parametrize("arguments", [("--play", "0"), ("--record", "r.wav")])
def test_playing_and_recording_go_together(sweep, folder, arguments):
    assert "go together" in sweep("s.wav", *arguments, status=2).errors
    assert list(folder.iterdir()) == []
