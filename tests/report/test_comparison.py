"""What tells compared plans and folders apart."""

from __future__ import annotations

from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from roomplan.report.comparison import labels_of


def labels(*places):
    return labels_of([Path(place) for place in places])


def test_labels_are_the_shortest_names_that_differ():
    assert labels("a/near.yaml", "b/far.yaml") == ["near", "far"]
    assert labels("/x/a/cue.yaml", "/x/b/cue.yaml") == ["a/cue", "b/cue"]
    assert labels("/x/a/cue.yaml", "/y/a/cue.yaml") == ["/x/a/cue.yaml", "/y/a/cue.yaml"]


def test_what_is_named_twice_is_numbered_and_lengthens_no_other_label():
    assert labels("cue.yaml", "cue.yaml", "wetter.yaml", "cue.yaml") == [
        "cue",
        "cue (2)",
        "wetter",
        "cue (3)",
    ]


def test_a_file_whose_name_ends_like_a_number_keeps_its_name():
    assert labels("cue.yaml", "cue.yaml", "cue (2).yaml") == ["cue", "cue (3)", "cue (2)"]


@given(st.lists(st.sampled_from(["a/c.yaml", "b/c.yaml", "c.yaml", "c (2).yaml", "c (2) (2).yaml", "d/a/c"])))
def test_no_two_labels_are_alike(places):
    assert len(set(labels(*places))) == len(places)
