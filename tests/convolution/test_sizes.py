"""The choice of hop and transforms: promises, not particular numbers."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomplan.convolution.sizes import ClassLoad, choose_sizes, size_classes

COMMON = {"inputs": 2, "outputs": 2, "remembered": 0, "workers": 2, "max_bytes": 200_000_000}


def _load(taps, sources=2, sinks=2):
    return ClassLoad(taps=taps, responses=2, batches=((sources, sinks),))


@given(st.lists(st.integers(1, 4_000_000), max_size=12))
def test_a_size_class_spans_less_than_a_factor_of_four_and_holds_every_response_once(taps):
    classes = size_classes(taps)
    assert sorted(index for members in classes for index in members) == list(range(len(taps)))
    longest = [max(taps[index] for index in members) for members in classes]
    assert longest == sorted(longest, reverse=True)
    for members, most in zip(classes, longest, strict=True):
        assert all(taps[index] * 4 > most for index in members)
    for shorter, most in zip(longest[1:], longest[:-1], strict=True):
        assert shorter * 4 <= most


@settings(max_examples=60)
@given(
    st.lists(st.integers(1, 500_000), min_size=1, max_size=4),
    st.integers(1, 8),
    st.sampled_from([None, 1, 37, 1000, 40_000]),
    st.sampled_from([None, 1, 999, 240_000, 10_000_000]),
)
def test_every_transform_holds_its_piece_of_the_hop_and_all_pieces_divide_it(
    taps, workers, max_hop, expected
):
    taps = [max(taps[members[0]] for members in [part]) for part in size_classes(taps)]
    taps = sorted(taps, reverse=True)
    plan = choose_sizes(
        [_load(length) for length in taps],
        **{**COMMON, "workers": workers},
        max_hop=max_hop,
        expected_frames=expected,
    )
    assert plan.hop >= 1
    assert max_hop is None or plan.hop <= max_hop
    for length, size in zip(taps, plan.sizes, strict=True):
        assert plan.hop % size.pieces == 0
        assert size.pieces % size.together == 0
        assert size.length >= plan.hop // size.pieces + length - 1


def test_without_pressure_the_hop_is_between_one_and_two_of_the_longest_response_per_piece():
    plan = choose_sizes([_load(288_000)], **COMMON)
    assert 288_000 <= plan.hop // plan.sizes[0].pieces <= 2 * 288_000


@pytest.mark.parametrize("max_bytes", [20_000_000, 60_000_000, 200_000_000])
def test_the_estimate_stays_within_the_byte_budget(max_bytes):
    plan = choose_sizes(
        [_load(288_000)],
        **{**COMMON, "max_bytes": max_bytes, "remembered": 2 * 287_999},
        expected_frames=None,
    )
    assert plan.estimated_bytes <= max_bytes


def test_less_memory_never_means_a_cheaper_plan():
    costs = [choose_sizes([_load(288_000)], **{**COMMON, "max_bytes": size}).cost for size in (2e7, 5e7, 2e8)]
    assert costs == sorted(costs, reverse=True)


def test_an_impossible_budget_gives_the_leanest_plan_instead_of_failing():
    plan = choose_sizes([_load(1_920_000)], **{**COMMON, "max_bytes": 1})
    assert plan.hop >= 1
    assert plan.sizes[0].length < 2 * 1_920_000


def test_a_job_of_seconds_gets_a_hop_no_longer_than_the_job():
    # 3 s of stem through 2 s of response at 48 kHz: 5 s come out
    frames = 5 * 48_000 - 1
    plan = choose_sizes([_load(2 * 48_000)], **COMMON, expected_frames=frames)
    assert plan.hop < frames + 64
    assert plan.sizes[0].length <= 3.8 * 2 * 48_000
    tiny = choose_sizes([_load(1)], **COMMON, expected_frames=100)
    assert tiny.hop <= 128


def test_a_short_class_beside_a_long_one_cuts_the_hop_instead_of_growing_its_transform():
    plan = choose_sizes([_load(1_920_000), _load(9_600)], **COMMON)
    assert plan.sizes[1].length <= plan.sizes[0].length / 8
    assert plan.sizes[1].pieces > 1


def test_no_load_still_has_a_hop():
    assert choose_sizes([], **COMMON).hop >= 1
    assert choose_sizes([], **COMMON, max_hop=10).hop == 10
