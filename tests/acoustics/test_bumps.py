"""Sounds over a decay: found beyond chance, and not where a room's own decay has none."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from acoustic_signals import decaying_noise, number

from roomplan.acoustics.bumps import (
    Bump,
    carried_over,
    find_bumps,
    is_hidden,
    seen_together,
    unmistakable,
    without_bumps,
)
from roomplan.acoustics.filters import BROADBAND, BandPass
from roomplan.acoustics.response import analyse_response

if TYPE_CHECKING:
    from roomplan.acoustics.filters import Filter

RATE = 48_000
OVER = "over the decay: an echo, a click, a slam?"


def slammed(seed, *, level_db=10.0, at_s=0.5, length_s=0.1, time_s=1.5):
    """A decay, and a burst so far over it."""
    sound = decaying_noise(seed, time_s, 1.4 * time_s, RATE, floor_db=70.0)
    start, count = round(at_s * RATE), round(length_s * RATE)
    height = 10.0 ** ((level_db - 60.0 * at_s / time_s) / 20.0)
    sound[start : start + count] += height * np.random.default_rng(100 + seed).normal(size=count)
    return sound


def bumps(sound, bandwidth_hz=20_000.0):
    energy = sound**2
    return find_bumps(energy, rate=RATE, bandwidth_hz=bandwidth_hz, crosspoint=round(0.8 * energy.size))


def channel(sound):
    return analyse_response(sound[:, None], sample_rate=RATE).channels[0]


@pytest.mark.parametrize("level_db", [5.0, 10.0, 20.0])
@pytest.mark.parametrize("length_s", [0.02, 0.1])
def test_a_burst_over_the_decay_is_found_with_its_time_and_height(level_db, length_s):
    found = bumps(slammed(1, level_db=level_db, length_s=length_s))
    surest = found[0]
    assert surest.start_s <= 0.5 + 0.02
    assert surest.end_s >= 0.5 + length_s - 0.02
    assert surest.excess_db == pytest.approx(10.0 * np.log10(1.0 + 10.0 ** (level_db / 10.0)), abs=3.5)


@pytest.mark.parametrize("time_s", [0.3, 1.0, 3.0])
def test_a_plain_decay_has_no_sure_bump(time_s):
    for seed in range(12):
        sound = decaying_noise(seed, time_s, 1.4 * time_s, RATE, floor_db=60.0)
        assert not [each for each in bumps(sound) if each.scatters >= 5.0]


def test_a_decay_that_turns_into_a_slower_one_has_no_bump():
    for seed in range(6):
        sound = decaying_noise(seed, 0.5, 2.5, RATE) + 0.1 * decaying_noise(50 + seed, 2.0, 2.5, RATE)
        assert bumps(sound) == ()


def test_the_reverberation_behind_a_pre_delay_is_no_bump():
    sound = np.concatenate([np.zeros(round(0.15 * RATE)), decaying_noise(3, 1.0, 1.3, RATE)])
    sound[0] = 8.0
    assert bumps(sound) == ()


def test_without_its_bump_a_decay_has_the_energy_it_had_before():
    plain, sound = slammed(4, level_db=-200.0), slammed(4, level_db=15.0)
    level = without_bumps(sound**2, bumps(sound), rate=RATE)
    stretch = slice(round(0.45 * RATE), round(0.65 * RATE))
    assert np.sum((sound**2)[stretch]) > 5.0 * np.sum((plain**2)[stretch])
    assert np.sum(level[stretch]) == pytest.approx(np.sum((plain**2)[stretch]), rel=0.25)


def test_a_likely_bump_counts_where_another_octave_shows_it_too_and_a_sure_one_alone():
    def bump(start_s, scatters):
        return Bump(start_s, start_s + 0.1, -20.0, -30.0, 5.0, scatters)

    low, high, other = BandPass(250.0), BandPass(1000.0), BandPass(4000.0)
    likely: dict[Filter, tuple[Bump, ...]] = {
        low: (bump(0.3, 4.2),),
        high: (bump(0.35, 4.5),),
        other: (bump(0.8, 4.9), bump(1.2, 5.1)),
    }
    seen = seen_together(likely, (low, high, other))
    assert (len(seen[low]), len(seen[high])) == (1, 1)
    assert [each.start_s for each in seen[other]] == [1.2]


def test_the_whole_range_is_no_witness_beside_the_octaves_that_it_holds():
    one = (Bump(0.3, 0.4, -20.0, -30.0, 5.0, 4.4),)
    octave = BandPass(1000.0)
    seen = seen_together({octave: one, BROADBAND: one}, [octave])
    assert seen == {octave: (), BROADBAND: ()}


@pytest.mark.parametrize("later_s", [0.245, 0.26, 0.28])
def test_of_two_clicks_side_by_side_neither_hides_the_other(later_s):
    time_s = 0.8
    sound = decaying_noise(10, time_s, 1.1, RATE, floor_db=60.0)
    left = RATE * time_s / 13.8155
    for at_s in (0.2, later_s):
        sound[round(at_s * RATE)] = np.sqrt(left * 10.0 ** (-6.0 * at_s / time_s))
    level = without_bumps(sound**2, bumps(sound), rate=RATE)
    for at_s in (0.2, later_s):
        block = slice(round((at_s - 0.01) * RATE), round((at_s + 0.01) * RATE))
        decay = RATE * 0.02 * 10.0 ** (-6.0 * at_s / time_s)
        assert np.sum((sound**2)[block]) > 2.5 * decay
        assert np.sum(level[block]) == pytest.approx(decay, rel=0.4)


def test_in_a_short_decay_a_click_is_found_ahead_of_50_ms():
    sound = decaying_noise(11, 0.3, 0.5, RATE, floor_db=60.0)
    sound[round(0.04 * RATE)] = np.sqrt(RATE * 0.3 / 13.8155) * 10.0 ** (-3.0 * 0.04 / 0.3)
    surest = bumps(sound)[0]
    assert surest.start_s <= 0.04 <= surest.end_s
    assert surest.scatters > 5.0


def test_a_click_with_nothing_a_quarter_of_a_second_behind_is_no_reverberation_behind_a_gap():
    sound = decaying_noise(13, 0.3, 0.4, RATE, floor_db=60.0)
    sound[round(0.17 * RATE)] = 30.0 * 10.0 ** (-3.0 * 0.17 / 0.3)
    surest = bumps(sound)[0]
    assert surest.start_s <= 0.17 <= surest.end_s


def test_a_band_hides_what_is_shorter_than_its_own_blocks_or_comes_before_them():
    short, early = Bump(1.0, 1.02, 0.0, 0.0, 9.0, 9.0), Bump(0.1, 0.4, 0.0, 0.0, 9.0, 9.0)
    assert is_hidden(short, bandwidth_hz=44.0)
    assert is_hidden(early, bandwidth_hz=44.0)
    assert not is_hidden(short, bandwidth_hz=2800.0)
    assert not is_hidden(early, bandwidth_hz=2800.0)


def test_of_each_time_the_surest_bump_is_unmistakable_and_sure_ones_count_in_its_company():
    low, high = BandPass(125.0), BandPass(8000.0)
    clear, same, sure = (
        Bump(0.5, 0.6, 0.0, 0.0, 9.0, 12.0),
        Bump(0.55, 0.7, 0.0, 0.0, 9.0, 8.0),
        Bump(1.0, 1.1, 0.0, 0.0, 2.0, 5.5),
    )
    assert unmistakable({low: (same,), high: (clear, sure)}) == (clear, sure)
    assert unmistakable({low: (), high: (sure,)}) == ()


def test_a_bump_carried_over_into_a_steady_decay_takes_its_level_from_that():
    energy = 10.0 ** (-6.0 * np.arange(2 * RATE) / RATE)  # T = 1 s
    slam = slice(round(0.5 * RATE), round(0.6 * RATE))
    energy[slam] *= 4.0
    bump = Bump(0.48, 0.62, 0.0, 0.0, 9.0, 12.0)
    carried = carried_over([bump], energy, rate=RATE, bandwidth_hz=20_000.0, crosspoint=energy.size)
    assert carried is not None
    # 60 dB a second: at its own edges the decay has these levels, whatever stands between them
    assert carried[0].before_db == pytest.approx(-60.0 * 0.48, abs=0.3)
    assert carried[0].after_db == pytest.approx(-60.0 * 0.62, abs=0.3)


def test_a_bump_is_not_carried_over_into_a_band_that_has_less_there():
    energy = 10.0 ** (-6.0 * np.arange(2 * RATE) / RATE)
    energy[round(0.5 * RATE) : round(0.6 * RATE)] *= 0.5
    bump = Bump(0.48, 0.62, 0.0, 0.0, 9.0, 12.0)
    carried = carried_over([bump], energy, rate=RATE, bandwidth_hz=20_000.0, crosspoint=energy.size)
    assert carried == ()


def test_whether_a_band_that_does_not_fall_holds_more_than_a_bump_is_left_open():
    energy = np.full(RATE, 1.0)
    bump = Bump(0.4, 0.5, 0.0, 0.0, 9.0, 12.0)
    carried = carried_over([bump], energy, rate=RATE, bandwidth_hz=20_000.0, crosspoint=energy.size)
    assert carried is None


# ---------------------------------------- in a whole response


def test_an_echo_within_the_span_of_a_short_line_makes_that_doubtful_whatever_it_reads():
    sound = decaying_noise(22, 1.0, 1.5, RATE, floor_db=70.0)
    sound[round(0.12 * RATE)] += 20.0  # 7 dB down: within EDT and T10
    for band in channel(sound).decay.bands[4:]:
        assert band.doubt["edt_s"].verdict != "good"
        assert band.doubt["t10_s"].verdict != "good"


def test_an_echo_within_a_millisecond_of_80_ms_makes_c80_doubtful():
    sound = decaying_noise(21, 0.35, 0.8, RATE)
    sound[0] = np.sqrt(700.0)
    sound[round(0.0799 * RATE)] += 10.0
    doubt = channel(sound).broadband.doubt["c80_db"]
    assert doubt.verdict == "doubtful"
    assert OVER in (doubt.reason or "")


def test_a_slam_that_moves_the_broadband_t30_makes_it_doubtful_and_says_when():
    found = channel(slammed(5, level_db=16.0)).broadband
    assert abs(number(found.t30_s) / 1.5 - 1.0) > 0.05
    assert found.doubt["t30_s"].verdict == "doubtful"
    reason = found.doubt["t30_s"].reason or ""
    assert OVER in reason
    assert "ms after the onset rises" in reason
    assert 430.0 < float(reason.split("a sound ")[1].split()[0]) < 520.0


def test_a_slam_too_late_to_move_a_figure_is_not_held_against_any():
    sound = slammed(6, level_db=5.0, at_s=1.4)
    assert bumps(sound)[0].start_s == pytest.approx(1.4, abs=0.05)
    for doubt in channel(sound).broadband.doubt.values():
        assert OVER not in (doubt.reason or "")


def test_two_clicks_that_cancel_in_a_figure_make_it_doubtful_all_the_same():
    # one lifts the decay ahead of the middle of T20, one behind: each alone moves it
    time_s = 1.5
    sound = decaying_noise(14, time_s, 2.0, RATE, floor_db=70.0)
    left = RATE * time_s / 13.8155
    for at_s, share in ((0.25, 0.35), (0.58, 0.3)):
        sound[round(at_s * RATE)] = np.sqrt(share * left * 10.0 ** (-6.0 * at_s / time_s))
    doubt = channel(sound).broadband.doubt["t20_s"]
    assert doubt.verdict == "doubtful"
    assert OVER in (doubt.reason or "")


def test_a_burst_that_outshouts_what_came_first_makes_every_early_figure_doubtful():
    sound = decaying_noise(15, 0.5, 0.8, RATE, floor_db=60.0)
    start, count = round(0.045 * RATE), round(0.08 * RATE)
    sound[start : start + count] += 6.0 * np.random.default_rng(15).normal(size=count) * np.hanning(count)
    for band in channel(sound).decay.bands:
        for key in ("edt_s", "c50_db", "c80_db", "d50", "centre_time_s"):
            assert band.doubt[key].verdict != "good"


def test_energy_ahead_of_the_onset_makes_early_figures_doubtful_and_is_said_in_per_cent():
    sound = decaying_noise(7, 1.0, 1.5, RATE)
    start = round(0.12 * RATE)
    sound[start] = 60.0
    share = np.sum(sound[:start] ** 2) / np.sum(sound**2)
    assert share > 0.2
    band = channel(sound).broadband
    for key in ("edt_s", "c50_db", "c80_db", "d50", "centre_time_s"):
        if getattr(band, key) is not None:
            assert band.doubt[key].verdict == "doubtful"
            assert f"{100.0 * share:.0f} % of the energy comes before the sound" in (
                band.doubt[key].reason or ""
            )
    assert "comes before" not in (band.doubt["t30_s"].reason or "")


def test_a_noise_ahead_of_the_onset_is_no_energy_of_the_sound():
    sound = np.concatenate([np.zeros(RATE), decaying_noise(8, 0.5, 1.0, RATE)])
    sound += 10.0 ** (-30.0 / 20.0) * np.random.default_rng(8).normal(size=sound.size)
    for doubt in channel(sound).broadband.doubt.values():
        assert "comes before" not in (doubt.reason or "")


def test_a_drop_out_makes_every_figure_and_the_speech_index_doubtful():
    sound = decaying_noise(9, 1.0, 1.5, RATE)
    sound[round(0.1 * RATE) : round(0.15 * RATE)] = 0.0
    found = channel(np.concatenate([np.zeros(480), sound]))
    for band in (*found.decay.bands, found.broadband, found.a_weighted):
        for doubt in band.doubt.values():
            assert doubt.verdict != "good"
            assert doubt.verdict == "unusable" or "50 ms of sound are missing 0.10 s after" in (
                doubt.reason or ""
            )
    assert "missing" in (found.speech.reason or "")
