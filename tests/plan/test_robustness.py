"""Whatever a file holds, loading it answers with problems and never with an exception."""

from __future__ import annotations

import copy
import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roomplan.errors import Problem
from roomplan.plan.load import LoadedPlan, load_plan
from roomplan.plan.model import Plan

TREE: dict[str, Any] = {
    "title": "Ice Harbour",
    "sample_rate": 48000,
    "cue": "1m4",
    "version": 3,
    "strict": True,
    "frame_rate": "29.97df",
    "start": "01:00:00;00",
    "tempo": 84,
    "stems": "stems",
    "trim": -1.5,
    "tail": "full",
    "rooms": {
        "larkmere_hall": {
            "synthetic": "larkmere_hall",
            "pre_delay": "1/64",
            "low_cut": 90,
            "high_cut": "off",
        },
        "parish_nave": {
            "responses": {"front": "f.wav", "rear": {"left": "l.wav", "right": "r.wav"}},
            "gain_position": "front",
            "decay_scale": 0.8,
            "mute": False,
            "wiring": "one_source",
        },
    },
    "shared_sends": {"larkmere_hall": -19},
    "groups": {"strings": {"sections": ["low", "high"], "sends": {"larkmere_hall": -5}, "level": 1}},
    "sections": {
        "choir": {
            "stems": ["*choir*", {"file": "solo", "level": -2, "pan": 10}],
            "seat": {"distance": 13, "angle": 0, "spread": 2.5},
            "sends": {
                "larkmere_hall": {"level": -4, "low_cut": 180, "pre_delay": "triplet 1/32"},
                "parish_nave": [{"level": -9, "position": "front"}, {"level": -14, "position": "rear"}],
            },
        },
        "low": {"stems": "low", "dry": "off"},
        "high": {"stems": ["high"], "sends": {"parish_nave": "off"}, "optional": True},
    },
    "alternates": {
        "choir_up": {
            "choir": {"level": 1.5, "mute": True, "dry": "off", "sends": {"parish_nave": 2}},
            "strings": {"sends": {"larkmere_hall": "off"}},
        }
    },
    "passages": {"verse": {"from": "0:12.5", "to": 48}, "coda": {"from": 12, "to": "01:02:00;02"}},
    "margins": [{"of": "choir", "over": "strings", "band": "speech"}, {"of": "low", "over": "high"}],
    "deliveries": {
        "session": {"folder": "out", "format": "wav", "bit_depth": "32f", "write": ["mix", "wet"]},
        "dub": {
            "folder": "dub/{cue}_v{version}",
            "file_name": "{bus}_{rate}",
            "sample_rate": 96000,
            "write": ["alternate_groups"],
        },
    },
}
TEXT = json.dumps(TREE, indent=0)

SNIPPETS = st.sampled_from([
    "&a ", "*a", "<<: ", "!!x ", "- ", ": ", "? ", "{", "}", "[", "]", "'", '"', "\t", "\n", "#",
    "|", ">", "%", "@", "yes", "−", ".nan", "-.inf", "1e999", "0o17", "2024-01-01", "null", "~",
    "true", "---\n", "...\n", "\\", "\x00", "\x85", "\u2028", "\ufeff", "\U0001f3bb", "9" * 400,
    '"\\ud800"', "extends: plan.yaml\n", "feeds: {}",
])  # fmt: skip
LEAVES = (
    st.none()
    | st.booleans()
    | st.integers(-(10**400), 10**400)
    | st.integers(-200, 200)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.sampled_from(
        [
            "off",
            "1/8",
            "dotted 1/8",
            "larkmere_hall",
            "rear",
            "choir",
            "",
            " ",
            "a/b",
            "a:b",
            "0:12.5",
            "1:02:03:04",
            "01:02:03;04",
            "29.97df",
            "{cue}/{bus}",
            "{",
            "section:choir",
            "strings",
            "~x/y",
            "-6",
            "=",
            "x.yaml",
        ]
    )
    | st.text(max_size=12)
)
VALUES = st.recursive(
    LEAVES,
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["level", "position", "left", "right", "stems", "file", "synthetic", "rear", "x"])
            | st.text(max_size=5),
            inner,
            max_size=3,
        )
    ),
    max_leaves=6,
)


def paths(node, path=()):
    yield path
    steps = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for step, value in steps:
        yield from paths(value, (*path, step))


PATHS = list(paths(TREE))


def answer(tmp_path, content):
    """Load a file and check what must hold for every answer."""
    path = tmp_path / "plan.yaml"
    path.write_bytes(content)
    loaded = load_plan(path)
    assert isinstance(loaded, LoadedPlan)
    assert isinstance(loaded.plan, Plan) or loaded.problems
    lines = content.replace(b"\r\n", b"\n").replace(b"\r", b"\n").count(b"\n") + 1
    spots = []
    for problem in loaded.problems:
        assert isinstance(problem, Problem)
        assert problem.what
        assert "\n" not in str(problem)
        str(problem).encode("utf-8")
        assert problem.place is not None
        assert problem.place.file == path
        assert 1 <= (problem.place.line or 1) <= lines
        spots.append((problem.place.line or 0, problem.place.column or 0))
    assert spots == sorted(spots)
    assert len(set(loaded.problems)) == len(loaded.problems)
    return loaded


def test_the_plan_the_mutations_start_from_has_no_problem(tmp_path):
    assert answer(tmp_path, TEXT.encode()).problems == ()


@settings(max_examples=120)
@given(
    st.lists(
        st.tuples(st.integers(0, len(TEXT)), st.integers(0, 12), SNIPPETS | st.text(max_size=3)), max_size=4
    )
)
def test_a_plan_with_text_cut_out_and_put_in_anywhere_gives_problems_not_exceptions(tmp_path, cuts):
    text = TEXT
    for at, length, snippet in cuts:
        text = text[:at] + snippet + text[at + length :]
    answer(tmp_path, text.encode("utf-8", "surrogatepass"))


@settings(max_examples=120)
@given(st.lists(st.tuples(st.sampled_from(PATHS), VALUES), min_size=1, max_size=4))
def test_a_plan_with_any_value_anywhere_gives_problems_not_exceptions(tmp_path, changes):
    tree: Any = copy.deepcopy(TREE)
    for path, value in changes:
        if not path:
            tree = value
            continue
        node = tree
        try:
            for step in path[:-1]:
                node = node[step]
            node[path[-1]] = value
        except (KeyError, IndexError, TypeError):
            continue  # an earlier change took this node away
    answer(tmp_path, json.dumps(tree, ensure_ascii=False).encode("utf-8", "surrogatepass"))


@settings(max_examples=60)
@given(st.lists(st.sampled_from([path for path in PATHS if path]), min_size=1, max_size=3))
def test_a_plan_with_anything_left_out_gives_problems_not_exceptions(tmp_path, gone):
    tree = copy.deepcopy(TREE)
    for path in gone:
        node: Any = tree
        try:
            for step in path[:-1]:
                node = node[step]
            del node[path[-1]]
        except (KeyError, IndexError, TypeError):
            continue
    answer(tmp_path, json.dumps(tree).encode())


@settings(max_examples=60)
@given(st.binary(max_size=400))
def test_any_bytes_give_problems_not_exceptions(tmp_path, content):
    answer(tmp_path, content)


@pytest.mark.parametrize("path", [path for path in PATHS if path and not isinstance(path[-1], int)], ids=str)
def test_null_is_never_taken_for_a_value(tmp_path, path):
    tree = copy.deepcopy(TREE)
    node: Any = tree
    for step in path[:-1]:
        node = node[step]
    node[path[-1]] = None
    loaded = answer(tmp_path, json.dumps(tree).encode())
    assert [problem.what for problem in loaded.problems][:1] == [f"{path[-1]}: is empty"]


def test_a_long_file_with_a_fault_in_every_line_has_them_all_reported(tmp_path):
    lines = "".join(f"key_number_{number}: x\n" for number in range(1000))
    assert len(answer(tmp_path, lines.encode()).problems) == 1002
