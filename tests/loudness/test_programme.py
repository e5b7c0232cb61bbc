"""All figures of a sound: EBU Tech 3341 and libebur128 (pyebur128), honest gaps, and what must not matter."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pyebur128
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomplan.errors import RoomplanError
from roomplan.loudness import SoundMeter, parse_roles, programme_loudness

RATE = 48_000
MODES = pyebur128.MeasurementMode
ROLES = pyebur128.ChannelType

LEVELS = (
    "integrated_lufs",
    "momentary_max_lufs",
    "short_term_max_lufs",
    "true_peak_dbtp",
    "sample_peak_dbfs",
)
FIGURES = (*LEVELS, "loudness_range_lu", "peak_to_loudness_db")


def libebur128(sound, sample_rate, *, roles=(), hops_per_second=100):
    """Figures of libebur128: integrated, range, largest true peak, and the maxima polled every 10 ms."""
    modes = MODES.MODE_I | MODES.MODE_S | MODES.MODE_LRA | MODES.MODE_TRUE_PEAK
    state = pyebur128.R128State(sound.shape[1], sample_rate, modes)
    for channel, role in enumerate(roles):
        state.set_channel(channel, role)
    hop = sample_rate // hops_per_second
    momentary, short_term = [], []
    for k in range(len(sound) // hop):
        state.add_frames(np.ascontiguousarray(sound[k * hop : (k + 1) * hop]).ravel(), hop)
        seconds = (k + 1) / hops_per_second
        if seconds >= 0.4:
            momentary.append(pyebur128.get_loudness_momentary(state))
        if seconds >= 3.0:
            short_term.append(pyebur128.get_loudness_shortterm(state))
    true_peak = max(pyebur128.get_true_peak(state, channel) for channel in range(sound.shape[1]))
    return {
        "integrated_lufs": pyebur128.get_loudness_global(state),
        "momentary_max_lufs": max(momentary),
        "short_term_max_lufs": max(short_term),
        "loudness_range_lu": pyebur128.get_loudness_range(state),
        "true_peak_dbtp": 20 * np.log10(true_peak),
    }


def phrase(seconds, sample_rate, *, channels=2, seed=1):
    """Notes with overtones that come and go, over a floor of noise, all under an eighth of the rate."""
    rng = np.random.default_rng(seed)
    frames = round(seconds * sample_rate)
    sound = 1e-4 * rng.standard_normal((frames, channels))
    start = 0
    while start < frames:
        length = min(frames - start, round(rng.uniform(0.2, 1.2) * sample_rate))
        time = np.arange(length) / sample_rate
        pitch, level = rng.uniform(80.0, 900.0), 10.0 ** (rng.uniform(-45.0, -8.0) / 20.0)
        note = sum(np.sin(2 * np.pi * n * pitch * time + rng.uniform(0, 6.28)) / n for n in range(1, 6))
        envelope = np.minimum(1.0, time / 0.01) * np.exp(-3.0 * time)
        sound[start : start + length] += level * (envelope * note)[:, None] * rng.uniform(0.3, 1.0, channels)
        start += length
    return sound


@pytest.mark.parametrize("sample_rate", [44_100, 48_000, 96_000])
def test_programme_reads_as_in_libebur128(sample_rate):
    sound = phrase(18.0, sample_rate)
    expected = libebur128(sound, sample_rate)
    found = programme_loudness(sound, sample_rate=sample_rate)
    assert expected["loudness_range_lu"] > 2.0
    assert found.integrated_lufs == pytest.approx(expected["integrated_lufs"], abs=1e-6)
    assert found.loudness_range_lu == pytest.approx(expected["loudness_range_lu"], abs=1e-6)
    # libebur128 was asked every 10 ms, this meter steps by 20: never louder, and here hardly less loud.
    for figure in ("momentary_max_lufs", "short_term_max_lufs"):
        assert expected[figure] - 0.03 <= getattr(found, figure) <= expected[figure] + 1e-6
    # libebur128's filter is shorter and its peaks are not refined (twice the rate at 96 kHz).
    assert found.true_peak_dbtp == pytest.approx(expected["true_peak_dbtp"], abs=0.1)


@pytest.mark.parametrize("sample_rate", [44_100, 48_000, 96_000])
def test_maxima_read_as_in_libebur128_asked_at_the_same_times(sample_rate, gated_noise):
    sound = gated_noise(8, sample_rate=sample_rate)
    expected = libebur128(sound, sample_rate, hops_per_second=50)
    found = programme_loudness(sound, sample_rate=sample_rate)
    for figure in ("integrated_lufs", "momentary_max_lufs", "short_term_max_lufs", "loudness_range_lu"):
        assert getattr(found, figure) == pytest.approx(expected[figure], abs=1e-6)


@pytest.mark.parametrize("written", ["L,R,C,LFE,Ls,Rs", "LFE,Ls,L,C,R,Rs"])
def test_six_channels_with_roles_read_as_in_libebur128(written):
    sound = phrase(8.0, RATE, channels=6)
    of_libebur128 = {
        "L": ROLES.LEFT,
        "R": ROLES.RIGHT,
        "C": ROLES.CENTER,
        "LFE": ROLES.UNUSED,
        "Ls": ROLES.LEFT_SURROUND,
        "Rs": ROLES.RIGHT_SURROUND,
    }
    sound[:, written.split(",").index("LFE")] *= 30.0
    expected = libebur128(sound, RATE, roles=[of_libebur128[role] for role in written.split(",")])
    found = programme_loudness(sound, sample_rate=RATE, roles=parse_roles(written))
    assert found.integrated_lufs == pytest.approx(expected["integrated_lufs"], abs=1e-6)
    assert found.loudness_range_lu == pytest.approx(expected["loudness_range_lu"], abs=1e-6)
    assert [role.value for role in found.roles] == written.split(",")
    # The low-frequency effects are not in the loudness, but they are in the peaks.
    assert found.sample_peak_dbfs == pytest.approx(20 * np.log10(np.abs(sound).max()), abs=1e-9)


def test_tech_3341_case_6_with_roles(tone):
    # EBU Tech 3341 (v4, 2023), Table 1, case 6: published ±0.1; pyebur128 0.1.1 reads −23.016.
    levels = {"L": -28, "R": -28, "C": -24, "Ls": -30, "Rs": -30}
    sound = np.concatenate([tone((20, level), channels=1) for level in levels.values()], axis=1)
    found = programme_loudness(sound, sample_rate=RATE, roles=parse_roles(",".join(levels)))
    assert found.integrated_lufs == pytest.approx(-23.0, abs=0.05)
    assert found.integrated_lufs == pytest.approx(-23.016, abs=0.001)


def stream(segments):
    """Case 11 or 14 of Tech 3341: 20 (seconds, level, seconds of silence before, after)."""
    parts = []
    for seconds, level, before, after in segments:
        time = np.arange(round(seconds * RATE)) / RATE
        sine = 10.0 ** (level / 20.0) * np.sin(2 * np.pi * 1000.0 * time)
        parts.append(np.concatenate((np.zeros(round(before * RATE)), sine, np.zeros(round(after * RATE)))))
    return np.repeat(np.concatenate(parts)[:, None], 2, axis=1)


def test_tech_3341_case_11_short_term_follows_a_live_meter():
    # EBU Tech 3341 (v4, 2023), Table 1, case 11: successive maxima −38 … −19, ±0.1. At a step of 20 ms every
    # other tone leaves 10 ms outside its best window: 0.0145 LU.
    meter = SoundMeter(sample_rate=RATE, channels=2)
    for i in range(20):
        meter.feed(stream([(3.0, -38 + i, 0.15 * i, 3.0 - 0.15 * i)]))
        maximum = meter.result().short_term_max_lufs
        missed = 10 * np.log10(2.99 / 3.0) if i % 2 else 0.0
        assert maximum == pytest.approx(-38 + i, abs=0.05)
        assert maximum == pytest.approx(-38 + i + 0.007 + missed, abs=0.002)


def test_tech_3341_case_14_momentary_follows_a_live_meter():
    # EBU Tech 3341 (v4, 2023), Table 1, case 14: successive maxima −38 … −19, ±0.1; pyebur128
    # 0.1.1 is +0.006 off each.
    meter = SoundMeter(sample_rate=RATE, channels=2)
    for i in range(20):
        meter.feed(stream([(0.4, -38 + i, 0.02 * i, 0.4 - 0.02 * i)]))
        maximum = meter.result().momentary_max_lufs
        assert maximum == pytest.approx(-38 + i, abs=0.05)
        assert maximum == pytest.approx(-38 + i + 0.006, abs=0.002)


def test_peak_to_loudness_ratio_is_true_peak_minus_integrated_loudness():
    # fs/4 at 45°: samples 3 dB under the peak between them. 12 kHz passes the K-weighting at +4.04 dB.
    time = np.arange(5 * RATE)
    sound = (0.5 * np.sin(2 * np.pi * time / 4 + np.pi / 4) * np.minimum(1.0, time / 2400))[:, None]
    found = programme_loudness(sound, sample_rate=RATE)
    assert found.true_peak_dbtp is not None
    assert found.sample_peak_dbfs is not None
    assert found.integrated_lufs is not None
    assert found.true_peak_dbtp == pytest.approx(20 * np.log10(0.5), abs=0.2)
    assert found.true_peak_dbtp > found.sample_peak_dbfs + 2.8
    assert found.peak_to_loudness_db == found.true_peak_dbtp - found.integrated_lufs
    assert found.reasons == {}


@settings(max_examples=15, deadline=None, derandomize=True)
@given(gain_db=st.floats(-10.0, 30.0), seed=st.integers(0, 100))
def test_gain_shifts_every_level_and_neither_range_nor_ratio_far_over_the_gate(gain_db, seed):
    # over steady noise: no block may come near the gate at −70 LUFS, which does not move with the sound
    sound = phrase(5.0, 8_000, seed=seed) + 0.01 * np.random.default_rng(seed).standard_normal((40_000, 2))
    plain = programme_loudness(sound, sample_rate=8_000)
    louder = programme_loudness(10.0 ** (gain_db / 20.0) * sound, sample_rate=8_000)
    for figure in LEVELS:
        assert getattr(louder, figure) == pytest.approx(getattr(plain, figure) + gain_db, abs=1e-6)
    for figure in ("loudness_range_lu", "peak_to_loudness_db"):
        assert getattr(louder, figure) == pytest.approx(getattr(plain, figure), abs=1e-6)


def test_order_of_channels_does_not_matter_when_their_roles_go_with_them():
    sound = phrase(5.0, 8_000, channels=6)
    written = ["L", "R", "C", "LFE", "Ls", "Rs"]
    plain = programme_loudness(sound, sample_rate=8_000, roles=parse_roles(",".join(written)))
    order = [3, 5, 0, 4, 1, 2]
    moved = programme_loudness(
        sound[:, order], sample_rate=8_000, roles=parse_roles(",".join(written[k] for k in order))
    )
    for figure in FIGURES:
        assert getattr(moved, figure) == pytest.approx(getattr(plain, figure), abs=1e-9)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(
    cuts=st.lists(st.integers(0, 40_000), max_size=10),
    dtype=st.sampled_from([np.float32, np.float64]),
    channels=st.integers(1, 2),
)
def test_block_split_never_changes_a_figure(cuts, dtype, channels):
    sound = phrase(5.0, 8_000, channels=channels).astype(dtype)
    meter = SoundMeter(sample_rate=8_000, channels=channels)
    for start, stop in pairwise((0, *sorted(cuts), len(sound))):
        meter.feed(sound[start:stop])
    split, whole = meter.result(), programme_loudness(sound, sample_rate=8_000)
    for figure in FIGURES:
        assert getattr(split, figure) == pytest.approx(getattr(whole, figure), abs=1e-12)
    assert np.array_equal(split.over_time.momentary_lufs, whole.over_time.momentary_lufs)


def test_loudness_over_time_is_that_of_the_sound(tone):
    found = programme_loudness(tone((4, -23.0), (4, None)), sample_rate=RATE)
    course = found.over_time
    assert course.momentary_lufs.max() == found.momentary_max_lufs
    assert course.short_term_lufs.max() == found.short_term_max_lufs
    at_two_seconds = np.searchsorted(course.momentary_time_s, 2.0)
    assert course.momentary_lufs[at_two_seconds] == pytest.approx(-22.993, abs=0.001)
    assert course.momentary_lufs[course.momentary_time_s > 4.6].max() < -100.0


def test_silence_has_no_figure_and_says_so():
    found = programme_loudness(np.zeros((4 * RATE, 2)), sample_rate=RATE)
    assert {figure: getattr(found, figure) for figure in FIGURES} == dict.fromkeys(FIGURES)
    assert found.reasons == dict.fromkeys(FIGURES, "digital silence")


def test_no_sound_at_all_has_no_figure_and_says_so():
    found = SoundMeter(sample_rate=RATE, channels=1).result()
    assert {figure: getattr(found, figure) for figure in FIGURES} == dict.fromkeys(FIGURES)
    assert found.reasons["true_peak_dbtp"] == "no sound"
    assert set(found.reasons) == set(FIGURES)


def test_sound_shorter_than_400_ms_has_peaks_only(tone):
    found = programme_loudness(tone((0.3, -6.0)), sample_rate=RATE)
    assert found.sample_peak_dbfs == pytest.approx(-6.0, abs=0.01)
    assert found.true_peak_dbtp is not None
    assert set(found.reasons) == set(FIGURES) - {"true_peak_dbtp", "sample_peak_dbfs"}
    needs = "integrated loudness needs 400 ms of sound, there are 0.30 s of whole 20 ms hops"
    assert found.reasons["integrated_lufs"] == found.reasons["peak_to_loudness_db"] == needs


def test_sound_under_the_gate_has_maxima_and_peaks_only(tone):
    found = programme_loudness(tone((5, -85.0)), sample_rate=RATE)
    assert set(found.reasons) == {"integrated_lufs", "loudness_range_lu", "peak_to_loudness_db"}
    assert found.reasons["peak_to_loudness_db"] == found.reasons["integrated_lufs"]
    assert "gate at -70 LUFS" in found.reasons["loudness_range_lu"]
    assert found.short_term_max_lufs == pytest.approx(-85.0, abs=0.02)


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("cuts", [(), (100_000,), (149_999, 150_000, 150_001)])
def test_a_sample_that_is_not_finite_leaves_no_figure_and_is_named(value, cuts, tone):
    sound = tone((5, -20.0)).astype(np.float32)
    sound[150_000, 1] = sound[170_000, 0] = value
    meter = SoundMeter(sample_rate=RATE, channels=2)
    for start, stop in pairwise((0, *cuts, len(sound))):
        meter.feed(sound[start:stop])
    found = meter.result()
    reason = "not a finite number at frame 150000 (3.125 s) of channel 2 (R)"
    assert {figure: getattr(found, figure) for figure in FIGURES} == dict.fromkeys(FIGURES)
    assert found.reasons == dict.fromkeys(FIGURES, reason)


def test_a_sample_that_is_not_finite_in_the_last_incomplete_hop_counts_too(tone):
    sound = tone((5, -20.0), (0.01, -20.0))
    sound[-1, 0] = np.nan
    reasons = programme_loudness(sound, sample_rate=RATE).reasons
    assert reasons["integrated_lufs"] == "not a finite number at frame 240479 (5.010 s) of channel 1 (L)"


def test_more_than_two_channels_without_roles_are_refused():
    with pytest.raises(RoomplanError, match="the roles of 6 channels are unknown"):
        SoundMeter(sample_rate=RATE, channels=6)
    with pytest.raises(RoomplanError, match="2 roles"):
        SoundMeter(sample_rate=RATE, channels=6, roles=parse_roles("L,R"))


def test_sound_of_one_axis_is_refused():
    with pytest.raises(RoomplanError, match=r"a mono sound is \(frames, 1\)"):
        programme_loudness(np.zeros(10), sample_rate=RATE)


def test_result_cannot_be_changed():
    found = programme_loudness(np.zeros((10, 1)), sample_rate=RATE)
    with pytest.raises(AttributeError):
        found.loudness_range_lu = 3.0  # pyright: ignore[reportAttributeAccessIssue]
    with pytest.raises(TypeError):
        found.reasons["loudness_range_lu"] = ""  # pyright: ignore[reportIndexIssue]
