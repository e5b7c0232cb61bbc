"""One document laid over another."""

from __future__ import annotations

from pathlib import Path

import pytest

from roomplan.documents.extends import path_beside, read_extended, tidy
from roomplan.errors import Place


def extended(path):
    document, problems = read_extended(path)
    assert document is not None
    return document, problems


def spot(problem):
    assert problem.place is not None
    return problem.place.file, problem.place.line


@pytest.fixture
def write(tmp_path):
    def _write(name, text):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
        return path

    return _write


def test_mappings_merge_key_by_key_lists_and_values_are_replaced_null_removes(write):
    write("base.yaml", "a: {x: 1, y: [1, 2], z: 3, deep: {p: 1, q: 2}}\nb: 1\nc: {k: 1}\n")
    leaf = write(
        "leaf.yaml", "extends: base.yaml\na: {y: [9], z: null, deep: {q: 5}, new: 6}\nb: {m: 1}\nc: ~\n"
    )
    document, problems = extended(leaf)
    assert problems == []
    assert document.data == {"a": {"x": 1, "y": [9], "deep": {"p": 1, "q": 5}, "new": 6}, "b": {"m": 1}}


def test_every_value_keeps_the_file_and_line_it_came_from(write):
    base = write("house/base.yaml", "a:\n  x: 1\n  y: 2\n")
    leaf = write("leaf.yaml", "extends: house/base.yaml\na:\n  y: 3\n")
    document, _ = extended(leaf)
    assert document.places.value(("a", "x")) == Place(base, 2, 6)
    assert document.places.value(("a", "y")) == Place(leaf, 3, 6)
    assert document.files == (leaf, base)
    assert document.file == leaf


def test_a_chain_is_merged_from_its_end(write):
    write("one.yaml", "v: 1\nw: 1\nx: 1\n")
    write("two.yaml", "extends: one.yaml\nv: null\nw: 2\n")
    leaf = write("three.yaml", "extends: two.yaml\nv: 3\n")
    document, problems = extended(leaf)
    assert problems == []
    assert document.data == {"v": 3, "w": 2, "x": 1}


def test_a_circle_is_refused_with_the_chain_shown(write, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    write("a.yaml", "extends: b.yaml\n")
    write("b.yaml", "extends: sub/c.yaml\n")
    write("sub/c.yaml", "x: 1\nextends: ../a.yaml\n")
    document, problems = extended(Path("a.yaml"))
    assert len(problems) == 1
    assert str(problems[0]) == (
        "sub/c.yaml:2:10: extends goes in a circle: a.yaml → b.yaml → sub/c.yaml → a.yaml — "
        "a base that extends none of these"
    )
    assert not document.complete


def test_a_file_that_extends_itself_is_a_circle(write):
    leaf = write("a.yaml", "extends: ./a.yaml\n")
    _, problems = read_extended(leaf)
    assert "circle" in problems[0].what


def test_a_missing_base_is_reported_at_the_line_that_names_it_with_the_nearest_name(write):
    write("base.yaml", "x: 1\n")
    leaf = write("leaf.yaml", "y: 1\nextends: bass.yaml\n")
    document, problems = extended(leaf)
    assert [(*spot(problem), problem.remedy) for problem in problems] == [
        (leaf, 2, "did you mean 'base.yaml'?")
    ]
    assert document.data == {"y": 1}
    assert not document.complete


def test_faults_of_a_base_carry_its_own_file_after_the_faults_of_the_leaf(write):
    base = write("base.yaml", "x: .nan\n")
    leaf = write("leaf.yaml", "extends: base.yaml\ny: .inf\n")
    _, problems = read_extended(leaf)
    assert [spot(problem) for problem in problems] == [(leaf, 2), (base, 1)]


@pytest.mark.parametrize(
    "value", ["", "[a.yaml, b.yaml]", "12", "{a: b}", '""', "true", ".nan", "~noSuchUser/x.yaml"]
)
def test_extends_wants_one_path(write, value):
    leaf = write("leaf.yaml", f"extends: {value}\nx: 1\n")
    document, problems = extended(leaf)
    assert len(problems) == 1
    assert spot(problems[0]) == (leaf, 1)
    assert document.data == {"x": 1}
    assert not document.complete


def test_removing_what_the_base_does_not_have_is_a_problem(write):
    write("base.yaml", "rooms: {parish_nave: 1}\n")
    leaf = write("leaf.yaml", "extends: base.yaml\nrooms: {parish_naev: null}\n")
    document, problems = extended(leaf)
    assert [problem.remedy for problem in problems] == ["did you mean 'parish_nave'?"]
    assert document.data == {"rooms": {"parish_nave": 1}}


def test_a_good_value_over_a_refused_one_is_no_longer_refused(write):
    write("base.yaml", "x: .nan\ny: .nan\n")
    leaf = write("leaf.yaml", "extends: base.yaml\nx: 1\n")
    document, problems = extended(leaf)
    assert len(problems) == 2
    assert not document.places.was_refused(("x",))
    assert document.places.was_refused(("y",))


def test_a_path_belongs_to_the_file_it_stands_in(monkeypatch, tmp_path):
    monkeypatch.setenv("HOME", str(tmp_path))
    assert path_beside("irs/a.wav", Path("cues/leaf.yaml")) == Path("cues/irs/a.wav")
    assert path_beside("/irs/a.wav", Path("cues/leaf.yaml")) == Path("/irs/a.wav")
    assert path_beside("~/a.wav", Path("cues/leaf.yaml")) == tmp_path / "a.wav"
    with pytest.raises(ValueError, match="home"):
        path_beside("~noSuchUser/a.wav", Path("leaf.yaml"))


def test_a_parent_step_is_shortened_only_where_it_leads_to_the_same_file(tmp_path):
    (tmp_path / "real" / "inner").mkdir(parents=True)
    (tmp_path / "link").symlink_to(tmp_path / "real" / "inner")
    assert tidy(tmp_path / "real" / ".." / "x") == tmp_path / "x"
    through_link = tmp_path / "link" / ".." / "x"
    assert tidy(through_link) == through_link
