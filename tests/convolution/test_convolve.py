"""`convolve`: shapes, precision, independent references."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st

from roomplan.convolution import convolve
from roomplan.errors import RoomplanError


def _error_db(result, reference):
    error = np.mean(np.square(result - reference))
    return -math.inf if error == 0 else 10 * math.log10(error / np.mean(np.square(reference)))


@settings(max_examples=60, deadline=None)
@given(
    st.integers(1, 3000), st.integers(1, 3000), st.integers(1, 3), st.booleans(), st.integers(0, 2**32 - 1)
)
def test_any_lengths_agree_with_scipy_in_both_precisions(frames, taps, channels, one_response, seed):
    rng = np.random.default_rng(seed)
    signal = rng.standard_normal((frames, channels))
    response = rng.standard_normal((taps, 1 if one_response else channels))
    reference = scipy.signal.fftconvolve(signal, response, axes=0)
    exact = convolve(signal, response)
    assert exact.shape == reference.shape
    assert exact.dtype == np.float64
    assert _error_db(exact, reference) < -280
    single = convolve(signal.astype(np.float32), response)
    assert single.dtype == np.float32
    reference = scipy.signal.fftconvolve(signal.astype(np.float32).astype(float), response, axes=0)
    assert _error_db(single, reference) <= -125


def test_one_dimension_in_both_gives_one_dimension_back():
    result = convolve(np.array([1.0, 2.0, 3.0]), np.array([0.0, 1.0, 0.5]))
    np.testing.assert_allclose(result, [0, 1, 2.5, 4, 1.5], atol=1e-15)


@pytest.mark.parametrize(
    ("signal", "response", "channels"),
    [
        ((50,), (9, 3), 3),
        ((50, 1), (9, 3), 3),
        ((50, 3), (9,), 3),
        ((50, 3), (9, 1), 3),
        ((9, 2), (50, 2), 2),
    ],
)
def test_one_channel_meets_every_channel_of_the_other(signal, response, channels):
    rng = np.random.default_rng(1)
    x, h = rng.standard_normal(signal), rng.standard_normal(response)
    result = convolve(x, h)
    wide_x, wide_h = (np.broadcast_to(a.reshape(len(a), -1), (len(a), channels)) for a in (x, h))
    for channel in range(channels):
        expected = np.convolve(wide_x[:, channel], wide_h[:, channel])
        np.testing.assert_allclose(result[:, channel], expected, atol=1e-12)


def test_a_single_sample_is_a_gain():
    signal = np.random.default_rng(2).standard_normal((1000, 2))
    np.testing.assert_allclose(convolve(signal, np.array([-0.5])), -0.5 * signal, atol=1e-14)
    np.testing.assert_allclose(convolve(np.array([2.0]), np.array([3.0])), [6.0], atol=1e-14)


@pytest.mark.parametrize("rate_and_seconds", [(8_000, (3, 2)), (48_000, (3, 2)), (192_000, (1, 0.5))])
def test_a_decaying_response_at_common_rates_agrees_with_scipy(rate_and_seconds):
    rate, (length, decay) = rate_and_seconds
    rng = np.random.default_rng(3)
    signal = rng.standard_normal((length * rate, 2)).astype(np.float32)
    taps = int(decay * rate)
    response = rng.standard_normal((taps, 2)) * np.exp(-6.9 * np.arange(taps) / taps)[:, np.newaxis]
    reference = scipy.signal.fftconvolve(signal.astype(float), response, axes=0)
    assert _error_db(convolve(signal, response), reference) <= -125


def test_whole_numbers_are_taken_and_give_float64():
    result = convolve(np.array([1, 2], np.int16), np.array([3, 4], np.int32))
    assert result.dtype == np.float64
    np.testing.assert_allclose(result, [3, 10, 8], atol=1e-14)


@pytest.mark.parametrize(
    ("signal", "response", "words"),
    [
        (np.zeros(0), np.ones(3), "the signal has shape (0,)"),
        (np.ones(3), np.ones((0, 2)), "the response has shape (0, 2)"),
        (np.ones((2, 2, 2)), np.ones(3), "the signal has shape (2, 2, 2)"),
        (np.ones((9, 2)), np.ones((3, 3)), "a signal of 2 channels meets a response of 3"),
        (np.ones(3, complex), np.ones(3), "the signal is of type complex128"),
        (np.array([1.0, np.nan]), np.ones(3), "the signal is nan at frame 1"),
        (np.ones(3), np.array([[1.0, -np.inf]]), "the response is -inf at frame 0, channel 2"),
    ],
)
def test_what_cannot_be_convolved_is_refused_in_one_line(signal, response, words):
    with pytest.raises(RoomplanError) as caught:
        convolve(signal, response)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)
