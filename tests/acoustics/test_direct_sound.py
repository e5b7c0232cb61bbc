"""Onset after ISO 3382-1; thresholds of prominence are the project's own and are tested as it states them."""

from __future__ import annotations

import numpy as np
import pytest
from acoustic_signals import decaying_noise, envelope
from hypothesis import given
from hypothesis import strategies as st

from roomplan.acoustics import find_direct_sound, find_onset
from roomplan.errors import RoomplanError

RATE = 48000


def hall(*, gap_s, direct_db, decay_time_s=2.0, channels=2, lead=100):
    """Larkmere Hall from afar: an impulse `direct_db` against the reverberant energy, a gap, the rest."""
    rng = np.random.default_rng(11)
    decay = envelope(decay_time_s, 1.5 * decay_time_s, RATE)[:, None]
    reverberation = rng.normal(size=(decay.size, channels)) * decay
    start = lead + round(gap_s * RATE)
    response = np.zeros((start + decay.size, channels))
    response[start:] = reverberation
    response[lead] = np.sqrt((reverberation**2).sum() / channels * 10.0 ** (direct_db / 10.0))
    return response


def test_onset_is_the_first_sample_within_20_db_of_the_peak():
    response = np.zeros((200, 1))
    response[50], response[60], response[70] = 0.0999, 0.1001, -1.0
    assert find_onset(response) == 60


def test_onset_is_the_earliest_over_the_channels():
    response = np.zeros((200, 2))
    response[80, 0] = 1.0
    response[40, 1] = 0.5
    assert find_onset(response) == 40


def test_a_channel_with_leakage_only_sets_no_onset():
    response = np.zeros((200, 2))
    response[80, 0] = 1.0
    response[:, 1] = 1e-3
    assert find_onset(response) == 80


@given(delay=st.integers(0, 5000), sign=st.sampled_from([1.0, -1.0]), scale=st.floats(1e-6, 1e6))
def test_delay_polarity_and_level_move_nothing_but_the_onset(delay, sign, scale):
    response = hall(gap_s=0.01, direct_db=-10.0, decay_time_s=0.3)
    reference = find_direct_sound(response, sample_rate=RATE)
    moved = find_direct_sound(np.vstack([np.zeros((delay, 2)), sign * scale * response]), sample_rate=RATE)
    assert moved.onset == reference.onset + delay
    assert moved.end == reference.end + delay
    assert moved.stands_out == reference.stands_out
    assert moved.prominence_db == pytest.approx(reference.prominence_db, abs=1e-6)


def test_noise_and_a_precursor_more_than_20_db_down_come_before_the_onset():
    response = np.vstack([np.zeros((RATE // 10, 2)), hall(gap_s=0.01, direct_db=0.0)])
    peak = np.abs(response).max()
    response += np.random.default_rng(3).normal(size=response.shape) * peak * 10.0**-2.5
    response[2000] += 0.05 * peak
    assert find_direct_sound(response, sample_rate=RATE).onset == RATE // 10 + 100


def test_a_reflection_louder_than_the_direct_sound_is_not_taken_for_it():
    response = np.zeros((4800, 1))
    response[500], response[900] = 0.3, 1.0
    found = find_direct_sound(response, sample_rate=RATE)
    assert (found.onset, found.stands_out) == (500, True)


def test_the_direct_sound_ends_at_the_first_reflection():
    response = hall(gap_s=0.02, direct_db=-5.0, lead=100)
    response[100 + 144] = 0.4 * response[100]  # 3 ms later
    found = find_direct_sound(response, sample_rate=RATE)
    assert found.end == 100 + 144


def test_the_direct_sound_ends_after_5_ms_at_the_latest():
    found = find_direct_sound(hall(gap_s=0.02, direct_db=-5.0), sample_rate=RATE)
    assert found.end - found.onset == 240


def test_the_later_arrival_at_a_spaced_microphone_belongs_to_the_direct_sound():
    response = np.zeros((9600, 2))
    response[100, 0], response[100 + 96, 1] = 1.0, 0.9  # 2 ms: 0.7 m apart
    response[100 + 96 + 120, 1] = 0.5
    found = find_direct_sound(response, sample_rate=RATE)
    assert (found.onset, found.end) == (100, 100 + 96 + 120)


@pytest.mark.parametrize("decay_time_s", [0.3, 1.0, 2.0, 6.0])
def test_decaying_gaussian_noise_has_no_direct_sound(decay_time_s):
    wrong = 0
    for seed in range(25):
        noise = np.stack(
            [decaying_noise(2 * seed + channel, decay_time_s, decay_time_s, RATE) for channel in range(2)],
            axis=1,
        )
        wrong += find_direct_sound(noise, sample_rate=RATE).stands_out
    assert wrong == 0


@pytest.mark.parametrize("gap_s", [0.005, 0.02])
@pytest.mark.parametrize("direct_db", [-24.0, -15.0, 0.0])
def test_a_far_seats_direct_sound_stands_out(gap_s, direct_db):
    found = find_direct_sound(hall(gap_s=gap_s, direct_db=direct_db), sample_rate=RATE)
    assert (found.onset, found.stands_out) == (100, True)


def test_a_direct_sound_without_a_gap_stands_out_by_its_crest():
    found = find_direct_sound(hall(gap_s=0.0, direct_db=-15.0), sample_rate=RATE)
    assert found.stands_out
    assert found.prominence_db > 13.0


@pytest.mark.parametrize(
    "response", [np.zeros((100, 2)), np.zeros((0, 2)), np.zeros((5, 0)), np.full((9, 1), np.nan)]
)
def test_silence_and_nan_hold_no_direct_sound(response):
    found = find_direct_sound(response, sample_rate=RATE)
    assert (found.onset, found.end, found.stands_out) == (0, 0, False)


def test_one_sample_is_a_direct_sound_of_one_sample():
    found = find_direct_sound(np.ones((1, 1)), sample_rate=RATE)
    assert (found.onset, found.end, found.stands_out) == (0, 1, True)


def test_a_response_without_channel_axis_is_refused():
    with pytest.raises(RoomplanError, match="axes"):
        find_direct_sound(np.ones(10), sample_rate=RATE)
