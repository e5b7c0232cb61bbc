from __future__ import annotations

import numpy as np
import pytest

from roomplan.acoustics.analysis import measure_composite
from roomplan.errors import RoomplanError
from roomplan.rooms.decay_scaling import mid_reverberation_time, scale_decay
from roomplan.rooms.room_file import load_room_specification
from roomplan.rooms.synthesis import synthesise

RATE = 24_000
DECAY_RATE = 3.0 * np.log(10.0)


def times(samples):
    bands = measure_composite(samples, dry=None, sample_rate=RATE).bands
    return np.array([band.t30_s for band in bands], dtype=float)


@pytest.mark.parametrize("floor_db", [None, -60.0])
@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("scale", [0.8, 1.25])
def test_scaling_multiplies_t30_of_every_octave_within_3_per_cent(decaying_noise, scale, channels, floor_db):
    # The limit of the project's own; a noise floor 60 dB down leaves T30 its 45 dB (ISO 3382-1:2009, 5.3.3).
    samples = decaying_noise(1.6, length_s=2.4, channels=channels, sample_rate=RATE, floor_db=floor_db)
    scaled = scale_decay(samples, sample_rate=RATE, origin=0, scale=scale)
    np.testing.assert_allclose(times(scaled) / times(samples), scale, rtol=0.03)


def test_bands_with_different_decays_are_all_scaled_by_the_same_factor():
    # A nave with 3.6 s in the bass and 2.1 s at 4 kHz: one exponential would add the same rate to each.
    spec, _ = load_room_specification("orrin_nave")
    assert spec is not None
    seat = spec.reference_seat
    nave = synthesise(spec, seat=seat, microphones="main", sources=1, sample_rate=RATE).reflected
    for scale in (0.8, 1.25):
        scaled = scale_decay(nave, sample_rate=RATE, origin=0, scale=scale)
        np.testing.assert_allclose(times(scaled) / times(nave), scale, rtol=0.03)


@pytest.mark.parametrize("scale", [0.3, 1.5])
def test_the_limits_of_the_scale_are_met_in_the_mid_bands(decaying_noise, scale):
    samples = decaying_noise(1.5, length_s=2.5, channels=2, sample_rate=RATE)
    scaled = scale_decay(samples, sample_rate=RATE, origin=0, scale=scale)
    np.testing.assert_allclose(times(scaled)[2:4] / times(samples)[2:4], scale, rtol=0.05)


def test_slower_than_it_was_the_noise_floor_is_replaced_and_not_raised(decaying_noise):
    # Multiplied along, the floor 50 dB down would be raised by 60 (1/1 − 1/1.5) = 20 dB per second.
    samples = decaying_noise(1.0, length_s=2.4, channels=2, sample_rate=RATE, floor_db=-50.0)
    scaled = scale_decay(samples, sample_rate=RATE, origin=0, scale=1.5)
    assert len(scaled) > len(samples)
    start = np.mean(scaled[: RATE // 20] ** 2)
    at = np.arange(round(1.0 * RATE), round(2.2 * RATE), RATE // 5)
    levels = [10.0 * np.log10(np.mean(scaled[i : i + RATE // 10] ** 2) / start) for i in at]
    # T is now 1.5 s: 40 dB per second all the way down.
    expected = -40.0 * ((at + RATE // 20) / RATE - 0.025)
    np.testing.assert_allclose(levels, expected, atol=3.0)


def test_the_sound_before_the_direct_sound_keeps_its_level(decaying_noise):
    samples = np.concatenate([np.zeros((2400, 1)), decaying_noise(1.0, length_s=1.5, sample_rate=RATE)])
    scaled = scale_decay(samples, sample_rate=RATE, origin=2400, scale=0.6)
    before = np.sum(samples[2400:2520] ** 2)
    assert np.sum(scaled[2400:2520] ** 2) == pytest.approx(before, rel=0.1)
    assert np.sum(scaled[:2200] ** 2) < 1e-4 * before


def test_a_scale_of_one_leaves_the_samples_alone(decaying_noise):
    samples = decaying_noise(1.0, length_s=1.0, sample_rate=RATE)
    assert scale_decay(samples, sample_rate=RATE, origin=0, scale=1.0) is samples


def test_the_same_response_gives_the_same_samples(decaying_noise):
    samples = decaying_noise(0.8, length_s=1.0, sample_rate=RATE, floor_db=-60.0)
    first, again = (scale_decay(samples, sample_rate=RATE, origin=0, scale=1.2) for _ in range(2))
    np.testing.assert_array_equal(first, again)


def test_the_mid_time_is_the_one_the_noise_was_made_with(decaying_noise):
    samples = decaying_noise(1.6, length_s=2.4, channels=2, sample_rate=RATE)
    # One draw of noise scatters: 0.55 √(1.15/(B T N)) is 2 % for the mean of two octaves and two channels.
    assert mid_reverberation_time(samples, sample_rate=RATE) == pytest.approx(1.6, rel=0.05)


def test_what_does_not_decay_cannot_be_scaled():
    noise = np.random.default_rng(4).standard_normal((RATE, 1))
    with pytest.raises(RoomplanError, match="no decay that can be measured"):
        scale_decay(noise, sample_rate=RATE, origin=0, scale=0.8)


@pytest.mark.parametrize("sample_rate", [48_000, 192_000])
def test_a_response_cut_after_some_milliseconds_is_made_longer_without_an_outburst(
    decaying_noise, sample_rate
):
    # Nothing in it shows how it decays; 20 dB is the project's own limit.
    samples = decaying_noise(0.3, length_s=0.04, sample_rate=sample_rate)
    samples[len(samples) // 2 :] = 0.0
    scaled = scale_decay(samples, sample_rate=sample_rate, origin=5, scale=1.5)
    assert np.isfinite(scaled).all()
    assert np.max(np.abs(scaled)) < 10.0 * np.max(np.abs(samples))
