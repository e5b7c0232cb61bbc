"""The meter against libebur128 (pyebur128), and its promises about splits, ends and gaps."""

from __future__ import annotations

import numpy as np
import pyebur128
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter

from roomplan.errors import RoomplanError
from roomplan.loudness import Meter, hop_start, k_weighting, k_weighting_power

MODES = pyebur128.MeasurementMode
ROLES = pyebur128.ChannelType


def libebur128(sound, sample_rate, *, roles=()):
    """Integrated loudness, and the maxima of M and S polled every 20 ms."""
    state = pyebur128.R128State(sound.shape[1], sample_rate, MODES.MODE_I | MODES.MODE_S)
    for channel, role in enumerate(roles):
        state.set_channel(channel, role)
    hop = sample_rate // 50
    momentary, short_term = [], []
    for k in range(len(sound) // hop):
        state.add_frames(np.ascontiguousarray(sound[k * hop : (k + 1) * hop]).ravel(), hop)
        if k >= 19:
            momentary.append(pyebur128.get_loudness_momentary(state))
        if k >= 149:
            short_term.append(pyebur128.get_loudness_shortterm(state))
    return pyebur128.get_loudness_global(state), max(momentary), max(short_term)


@pytest.mark.parametrize("sample_rate", [8_000, 44_100, 48_000, 88_200, 96_000, 192_000])
def test_gated_noise_reads_as_in_libebur128(sample_rate, gated_noise, read):
    sound = gated_noise(min(12, 960_000 / sample_rate), sample_rate=sample_rate)
    integrated, momentary, short_term = libebur128(sound, sample_rate)
    loudness = read(sound, sample_rate=sample_rate).loudness
    # The agreed tolerance is 0.001 LU; both are float64, so the filters and the gates are the same or not.
    assert loudness.integrated_lufs == pytest.approx(integrated, abs=1e-6)
    assert loudness.momentary_max_lufs == pytest.approx(momentary, abs=1e-6)
    assert loudness.short_term_max_lufs == pytest.approx(short_term, abs=1e-6)


def test_mono_counts_once_as_in_libebur128(gated_noise, read):
    sound = gated_noise(8, channels=1)
    assert read(sound).loudness.integrated_lufs == pytest.approx(libebur128(sound, 48_000)[0], abs=1e-6)


def test_five_channels_with_weights_read_as_in_libebur128(gated_noise, read):
    sound = gated_noise(8, channels=5)
    roles = (ROLES.LEFT, ROLES.RIGHT, ROLES.CENTER, ROLES.LEFT_SURROUND, ROLES.RIGHT_SURROUND)
    loudness = read(sound, weights=[1, 1, 1, 1.41, 1.41]).loudness
    assert loudness.integrated_lufs == pytest.approx(libebur128(sound, 48_000, roles=roles)[0], abs=1e-6)


def test_channel_of_weight_zero_is_not_heard_but_has_a_peak(gated_noise, read):
    sound = gated_noise(4, channels=3)
    sound[:, 2] = 0.99
    reading = read(sound, weights=[1, 1, 0])
    assert reading.loudness.integrated_lufs == read(sound[:, :2]).loudness.integrated_lufs
    assert reading.sample_peak_dbfs == pytest.approx(20 * np.log10(max(0.99, np.abs(sound).max())))


@pytest.mark.parametrize("sample_rate", [11_025, 12_345, 37_800, 44_101])
def test_rates_without_whole_frames_in_20_ms_read_a_tone_right(sample_rate, tone, read):
    # BS.1770-5: 997 Hz at −20 dBFS peak in both channels is −20.0 LUFS; below 16 kHz the shelf's warped
    # slope adds its own, so the expected gain is that of the rate's filter.
    sound = tone((6, -20.0), sample_rate=sample_rate, frequency_hz=997.0)
    expected = -20.0 - 0.691 + 10 * np.log10(k_weighting_power(997.0, sample_rate))
    loudness = read(sound, sample_rate=sample_rate).loudness
    assert loudness.integrated_lufs == pytest.approx(expected, abs=0.002)
    assert loudness.short_term_max_lufs == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize("sample_rate", [11_025, 44_101])
def test_odd_rates_agree_with_a_plain_sum_over_every_block(sample_rate, gated_noise, read):
    sound = gated_noise(9.97, sample_rate=sample_rate)
    weighted = np.asarray(lfilter(*k_weighting(sample_rate), sound, axis=0))
    powers = []
    for k in range(0, 10_000, 5):
        start, stop = hop_start(k, sample_rate), hop_start(k + 20, sample_rate)
        if stop > len(sound):
            break
        powers.append(np.mean(weighted[start:stop] ** 2, axis=0).sum())
    powers = np.array(powers)
    level = -0.691 + 10 * np.log10(powers)
    relative = -0.691 + 10 * np.log10(powers[level > -70].mean()) - 10
    expected = -0.691 + 10 * np.log10(powers[(level > -70) & (level > relative)].mean())
    assert read(sound, sample_rate=sample_rate).loudness.integrated_lufs == pytest.approx(expected, abs=1e-9)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(
    sample_rate=st.sampled_from([8_000, 11_025, 16_000]),
    cuts=st.lists(st.integers(0, 60_000), max_size=10),
    dtype=st.sampled_from([np.float32, np.float64]),
)
def test_block_split_never_changes_the_reading(sample_rate, cuts, dtype, gated_noise, read):
    sound = gated_noise(60_000 / sample_rate, sample_rate=sample_rate).astype(dtype)
    sound[20_000:50_000] = 0  # long enough to ring out
    assert read(sound, sample_rate=sample_rate, cuts=cuts) == read(sound, sample_rate=sample_rate)


def test_workers_never_change_the_reading(gated_noise, read):
    sound = gated_noise(5)
    alone = Meter(sample_rate=48_000, channels=2, workers=1)
    alone.feed(sound)
    assert alone.result() == read(sound)


@pytest.mark.parametrize("extra_s", [0.005, 0.019, 0.06, 0.099])
def test_incomplete_last_block_is_dropped(extra_s, tone, read):
    whole = read(tone((2, -23))).loudness.integrated_lufs
    # Whatever follows, here 20 dB louder, does not fill another 400 ms block.
    longer = tone((2, -23), (extra_s, -3))
    assert read(longer).loudness.integrated_lufs == whole


def test_result_may_be_read_while_the_stream_goes_on(gated_noise, read):
    sound = gated_noise(6)
    meter = Meter(sample_rate=48_000, channels=2)
    meter.feed(sound[:100_001])
    assert meter.result() == read(sound[:100_001])
    meter.feed(sound[100_001:])
    assert meter.result() == read(sound)


def test_silence_has_no_figures_and_says_so(read):
    reading = read(np.zeros((96_000, 2)))
    assert reading.loudness.integrated_lufs is None
    assert reading.sample_peak_dbfs is None
    assert reading.reasons["integrated_lufs"] == "digital silence"
    assert reading.reasons["sample_peak_dbfs"] == "digital silence"


def test_nothing_fed_has_no_figures_and_says_so():
    reading = Meter(sample_rate=48_000, channels=2).result()
    assert reading.frames == 0
    assert reading.loudness.momentary_max_lufs is None
    assert reading.sample_peak_dbfs is None
    assert reading.reasons["sample_peak_dbfs"] == "no sound"


def test_sound_shorter_than_400_ms_has_a_peak_but_no_loudness(tone, read):
    reading = read(tone((0.399, -6.0)))
    assert reading.loudness.integrated_lufs is None
    assert "400 ms" in reading.reasons["integrated_lufs"]
    assert reading.sample_peak_dbfs == pytest.approx(-6.0, abs=0.01)


def test_sound_under_the_gate_has_maxima_only(tone, read):
    reading = read(tone((5, -85.0)))
    assert reading.loudness.integrated_lufs is None
    assert reading.loudness.short_term_max_lufs == pytest.approx(-85.0, abs=0.02)
    assert "gate" in reading.reasons["integrated_lufs"]


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_one_bad_sample_leaves_no_figure_and_says_from_when(value, tone, read):
    sound = tone((5, -20.0))
    sound[150_000, 1] = value
    reading = read(sound)
    assert reading.loudness.integrated_lufs is None
    assert reading.loudness.short_term_max_lufs is None
    assert reading.sample_peak_dbfs is None
    assert reading.reasons["integrated_lufs"] == "not a finite number from 3.12 s on"
    assert reading.reasons["sample_peak_dbfs"] == "not a finite number"


def test_sample_peak_is_the_largest_of_either_sign_even_in_the_last_incomplete_hop(read):
    sound = np.zeros((48_100, 2), dtype=np.float32)
    sound[100, 0] = 0.25
    sound[48_090, 1] = -0.5
    assert read(sound).sample_peak_dbfs == pytest.approx(20 * np.log10(0.5))


def test_block_of_another_shape_or_type_is_refused():
    meter = Meter(sample_rate=48_000, channels=2)
    with pytest.raises(RoomplanError, match=r"feed arrays of shape \(frames, 2\)"):
        meter.feed(np.zeros((10, 1)))
    with pytest.raises(RoomplanError, match="shape"):
        meter.feed(np.zeros(10))
    with pytest.raises(RoomplanError, match=r"full scale 1\.0"):
        meter.feed(np.zeros((10, 2), dtype=np.int16))  # pyright: ignore[reportArgumentType]
    assert meter.result().frames == 0


def test_frames_are_counted(gated_noise, read):
    assert read(gated_noise(1.2345)).frames == round(1.2345 * 48_000)
