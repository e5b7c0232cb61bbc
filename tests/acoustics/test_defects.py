"""Clipping, drop-outs and beginnings that cannot be told: found where they are, and nowhere else."""

from __future__ import annotations

import numpy as np
import pytest
from acoustic_signals import decaying_noise, decaying_tone
from hypothesis import given
from hypothesis import strategies as st

from roomplan.acoustics.defects import (
    CLIPPED_RUN,
    doubtful_beginning,
    find_clipping,
    find_drop_out,
    find_flat_tops,
    share_ahead,
    swelling_beginning,
)
from roomplan.acoustics.direct_sound import find_onset

RATE = 48_000


def beginning(sound, rate=RATE):
    """Doubt about the beginning from the onset the analysis uses."""
    onset = find_onset(sound[:, None])
    assert onset is not None
    return doubtful_beginning(np.abs(sound[onset:]), sample_rate=rate)


@pytest.mark.parametrize("level", [1.0, -1.0, 0.9995, 1 - 2**-15, 7.5])
def test_three_equal_samples_at_full_scale_are_clipping(level):
    sound = 0.1 * np.random.default_rng(1).normal(size=1000)
    sound[400:403] = level
    assert CLIPPED_RUN == 3
    assert find_clipping(sound) == 400


@pytest.mark.parametrize(
    "run", [[1.0, 1.0], [1.0, 0.5, 1.0, 1.0], [0.998] * 9, [1.0, -1.0, 1.0, -1.0], [0.9995, 1.0, 1.1]]
)
def test_peaks_that_do_not_stand_still_at_full_scale_are_no_clipping(run):
    sound = np.zeros(100)
    sound[50 : 50 + len(run)] = run
    assert find_clipping(sound) is None


@pytest.mark.parametrize("sound", [[], [1.0], [1.0, 1.0]])
def test_what_is_shorter_than_a_run_is_not_clipped(sound):
    assert find_clipping(np.array(sound)) is None


@given(start=st.integers(0, 97), length=st.integers(3, 30))
def test_the_first_frame_of_the_first_run_is_named(start, length):
    sound = np.full(200, 0.5)
    sound[start : start + length] = 1.0
    sound[150:160] = -1.0
    assert find_clipping(sound) == start


@pytest.mark.parametrize("time_s", [0.15, 0.5, 2.0, 8.0])
@pytest.mark.parametrize("seed", range(6))
def test_a_plain_decay_begins_where_it_begins(seed, time_s):
    assert beginning(decaying_noise(seed, time_s, 1.0, RATE)) is None


@pytest.mark.parametrize("frequency_hz", [63.0, 1000.0])
def test_a_tone_that_decays_begins_where_it_begins(frequency_hz):
    assert beginning(decaying_tone(frequency_hz, 1.0, 1.0, RATE)) is None


@pytest.mark.parametrize("gap_ms", [0, 3, 15])
def test_a_direct_sound_that_is_the_loudest_is_not_doubted(gap_ms):
    sound = 0.05 * decaying_noise(2, 1.0, 1.0, RATE)
    sound[: round(gap_ms * 48)] = 0.0
    sound[0] = 1.0
    assert beginning(sound) is None


@pytest.mark.parametrize("rise_ms", [30, 60, 120])
@pytest.mark.parametrize("seed", range(4))
def test_a_diffuse_build_up_is_not_doubted(seed, rise_ms):
    sound = decaying_noise(seed, 1.5, 1.0, RATE)
    time_ms = 1000.0 * np.arange(sound.size) / RATE
    assert beginning(sound * np.minimum(1.0, (time_ms + 5.0) / rise_ms)) is None


@pytest.mark.parametrize("below_db", [8, 12, 18])
def test_a_precursor_is_told_with_its_level_and_time(below_db):
    sound = np.concatenate([np.zeros(2400), 0.1 * decaying_noise(3, 1.0, 1.0, RATE)])
    sound[2400] = 1.0
    sound[480] = 10.0 ** (-below_db / 20.0)  # 40 ms ahead
    text = beginning(sound)
    assert text is not None
    assert f"{below_db} dB under the loudest and 40 ms ahead" in text


def test_a_precursor_more_than_20_db_down_is_not_taken_for_the_onset():
    sound = np.concatenate([np.zeros(2400), 0.1 * decaying_noise(3, 1.0, 1.0, RATE)])
    sound[2400] = 1.0
    sound[480] = 0.08
    assert beginning(sound) is None


def test_a_first_reflection_much_louder_than_the_direct_sound_is_told():
    sound = 0.01 * decaying_noise(4, 1.0, 1.0, RATE)
    sound[0] = 0.3
    sound[1440] = 1.0  # a focus after 30 ms
    text = beginning(sound)
    assert text is not None
    assert "10 dB under the loudest and 30 ms ahead" in text


def test_a_first_reflection_within_20_ms_or_hardly_louder_is_not_doubted():
    for direct, frame in ((0.3, 700), (0.9, 1440)):
        sound = 0.01 * decaying_noise(4, 1.0, 1.0, RATE)
        sound[0] = direct
        sound[frame] = 1.0
        assert beginning(sound) is None


def test_a_noise_ahead_that_reaches_up_to_20_db_under_the_peak_is_told():
    generator = np.random.default_rng(5)
    sound = np.concatenate([0.03 * generator.normal(size=9600), 0.1 * decaying_noise(5, 1.0, 1.0, RATE)])
    sound[9600] = 1.0  # crests of the noise at 4 σ: 18 dB under it
    text = beginning(sound)
    assert text is not None
    assert "was taken as the direct sound" in text


def test_polarity_and_gain_change_no_judgement():
    sound = np.zeros(9600)
    sound[0], sound[2400] = 0.3, -1.0
    assert beginning(sound) == beginning(-sound) == beginning(1e-6 * sound)


def test_an_onset_at_the_end_is_nothing_to_doubt():
    assert doubtful_beginning(np.zeros(0), sample_rate=RATE) is None
    assert doubtful_beginning(np.array([1.0]), sample_rate=RATE) is None


# ---------------------------------------- a sound that swells


def swelling(sound):
    return swelling_beginning(sound**2, sample_rate=RATE)


@pytest.mark.parametrize("at_ms", [25, 60, 150])
def test_a_burst_stronger_than_all_that_came_first_is_told_as_a_swell(at_ms):
    sound = decaying_noise(12, 1.0, 1.0, RATE)
    start = round(at_ms / 1000.0 * RATE)
    sound[start : start + 2400] += 6.0 * np.random.default_rng(12).normal(size=2400) * np.hanning(2400)
    text = swelling(sound)
    assert text is not None
    assert text.startswith("the sound swells by 1")
    assert text == swelling(1e-3 * sound)


@pytest.mark.parametrize("time_s", [0.5, 1.0, 4.0])
def test_a_plain_decay_and_one_behind_a_faint_direct_sound_and_a_gap_do_not_swell(time_s):
    for seed in range(10):
        sound = decaying_noise(seed, time_s, 1.0, RATE)
        assert swelling(sound) is None
        sound[: round(0.015 * RATE)] = 0.0
        sound[0] = np.sqrt(0.1 * np.sum(sound**2))  # 10 dB under the reverberation
        assert swelling(sound) is None


def test_what_is_shorter_than_the_direct_sound_or_silent_does_not_swell():
    for sound in (np.zeros(0), np.ones(1), np.zeros(RATE), np.ones(900)):
        assert swelling(sound) is None


# ---------------------------------------- flat tops under full scale


@pytest.mark.parametrize("overload_db", [4.0, 12.0])
def test_a_response_clipped_and_then_turned_down_has_flat_tops(overload_db):
    sound = decaying_noise(6, 0.8, 1.0, RATE)
    limit = 10.0 ** (-overload_db / 20.0) * np.abs(sound).max()
    found = find_flat_tops(0.4 * np.clip(sound, -limit, limit))
    assert found is not None
    assert abs(sound[found]) >= limit
    assert find_flat_tops(0.4 * sound) is None


@pytest.mark.parametrize("frequency_hz", [20.0, 63.0, 1000.0])
def test_a_crest_that_16_bits_make_flat_is_no_flat_top(frequency_hz):
    tone = decaying_tone(frequency_hz, 2.0, 1.0, RATE)
    assert find_flat_tops(np.round(20_000.0 * tone) / 32_768.0) is None


@pytest.mark.parametrize("seed", range(10))
def test_a_decay_in_16_bits_has_no_flat_tops(seed):
    sound = decaying_noise(seed, 1.5, 1.0, RATE)
    assert find_flat_tops(np.round(sound / np.abs(sound).max() * 32_767.0) / 32_768.0) is None


@pytest.mark.parametrize("sound", [np.zeros(9), np.zeros(0), np.ones(1)])
def test_what_has_no_wave_has_no_flat_tops(sound):
    assert find_flat_tops(sound) is None


# ---------------------------------------- drop-outs


def with_drop_out(kind, length_ms=12, at_s=0.1, bits=None):
    sound = decaying_noise(7, 1.0, 1.2, RATE, floor_db=60.0)
    start = round(at_s * RATE)
    stop = start + round(length_ms * 48)
    sound[start:stop] = {"zeros": 0.0, "held": sound[start], "faint": 1e-3 * sound[start:stop]}[kind]
    if bits is not None:
        step = np.abs(sound).max() / 2.0 ** (bits - 1)
        sound = np.round(sound / step) * step
    return sound


@pytest.mark.parametrize("bits", [16, 24, None])
@pytest.mark.parametrize("length_ms", [5, 12, 100])
@pytest.mark.parametrize("kind", ["zeros", "held", "faint"])
def test_a_drop_out_is_found_with_its_time_and_length(kind, length_ms, bits):
    found = find_drop_out(with_drop_out(kind, length_ms, bits=bits), sample_rate=RATE)
    assert found is not None
    assert found == pytest.approx((0.1, length_ms / 1000.0), abs=0.0021)


def test_a_faint_rest_in_a_drop_out_is_judged_beside_the_sound_behind_it_too():
    # what is left is 48 dB down, and the decay itself falls by 20 dB meanwhile
    for seed in range(4):
        sound = decaying_noise(seed, 0.28, 0.4, RATE, floor_db=78.0)
        sound[round(0.049 * RATE) : round(0.143 * RATE)] *= 10.0 ** (-48.0 / 20.0)
        assert find_drop_out(sound, sample_rate=RATE) is not None


@pytest.mark.parametrize("offset", [0.0, 0.2, -1.0])
def test_a_constant_offset_hides_no_drop_out(offset):
    assert find_drop_out(with_drop_out("zeros") + offset, sample_rate=RATE) is not None


@pytest.mark.parametrize("rate", [8_000, 44_100, 192_000])
@pytest.mark.parametrize("time_s", [0.1, 0.5, 2.0])
def test_a_plain_decay_has_no_drop_out(time_s, rate):
    for seed in range(6):
        assert find_drop_out(decaying_noise(seed, time_s, 1.5 * time_s, rate), sample_rate=rate) is None


def test_the_last_bits_of_a_decay_without_dither_are_no_drop_out():
    for frequency_hz in (20.0, 63.0, 400.0):
        tone = np.round(40.0 * decaying_tone(frequency_hz, 1.0, 1.0, RATE)) / 32_768.0
        assert find_drop_out(tone, sample_rate=RATE) is None
    noise = np.round(40.0 * decaying_noise(8, 1.0, 1.0, RATE)) / 32_768.0
    assert find_drop_out(noise, sample_rate=RATE) is None


def test_gaps_between_the_first_reflections_are_no_drop_out():
    rng = np.random.default_rng(9)
    sound = 0.05 * decaying_noise(9, 1.0, 1.0, RATE)
    sound[: round(0.06 * RATE)] = 0.0
    for at_ms in (0, 7, 19, 31, 44):  # pulses of 2 ms, digital silence between them
        sound[at_ms * 48 : at_ms * 48 + 96] = rng.normal(size=96)
    assert find_drop_out(sound, sample_rate=RATE) is None


def test_a_cut_with_silence_or_dither_behind_is_no_drop_out():
    sound = decaying_noise(10, 1.0, 1.0, RATE)
    sound[round(0.4 * RATE) :] = 0.0
    assert find_drop_out(sound, sample_rate=RATE) is None
    dither = 1e-5 * np.random.default_rng(10).normal(size=sound.size)
    assert find_drop_out(sound + dither, sample_rate=RATE) is None


# ---------------------------------------- energy ahead of the onset


def test_the_share_of_energy_ahead_is_that_of_the_sound_without_its_noise():
    ahead, behind = np.full(100, 2.0), np.full(300, 4.0)
    assert share_ahead(ahead, behind, noise_power=0.0) == pytest.approx(200.0 / 1400.0)
    assert share_ahead(ahead, behind, noise_power=1.0) == pytest.approx(100.0 / 1000.0)


def test_noise_alone_or_nothing_ahead_is_no_share():
    assert share_ahead(np.full(100, 2.0), np.full(300, 4.0), noise_power=2.5) == 0.0
    assert share_ahead(np.zeros(0), np.full(300, 4.0), noise_power=0.0) == 0.0
