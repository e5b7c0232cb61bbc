"""What the engine remembers, shares, skips and holds."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomplan.convolution import Convolver, Route
from roomplan.convolution.layout import lay_out_engine
from roomplan.convolution.spectra import RealTransform

RNG_SEED = 21


def _job(max_hop=500, **options):
    rng = np.random.default_rng(RNG_SEED)
    responses = [rng.standard_normal(taps).astype(np.float32) for taps in (1200, 1000, 90, 1)]
    routes = [Route(0, 0, 0), Route(1, 1, 1), Route(1, 0, 2), Route(2, 2, 3), Route(0, 1, 2)]
    signal = rng.standard_normal((7001, 3)).astype(np.float32)
    return Convolver(responses, routes, inputs=3, outputs=3, max_hop=max_hop, **options), signal


def _run(convolver, parts):
    return np.concatenate([*(convolver.process(part) for part in parts), convolver.finish()])


@pytest.fixture
def transforms(monkeypatch):
    """List of the names of all transforms made."""
    made = []
    for name in ("forward", "inverse"):
        original = getattr(RealTransform, name)

        def counting(self, samples, name=name, original=original):
            made.append(name)
            return original(self, samples)

        monkeypatch.setattr(RealTransform, name, counting)
    return made


@settings(max_examples=20, deadline=None)
@given(st.lists(st.integers(0, 7001), max_size=8), st.sampled_from([1, 2, 3]))
def test_every_split_gives_the_same_bits(splits, workers):
    convolver, signal = _job(workers=workers)
    whole = _run(convolver, [signal])
    again, _ = _job(workers=workers)
    np.testing.assert_array_equal(_run(again, np.split(signal, sorted(splits))), whole)


def test_the_kernel_and_the_streaming_call_give_the_same_bits():
    convolver, signal = _job()
    streamed = _run(convolver, [signal])
    padded = np.zeros((3, -(-len(streamed) // convolver.hop) * convolver.hop), np.float32)
    padded[:, : len(signal)] = signal.T
    hops = np.split(padded, padded.shape[1] // convolver.hop, axis=1)
    planar = np.concatenate([convolver.process_planar(np.ascontiguousarray(hop)) for hop in hops], axis=1)
    np.testing.assert_array_equal(planar[:, : len(streamed)].T, streamed)


def test_frames_given_are_whole_hops_and_add_up_to_frames_fed_and_tail():
    convolver, signal = _job()
    assert convolver.tail == 1199
    given_frames = [len(convolver.process(part)) for part in np.array_split(signal, 29)]
    assert all(frames % convolver.hop == 0 for frames in given_frames)
    assert sum(given_frames) + len(convolver.finish()) == 7001 + 1199


def test_after_finish_and_after_reset_a_convolver_is_as_new():
    convolver, signal = _job()
    first = _run(convolver, [signal])
    np.testing.assert_array_equal(_run(convolver, [signal]), first)
    convolver.process(signal[:1777])
    convolver.reset()
    np.testing.assert_array_equal(_run(convolver, [signal]), first)


@pytest.mark.parametrize("cut", [0, 1, 499, 500, 501, 3333, 7001])
def test_a_tail_can_be_run_ahead_and_taken_back(cut):
    convolver, signal = _job()
    whole = _run(convolver, [signal])
    early = convolver.process(signal[:cut])
    state = convolver.snapshot()
    convolver.process(np.ones((1234, 3)))  # also something louder than the tail
    convolver.reset()
    convolver.restore(state)
    ahead = convolver.finish()
    np.testing.assert_array_equal(np.concatenate([early, ahead]), _run(convolver, [signal[:cut]]))
    convolver.restore(state)
    late = convolver.process(signal[cut:])
    np.testing.assert_array_equal(np.concatenate([early, late, convolver.finish()]), whole)


def test_a_snapshot_fits_a_convolver_built_from_the_same_arguments():
    convolver, signal = _job()
    whole = _run(convolver, [signal])
    early = convolver.process(signal[:2222])
    other, _ = _job()
    other.restore(convolver.snapshot())
    np.testing.assert_array_equal(np.concatenate([early, _run(other, [signal[2222:]])]), whole)


def test_a_snapshot_between_kernel_calls_brings_the_history_back():
    convolver, signal = _job()
    hop = convolver.hop
    blocks = [np.ascontiguousarray(signal[start : start + hop].T) for start in (0, hop, 2 * hop)]
    convolver.process_planar(blocks[0])
    state = convolver.snapshot()
    expected = convolver.process_planar(blocks[1])
    convolver.process_planar(blocks[2])
    convolver.restore(state)
    np.testing.assert_array_equal(convolver.process_planar(blocks[1]), expected)


def test_silence_in_is_exact_silence_out_and_costs_no_transform(transforms):
    convolver, signal = _job()
    transforms.clear()
    result = _run(convolver, [np.zeros_like(signal)])
    assert not result.any()
    assert result.shape == (7001 + 1199, 3)
    assert transforms == []


def test_a_silent_input_changes_no_bit_of_the_outputs_it_would_reach():
    convolver, signal = _job()
    signal[:, 1] = 0
    result = _run(convolver, [signal])
    rng = np.random.default_rng(RNG_SEED)
    responses = [rng.standard_normal(taps).astype(np.float32) for taps in (1200, 1000, 90, 1)]
    alone = Convolver(
        responses,
        [Route(0, 0, 0), Route(2, 2, 3), Route(0, 1, 2)],
        inputs=3,
        outputs=3,
        max_hop=convolver.hop,
    )
    expected = _run(alone, [signal])
    np.testing.assert_allclose(result, expected, rtol=0, atol=1e-5 * np.abs(expected).max())
    assert result[:, 1].any()


def test_after_the_tail_has_rung_out_an_input_costs_nothing_again(transforms):
    convolver, signal = _job()
    block = np.ascontiguousarray(signal[: convolver.hop].T)
    convolver.process_planar(block)
    silence = np.zeros_like(block)
    for _ in range(-(-convolver.tail // convolver.hop)):
        assert convolver.process_planar(silence).any()
    transforms.clear()
    assert not convolver.process_planar(silence).any()
    assert transforms == []


def test_one_input_through_one_class_is_transformed_once_whatever_the_number_of_outputs(transforms):
    responses = [np.ones(100 + index, np.float32) for index in range(5)]
    routes = [Route(0, index, index) for index in range(5)]
    convolver = Convolver(responses, routes, inputs=1, outputs=5, max_hop=64, workers=1)
    transforms.clear()
    convolver.process_planar(np.ones((1, convolver.hop), np.float32))
    assert transforms.count("forward") == 1
    assert transforms.count("inverse") == 5


def test_routes_into_one_output_share_one_inverse_transform(transforms):
    responses = [np.ones(100, np.float32), np.ones(90, np.float32)]
    routes = [Route(source, 0, index) for source in range(3) for index in range(2)]
    convolver = Convolver(responses, routes, inputs=3, outputs=1, max_hop=64, workers=1)
    transforms.clear()
    convolver.process_planar(np.ones((3, convolver.hop), np.float32))
    assert transforms.count("forward") == 3
    assert transforms.count("inverse") == 1


def test_the_same_array_given_twice_is_transformed_once(transforms):
    response = np.ones(100, np.float32)
    routes = [Route(0, 0, 0), Route(0, 1, 1), Route(0, 2, 2)]
    Convolver([response, response, response.copy()], routes, inputs=1, outputs=3, max_hop=64)
    assert transforms.count("forward") == 2


def _peak_bytes(convolver, hops):
    rng = np.random.default_rng(1)
    block = rng.standard_normal((convolver.inputs, convolver.hop)).astype(np.float32)
    tracemalloc.start()
    for _ in range(hops):
        convolver.process_planar(block)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak


def _small_convolver(budget, workers):
    rng = np.random.default_rng(2)
    responses = [rng.standard_normal(24_000).astype(np.float32) for _ in range(6)]
    routes = [Route(index % 3, index, index) for index in range(6)]
    return Convolver(responses, routes, inputs=3, outputs=6, max_bytes=budget, workers=workers)


@pytest.mark.parametrize("workers", [1, 2])
def test_memory_stays_within_the_budget(workers):
    budget = 12_000_000
    tracemalloc.start()
    convolver = _small_convolver(budget, workers)
    built = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    assert built + _peak_bytes(convolver, 12) <= budget


def test_memory_does_not_grow_with_length():
    # One worker: whether two are ever at their largest at once is a matter of timing.
    convolver = _small_convolver(12_000_000, 1)
    _peak_bytes(convolver, 1)
    short, long = _peak_bytes(convolver, 3), _peak_bytes(convolver, 48)
    assert long <= 1.01 * short


def test_a_tight_budget_only_changes_the_hop_not_the_result():
    rng = np.random.default_rng(3)
    responses = [rng.standard_normal(20_000).astype(np.float32) for _ in range(4)]
    routes = [Route(index, index, index) for index in range(4)]
    signal = rng.standard_normal((90_000, 4)).astype(np.float32)
    wide = Convolver(responses, routes, inputs=4, outputs=4)
    tight = Convolver(responses, routes, inputs=4, outputs=4, max_bytes=3_000_000)
    assert tight.hop < wide.hop
    first, second = _run(wide, [signal]), _run(tight, [signal])
    np.testing.assert_allclose(first, second, rtol=0, atol=1e-5 * np.abs(first).max())


def test_no_routes_is_silence_of_the_right_length():
    convolver = Convolver([], [], inputs=1, outputs=2, max_hop=100)
    result = _run(convolver, [np.ones((250, 1))])
    assert result.shape == (250, 2)
    assert not result.any()


@pytest.mark.parametrize("wanted", [{0}, {2}, {0, 1}])
@pytest.mark.parametrize("max_bytes", [1, 10**9])
def test_some_outputs_computed_alone_have_the_samples_they_have_among_all(wanted, max_bytes):
    rng = np.random.default_rng(5)
    responses = [rng.standard_normal(taps) for taps in (9000, 400, 5000, 70)]
    routes = [Route(0, 0, 0), Route(1, 0, 1), Route(1, 1, 2), Route(2, 2, 3), Route(0, 2, 1)]
    layout = lay_out_engine(
        [len(response) for response in responses],
        routes,
        inputs=3,
        outputs=3,
        workers=2,
        max_bytes=max_bytes,
        max_hop=4096,
        expected_frames=50_000,
        sample_bytes=4,
    )
    together = Convolver.on_layout(layout, dict(enumerate(responses)))
    alone = Convolver.on_layout(layout.only(wanted), dict(enumerate(responses)))
    for _block in range(5):
        block = rng.standard_normal((3, layout.hop)).astype(np.float32)
        whole, some = together.process_planar(block), alone.process_planar(block)
        for output in range(3):
            np.testing.assert_array_equal(some[output], whole[output] if output in wanted else 0.0)
