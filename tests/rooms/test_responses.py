from __future__ import annotations

import time

import numpy as np
import pytest
import soundfile

from roomplan.errors import AudioError
from roomplan.rooms.responses import read_for_measuring, read_response


def test_channels_stay_as_they_are_and_a_pair_is_joined_left_first(write_sound, decaying_noise):
    noise = decaying_noise(0.5, length_s=0.5, channels=4)
    whole = write_sound("whole.wav", noise)
    np.testing.assert_array_equal(read_response((whole,)).samples, noise)
    left, right = write_sound("l.wav", noise[:, 0]), write_sound("r.wav", noise[:, 1])
    np.testing.assert_array_equal(read_response((left, right)).samples, noise[:, :2])
    left, right = write_sound("ls.wav", noise[:, :2]), write_sound("rs.wav", noise[:, 2:])
    np.testing.assert_array_equal(read_response((left, right)).samples, noise)  # LL, LR, RL, RR


def test_the_shorter_file_of_a_pair_is_filled_with_silence(write_sound, decaying_noise):
    noise = decaying_noise(0.5, length_s=0.5, channels=2)
    left, right = write_sound("l.wav", noise[:, 0]), write_sound("r.wav", noise[:9_000, 1])
    sound = read_response((left, right))
    assert sound.samples.shape == noise.shape
    assert not np.any(sound.samples[9_000:, 1])


@pytest.mark.parametrize("rate", [8_000, 11_025, 44_100, 96_000, 192_000])
@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
def test_rates_from_8_to_192_khz_and_every_usual_format_are_read(write_sound, decaying_noise, rate, subtype):
    noise = decaying_noise(0.2, length_s=0.1, channels=2, sample_rate=rate)
    sound = read_response((write_sound("r.wav", noise, sample_rate=rate, subtype=subtype),))
    assert sound.sample_rate == rate
    np.testing.assert_allclose(sound.samples, noise, atol=2.0**-15)
    assert sound.warnings == ()


@pytest.mark.parametrize("channels", [3, 5, 6])
def test_three_or_more_than_four_channels_are_refused_by_name(write_sound, channels):
    path = write_sound("many.wav", np.ones((100, channels)))
    with pytest.raises(AudioError, match=rf"many\.wav: has {channels} channels.*LL, LR, RL, RR"):
        read_response((path,))


def test_a_four_channel_file_has_no_place_in_a_pair(write_sound, decaying_noise):
    noise = decaying_noise(0.5, length_s=0.2, channels=4)
    with pytest.raises(AudioError, match=r"l\.wav: has 4 channels.*pair"):
        read_response((write_sound("l.wav", noise), write_sound("r.wav", noise)))


def test_a_pair_needs_one_rate_and_one_channel_count(write_sound, decaying_noise):
    noise = decaying_noise(0.5, length_s=0.2, channels=2)
    left = write_sound("l.wav", noise)
    with pytest.raises(AudioError, match=r"r\.wav: is at 44100 Hz.*l\.wav at 48000 Hz"):
        read_response((left, write_sound("r.wav", noise, sample_rate=44_100)))
    with pytest.raises(AudioError, match=r"r\.wav: has 1 channel.*l\.wav has 2"):
        read_response((left, write_sound("r.wav", noise[:, 0])))


def test_silence_nan_and_dc_are_refused_by_name(write_sound):
    with pytest.raises(AudioError, match=r"silent\.wav: is silent"):
        read_response((write_sound("silent.wav", np.zeros((4_800, 2))),))
    broken = np.zeros((4_800, 1))
    broken[100] = np.nan
    with pytest.raises(AudioError, match=r"nan\.wav: .*NaN.*channel 1"):
        read_response((write_sound("nan.wav", broken),))
    with pytest.raises(AudioError, match=r"dc\.wav: contains only a constant"):
        read_response((write_sound("dc.wav", np.full((4_800, 1), 0.25)),))


def test_one_silent_channel_is_a_warning(write_sound, decaying_noise):
    noise = decaying_noise(0.5, length_s=0.3, channels=2)
    noise[:, 1] = 0.0
    (warning,) = read_response((write_sound("half.wav", noise),)).warnings
    assert "half.wav: channel 2 is silent" in warning


@pytest.mark.parametrize("subtype", ["PCM_16", "FLOAT"])
def test_three_equal_samples_at_full_scale_are_flagged_as_clipping(write_sound, decaying_noise, subtype):
    noise = np.clip(decaying_noise(0.5, length_s=0.3) * 30.0, -1.0, 1.0)
    (warning,) = read_response((write_sound("hot.wav", noise, subtype=subtype),)).warnings
    assert "hot.wav: channel 1 looks clipped" in warning


def test_a_single_sample_at_full_scale_is_not_clipping(write_sound, decaying_noise):
    noise = decaying_noise(0.5, length_s=0.3)
    noise[0] = 1.0
    assert read_response((write_sound("peak.wav", noise),)).warnings == ()


def test_a_constant_offset_is_taken_off_with_a_warning(write_sound, decaying_noise):
    noise = decaying_noise(0.1, length_s=0.5)
    sound = read_response((write_sound("offset.wav", noise + 0.003),))
    assert "offset.wav: channel 1 has a constant offset of 0.003" in sound.warnings[0]
    assert np.max(np.abs(sound.samples - noise)) < 1e-5


def test_a_one_sided_decay_has_no_offset(write_sound):
    decay = np.exp(-np.arange(9_600) / 900.0)[:, None]
    sound = read_response((write_sound("step.wav", decay),))
    assert sound.warnings == ()
    np.testing.assert_array_equal(sound.samples, decay)


def test_a_twenty_minute_file_is_one_problem_at_once_and_names_the_limit(tmp_path):
    path = tmp_path / "stem.wav"
    block = np.zeros((48_000 * 60, 1), dtype=np.int16)
    with soundfile.SoundFile(path, "w", 48_000, 1, "PCM_16") as sound:
        for _minute in range(20):
            sound.write(block)
    start = time.process_time()
    with pytest.raises(AudioError, match=r"stem\.wav: is 20\.0 min long.*at most 60 s") as caught:
        read_response((path,))
    assert len(caught.value.problems) == 1
    assert time.process_time() - start < 1.0  # the sound is never read: a header takes milliseconds


@pytest.mark.parametrize(
    ("sound", "what"),
    [("sweep", "is a sweep"), ("noise", "does not decay"), ("loop", "begins again and again")],
)
def test_what_is_no_response_is_refused_and_measured_with_a_warning_only_by_force(write_sound, sound, what):
    rng = np.random.default_rng(3)
    time_s = np.arange(5 * 48_000) / 48_000
    samples = {
        "sweep": 0.5 * np.sin(2.0 * np.pi * 20.0 * 0.8 * 2.0 ** (time_s / 0.6)),
        "noise": 0.1 * rng.standard_normal(time_s.size),
        "loop": 0.2 * rng.standard_normal(time_s.size) * 10.0 ** (-6.0 * (time_s % 0.5)),
    }[sound]
    path = write_sound(f"{sound}.wav", samples)
    with pytest.raises(AudioError, match=what) as refused:
        read_response((path,))
    assert "--force" not in str(refused.value)
    with pytest.raises(AudioError, match="--force"):
        read_for_measuring(path)
    assert what in read_for_measuring(path, force=True).warnings[-1]


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(AudioError, match=r"nowhere\.wav: does not exist"):
        read_response((tmp_path / "nowhere.wav",))
