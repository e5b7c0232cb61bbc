"""Inspecting and reading whole files: every format, and everything that can be wrong with one."""

from __future__ import annotations

import os
import struct

import numpy as np
import pytest
import soundfile

from roomplan.audio import info as files
from roomplan.audio import riff
from roomplan.audio.info import inspect_sound, read_sound
from roomplan.errors import AudioError

# Container, subtype, channels, sample rate (some containers have only one).
EXACT = [
    ("WAV", "PCM_U8", 2, 48000),
    ("WAV", "PCM_16", 2, 8000),
    ("WAV", "PCM_24", 2, 384000),
    ("WAV", "PCM_32", 2, 192000),
    ("WAV", "FLOAT", 1, 44100),
    ("WAV", "DOUBLE", 2, 48000),
    ("WAVEX", "PCM_24", 6, 48000),
    ("RF64", "FLOAT", 2, 96000),
    ("W64", "PCM_24", 2, 48000),
    ("AIFF", "PCM_S8", 2, 48000),
    ("AIFF", "PCM_24", 2, 88200),
    ("AIFF", "FLOAT", 2, 48000),
    ("AU", "DOUBLE", 2, 48000),
    ("CAF", "PCM_32", 2, 48000),
    # Wider ALAC of incompressible noise is garbled by libsndfile 1.2.2 itself; tones are not.
    ("CAF", "ALAC_16", 2, 48000),
    ("FLAC", "PCM_S8", 2, 48000),
    ("FLAC", "PCM_16", 8, 44100),
    ("FLAC", "PCM_24", 2, 192000),
    ("NIST", "PCM_16", 2, 48000),
    ("VOC", "PCM_16", 2, 48000),
    ("PAF", "PCM_24", 2, 48000),
    ("SVX", "PCM_16", 1, 48000),
    ("AVR", "PCM_16", 2, 48000),
    ("MAT4", "DOUBLE", 2, 48000),
    ("MAT5", "FLOAT", 2, 48000),
    ("IRCAM", "FLOAT", 2, 48000),
    ("PVF", "PCM_32", 2, 48000),
    ("SDS", "PCM_24", 1, 48000),
    ("MPC2K", "PCM_16", 2, 44100),
]
LOSSY = [
    ("WAV", "ULAW", 1, 8000),
    ("WAV", "MS_ADPCM", 2, 48000),
    ("WAV", "GSM610", 1, 8000),
    ("AIFF", "DWVW_16", 1, 48000),
    ("OGG", "VORBIS", 2, 48000),
    ("OGG", "OPUS", 2, 48000),
    ("MP3", "MPEG_LAYER_III", 2, 44100),
    ("XI", "DPCM_16", 1, 44100),
]
BITS = {"U8": 8, "S8": 8, "16": 16, "24": 24, "32": 32}


@pytest.mark.parametrize(("container", "subtype", "channels", "rate"), EXACT)
def test_every_lossless_format_is_read_exactly_with_full_scale_one(
    tmp_path, noise, container, subtype, channels, rate
):
    path = tmp_path / f"a.{container.lower()}"
    expected = noise(24_000, channels)
    if subtype in {"FLOAT", "DOUBLE"}:
        expected = expected.astype({"FLOAT": np.float32, "DOUBLE": np.float64}[subtype])
        soundfile.write(path, expected, rate, subtype=subtype, format=container)
    else:
        bits = BITS[subtype.rpartition("_")[2]]
        values = np.rint(expected * 2 ** (bits - 1)).astype(np.int64)
        values[0], values[1] = -(2 ** (bits - 1)), 2 ** (bits - 1) - 1  # both ends of the range
        soundfile.write(
            path, (values << (32 - bits)).astype(np.int32), rate, subtype=subtype, format=container
        )
        expected = values / 2 ** (bits - 1)
    samples, info = read_sound(path)
    assert info == inspect_sound(path)
    assert (info.path, info.frames, info.channels, info.sample_rate) == (path, 24_000, channels, rate)
    assert (info.container, info.subtype) == (container, subtype)
    assert samples.dtype == np.float64
    assert np.array_equal(samples, expected)


@pytest.mark.parametrize(("container", "subtype", "channels", "rate"), LOSSY)
def test_every_lossy_format_is_read_in_shape_and_level(sound_file, noise, container, subtype, channels, rate):
    path = sound_file(
        f"a.{container.lower()}", 24_000, channels=channels, rate=rate, subtype=subtype, container=container
    )
    samples, info = read_sound(path)
    assert info == inspect_sound(path)
    assert (info.channels, info.sample_rate, info.subtype) == (channels, rate, subtype)
    assert samples.shape == (info.frames, channels)
    # Coders of blocks add up to a few thousand frames; all keep the band below a quarter of the rate.
    assert 24_000 <= info.frames < 28_000
    assert _low_band_db(samples[:24_000, 0]) == pytest.approx(
        _low_band_db(noise(24_000, channels)[:, 0]), abs=3
    )


def _low_band_db(signal):
    power = np.abs(np.fft.rfft(signal)) ** 2
    return 10 * np.log10(power[: len(power) // 4].sum())


def test_duration_is_frames_over_rate(sound_file):
    assert inspect_sound(sound_file(frames=24000)).duration_s == 0.5


def test_a_file_longer_than_one_block_is_read_whole(sound_file, noise):
    frames = 2 * files.BLOCK_FRAMES + 17
    samples, _ = read_sound(sound_file(frames=frames, subtype="DOUBLE"))
    assert np.array_equal(samples, noise(frames))


def test_a_missing_file_is_named_with_the_nearest_name(sound_file, tmp_path):
    sound_file("Choir_L.wav")
    with pytest.raises(AudioError, match=r"chior_l\.wav: does not exist — did you mean Choir_L\.wav\?"):
        inspect_sound(tmp_path / "chior_l.wav")


def test_a_missing_file_is_named_with_the_same_name_of_another_ending(sound_file, tmp_path):
    sound_file("brass.aiff")
    with pytest.raises(AudioError, match=r"did you mean brass\.aiff\?"):
        inspect_sound(tmp_path / "brass.wav")


def test_a_missing_file_without_likeness_gets_no_guess(sound_file, tmp_path):
    sound_file("woodwinds.wav")
    with pytest.raises(AudioError, match="does not exist — check the name") as caught:
        inspect_sound(tmp_path / "q.wav")
    assert caught.value.path == tmp_path / "q.wav"


def test_a_missing_folder_is_named(tmp_path):
    with pytest.raises(AudioError, match=r"there is no folder .*nowhere"):
        inspect_sound(tmp_path / "nowhere" / "choir.wav")


def test_a_folder_is_refused(tmp_path):
    with pytest.raises(AudioError, match="is a folder"):
        inspect_sound(tmp_path)


def test_a_dangling_link_is_refused(tmp_path):
    (tmp_path / "choir.wav").symlink_to(tmp_path / "gone.wav")
    with pytest.raises(AudioError, match="link to a file that does not exist"):
        inspect_sound(tmp_path / "choir.wav")


def test_a_pipe_is_refused_and_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "choir.wav")
    with pytest.raises(AudioError, match="not a regular file"):
        inspect_sound(tmp_path / "choir.wav")


def test_an_empty_file_is_refused(tmp_path):
    (tmp_path / "choir.wav").touch()
    with pytest.raises(AudioError, match="is empty"):
        inspect_sound(tmp_path / "choir.wav")


def test_a_file_without_frames_is_refused(sound_file):
    with pytest.raises(AudioError, match="holds no sound"):
        inspect_sound(sound_file(frames=0))


@pytest.mark.parametrize("ending", ["wav", "flac", "mp3", "txt", "raw", "vox", "au", "gsm", "snd"])
def test_text_is_refused_whatever_its_name(tmp_path, ending):
    # The decoding library takes text named .au, .vox or .gsm for headerless sound.
    path = tmp_path / f"notes.{ending}"
    path.write_text("sections: choir, low strings\n" * 50)
    with pytest.raises(AudioError, match=r"not a sound file|no header"):
        inspect_sound(path)


@pytest.mark.parametrize(
    ("container", "subtype"), [("WAV", "PCM_24"), ("WAV", "MS_ADPCM"), ("RF64", "FLOAT")]
)
@pytest.mark.parametrize("kept", [0.5, 0.9])
def test_a_cut_off_riff_file_is_refused_with_both_sizes(sound_file, container, subtype, kept):
    path = sound_file(frames=48000, subtype=subtype, container=container)
    _cut(path, kept)
    with pytest.raises(AudioError, match=r"claims \d+ bytes of sound, but the file holds \d+ .*cut off"):
        inspect_sound(path)


@pytest.mark.parametrize("container", ["AIFF", "FLAC", "W64", "AU", "MP3", "CAF"])
def test_a_cut_off_file_of_another_container_is_refused(sound_file, container):
    path = sound_file(f"a.{container.lower()}", frames=48000, container=container)
    _cut(path, 0.5)
    with pytest.raises(AudioError, match=r"claims|not a sound file"):
        inspect_sound(path)


def test_a_flac_cut_in_the_last_block_is_refused_when_read(sound_file):
    path = sound_file("a.flac", frames=48000)
    _cut(path, 0.999)
    with pytest.raises(AudioError, match=r"claims 48000 frames|is damaged"):
        read_sound(path)


def test_a_damaged_middle_is_found_when_read(sound_file):
    path = sound_file("a.flac", frames=200_000)
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 20_000] = bytes(20_000)
    path.write_bytes(data)
    with pytest.raises(AudioError, match=r"is damaged after|claims 200000 frames"):
        read_sound(path)


@pytest.mark.parametrize(("missing", "refused"), [(1, False), (2, False), (3, True)])
def test_less_than_a_frame_may_be_missing_but_not_a_frame(sound_file, missing, refused):
    # Some programs count a padding byte in the size of the sound, and do not write it.
    path = sound_file(frames=1001, channels=1, subtype="PCM_24")
    data = bytearray(path.read_bytes()[: 44 + 3003])
    at = data.index(b"data") + 4
    data[at : at + 4] = struct.pack("<I", 3003 + missing)
    path.write_bytes(data)
    if refused:
        with pytest.raises(AudioError, match="claims 3006 bytes of sound, but the file holds 3003"):
            inspect_sound(path)
    else:
        assert inspect_sound(path).frames == 1001


@pytest.mark.parametrize("size", [0xFFFFFFFF, 0x7FFFFFFF, 0x7FFFF000])
def test_a_header_written_to_a_pipe_leaves_the_length_open(sound_file, noise, size):
    path = sound_file(frames=1000, subtype="PCM_16")
    data = bytearray(path.read_bytes())
    at = data.index(b"data") + 4
    data[at : at + 4] = struct.pack("<I", size)
    data[4:8] = struct.pack("<I", size)
    path.write_bytes(data)
    samples, info = read_sound(path)
    assert info.frames == 1000
    assert np.abs(samples - noise(1000)).max() <= 1 / 2**15


def test_chunks_before_and_after_the_sound_do_no_harm(sound_file, noise):
    path = sound_file(frames=1000, subtype="PCM_16")
    data = path.read_bytes()
    odd = b"junk" + struct.pack("<I", 5) + b"12345\0"
    at = data.index(b"data")
    data = data[:at] + odd + data[at:] + odd
    path.write_bytes(b"RIFF" + struct.pack("<I", len(data) - 8) + data[8:])
    samples, _ = read_sound(path)
    assert np.abs(samples - noise(1000)).max() <= 1 / 2**15
    _cut(path, 0.5)  # and the sound is found behind them
    with pytest.raises(AudioError, match="claims 4000 bytes"):
        inspect_sound(path)


def test_a_plain_wav_beyond_4_gib_is_refused(sound_file):
    # A sparse file: takes no space. Sizes of 32 bits end at 4 GiB (RIFF, 1991).
    path = sound_file(frames=1000)
    with path.open("r+b") as file:
        file.truncate(2**32 + 100_000)
    with pytest.raises(AudioError, match="more than 4 GiB"):
        inspect_sound(path)


def test_a_flac_that_does_not_say_its_length_is_refused(sound_file):
    # The number of samples is the low 36 bits of bytes 18 to 25 of the file; 0 means unknown (RFC 9639, 8.2).
    path = sound_file("a.flac", frames=1000)
    data = bytearray(path.read_bytes())
    data[21] &= 0xF0
    data[22:26] = bytes(4)
    path.write_bytes(data)
    with pytest.raises(AudioError, match="does not say how long it is"):
        inspect_sound(path)


def test_a_flac_that_claims_a_length_beyond_belief_is_refused_without_memory_for_it(sound_file):
    path = sound_file("a.flac", frames=1000)
    data = bytearray(path.read_bytes())
    data[21] |= 0x0F
    data[22:26] = b"\xff" * 4
    path.write_bytes(data)
    with pytest.raises(AudioError, match="claims 68719476735 frames"):
        read_sound(path)


@pytest.mark.parametrize("rate", [1, 7999, 384001])
def test_a_rate_outside_8_to_384_khz_is_refused(sound_file, rate):
    with pytest.raises(AudioError, match=rf"sample rate of {rate} Hz — use 8000 to 384000 Hz"):
        inspect_sound(sound_file(rate=rate))


@pytest.mark.parametrize(
    ("value", "words"), [(np.nan, "not a number"), (np.inf, "infinite"), (-np.inf, "infinite")]
)
@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE"])
def test_a_value_that_is_not_finite_is_named_with_channel_and_time(tmp_path, noise, value, words, subtype):
    samples = noise(100_000, 2)
    samples[72_000, 1] = value
    path = tmp_path / "brass.wav"
    soundfile.write(path, samples, 48000, subtype=subtype)
    with pytest.raises(
        AudioError, match=rf"brass\.wav: holds an? .*{words}.* channel 2 at 1\.500 s \(frame 72000\)"
    ):
        read_sound(path)


def test_more_frames_than_the_caller_can_use_are_an_error_and_never_cut(sound_file):
    path = sound_file(frames=48000)
    assert len(read_sound(path, max_frames=48000)[0]) == 48000
    with pytest.raises(AudioError, match=r"is 1\.0 s long \(48000 frames\) — give a file of at most 0\.5 s"):
        read_sound(path, max_frames=24000)


def test_a_file_of_other_rights_is_refused(sound_file, monkeypatch):
    path = sound_file()
    monkeypatch.setattr(os, "access", lambda *_, **__: False)  # root, who runs some tests, may read anything
    with pytest.raises(AudioError, match="may not be read"):
        inspect_sound(path)


def test_a_path_with_any_letters_is_read(sound_file):
    assert inspect_sound(sound_file("Kör – 合唱 🎻.wav")).frames == 4800


def test_chunks_are_not_walked_for_ever(tmp_path):
    path = tmp_path / "a.wav"
    sound = b"data" + struct.pack("<I", 4) + bytes(4)
    path.write_bytes(b"RIFF\0\0\0\0WAVE" + b"junk\0\0\0\0" * 1000 + sound)
    assert riff.sound_claim(path) == riff.SoundClaim(claimed=4, held=4, wrapped=False)
    path.write_bytes(b"RIFF\0\0\0\0WAVE" + b"junk\0\0\0\0" * 10_000 + sound)
    assert riff.sound_claim(path) is None


def _cut(path, kept):
    with path.open("r+b") as file:
        file.truncate(int(path.stat().st_size * kept))
