"""Sequences: where their sweeps lie, and how they are written down."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from roomplan.capture.sequence import (
    SweepSequence,
    first_again,
    sequence_from_text,
    sequence_samples,
    sequence_to_text,
)
from roomplan.capture.sweep import Sweep, sweep_samples
from roomplan.errors import RoomplanError

SWEEP = Sweep(50.0, 3000.0, 0.4, 8000)
THREE = SweepSequence(SWEEP, ("left", "right", "left"), 0.5, 0.25)


def test_every_sweep_is_played_on_its_side_at_its_start_frame_and_nothing_else_is():
    played = np.concatenate(list(sequence_samples(THREE)))
    sweep = sweep_samples(SWEEP)
    expected = np.zeros((THREE.frames, 2))
    for start, channel in zip(THREE.start_frames, (0, 1, 0), strict=True):
        expected[start : start + sweep.size, channel] = sweep
    assert np.array_equal(played, expected)
    assert THREE.start_frames[0] == 4000
    assert THREE.frames == THREE.start_frames[-1] + sweep.size + 2000


def test_a_sequence_longer_than_a_block_is_the_same_across_its_seams():
    long = SweepSequence(Sweep(50.0, 3000.0, 9.0, 8000), ("right", "left"), 0.1, 0.1)
    blocks = list(sequence_samples(long))
    assert len(blocks) > 1
    played = np.concatenate(blocks)
    sweep = sweep_samples(long.sweep)
    first, second = long.start_frames
    assert np.array_equal(played[first : first + sweep.size, 1], sweep)
    assert np.array_equal(played[second : second + sweep.size, 0], sweep)


def test_the_first_side_is_played_again_at_the_end():
    assert first_again(("left", "right")) == ("left", "right", "left")


@given(
    start=st.floats(5.0, 100.0),
    end=st.floats(1000.0, 20_000.0),
    seconds=st.floats(0.5, 60.0),
    rate=st.sampled_from([44_100, 48_000, 96_000]),
    sides=st.lists(st.sampled_from(["left", "right"]), min_size=1, max_size=5),
    lead=st.floats(0.0, 5.0),
    gap=st.floats(0.0, 20.0),
)
def test_a_sequence_comes_back_from_its_text_as_it_was(start, end, seconds, rate, sides, lead, gap):
    sequence = SweepSequence(Sweep(start, end, seconds, rate), tuple(sides), lead, gap)
    assert sequence_from_text(sequence_to_text(sequence)) == sequence


def test_the_text_of_a_sequence_states_its_version_and_is_one_line():
    text = sequence_to_text(THREE)
    assert "\n" not in text
    assert json.loads(text)["schema"] == "roomplan.sweep/1"


def changed(**values):
    return json.dumps({**json.loads(sequence_to_text(THREE)), **values})


@pytest.mark.parametrize(
    "text",
    [
        "",
        "sweep",
        "[]",
        "{}",
        "[" * 100_000,
        changed(schema="roomplan.sweep/2"),
        changed(start_hz="20"),
        changed(start_hz=True),
        changed(end_hz=None),
        changed(sweep_s=1e9),
        changed(sample_rate=48_000.5),
        changed(sample_rate=10**400),
        changed(sides=[]),
        changed(sides=["centre"]),
        changed(sides="left"),
        changed(sides=[["left"]]),
        changed(gap_s=-1),
        changed(lead_s=float("nan")),
    ],
)
def test_a_text_that_describes_no_sweep_is_refused(text):
    with pytest.raises(RoomplanError):
        sequence_from_text(text)


def test_a_key_of_a_later_version_is_passed_over():
    assert sequence_from_text(changed(colour="pink")) == THREE
