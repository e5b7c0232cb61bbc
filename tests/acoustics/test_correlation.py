"""Inter-channel correlation. Mixtures have the coefficient they were mixed with; numpy, scipy check sums."""

from __future__ import annotations

import numpy as np
import pytest
from acoustic_signals import decaying_noise, envelope, number, times
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from roomplan.acoustics import OCTAVE_CENTRES_HZ, band_filter
from roomplan.acoustics.correlation import inter_channel_correlation
from roomplan.errors import RoomplanError

RATE = 16000
PARTS = ("early", "late")


def stereo(first, second):
    return np.column_stack([first, second])


def independent(seed, decay_time_s=1.0, seconds=1.2, sample_rate=RATE, correlation=0.0):
    """Two decays whose true coefficient is `correlation` at lag 0."""
    first = decaying_noise(seed, decay_time_s, seconds, sample_rate)
    other = decaying_noise(seed + 50_000, decay_time_s, seconds, sample_rate)
    return stereo(first, correlation * first + np.sqrt(1.0 - correlation**2) * other)


def delayed(samples, frames):
    """Delay by a fraction of a frame: a windowed sinc, flat to 0.001 dB up to a third of the rate."""
    taps = np.arange(-64, 65) - frames
    kernel = np.sinc(taps) * np.kaiser(131, 8.0)[1:-1]
    return np.convolve(samples, kernel)[64 : 64 + samples.size]


def parts(response, sample_rate=RATE, **options):
    """Every part of every band that has a figure."""
    found = inter_channel_correlation(response, sample_rate=sample_rate, **options)
    return [getattr(band, part) for band in found for part in PARTS]


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_identical_channels_give_1_and_inverted_ones_minus_1_at_lag_0(sign):
    sound = decaying_noise(1, 1.0, 1.2, RATE)
    for part in parts(stereo(sound, sign * sound), centres_hz=OCTAVE_CENTRES_HZ):
        assert part.coefficient == pytest.approx(sign, abs=1e-12)
        assert part.at_lag_zero == pytest.approx(sign, abs=1e-12)
        assert part.lag_s == pytest.approx(0.0, abs=1e-9)
        assert part.uncertainty == pytest.approx(0.0, abs=1e-9)
        assert part.verdict == "good"


@pytest.mark.parametrize("sample_rate", [44100, 48000])
@pytest.mark.parametrize("delay_ms", [0.1, 0.4567, 0.93, -0.73])
def test_a_delay_within_1_ms_keeps_the_coefficient_at_1_and_is_found_between_samples(delay_ms, sample_rate):
    sound = np.concatenate([np.zeros(100), decaying_noise(2, 0.5, 0.6, sample_rate), np.zeros(200)])
    late = delayed(sound, abs(delay_ms) * 1e-3 * sample_rate % 1.0)
    whole = int(abs(delay_ms) * 1e-3 * sample_rate)
    late = np.concatenate([np.zeros(whole), late])[: sound.size]
    pair = stereo(sound, late) if delay_ms > 0 else stereo(late, sound)
    for part in parts(pair, sample_rate):
        assert part.coefficient == pytest.approx(1.0, abs=2e-4)
        assert number(part.lag_s) * 1e3 == pytest.approx(delay_ms, abs=5e-4)


def test_a_delay_longer_than_1_ms_is_not_followed():
    sound = decaying_noise(3, 1.0, 1.2, RATE)
    late = np.concatenate([np.zeros(round(0.004 * RATE)), sound])[: sound.size]
    for part in parts(stereo(sound, late), centres_hz=(1000, 2000)):
        assert abs(number(part.lag_s)) <= 0.001
        assert abs(number(part.coefficient)) < 0.35


@pytest.mark.parametrize("correlation", [0.0, 0.3, -0.6, 0.9])
def test_a_mixture_has_the_correlation_it_was_mixed_with(correlation):
    found = [
        inter_channel_correlation(independent(s, 0.8, 1.0, 8000, correlation), sample_rate=8000)
        for s in range(25)
    ]
    for band in range(3):
        for name in PARTS:
            results = [getattr(bands[band], name) for bands in found]
            errors = np.array([number(part.at_lag_zero) - correlation for part in results])
            expected = np.mean([number(part.uncertainty) for part in results])
            assert abs(errors.mean()) < 3.0 * expected / np.sqrt(errors.size)
            # near ±1 the scatter is skew, but even on Fisher's scale artanh ρ, where it is 1 / √(2 B T_eff)
            seen = np.arctanh([number(part.at_lag_zero) for part in results]) - np.arctanh(correlation)
            assert np.max(np.abs(seen)) < 4.5 * expected / (1.0 - correlation**2)
            if correlation:
                coefficients = [number(part.coefficient) for part in results]
                assert np.sign(np.median(coefficients)) == np.sign(correlation)


@pytest.mark.parametrize(("correlation", "floor_db"), [(0.0, None), (0.7, 30.0)])
def test_the_stated_uncertainty_is_the_scatter_of_independent_decays_within_30_percent(correlation, floor_db):
    runs, rate = 100, 6000
    values: dict[tuple[int, str], list[tuple[float, float]]] = {}
    noise = np.random.default_rng(4)
    for seed in range(runs):
        pair = independent(seed, 0.6, 0.9, rate, correlation)
        if floor_db is not None:
            pair += noise.normal(size=pair.shape) * 10.0 ** (-floor_db / 20.0)
        for index, band in enumerate(
            inter_channel_correlation(pair, sample_rate=rate, centres_hz=(250, 500, 1000))
        ):
            for name in PARTS:
                part = getattr(band, name)
                values.setdefault((index, name), []).append(
                    (number(part.at_lag_zero), number(part.uncertainty))
                )
    assert len(values) == 6
    for pairs in values.values():
        seen, stated = np.array(pairs).T
        # the standard deviation of a hundred values is itself known to 7 %
        assert seen.std() == pytest.approx(stated.mean(), rel=0.3)
        assert abs(seen.mean() - correlation) < 4.0 * seen.std() / np.sqrt(runs)


def test_the_largest_magnitude_of_unrelated_channels_is_what_chance_is_said_to_give():
    for centres, decay_time, rate in (((125, 250), 1.5, 2000), ((500, 1000), 0.6, 6000)):
        found = [
            inter_channel_correlation(
                independent(s, decay_time, 1.2 * decay_time, rate), sample_rate=rate, centres_hz=centres
            )
            for s in range(100)
        ]
        for index in range(len(centres)):
            for name in PARTS:
                results = [getattr(bands[index], name) for bands in found]
                seen = np.sqrt(np.mean([number(part.coefficient) ** 2 for part in results]))
                said = np.mean([number(part.by_chance) for part in results])
                assert seen == pytest.approx(said, rel=0.2)
                zero = np.sqrt(np.mean([number(part.at_lag_zero) ** 2 for part in results]))
                assert seen > 1.15 * zero  # the bias: the largest is larger than any one


# Cook et al. (1955): two points a distance d apart in a diffuse field are coherent as sin(kd)/kd.
@pytest.mark.parametrize("distance_m", [0.05, 0.17, 0.34])
def test_two_spaced_omnis_in_a_diffuse_field_correlate_as_a_sinc_of_their_distance(distance_m):
    speed, rate, waves = 343.0, 16000, 256
    rng = np.random.default_rng(6)
    frames = round(1.2 * rate)
    # plane waves from all sides: delays ± d/2c · cos(angle), cosines evenly spread over the sphere
    cosines = (np.arange(waves) + 0.5) / waves * 2.0 - 1.0
    length = 2 * frames
    omega = 2.0 * np.pi * np.fft.rfftfreq(length, 1.0 / rate)
    sums = np.zeros((2, omega.size), dtype=complex)
    for cosine in cosines:
        spectrum = np.fft.rfft(rng.normal(size=frames), length)
        turn = np.exp(0.5j * omega * distance_m / speed * cosine)
        sums += np.stack([spectrum * turn, spectrum / turn])
    pair = np.fft.irfft(sums, length)[:, :frames].T * envelope(1.0, 1.2, rate)[:, None]
    for band in inter_channel_correlation(pair, sample_rate=rate):
        frequency = np.linspace(0.5, 2.0, 4001) * band.centre_hz
        # power of the third-order band-pass, IEC 61260-1: x = (f/f_m - f_m/f) / (G^½ - G^-½), G = 10^0.3
        x = (frequency / band.centre_hz - band.centre_hz / frequency) / (10**0.15 - 10**-0.15)
        power = 1.0 / (1.0 + x**6)
        expected = np.sum(power * np.sinc(2.0 * frequency * distance_m / speed)) / power.sum()
        found = band.late
        spread = (1.0 - expected**2) * number(found.by_chance) / 1.6
        assert number(found.at_lag_zero) == pytest.approx(expected, abs=3.0 * spread)
        assert abs(number(found.coefficient)) >= abs(number(found.at_lag_zero)) - 1e-9


def test_an_early_part_that_is_one_and_a_late_part_that_is_two_are_told_apart():
    pair = independent(7, 1.5, 1.8)
    boundary = round(0.08 * RATE)
    pair[:boundary, 1] = pair[:boundary, 0]
    for band in inter_channel_correlation(pair, sample_rate=RATE):
        # the crossfade of 2 ms holds half a millisecond of the late part
        assert number(band.early.coefficient) > 0.985
        assert abs(number(band.late.coefficient)) < 2.0 * number(band.late.by_chance) < 0.3


def test_a_direct_sound_common_to_both_channels_counts_as_early_however_long_its_filter_rings():
    pair = independent(8, 1.0, 1.2)
    pair[0] = 40.0
    before = inter_channel_correlation(independent(8, 1.0, 1.2), sample_rate=RATE, centres_hz=(125, 500))
    after = inter_channel_correlation(pair, sample_rate=RATE, centres_hz=(125, 500))
    for plain, direct in zip(before, after, strict=True):
        assert number(direct.early.coefficient) > abs(number(plain.early.coefficient)) + 0.3
        assert direct.late.coefficient == pytest.approx(plain.late.coefficient, abs=0.02)


@pytest.mark.parametrize("scale", [1e-9, 0.1, 1e6])
def test_the_scale_of_one_channel_changes_nothing(scale):
    pair = independent(9, correlation=0.5)
    pair[0] = 5.0  # both channels have their onset here
    for plain, scaled in zip(parts(pair), parts(pair * [scale, 1.0]), strict=True):
        assert scaled.coefficient == pytest.approx(plain.coefficient, rel=1e-9)
        assert scaled.uncertainty == pytest.approx(plain.uncertainty, rel=1e-6)


def test_silence_or_noise_ahead_of_the_sound_changes_nothing():
    pair = independent(10, correlation=0.4)
    pair[0] = 5.0
    lead = np.random.default_rng(11).normal(size=(5000, 2)) * 1e-3
    plain = parts(pair)
    for ahead in (np.zeros((777, 2)), lead):
        for one, other in zip(plain, parts(np.concatenate([ahead, pair])), strict=True):
            assert other.coefficient == pytest.approx(one.coefficient, abs=1e-9)
            assert other.lag_s == pytest.approx(one.lag_s, abs=1e-9)


def test_a_quiet_channel_sets_no_onset():
    pair = independent(12, correlation=0.8)
    early_murmur = np.zeros((round(0.2 * RATE), 2))
    early_murmur[:, 1] = np.random.default_rng(13).normal(size=early_murmur.shape[0])
    quiet = np.concatenate([early_murmur, pair]) * [1.0, 10.0 ** (-50.0 / 20.0)]
    for one, other in zip(parts(pair), parts(quiet), strict=True):
        assert other.coefficient == pytest.approx(one.coefficient, abs=0.01)


@pytest.mark.parametrize("floor_db", [25.0, 35.0])
def test_a_floor_of_noise_costs_certainty_and_not_truth(floor_db):
    errors, stated = [], []
    for seed in range(30):
        pair = independent(seed, 0.6, 1.0, 8000, 0.8)
        pair += np.random.default_rng(seed).normal(size=pair.shape) * 10.0 ** (-floor_db / 20.0)
        for band in inter_channel_correlation(pair, sample_rate=8000, centres_hz=(500, 1000)):
            errors.append(number(band.late.at_lag_zero) - 0.8)
            stated.append(number(band.late.uncertainty))
    assert abs(np.mean(errors)) < 3.0 * np.std(errors) / np.sqrt(len(errors))
    assert np.std(errors) == pytest.approx(np.mean(stated), rel=0.3)


def test_a_decay_that_drowns_before_80_ms_has_no_late_figure_but_a_reason():
    pair = independent(14, 0.25, 1.0) + np.random.default_rng(15).normal(size=(RATE, 2)) * 0.15
    for band in inter_channel_correlation(pair, sample_rate=RATE):
        assert band.late.coefficient is None
        assert band.late.verdict == "unusable"
        assert "noise" in str(band.late.reason)


def test_stationary_noise_has_no_figure():
    pair = np.random.default_rng(16).normal(size=(RATE, 2))
    for part in parts(pair):
        assert (part.coefficient, part.verdict) == (None, "unusable")
        assert "noise" in str(part.reason)


@pytest.mark.parametrize(
    ("pair", "word"),
    [
        (np.zeros((0, 2)), "silent"),
        (np.zeros((4000, 2)), "silent"),
        (independent(17) * [1.0, 0.0], "second channel is silent"),
        (independent(17) * [0.0, 1.0], "first channel is silent"),
        (independent(17) * [1.0, np.nan], "not finite"),
        (np.ones((4000, 2)) * [0.3, 0.2], "contains only a constant"),
    ],
)
def test_what_cannot_be_compared_is_none_with_a_reason(pair, word):
    found = parts(pair)
    assert len(found) == 6
    for part in found:
        assert (part.coefficient, part.lag_s, part.at_lag_zero, part.uncertainty, part.by_chance) == (
            None,
        ) * 5
        assert part.verdict == "unusable"
        assert word in str(part.reason)


@pytest.mark.parametrize("sample_rate", [RATE, 48000])
@pytest.mark.parametrize("gap", [0, 7])
def test_two_clicks_tell_nothing_of_a_field_and_are_refused(gap, sample_rate):
    pair = np.zeros((4000, 2))
    pair[100, 0] = pair[100 + gap, 1] = 1.0
    for band in inter_channel_correlation(pair, sample_rate=sample_rate):
        assert "too short" in str(band.early.reason)
        assert "nothing arrives after 80 ms" in str(band.late.reason)


def test_a_band_too_narrow_for_80_ms_is_refused_and_one_left_to_chance_is_doubtful():
    low, middle, high = inter_channel_correlation(
        independent(18), sample_rate=RATE, centres_hz=(31.5, 125, 2000)
    )
    assert (low.early.coefficient, low.early.verdict) == (None, "unusable")
    assert "too short" in str(low.early.reason)
    assert middle.early.verdict == "doubtful"
    assert "unrelated channels" in str(middle.early.reason)
    assert (high.early.verdict, high.early.reason) == ("good", None)


def test_a_band_above_half_the_rate_is_none_with_a_reason_and_the_others_stand():
    low, high = inter_channel_correlation(independent(19), sample_rate=RATE, centres_hz=(500, 8000))
    assert low.early.coefficient is not None
    assert high.early.coefficient is None
    assert "half the sample rate" in str(high.late.reason)


@pytest.mark.parametrize("fraction", [1, 3])
@pytest.mark.parametrize("correlation", [0.0, 0.6])
def test_the_coefficient_is_that_of_the_filtered_windows_in_numpy_and_scipy(fraction, correlation):
    pair = independent(20, 1.2, 1.4, correlation=correlation)
    pair[0] = 5.0
    boundary, half = round(0.08 * RATE), round(0.001 * RATE)
    ramp = np.clip((np.arange(pair.shape[0]) + 0.5 - (boundary - half)) / (2 * half), 0.0, 1.0) * np.pi / 2
    # room for the ringing on either side; a record without noise ends where it ends
    pad = np.zeros((8000, 2))
    for name, window in (("early", np.cos(ramp)), ("late", np.sin(ramp))):
        cut = np.concatenate([pad, pair * window[:, None], pad])
        for band in inter_channel_correlation(
            pair, sample_rate=RATE, centres_hz=(1000, 2000), fraction=fraction
        ):
            found = getattr(band, name)
            filtered = band_filter(cut, sample_rate=RATE, centre_hz=band.centre_hz, fraction=fraction)
            coefficient = float(np.asarray(np.corrcoef(filtered.T))[0, 1])
            assert number(found.at_lag_zero) == pytest.approx(coefficient, abs=1e-6)
            up = np.asarray(signal.resample_poly(filtered, 8, 1))
            raw = np.asarray(signal.correlate(up[:, 1], up[:, 0], method="fft"))
            lags = np.asarray(signal.correlation_lags(up.shape[0], up.shape[0])) / (8 * RATE)
            near = np.abs(lags) <= 0.001 + 1e-9
            values = raw[near] / float(np.sqrt(np.prod(np.sum(up**2, axis=0))))
            best = np.argmax(np.abs(values))
            # its windows stand still while the lag runs: half a lag of the part is another
            assert number(found.coefficient) == pytest.approx(values[best], abs=0.03)
            assert number(found.lag_s) == pytest.approx(lags[near][best], abs=3e-5)


@pytest.mark.parametrize("shape", [(100,), (100, 1), (100, 3), (2, 3, 4)])
def test_other_than_two_channels_are_refused(shape):
    with pytest.raises(RoomplanError):
        inter_channel_correlation(np.ones(shape), sample_rate=RATE)


@pytest.mark.parametrize(
    "options", [{"centres_hz": (440,)}, {"fraction": 2}, {"sample_rate": 0}, {"sample_rate": np.nan}]
)
def test_unknown_bands_and_rates_are_refused(options):
    with pytest.raises(RoomplanError):
        inter_channel_correlation(np.ones((100, 2)), **{"sample_rate": RATE, **options})


@settings(max_examples=120, deadline=None)
@given(
    frames=st.integers(0, 3000),
    seed=st.integers(0, 10_000),
    slope=st.floats(-0.05, 0.01),
    kind=st.sampled_from(["noise", "tone", "constant", "sparse", "steps"]),
    scales=st.tuples(*[st.sampled_from([0.0, 1e-300, 1e-9, 1.0, 1e9, 1e300])] * 2),
    silence=st.integers(0, 500),
    shared=st.booleans(),
    fraction=st.sampled_from([1, 3]),
)
def test_any_array_of_two_channels_gives_figures_in_range_or_reasons(
    frames, seed, slope, kind, scales, silence, shared, fraction
):
    rng = np.random.default_rng(seed)
    shape = (frames, 1 if shared else 2)
    sound = {
        "noise": lambda: rng.normal(size=shape),
        "tone": lambda: np.cos(rng.uniform(0.0, 3.0, size=shape[1]) * np.arange(frames)[:, None]),
        "constant": lambda: np.ones(shape),
        "sparse": lambda: rng.normal(size=shape) * (rng.random(size=shape) < 0.01),
        "steps": lambda: np.sign(rng.normal(size=shape)),
    }[kind]()
    sound = sound * np.exp(slope * np.arange(frames))[:, None] * scales
    sound = np.concatenate([np.zeros((silence, 2)), sound * np.ones((1, 2)), np.zeros((silence, 2))])
    for part in parts(sound, 8000, centres_hz=(125, 1000, 2000), fraction=fraction):
        if part.coefficient is None:
            assert part.verdict == "unusable"
            assert part.reason
            continue
        assert -1.0 <= number(part.at_lag_zero) <= 1.0
        assert -1.0 <= part.coefficient <= 1.0
        assert abs(number(part.lag_s)) <= 0.001
        assert number(part.uncertainty) >= 0.0
        assert 0.0 <= number(part.by_chance) <= 1.0
        assert (part.reason is None) == (part.verdict == "good")


def test_a_steady_tone_gives_the_cosine_of_its_phase():
    decay = envelope(1.0, 1.2, RATE)
    omega = 2.0 * np.pi * 1000.0 * times(1.2, RATE)
    (band,) = inter_channel_correlation(
        stereo(np.cos(omega) * decay, np.cos(omega - 1.0) * decay), sample_rate=RATE, centres_hz=(1000,)
    )
    assert band.late.at_lag_zero == pytest.approx(np.cos(1.0), abs=0.002)
    assert abs(number(band.late.coefficient)) == pytest.approx(1.0, abs=0.001)
    assert band.late.lag_s == pytest.approx(1.0 / (2.0 * np.pi * 1000.0), abs=2e-6)
