"""Bus powers against metering the summed audio: the same loudness, no sum formed."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomplan.errors import RoomplanError
from roomplan.loudness import BusPowers, HopSums, KFilter, loudness_of_hops
from roomplan.loudness.cross_powers import CrossPowerWriter

# Off, or −60 to +6 dB of either sign.
GAINS = st.one_of(st.just(0.0), st.floats(0.001, 2.0), st.floats(-2.0, -0.001))

FIGURES = ("integrated_lufs", "momentary_max_lufs", "short_term_max_lufs")


def bus_powers(gains, components, *, sample_rate, cuts=(), **options):
    powers = BusPowers(gains, sample_rate=sample_rate, channels=components.shape[1], **options)
    for start, stop in pairwise((0, *sorted(cuts), components.shape[2])):
        powers.feed(components[:, :, start:stop])
    powers.finish()
    return powers


def correlated(components, frames, *, channels=2, likeness=0.95, seed=0):
    """Level-shaped noise of which each component shares `likeness` (amplitude) with all others."""
    rng = np.random.default_rng(seed)
    shared = rng.standard_normal((1, channels, frames))
    own = rng.standard_normal((components, channels, frames))
    shape = 0.02 + np.abs(np.sin(np.linspace(0, 9, frames))) ** 4
    mixed = likeness * shared + np.sqrt(1 - likeness**2) * own
    return (0.1 * shape * mixed).astype(np.float32)


def same_figures(found, expected):
    for figure in FIGURES:
        want = getattr(expected, figure)
        have = getattr(found, figure)
        if want is None:
            assert have is None
        else:
            assert have == pytest.approx(want, abs=1e-6)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(
    sample_rate=st.sampled_from([8_000, 11_025, 44_100]),
    gains=st.lists(st.lists(GAINS, min_size=4, max_size=4), min_size=1, max_size=4),
    likeness=st.floats(0.0, 0.9999),
    cuts=st.lists(st.integers(0, 35_000), max_size=4),
    seed=st.integers(0, 99),
)
def test_loudness_of_a_bus_is_that_of_the_summed_audio(sample_rate, gains, likeness, cuts, seed, read):
    components = correlated(4, 35_000, likeness=likeness, seed=seed)
    gains = np.array(gains)
    powers = bus_powers(gains, components, sample_rate=sample_rate, cuts=cuts)
    for bus, row in enumerate(gains):
        summed = np.einsum("c,cht->th", row, components.astype(np.float64))
        found = loudness_of_hops(powers.sums(bus), sample_rate=sample_rate)
        same_figures(found, read(summed, sample_rate=sample_rate).loudness)


def test_loudness_is_that_of_the_float32_sum_of_a_real_sized_job(read):
    components = correlated(16, 48_000 * 6, likeness=0.97, seed=3)
    gains = np.random.default_rng(4).uniform(0, 1, (30, 16)) * (
        np.random.default_rng(5).uniform(size=(30, 16)) > 0.4
    )
    powers = bus_powers(gains, components, sample_rate=48_000)
    for bus in (0, 7, 29):
        summed = np.zeros((components.shape[2], 2), dtype=np.float32)
        for gain, component in zip(gains[bus], components, strict=True):
            summed += np.float32(gain) * component.T
        same_figures(
            loudness_of_hops(powers.sums(bus), sample_rate=48_000),
            read(summed).loudness,
        )


def test_component_sums_are_the_hop_sums_of_each_component():
    components = correlated(3, 30_000)
    powers = bus_powers(np.ones((1, 3)), components, sample_rate=8_000)
    for index, component in enumerate(components):
        sums = HopSums(8_000, 2)
        sums.feed(KFilter(8_000, 2)(component))
        assert powers.component_sums(index) == pytest.approx(sums.sums, rel=1e-10)


def test_channel_weights_and_a_single_channel_are_understood(read):
    components = correlated(2, 30_000, channels=3)
    weights = [1.0, 1.41, 0.0]
    powers = bus_powers([[1.0, -0.5]], components, sample_rate=8_000, weights=weights)
    summed = (components[0] - 0.5 * components[1].astype(np.float64)).T
    expected = read(summed, sample_rate=8_000, weights=weights).loudness
    same_figures(loudness_of_hops(powers.sums(0), sample_rate=8_000), expected)
    mono = bus_powers([[1.0, -0.5]], components[:, :1], sample_rate=8_000)
    same_figures(
        loudness_of_hops(mono.sums(0), sample_rate=8_000),
        read(summed[:, :1], sample_rate=8_000).loudness,
    )


@settings(max_examples=25, deadline=None, derandomize=True)
@given(sample_rate=st.sampled_from([8_000, 11_025]), cuts=st.lists(st.integers(0, 50_000), max_size=12))
def test_block_split_never_changes_the_powers(sample_rate, cuts):
    components = correlated(3, 50_000)
    components[1, :, :20_000] = 0.0
    components[2, :, 10_000:45_000] = 0.0
    gains = [[1.0, 0.5, 0.2], [0.0, 1.0, -1.0]]
    whole = bus_powers(gains, components, sample_rate=sample_rate)
    split = bus_powers(gains, components, sample_rate=sample_rate, cuts=cuts)
    for bus in range(2):
        assert split.sums(bus) == pytest.approx(whole.sums(bus), rel=1e-12, abs=1e-300)


def test_workers_never_change_the_powers():
    components = correlated(5, 40_000)
    gains = np.random.default_rng(1).uniform(size=(3, 5))
    alone = bus_powers(gains, components, sample_rate=8_000, workers=1)
    together = bus_powers(gains, components, sample_rate=8_000, workers=2)
    for bus in range(3):
        assert np.array_equal(alone.sums(bus), together.sums(bus))


def test_keeping_the_cross_powers_never_changes_the_powers(tmp_path):
    components = correlated(4, 40_000)
    components[1, :, :20_000] = 0.0
    gains = np.random.default_rng(1).uniform(size=(3, 4))
    writer = CrossPowerWriter(tmp_path / "powers.npy", components=4)
    alone = bus_powers(gains, components, sample_rate=8_000, cuts=[11_111])
    keeping = bus_powers(gains, components, sample_rate=8_000, cuts=[11_111], keep=writer)
    for bus in range(3):
        assert np.array_equal(alone.sums(bus), keeping.sums(bus))
    assert writer.finish() is None


def test_component_that_enters_late_or_leaves_early_is_as_in_the_sum(read):
    components = correlated(3, 100_000)
    components[0, :, :33_333] = 0.0
    components[1, :, 20_000:] = 0.0
    components[2] = 0.0
    powers = bus_powers([[0.7, 0.9, 1.0]], components, sample_rate=8_000)
    summed = (0.7 * components[0].astype(np.float64) + 0.9 * components[1]).T
    same_figures(
        loudness_of_hops(powers.sums(0), sample_rate=8_000), read(summed, sample_rate=8_000).loudness
    )
    assert not powers.component_sums(2).any()


def test_silent_components_are_not_filtered(monkeypatch):
    components = correlated(4, 16_000)
    components[[0, 1, 3]] = 0.0
    seen = []
    plain = KFilter.__call__

    def counted(self, planar, rows):
        seen.append(rows.tolist())
        return plain(self, planar, rows)

    monkeypatch.setattr(KFilter, "__call__", counted)
    bus_powers(np.ones((2, 4)), components, sample_rate=8_000)
    assert seen
    assert all(rows == [2] for rows in seen)


def test_components_that_cancel_but_for_rounding_are_silence():
    components = correlated(3, 40_000)
    components[1:] = components[0]
    gains = [[0.1, 0.2, -0.3], [0.0, 0.0, 0.0], [0.1, 0.2, 0.3]]  # in floating point 0.1 + 0.2 is not 0.3
    powers = bus_powers(gains, components, sample_rate=8_000)
    assert not powers.sums(0).any()
    assert loudness_of_hops(powers.sums(0), sample_rate=8_000).reasons["integrated_lufs"] == "digital silence"
    assert not powers.sums(1).any()
    assert (powers.sums(2) > 0).all()


def test_incomplete_last_hop_is_dropped():
    components = correlated(2, 8_000 + 159)
    powers = bus_powers(np.ones((1, 2)), components, sample_rate=8_000)
    assert powers.sums(0).shape == (50,)
    assert powers.component_sums(1).shape == (50,)


def test_nothing_fed_gives_no_hops():
    powers = BusPowers(np.ones((2, 3)), sample_rate=48_000)
    powers.feed(np.zeros((3, 2, 0), dtype=np.float32))
    powers.finish()
    assert powers.sums(1).shape == (0,)


def test_bad_sample_in_any_component_spoils_every_bus_and_is_reported():
    components = correlated(2, 40_000)
    components[1, 0, 20_000] = np.nan
    powers = bus_powers([[1.0, 0.0], [1.0, 1.0]], components, sample_rate=8_000)
    for bus in range(2):
        reading = loudness_of_hops(powers.sums(bus), sample_rate=8_000)
        assert reading.integrated_lufs is None
        assert reading.reasons["integrated_lufs"] == "not a finite number from 2.50 s on"


def test_feeding_another_shape_or_after_the_end_is_refused():
    powers = BusPowers(np.ones((1, 2)), sample_rate=48_000)
    with pytest.raises(ValueError, match=r"expected \(2, 2, 'frames'\)"):
        powers.feed(np.zeros((3, 2, 10), dtype=np.float32))
    powers.finish()
    with pytest.raises(ValueError, match="finish"):
        powers.feed(np.zeros((2, 2, 10), dtype=np.float32))


@pytest.mark.parametrize("gains", [[1.0, 2.0], [[1.0, np.nan]]])
def test_gains_that_are_no_finite_matrix_are_refused(gains):
    with pytest.raises(RoomplanError, match="finite gains"):
        BusPowers(gains, sample_rate=48_000)


def test_bus_or_component_that_does_not_exist_is_refused():
    powers = bus_powers(np.ones((2, 3)), correlated(3, 8_000), sample_rate=8_000)
    with pytest.raises(IndexError):
        powers.sums(2)
    with pytest.raises(IndexError):
        powers.component_sums(3)
