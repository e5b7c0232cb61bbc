"""The streaming engine against independent convolutions in float64."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st

from roomplan.convolution import Convolver, Route
from roomplan.errors import RoomplanError

# Error limit, dB of the whole output's RMS (the project's own promise; float64 scipy is the reference).
LIMIT_DB = -125.0


def _error_db(result, reference):
    power = np.mean(np.square(reference))
    error = np.mean(np.square(result.astype(np.float64) - reference))
    return -math.inf if error == 0 else 10 * math.log10(error / power)


def _reference(signal, responses, routes, outputs):
    """Every route by scipy.signal.fftconvolve in float64, summed."""
    tail = max((len(response) for response in responses), default=1) - 1
    total = np.zeros((len(signal) + tail, outputs))
    for route in routes:
        wet = scipy.signal.fftconvolve(
            signal[:, route.input].astype(float), responses[route.response].astype(float)
        )
        total[: len(wet), route.output] += wet
    return total


def _decay(taps, rng):
    return (rng.standard_normal(taps) * np.exp(-3 * np.arange(taps) / taps)).astype(np.float32)


def _run(convolver, signal, splits):
    """Feed `signal` cut at `splits`; everything that comes out."""
    parts = [convolver.process(part) for part in np.split(signal, sorted(splits))]
    return np.concatenate([*parts, convolver.finish()])


@st.composite
def _jobs(draw):
    max_hop = draw(st.sampled_from([1, 7, 64, 100, 1000, 4096]))
    edges = sorted({max(1, max_hop * factor + off) for factor in (0, 1, 2, 4, 9) for off in (-1, 0, 1)})
    taps = draw(
        st.lists(st.sampled_from([t for t in edges if t < 2000 or max_hop > 100]), min_size=1, max_size=4)
    )
    inputs, outputs = draw(st.integers(1, 4)), draw(st.integers(1, 4))
    route = st.builds(
        Route, st.integers(0, inputs - 1), st.integers(0, outputs - 1), st.integers(0, len(taps) - 1)
    )
    routes = draw(st.lists(route, min_size=1, max_size=8))
    # a block edge, one less, one more; not more than 600 hops in all
    frames = min(draw(st.sampled_from([1, 2, 3, 5])) * max_hop + draw(st.integers(-1, 1)), 600 * max_hop)
    splits = draw(st.lists(st.integers(0, max(frames, 0)), max_size=5))
    return max_hop, taps, inputs, outputs, routes, max(frames, 0), splits, draw(st.integers(1, 3))


@settings(max_examples=120, deadline=None)
@given(_jobs(), st.integers(0, 2**32 - 1))
def test_any_job_in_any_split_is_within_minus_125_db_of_float64_fftconvolve(job, seed):
    max_hop, taps, inputs, outputs, routes, frames, splits, workers = job
    rng = np.random.default_rng(seed)
    signal = rng.standard_normal((frames, inputs)).astype(np.float32)
    responses = [_decay(length, rng) for length in taps]
    convolver = Convolver(responses, routes, inputs=inputs, outputs=outputs, workers=workers, max_hop=max_hop)
    result = _run(convolver, signal, splits)
    assert result.dtype == np.float32
    if frames == 0:
        assert result.shape == (max(taps) - 1, outputs)
        assert not result.any()
        return
    reference = _reference(signal, responses, routes, outputs)
    assert result.shape == reference.shape
    assert _error_db(result, reference) <= LIMIT_DB


@pytest.mark.parametrize("offset", [-1, 0, 1])
@pytest.mark.parametrize("seconds", [0.05, 0.5, 2.0])
def test_real_lengths_at_hop_edges_agree_with_oaconvolve_in_float64(offset, seconds):
    rng = np.random.default_rng(5)
    responses = [_decay(int(48_000 * seconds), rng) for _ in range(2)]
    routes = [Route(0, 0, 0), Route(1, 1, 1)]
    convolver = Convolver(responses, routes, inputs=2, outputs=2)
    signal = rng.standard_normal((convolver.hop + offset, 2)).astype(np.float32)
    result = _run(convolver, signal, [1, 12_345])
    reference = scipy.signal.oaconvolve(signal.astype(float), np.stack(responses, 1).astype(float), axes=0)
    assert result.shape == reference.shape
    assert _error_db(result, reference) <= LIMIT_DB


def test_an_output_that_keeps_little_of_its_input_is_as_exact_as_a_loud_one():
    rng = np.random.default_rng(8)
    low_pass = scipy.signal.butter(8, 80, fs=48_000, output="sos")
    low_cut = scipy.signal.butter(2, 2000, "highpass", fs=48_000, output="sos")
    bass = np.asarray(scipy.signal.sosfilt(low_pass, rng.standard_normal((200_000, 1)), axis=0), np.float32)
    response = np.asarray(scipy.signal.sosfilt(low_cut, _decay(30_000, rng).astype(float)))
    convolver = Convolver([response], [Route(0, 0, 0)], inputs=1, outputs=1)
    result = _run(convolver, bass, [])
    reference = _reference(bass, [response], [Route(0, 0, 0)], 1)
    kept = np.sum(reference**2) / (np.sum(np.square(bass, dtype=float)) * np.sum(response**2))
    assert kept < 1e-5
    assert _error_db(result, reference) <= LIMIT_DB


def test_classes_of_very_different_length_sum_into_one_output():
    rng = np.random.default_rng(6)
    taps = [60_000, 9_000, 700, 1]
    responses = [_decay(length, rng) for length in taps]
    routes = [Route(source, 0, index) for index in range(4) for source in (0, 1)] + [Route(1, 1, 2)]
    convolver = Convolver(responses, routes, inputs=2, outputs=3)
    signal = rng.standard_normal((200_001, 2)).astype(np.float32)
    result = _run(convolver, signal, [77, 100_000])
    reference = _reference(signal, responses, routes, 3)
    for output in (0, 1):
        assert _error_db(result[:, output], reference[:, output]) <= LIMIT_DB
    assert not result[:, 2].any()


def test_small_whole_numbers_come_out_exact_as_a_direct_sum_gives_them():
    rng = np.random.default_rng(7)
    signal = rng.integers(-9, 10, size=(500, 1))
    response = rng.integers(-9, 10, size=40)
    convolver = Convolver([response.astype(np.float32)], [Route(0, 0, 0)], inputs=1, outputs=1, max_hop=64)
    result = _run(convolver, signal, [3])
    np.testing.assert_array_equal(np.rint(result[:, 0]), np.convolve(signal[:, 0], response))


@pytest.mark.parametrize("delay", [0, 1, 63, 64, 65, 1000])
def test_a_response_of_one_late_one_delays_and_nothing_else(delay):
    rng = np.random.default_rng(8)
    signal = rng.standard_normal((777, 1)).astype(np.float32)
    response = np.zeros(delay + 1, np.float32)
    response[delay] = 1
    convolver = Convolver([response], [Route(0, 0, 0)], inputs=1, outputs=1, max_hop=64)
    assert convolver.tail == delay
    result = _run(convolver, signal, [])
    expected = np.concatenate([np.zeros((delay, 1)), signal])
    assert _error_db(result, expected) <= LIMIT_DB


def test_an_impulse_returns_the_response():
    response = _decay(5000, np.random.default_rng(9))
    convolver = Convolver([response], [Route(0, 0, 0)], inputs=1, outputs=1, max_hop=1024)
    result = _run(convolver, np.ones((1, 1)), [])
    assert len(result) == 5000
    assert _error_db(result[:, 0], response.astype(float)) <= LIMIT_DB


def test_the_output_is_linear_in_the_input():
    rng = np.random.default_rng(10)
    first, second = rng.standard_normal((2, 3000, 2)).astype(np.float32)
    responses = [_decay(900, rng), _decay(100, rng)]
    routes = [Route(0, 0, 0), Route(1, 0, 1), Route(1, 1, 0)]
    convolver = Convolver(responses, routes, inputs=2, outputs=2, max_hop=512)
    parts = 0.5 * _run(convolver, first, []).astype(float) - 2.0 * _run(convolver, second, [])
    whole = _run(convolver, 0.5 * first - 2.0 * second, [])
    assert _error_db(whole, parts) <= LIMIT_DB
    # powers of two only move the exponent: not one bit of the significand may change
    np.testing.assert_array_equal(_run(convolver, 0.25 * first, []), 0.25 * _run(convolver, first, []))


def test_channels_together_equal_each_channel_alone():
    rng = np.random.default_rng(11)
    signal = rng.standard_normal((4000, 3)).astype(np.float32)
    responses = [_decay(600, rng) for _ in range(3)]
    together = Convolver(
        responses, [Route(c, c, c) for c in range(3)], inputs=3, outputs=3, max_hop=640, workers=1
    )
    result = _run(together, signal, [])
    for channel in range(3):
        alone = Convolver([responses[channel]], [Route(0, 0, 0)], inputs=1, outputs=1, max_hop=640, workers=1)
        assert alone.hop == together.hop
        np.testing.assert_array_equal(_run(alone, signal[:, [channel]], [])[:, 0], result[:, channel])


def test_the_kernel_is_sample_aligned_and_writes_into_the_array_it_is_given():
    rng = np.random.default_rng(12)
    response = _decay(300, rng)
    convolver = Convolver([response], [Route(0, 0, 0)], inputs=1, outputs=2, max_hop=128)
    block = rng.standard_normal((1, convolver.hop)).astype(np.float32)
    kept = block.copy()
    out = np.full((2, convolver.hop), 7, np.float32)
    assert convolver.process_planar(block, out) is out
    expected = np.convolve(block[0].astype(float), response.astype(float))
    assert _error_db(out[0], expected[: convolver.hop]) <= LIMIT_DB
    assert not out[1].any()
    np.testing.assert_array_equal(block, kept)
    block[:] = 5  # the engine keeps no hold of the caller's block
    second = convolver.process_planar(np.zeros_like(block))
    assert second.flags.c_contiguous
    assert _error_db(second[0], expected[convolver.hop : 2 * convolver.hop]) <= LIMIT_DB


def test_very_long_responses_at_96_khz_work_within_the_default_budget():
    rng = np.random.default_rng(13)
    response = _decay(20 * 96_000, rng)
    convolver = Convolver([response], [Route(0, 0, 0)], inputs=1, outputs=1)
    signal = rng.standard_normal((96_000, 1)).astype(np.float32)
    result = _run(convolver, signal, [])
    reference = scipy.signal.fftconvolve(signal[:, 0].astype(float), response.astype(float))
    assert _error_db(result[:, 0], reference) <= LIMIT_DB


def test_float64_on_request_is_exact_to_float64_rounding():
    rng = np.random.default_rng(14)
    signal, response = rng.standard_normal((3000, 1)), rng.standard_normal(700)
    convolver = Convolver([response], [Route(0, 0, 0)], inputs=1, outputs=1, max_hop=512, dtype=np.float64)
    result = _run(convolver, signal, [99])
    assert result.dtype == np.float64
    assert _error_db(result[:, 0], np.convolve(signal[:, 0], response)) < -290


@pytest.mark.parametrize(
    ("responses", "routes", "counts", "words"),
    [
        ([np.ones((3, 2))], [], {}, "response 0 has shape (3, 2)"),
        ([np.ones(3), np.ones(0)], [], {}, "response 1 has shape (0,)"),
        ([np.array([1.0, np.nan])], [], {}, "response 0 is nan at frame 1"),
        ([np.ones(3, complex)], [], {}, "response 0 is of type complex128"),
        ([np.ones(3)], [Route(2, 0, 0)], {}, "a route names input 2, there are 2"),
        ([np.ones(3)], [Route(0, -1, 0)], {}, "a route names output -1, there are 2"),
        ([np.ones(3)], [Route(0, 0, 1)], {}, "a route names response 1, there are 1"),
        ([np.ones(3)], [], {"workers": 0}, "0 workers"),
        ([np.ones(3)], [], {"inputs": 0}, "0 inputs"),
        ([np.ones(3)], [], {"max_hop": 0}, "0 max_hop"),
    ],
)
def test_what_cannot_be_convolved_is_refused_with_its_place(responses, routes, counts, words):
    with pytest.raises(RoomplanError) as caught:
        Convolver(responses, routes, **{"inputs": 2, "outputs": 2, **counts})
    assert words in str(caught.value)


def test_a_block_of_the_wrong_width_or_with_a_nan_is_refused():
    convolver = Convolver([np.ones(3)], [Route(0, 0, 0)], inputs=2, outputs=1)
    with pytest.raises(RoomplanError, match=r"shape \(5, 3\) was fed to a convolver of 2 inputs"):
        convolver.process(np.zeros((5, 3)))
    bad = np.zeros((5, 2))
    bad[4, 1] = np.inf
    with pytest.raises(RoomplanError, match="the block is inf at frame 4, channel 2"):
        convolver.process(bad)
