"""Plans written to a file and loaded."""

from __future__ import annotations

import pytest

from roomplan.plan.load import load_plan

# The least a plan can say: one room, one section.
LEAST = "rooms: {hall: {synthetic: larkmere_hall}}\nsections: {choir: {stems: x}}\n"


@pytest.fixture
def load(tmp_path):
    """Write a text to plan.yaml and load it."""

    def _load(text, name="plan.yaml"):
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return load_plan(path)

    return _load


@pytest.fixture
def good(load):
    """Load a text that must have no problem and return the plan."""

    def _good(text):
        loaded = load(text)
        assert [str(problem) for problem in loaded.problems] == []
        return loaded.plan

    return _good


@pytest.fixture
def said(load):
    """Load a text and return its problems as `line:column what — remedy`."""

    def _said(text):
        return [
            f"{problem.place.line}:{problem.place.column} {problem.what} — {problem.remedy}"
            for problem in load(text).problems
        ]

    return _said


@pytest.fixture
def least():
    return LEAST


@pytest.fixture
def room(good):
    """Load a plan with one room of the given keys and return the room."""

    def _room(keys, top=""):
        rooms = f"rooms: {{hall: {{synthetic: larkmere_hall, {keys}}}}}"
        return good(f"{top}\n{rooms}\nsections: {{choir: {{stems: x}}}}\n").rooms["hall"]

    return _room


@pytest.fixture
def section(good):
    """Load a plan with one section of the given keys and return the section."""

    def _section(keys):
        text = f"rooms: {{hall: {{synthetic: larkmere_hall}}}}\nsections: {{choir: {{stems: x, {keys}}}}}\n"
        return good(text).sections["choir"]

    return _section
