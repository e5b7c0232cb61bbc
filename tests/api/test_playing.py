"""A sweep played and recorded through a device that is put in: what is checked, written and flagged."""

from __future__ import annotations

import sys
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile

import roomplan
from roomplan.api.playing import RecordedSound, open_device, play_and_record
from roomplan.errors import RoomplanError

RATE = 8_000


class Room:
    """A device that plays into a room of one reflection, with a noise and a gain."""

    def __init__(self, gain=0.5, noise=1e-4, *, overflow=False, underflow=False):
        self.gain, self.noise, self.overflow, self.underflow = gain, noise, overflow, underflow
        self.peaks = []

    def playrec(self, samples, *, sample_rate, channels):
        assert sample_rate == RATE
        self.peaks.append(float(np.abs(samples).max()))
        mono = self.gain * samples.sum(axis=1)
        sound = mono + 0.3 * np.concatenate([np.zeros(400), mono[:-400]])
        sound += self.noise * np.random.default_rng(1).standard_normal(sound.size)
        heard = np.repeat(np.clip(sound, -1.0, 1.0)[:, None], channels, axis=1).astype(np.float32)
        return RecordedSound(heard, self.overflow, self.underflow)


@pytest.fixture
def played():
    return roomplan.sweep(seconds=1.0, sample_rate=RATE, decay_s=0.5)


def test_a_quiet_sweep_comes_first_and_then_all_of_the_loud_ones(tmp_path, played):
    room = Room()
    found = play_and_record(played, room, tmp_path / "r.wav", channels=3)
    assert 20.0 * np.log10(room.peaks) == pytest.approx([-30.0, -6.0], abs=0.05)
    samples, rate = soundfile.read(tmp_path / "r.wav")
    assert (rate, samples.shape) == (RATE, (played.frames, 3))
    assert found.peak_dbfs == pytest.approx(20.0 * np.log10(np.abs(samples).max()), abs=1e-6)
    assert not found.has_gaps
    # −30 dBFS of peak are −33 dB of power; −6 dB of gain, 1.3 where the reflection meets it
    assert found.over_noise_db == pytest.approx(-33.0 - 6.0 + 20.0 * np.log10(1.3) + 80.0, abs=0.7)


def test_where_nothing_comes_back_nothing_loud_is_played(tmp_path, played):
    for room in (Room(gain=0.0), Room(gain=0.0, noise=0.0), Room(gain=1e-4, noise=1e-3)):
        with pytest.raises(RoomplanError, match="nothing of the quiet sweep came back"):
            play_and_record(played, room, tmp_path / "r.wav")
        assert len(room.peaks) == 1
    assert list(tmp_path.iterdir()) == []


def test_what_would_clip_is_not_played(tmp_path, played):
    room = Room(gain=1.7)
    with pytest.raises(RoomplanError, match="would clip: its peak would be"):
        play_and_record(played, room, tmp_path / "r.wav")
    assert len(room.peaks) == 1
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("flags", [{"overflow": True}, {"underflow": True}])
def test_lost_sound_is_flagged(tmp_path, played, flags):
    assert play_and_record(played, Room(**flags), tmp_path / "r.wav").has_gaps


def test_without_the_extra_one_line_says_what_to_do_instead(monkeypatch):
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    with pytest.raises(RoomplanError) as caught:
        open_device("0")
    (line,) = str(caught.value).splitlines()
    assert 'pip install "roomplan[record]"' in line
    assert "any player" in line


def test_a_device_that_is_not_there_is_named_with_those_that_are(monkeypatch):
    def query(device=None):
        if device is None:
            return [{"name": "Tallow interface"}]
        raise ValueError("no such device")

    library = SimpleNamespace(query_devices=query, PortAudioError=OSError)
    monkeypatch.setitem(sys.modules, "sounddevice", library)
    with pytest.raises(
        RoomplanError, match="there is no sound device 'Orrin' — there are 0 Tallow interface"
    ):
        open_device("Orrin")


def test_a_device_of_the_library_is_asked_for_all_inputs_and_tells_what_was_lost(monkeypatch):
    asked = {}

    def playrec(samples, rate, **settings):
        asked.update(settings, rate=rate)
        return np.zeros((len(samples), settings["channels"]), np.float32)

    status = SimpleNamespace(
        input_overflow=True, input_underflow=False, output_underflow=False, output_overflow=False
    )
    library = SimpleNamespace(
        query_devices=lambda _device=None: [],
        playrec=playrec,
        get_status=lambda: status,
        PortAudioError=OSError,
    )
    monkeypatch.setitem(sys.modules, "sounddevice", library)
    found = open_device("3").playrec(np.zeros((10, 2), np.float32), sample_rate=RATE, channels=4)
    assert (found.samples.shape, found.overflow, found.underflow) == ((10, 4), True, False)
    assert (asked["device"], asked["channels"], asked["rate"], asked["blocking"]) == (3, 4, RATE, True)
