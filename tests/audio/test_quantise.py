"""Dither, rounding and limits of the integer formats."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomplan.audio.quantise import Quantiser


def error_in_lsb(samples, bits, seed="mix"):
    values = Quantiser(bit_depth=bits, seed=seed)(samples)
    return values - samples.astype(np.float64) * 2.0 ** (bits - 1)


@pytest.mark.parametrize("bits", [16, 24])
def test_the_error_of_a_signal_has_no_mean_and_a_power_of_a_quarter_lsb(noise, bits):
    # Lipshitz, Wannamaker & Vanderkooy 1992: rounding 1/12 + TPDF of 2 LSB 2/12 = 1/4 LSB².
    error = error_in_lsb(noise(500_000).astype(np.float32), bits)
    assert abs(error.mean()) <= 4 * 0.5 / np.sqrt(error.size)  # four standard deviations of the mean
    assert np.mean(error**2) == pytest.approx(0.25, rel=0.01)
    assert np.abs(error).max() <= 1.5  # dither under 1 LSB, rounding up to half


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("offset", [0.0, 0.25, 0.5, -0.3])
def test_the_mean_and_power_of_the_error_do_not_depend_on_the_signal(bits, offset):
    # Same source: the first two moments are those above for every constant between two steps.
    error = error_in_lsb(np.full((400_000, 1), offset * 2.0 ** (1 - bits)), bits)
    assert abs(error.mean()) <= 4 * 0.5 / np.sqrt(error.size)
    assert np.mean(error**2) == pytest.approx(0.25, rel=0.015)


def test_the_dither_is_triangular_over_two_lsb():
    # In digital silence the values −1, 0, 1 then have the probabilities 1/8, 3/4, 1/8.
    values = Quantiser(bit_depth=16, seed="mix")(np.zeros((400_000, 1)))
    counts = [np.mean(values == value) for value in (-1, 0, 1)]
    assert counts == pytest.approx([0.125, 0.75, 0.125], abs=0.003)


def test_the_dither_itself_is_a_triangle():
    # Cumulative probability of a triangle over ±1: (1 + x)²/2 below 0, 1 − (1 − x)²/2 above.
    dither = Quantiser(bit_depth=16, seed="mix")._dither(400_000)
    assert -1 <= dither.min() < -0.99
    assert 0.99 < dither.max() < 1
    for x in (-0.75, -0.5, -0.1, 0.0, 0.3, 0.6):
        expected = (1 + x) ** 2 / 2 if x < 0 else 1 - (1 - x) ** 2 / 2
        assert np.mean(dither <= x) == pytest.approx(expected, abs=0.004)


def test_the_dither_is_white_and_independent_between_channels():
    values = Quantiser(bit_depth=16, seed="mix")(np.zeros((200_000, 2))).astype(float)
    spread = 4 / np.sqrt(200_000)  # four standard deviations of a correlation of independent values
    assert abs(np.corrcoef(values[:, 0], values[:, 1])[0, 1]) < spread
    assert abs(np.corrcoef(values[1:, 0], values[:-1, 0])[0, 1]) < spread


@settings(max_examples=30)
@given(split=st.lists(st.integers(1, 20_000), min_size=1, max_size=8), bits=st.sampled_from([16, 24]))
def test_the_block_split_never_matters(split, bits):
    samples = np.random.default_rng(2).uniform(-1.1, 1.1, (sum(split), 3)).astype(np.float32)
    whole, parts = (Quantiser(bit_depth=bits, seed="mix") for _ in range(2))
    expected = whole(samples)
    edges = np.cumsum(split)[:-1]
    assert np.array_equal(np.concatenate([parts(part) for part in np.split(samples, edges)]), expected)
    assert parts.over_range == whole.over_range


def test_the_same_seed_gives_the_same_values_and_another_seed_others():
    silence = np.zeros((1000, 2))
    first, again, other = (Quantiser(bit_depth=16, seed=seed)(silence) for seed in ("mix", "mix", "print"))
    assert np.array_equal(first, again)
    assert abs(np.corrcoef(first.ravel(), other.ravel())[0, 1]) < 0.1


def test_the_stream_of_dither_is_this_one():
    # Golden, not a reference: a change here changes every delivered file. Raw PCG64 words and
    # SeedSequence are promised to stay by NumPy NEP 19.
    values = Quantiser(bit_depth=16, seed="section:choir")(np.zeros((24, 1)))[:, 0]
    expected = [0, 0, 0, -1, 0, -1, 0, 0, 1, 1, 0, 0, -1, 1, 0, 0, 0, 0, 0, 1, 0, 0, 1, 0]
    assert values.tolist() == expected


@pytest.mark.parametrize("bits", [16, 24])
def test_values_that_do_not_fit_are_limited_and_counted_exactly(bits):
    top = 2 ** (bits - 1)
    # Two steps clear of the limit on either side: no dither (under 1 LSB) can change the verdict.
    inside = np.array([top - 3, -top + 2, 0]) / top
    outside = np.array([top + 2, -top - 3, 2 * top, -9 * top]) / top
    quantiser = Quantiser(bit_depth=bits, seed="mix")
    assert np.abs(quantiser(inside[:, None])).max() <= top
    assert quantiser.over_range == 0
    values = quantiser(outside[:, None])[:, 0]
    assert values.tolist() == [top - 1, -top, top - 1, -top]
    assert quantiser.over_range == 4


@pytest.mark.parametrize("bits", [16, 24])
def test_both_ends_of_the_range_are_reached_without_being_over_it(bits):
    top = 2 ** (bits - 1)
    ends = np.tile(np.array([[(top - 2) / top, -(top - 1) / top]]), (2000, 1))
    quantiser = Quantiser(bit_depth=bits, seed="mix")
    values = quantiser(ends)
    assert (values.max(), values.min()) == (top - 1, -top)
    assert quantiser.over_range == 0


def test_an_empty_block_gives_an_empty_block():
    assert Quantiser(bit_depth=16, seed="mix")(np.zeros((0, 2), np.float32)).shape == (0, 2)


def test_a_block_that_is_not_contiguous_gives_the_values_of_its_copy(noise):
    samples = noise(1000, 4)[:, ::2]
    assert not samples.flags.c_contiguous
    expected = Quantiser(bit_depth=24, seed="mix")(samples.copy())
    assert np.array_equal(Quantiser(bit_depth=24, seed="mix")(samples), expected)
