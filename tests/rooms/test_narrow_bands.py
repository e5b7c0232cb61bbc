from __future__ import annotations

import numpy as np
import pytest

from roomplan.rooms.narrow_bands import band_centres, shape

RATE = 24_000
TOP_HZ = RATE / 2.0


def shaped(samples, envelope, *, top_hz=TOP_HZ):
    lines = np.fft.rfft(samples, axis=1)
    frames = samples.shape[1]
    return np.fft.irfft(shape(lines, frames / RATE, envelope, top_hz=top_hz), frames, axis=1)


@pytest.fixture
def noise():
    return np.random.default_rng(3).standard_normal((2, RATE))


def test_bands_are_a_sixth_of_an_octave_apart_and_narrower_than_12_hz_in_the_bass():
    centres = band_centres(20_000.0)
    assert centres[0] == 0.0
    assert centres[-2] < 20_000.0 <= centres[-1]
    apart = np.diff(centres)
    np.testing.assert_allclose(
        centres[1:][centres[:-1] > 500.0] / centres[:-1][centres[:-1] > 500.0], 2.0 ** (1 / 6), rtol=0.01
    )
    assert np.max(apart[centres[:-1] < 50.0]) < 13.5


def test_the_bands_add_up_to_the_sound_when_all_envelopes_are_one(noise):
    np.testing.assert_allclose(shaped(noise, lambda _band, times_s: np.ones_like(times_s)), noise, atol=1e-12)


def test_one_envelope_for_all_bands_is_the_same_as_multiplying_the_sound(noise):
    # A decay of 1 s within its own rise and fall: nothing quicker than 200 Hz; DC is in it.
    def envelope(times_s):
        return np.sin(np.pi * times_s) ** 2 * np.exp(-6.9 * times_s)

    noise += 0.5
    found = shaped(noise, lambda _band, times_s: envelope(times_s))
    expected = noise * envelope(np.arange(RATE) / RATE)
    np.testing.assert_allclose(found, expected, atol=2e-6)


def test_what_lies_before_a_moment_at_which_envelopes_part_stays_as_it_was():
    # An impulse at 0.3 s, envelopes of 1 up to 0.4 s and of different decays from there on.
    samples = np.zeros((1, RATE))
    samples[0, round(0.3 * RATE)] = 1.0

    def envelope(band, times_s):
        since = np.maximum(times_s - 0.4, 0.0)
        return (
            np.exp(-(2.0 + 0.3 * band) * since)
            * np.cos(np.pi / 2.0 * np.clip(times_s - 0.4, 0.0, 0.6) / 0.6) ** 2
        )

    found = shaped(samples, envelope)[0]
    found[round(0.3 * RATE)] -= 1.0
    assert np.max(np.abs(found[: round(0.4 * RATE)])) < 1e-4


def test_a_frequency_between_two_centres_is_shaped_by_both_and_nothing_steps():
    # Tones across one band's width, each measured by its level 0.5 s on; T 0.5 s and 1 s by turns, the
    # hardest case: neighbours that differ by 60 dB per second.
    centres = band_centres(TOP_HZ)
    band = int(np.argmin(np.abs(centres - 1000.0)))
    clock = np.arange(RATE) / RATE
    tones = np.round(np.linspace(centres[band], centres[band + 1], 9))
    samples = np.stack([np.cos(2.0 * np.pi * tone * clock) for tone in tones])

    def envelope(index, times_s):
        time = 0.5 if index <= band else 1.0
        return np.exp(-3.0 * np.log(10.0) * times_s / time) * np.sin(np.pi * times_s) ** 2

    at = slice(round(0.45 * RATE), round(0.55 * RATE))
    level = 10.0 * np.log10(np.mean(shaped(samples, envelope)[:, at] ** 2, axis=1))
    assert level[-1] - level[0] == pytest.approx(30.0, abs=1.0)
    assert np.all(np.diff(level) > -0.1)
