"""Bangs found in recordings of known content, in a bundled room and in a measured one."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

import roomplan
from roomplan.acoustics.response import analyse_response
from roomplan.capture.bang_figures import averaged_figures
from roomplan.capture.bangs import LEAD_S, BangFault, bang_response, find_bangs, ranked
from roomplan.capture.recording import ArrayRecording

RATE = 48_000
LIVING_ROOM = Path(__file__).parents[1] / "data" / "living_room_1.wav"


def test_every_clap_is_found_at_its_time_and_nothing_else(clap, recorded):
    times = [1.0, 4.5, 9.25]
    recording = ArrayRecording(recorded([(at, clap(seed=round(at))) for at in times], length_s=13.0), RATE)
    found = find_bangs(recording)
    assert [bang.time_s for bang in found] == pytest.approx(times, abs=1e-3)
    assert [bang.faults for bang in found] == [frozenset()] * 3


def test_noise_and_silence_have_no_bangs():
    noise = 0.1 * np.random.default_rng(1).standard_normal((5 * RATE, 2))
    assert find_bangs(ArrayRecording(noise, RATE)) == ()
    assert find_bangs(ArrayRecording(np.zeros((RATE, 1)), RATE)) == ()


def test_a_double_clap_is_dropped_and_the_single_one_kept(clap, recorded):
    sounds = [(1.0, clap()), (1.15, 0.7 * clap(seed=2)), (5.0, clap(seed=3))]
    found = find_bangs(ArrayRecording(recorded(sounds, length_s=9.0), RATE))
    assert [sorted(bang.faults) for bang in found] == [[BangFault.DOUBLE], []]


def test_an_echo_that_follows_every_clap_equally_late_is_the_rooms(clap, recorded):
    sounds = [
        (at + late, gain * clap(0.4, seed=2)) for at in (1.0, 5.0) for late, gain in ((0, 1), (0.2, 0.4))
    ]
    found = find_bangs(ArrayRecording(recorded(sounds, length_s=9.0), RATE))
    assert [bang.faults for bang in found] == [frozenset(), frozenset()]


def test_a_clipped_clap_is_dropped_at_full_scale_and_below(clap, recorded):
    recording = recorded([(1.0, 4.0 * clap()), (5.0, clap(seed=2))], length_s=9.0)
    for ceiling in (1.0, 0.3):
        limited = ceiling * np.clip(recording, -0.15, 0.15) / 0.15
        found = find_bangs(ArrayRecording(limited, RATE))
        assert BangFault.CLIPPED in found[0].faults
    assert BangFault.CLIPPED not in find_bangs(ArrayRecording(recording, RATE))[1].faults


def test_a_clap_that_the_next_or_the_end_cuts_off_is_dropped(clap, recorded):
    sounds = [(1.0, clap(2.0, length_s=4.0)), (1.9, clap(2.0, length_s=4.0, seed=2))]
    found = find_bangs(ArrayRecording(recorded(sounds, length_s=2.4), RATE))
    assert [sorted(bang.faults) for bang in found] == [[BangFault.CUT_SHORT]] * 2


@pytest.mark.parametrize("kept_s", [0.1, 0.15, 0.25])
def test_a_clap_that_ends_far_over_the_noise_of_the_others_is_cut_short(clap, recorded, kept_s):
    sounds = [(1.0, clap(0.8, length_s=3.0)), (5.0, clap(0.8, length_s=3.0, seed=2))]
    found = find_bangs(ArrayRecording(recorded(sounds, length_s=5.0 + kept_s), RATE))
    assert [sorted(bang.faults) for bang in found] == [[], [BangFault.CUT_SHORT]]


def test_a_quiet_knock_is_no_bang_but_ends_one(clap, recorded):
    sounds = [(1.0, clap()), (3.0, 0.01 * clap(seed=2))]
    (bang,) = find_bangs(ArrayRecording(recorded(sounds, length_s=6.0, floor=1e-6), RATE))
    assert bang.end_frame / RATE == pytest.approx(3.0, abs=0.01)
    assert bang.faults == frozenset()


def test_the_bang_with_the_largest_range_comes_first_and_faulty_ones_not_at_all(clap, recorded):
    sounds = [
        (1.0, 0.2 * clap()),
        (5.0, clap(seed=2)),
        (9.0, 0.5 * clap(seed=3)),
        (13.0, clap()),
        (13.2, clap()),
    ]
    best = ranked(find_bangs(ArrayRecording(recorded(sounds, length_s=17.0), RATE)))
    assert [round(bang.time_s) for bang in best] == [5, 9, 1]


def test_a_response_begins_a_set_time_ahead_of_its_onset_even_where_the_recording_does_not(clap, recorded):
    for at_s in (0.0, 0.003, 2.0):
        recording = ArrayRecording(recorded([(at_s, clap())], length_s=6.0), RATE)
        response = bang_response(recording, find_bangs(recording)[0])
        assert int(np.argmax(np.abs(response[:, 0]))) == round(LEAD_S * RATE)
        assert np.isfinite(response).all()


def test_a_response_ends_where_its_decay_has_met_the_noise(clap, recorded):
    recording = ArrayRecording(recorded([(1.0, clap(0.8, length_s=5.0))], length_s=20.0), RATE)
    response = bang_response(recording, find_bangs(recording)[0])
    assert 0.7 < len(response) / RATE < 2.5  # 74 dB at 75 dB a second, and a quarter of noise


def test_claps_of_one_decay_time_average_to_it(clap, recorded):
    # the decay time is that of the formula; 3 % are chance in one band of one second's decay
    sounds = [(1.0 + 4 * n, (0.3 + 0.2 * n) * clap(0.8, channels=2, seed=n)) for n in range(4)]
    recording = ArrayRecording(recorded(sounds, length_s=18.0, channels=2), RATE)
    figures = averaged_figures([bang_response(recording, bang) for bang in find_bangs(recording)], rate=RATE)
    assert [channel.mid.t30_s for channel in figures] == pytest.approx([0.8, 0.8], rel=0.03)
    assert figures[0].verdict == "good"


def test_a_loud_clap_weighs_as_much_as_a_quiet_one(clap):
    short, long = clap(0.5, seed=1), clap(1.0, seed=2)
    mids = [averaged_figures([gain * short, long], rate=RATE)[0].mid.t20_s for gain in (1.0, 10.0)]
    assert mids[0] == pytest.approx(mids[1], rel=1e-6)


def test_a_bundled_room_and_a_measured_one_come_back_out_of_a_recording(recorded):
    # independent source of the second: the measured living room of tests/data/README.md
    hall = roomplan.room("larkmere_hall").response((9.0, 0.0), sample_rate=RATE)
    living, rate = soundfile.read(LIVING_ROOM, always_2d=True)
    for response, own_rate in ((hall, RATE), (living, rate)):
        gain = 0.5 / np.abs(response).max()
        channels = response.shape[1]
        noisy = recorded([(1.0, gain * response)], length_s=9.0, floor=1e-6, rate=own_rate, channels=channels)
        recording = ArrayRecording(noisy, own_rate)
        (bang,) = find_bangs(recording)
        assert bang.faults == frozenset()
        found = bang_response(recording, bang)
        mids = [
            analyse_response(samples, sample_rate=own_rate).channels[0].decay.mid.t20_s
            for samples in (response, found)
        ]
        assert mids[1] == pytest.approx(mids[0], rel=0.02)
