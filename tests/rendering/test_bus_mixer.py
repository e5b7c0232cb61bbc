"""Sums made from smaller sums are the sums themselves."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roomplan.plan.bus_name import BusName
from roomplan.rendering.bus_mixer import SLICE, BusMixer, summing_order
from roomplan.session.buses import Bus

COMPONENTS = 6
factors = st.dictionaries(st.integers(0, COMPONENTS - 1), st.sampled_from([1.0, 1.0, 1.0, 0.5, 1.2]))


def buses_of(choices):
    return [Bus(BusName(f"bus {number}"), "any", choice) for number, choice in enumerate(choices)]


@given(
    choices=st.lists(factors, min_size=1, max_size=8),
    frames=st.sampled_from([1, 100, SLICE, SLICE + 1, 40_000]),
)
def test_every_bus_is_the_weighted_sum_of_its_components(choices, frames):
    block = np.random.default_rng(frames).standard_normal((COMPONENTS, 2, frames)).astype(np.float32)
    mixer = BusMixer(buses_of(choices), range(len(choices)), most_frames=frames, workers=2)
    with ThreadPoolExecutor(2) as pool:
        mixed = mixer.mix(block, pool)
    for index, choice in enumerate(choices):
        expected = sum((f * block[i].astype(np.float64) for i, f in choice.items()), np.zeros((2, frames)))
        np.testing.assert_allclose(mixed[index], expected.T, atol=1e-5)
        assert mixer.peaks[index] == pytest.approx(np.abs(expected).max(), abs=1e-5)


def test_a_print_is_added_to_the_mix_and_not_taken_apart():
    choices = [{0: 1.0, 1: 1.0}, {2: 1.0, 3: 1.0}, {0: 1.0, 1: 1.0, 2: 1.0, 3: 1.0}]
    (_first, _second, (mix, terms)) = summing_order(buses_of(choices))
    assert mix == 2
    assert [(term.index, term.is_bus) for term in terms] == [(0, True), (1, True)]


def test_samples_do_not_depend_on_what_is_written():
    choices = [dict.fromkeys(range(n), 1.0) for n in range(1, COMPONENTS)]
    block = np.random.default_rng(1).standard_normal((COMPONENTS, 2, 50_000)).astype(np.float32)
    with ThreadPoolExecutor(2) as pool:
        both = [
            BusMixer(buses_of(choices), written, most_frames=50_000, workers=2).mix(block, pool)[4]
            for written in ([4], range(5))
        ]
    np.testing.assert_array_equal(both[0], both[1])


def test_buses_whose_peaks_are_known_are_written_as_ever_and_others_looked_at_as_ever():
    rng = np.random.default_rng(8)
    members = [range(4), (0, 1), (2, 3), (0,), (1, 2)]
    choices = [dict.fromkeys(one, 1.0) for one in members]
    block = rng.uniform(-1.0, 1.0, (4, 2, 40_000)).astype(np.float32)
    every = BusMixer(buses_of(choices), range(5), most_frames=40_000, workers=2)
    some = BusMixer(
        buses_of(choices), {0, 3}, most_frames=40_000, workers=2, known={0: (0.25, 0.5), 2: (0.1, 0.2)}
    )
    with ThreadPoolExecutor(2) as pool:
        whole, written = every.mix(block, pool), some.mix(block, pool)
    assert written.keys() == {0, 3}
    for bus, samples in written.items():
        np.testing.assert_array_equal(samples, whole[bus])
    looked_at = [1, 3, 4]
    np.testing.assert_array_equal(some.peaks[looked_at], every.peaks[looked_at])
    np.testing.assert_array_equal(some.true_peaks[looked_at], every.true_peaks[looked_at])
    assert (some.peaks[0], some.true_peaks[0]) == (0.25, 0.5)
    assert (some.peaks[2], some.true_peaks[2]) == (0.1, 0.2)
