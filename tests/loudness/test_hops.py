"""The 20 ms grid, and streams cut along it."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomplan.loudness.hops import HopCutter, HopSums, HopTable, hop_start, hop_starts

ODD_RATES = [8_000, 11_025, 12_345, 44_100, 48_000, 191_999]


@pytest.mark.parametrize("sample_rate", ODD_RATES)
def test_fifty_hops_are_exactly_one_second_at_every_rate(sample_rate):
    assert hop_start(50 * 3600, sample_rate) == 3600 * sample_rate
    assert hop_starts(200, sample_rate).tolist() == [hop_start(k, sample_rate) for k in range(201)]


def test_half_frames_round_up():
    # 11,025 / 50 = 220.5
    assert [hop_start(k, 11_025) for k in range(5)] == [0, 221, 441, 662, 882]


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    sample_rate=st.sampled_from(ODD_RATES),
    seconds=st.floats(0.0, 0.5),
    cuts=st.lists(st.floats(0.0, 1.0), max_size=12),
    longest=st.integers(1, 7),
)
def test_pieces_hold_whole_hops_in_order_and_only_an_incomplete_hop_waits(
    sample_rate, seconds, cuts, longest
):
    frames = round(seconds * sample_rate)
    stream = np.arange(2.0 * frames).reshape(2, frames)
    ends = sorted(round(cut * frames) for cut in cuts)
    cutter = HopCutter(sample_rate, hops_per_piece=longest)
    found, hop = [], 0
    for start, stop in pairwise((0, *ends, frames)):
        for piece, edges in cutter.cut(stream[:, start:stop]):
            assert 1 <= len(edges) - 1 <= longest
            expected = [
                hop_start(hop + k, sample_rate) - hop_start(hop, sample_rate) for k in range(len(edges))
            ]
            assert list(edges) == expected
            assert piece.shape[1] == edges[-1]
            found.append(piece)
            hop += len(edges) - 1
    joined = np.concatenate(found, axis=1) if found else np.empty((2, 0))
    assert np.array_equal(joined, stream[:, : joined.shape[1]])
    assert hop_start(hop, sample_rate) <= frames < hop_start(hop + 1, sample_rate)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    sample_rate=st.sampled_from(ODD_RATES),
    seconds=st.floats(0.0, 0.7),
    cuts=st.lists(st.floats(0.0, 1.0), max_size=12),
)
def test_sums_are_those_of_the_samples_and_do_not_depend_on_the_split(sample_rate, seconds, cuts):
    frames = round(seconds * sample_rate)
    sound = np.random.default_rng(frames).standard_normal((2, frames))
    whole = HopSums(sample_rate, 2)
    whole.feed(sound)
    split = HopSums(sample_rate, 2)
    for start, stop in pairwise((0, *sorted(round(cut * frames) for cut in cuts), frames)):
        split.feed(sound[:, start:stop])
    assert np.array_equal(split.sums, whole.sums)
    direct = [
        np.sum(sound[:, hop_start(k, sample_rate) : hop_start(k + 1, sample_rate)] ** 2)
        for k in range(len(whole.sums))
    ]
    assert whole.sums == pytest.approx(direct, rel=1e-12)
    assert hop_start(len(direct) + 1, sample_rate) > frames


def test_channel_weights_are_in_the_sums():
    sums = HopSums(8_000, 3, weights=[1.0, 1.41, 0.0])
    sums.feed(np.ones((3, 160)))
    assert sums.sums == pytest.approx([160 * 2.41])


def test_table_keeps_its_order_over_the_ends_of_its_chunks():
    table = HopTable(2)
    values = np.arange(14_000.0).reshape(2, 7_000)
    for start, stop in ((0, 1), (1, 2_999), (2_999, 2_999), (2_999, 6_500), (6_500, 7_000)):
        table.append(values[:, start:stop])
    assert table.hops == 7_000
    assert np.array_equal(table.row(0), values[0])
    assert np.array_equal(table.row(1), values[1])
    assert HopTable(1).row(0).shape == (0,)


def test_caller_may_overwrite_a_block_once_it_was_cut():
    sound = np.random.default_rng(2).standard_normal((2, 1_000))
    sums = HopSums(8_000, 2)
    block = np.empty((2, 100))
    for start in range(0, 1_000, 100):
        block[:] = sound[:, start : start + 100]
        sums.feed(block)
    whole = HopSums(8_000, 2)
    whole.feed(sound)
    assert np.array_equal(sums.sums, whole.sums)
