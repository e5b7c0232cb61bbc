"""A digest is that of a value or a file, whatever process asks."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomplan.files.digests import digest_of, file_digest

PLAIN = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(one=PLAIN, other=PLAIN)
def test_digests_are_equal_exactly_when_the_values_are(one, other):
    same = json.dumps(one, sort_keys=True) == json.dumps(other, sort_keys=True)
    assert (digest_of(one) == digest_of(other)) == same
    assert len(digest_of(one)) == 40


def test_digest_knows_neither_order_of_keys_nor_process():
    value = {"b": [1, 2.5, None], "a": {"ü": True}}
    assert digest_of(value) == digest_of({"a": {"ü": True}, "b": [1, 2.5, None]})
    code = f"from roomplan.files.digests import digest_of; print(digest_of({value!r}))"
    environment = {**os.environ, "PYTHONHASHSEED": "7", "PYTHONPATH": os.pathsep.join(sys.path)}
    other = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=environment
    )
    assert other.stdout.strip() == digest_of(value)


def test_parts_do_not_run_into_each_other():
    assert len({digest_of("a", "b"), digest_of("ab"), digest_of(["a", "b"]), digest_of("a", ["b"])}) == 4


@pytest.mark.parametrize("value", [{1: 2}, [{"a": {None: 1}}], {1, 2}, Path(), b"x", np.float32(1)])
def test_what_is_no_plain_value_has_no_digest(value):
    with pytest.raises(TypeError):
        digest_of(value)


def test_what_is_not_finite_has_no_digest():
    with pytest.raises(ValueError, match="Out of range"):
        digest_of(float("inf"))


def test_file_digest_is_that_of_the_content(tmp_path):
    for name in ("one", "two"):
        (tmp_path / name).write_bytes(b"the same" * 100_000)
    (tmp_path / "three").write_bytes(b"the same" * 99_999 + b"the sane")
    one, two, three = (file_digest(tmp_path / name) for name in ("one", "two", "three"))
    assert one == two != three
