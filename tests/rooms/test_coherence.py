from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import spherical_jn

from roomplan.rooms.coherence import (
    diffuse_correlation,
    diffuse_covariance,
    factor,
    heard,
    microphone_aims,
    spherical_bessel,
)

SPEED = 343.2


def by_integration(frequencies, positions, aims, omni):
    """Mean over 40,000 plane waves from a golden-angle grid of directions: the definition itself."""
    count = 40_000
    index = np.arange(count) + 0.5
    up = 1.0 - 2.0 * index / count
    azimuth = np.pi * (1.0 + 5.0**0.5) * index
    flat = np.sqrt(1.0 - up * up)
    directions = np.stack([flat * np.cos(azimuth), flat * np.sin(azimuth), up], axis=1)
    pattern = omni + (1.0 - omni) * directions @ aims.T
    found = []
    for frequency in frequencies:
        phase = np.exp(2j * np.pi * frequency / SPEED * directions @ positions.T)
        heard = pattern * phase
        found.append(heard.T @ np.conj(heard) / count)
    return np.array(found)


def test_spherical_bessel_functions_are_scipys_within_1e_15():
    x = np.concatenate([[0.0, 2.0], np.geomspace(1e-12, 2000.0, 20_001), np.linspace(0.5, 5.0, 2001)])
    for order, ours in enumerate(spherical_bessel(x)):
        np.testing.assert_allclose(ours, spherical_jn(order, x), rtol=0.0, atol=1e-15)


@pytest.mark.parametrize("omni", [1.0, 0.75, 0.5, 0.0])
@pytest.mark.parametrize("spacing", [0.0, 0.17, 0.6])
def test_the_closed_form_is_the_mean_over_all_directions(omni, spacing):
    frequencies = np.array([63.0, 250.0, 500.0, 1000.0, 2000.0])
    positions = np.array([[0.0, -spacing / 2.0, 0.0], [0.1 * spacing, spacing / 2.0, 0.05 * spacing]])
    aims = microphone_aims((-50.0, 35.0), (-10.0, 5.0))
    ours = diffuse_covariance(frequencies, positions, aims, omni, sound_speed=SPEED)
    np.testing.assert_allclose(ours, by_integration(frequencies, positions, aims, omni), atol=2e-3)


def test_an_omnidirectional_pair_is_as_alike_as_the_sinc_function_says():
    # Cook et al., J. Acoust. Soc. Am. 27 (1955) 1072: sin(kd)/(kd); from memory.
    frequencies = np.linspace(20.0, 4000.0, 60)
    pair = np.array([[0.0, -0.25, 0.0], [0.0, 0.25, 0.0]])
    ours = diffuse_covariance(frequencies, pair, np.zeros((2, 3)), 1.0, sound_speed=SPEED)
    x = 2.0 * np.pi * frequencies * 0.5 / SPEED
    np.testing.assert_allclose(ours[:, 0, 1], np.sin(x) / x, atol=1e-12)


@given(
    omni=st.floats(0.0, 1.0),
    aims=st.tuples(st.floats(-180, 180), st.floats(-180, 180), st.floats(-180, 180)),
    spacing=st.floats(0.0, 8.0),
)
def test_factors_give_their_covariance_back_centre_included(omni, aims, spacing):
    frequencies = np.geomspace(20.0, 16_000.0, 25)
    positions = np.array([[0.0, -spacing / 2, 0.0], [0.0, spacing / 2, 0.0], [-0.8, 0.0, 0.1]])
    covariance = heard(
        diffuse_covariance(
            frequencies, positions, microphone_aims(aims, (0.0, 0.0, 0.0)), omni, sound_speed=SPEED
        )
    )
    assert covariance.shape == (25, 2, 2)
    made = factor(covariance)
    np.testing.assert_allclose(made @ np.conj(np.swapaxes(made, 1, 2)), covariance, atol=1e-8)


def test_a_centre_goes_to_both_sides_3_db_down():
    # Three microphones at one point are one signal: 1 + 0.7071 on each side.
    same = np.zeros((3, 3))
    covariance = heard(diffuse_covariance(np.array([1000.0]), same, same, 1.0, sound_speed=SPEED))
    assert covariance[0] == pytest.approx(np.full((2, 2), (1.0 + np.sqrt(0.5)) ** 2))


def test_the_correlation_of_known_set_ups_is_that_of_the_closed_forms():
    # Omni pair: the mean of sin(kd)/(kd) over the band (Cook et al. 1955; from memory). Figures-of-eight at
    # one point: the cosine of their angle. Omnis far apart with a centre at −3 dB on both sides: 1/3.
    lines = np.linspace(500.0, 1000.0, 400)
    apart = np.array([[0.0, -0.1, 0.0], [0.0, 0.1, 0.0]])
    ahead = microphone_aims((0.0, 0.0), (0.0, 0.0))
    expected = np.mean(np.sinc(2.0 * lines * 0.2 / SPEED))
    assert diffuse_correlation(lines, apart, ahead, 1.0, sound_speed=SPEED) == pytest.approx(
        expected, abs=1e-6
    )
    for aim in (30.0, 45.0):
        crossed = microphone_aims((-aim, aim), (0.0, 0.0))
        found = diffuse_correlation(lines, np.zeros((2, 3)), crossed, 0.0, sound_speed=SPEED)
        assert found == pytest.approx(np.cos(np.radians(2.0 * aim)), abs=1e-9)
    wide = np.array([[0.0, -90.0, 0.0], [0.0, 90.0, 0.0], [50.0, 0.0, 0.0]])
    three = diffuse_correlation(lines, wide, microphone_aims((0.0,) * 3, (0.0,) * 3), 1.0, sound_speed=SPEED)
    assert three == pytest.approx(1.0 / 3.0, abs=0.01)
