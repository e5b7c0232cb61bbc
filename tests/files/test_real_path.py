"""Paths with their links followed, circles of links among them."""

from __future__ import annotations

import ast
import os
from pathlib import Path

import pytest

import roomplan
from roomplan.files.real_path import real_path

PACKAGE = Path(roomplan.__file__).parent

links = pytest.mark.skipif(os.name != "posix", reason="links without special rights")


@links
def test_links_are_followed_and_what_does_not_exist_keeps_its_name(tmp_path):
    (tmp_path / "hall").mkdir()
    (tmp_path / "way").symlink_to("hall")
    assert real_path(tmp_path / "way" / "seat" / ".." / "mix.wav") == tmp_path.resolve() / "hall" / "mix.wav"


@links
def test_a_circle_of_links_is_no_error(tmp_path):
    (tmp_path / "one").symlink_to("two")
    (tmp_path / "two").symlink_to("one")
    assert real_path(tmp_path / "one" / "mix.wav").name == "mix.wav"


def test_no_module_follows_links_in_a_way_that_raises_for_a_circle():
    found = [
        f"{file.name}, line {node.lineno}"
        for file in PACKAGE.rglob("*.py")
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and node.func.attr == "resolve"
        and not node.keywords  # strict: an error that its caller expects
    ]
    assert found == []
