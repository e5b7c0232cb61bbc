"""Links that go in a circle: each is one line, and never a traceback."""

from __future__ import annotations

import os

import pytest

pytestmark = pytest.mark.skipif(os.name != "posix", reason="links without special rights")


@pytest.fixture
def circle(session):
    """A link to itself beside a plan."""
    (session / "circle").symlink_to("circle")
    return session / "circle"


def the_one_line(outcome):
    assert outcome.status == 1
    (line,) = [line for line in outcome.errors.splitlines() if not line.endswith("…")]
    return line


@pytest.mark.parametrize("inside", ["", "mixes"])
def test_a_render_into_a_circle_of_links_is_refused_in_one_line(run, session, circle, inside):
    line = the_one_line(run("render", session / "plan.yaml", "--output", circle / inside))
    assert str(circle) in line


@pytest.mark.parametrize("name", ["prints", "mix.wav", "report.json"])
def test_a_circle_of_links_in_the_place_of_an_output_is_refused_in_one_line(run, session, name):
    (session / "mine").mkdir()
    (session / "mine" / name).symlink_to(name)
    only = ["--only", "section:choir"] if name == "prints" else ["--only", "mix"]
    assert name in the_one_line(run("render", session / "plan.yaml", "--output", session / "mine", *only))


def test_a_plan_that_is_a_link_to_nothing_is_not_proposed_in_its_own_place(run, session):
    (session / "cue.yaml").symlink_to("cue.yaml")
    line = the_one_line(run("render", session / "cue.yaml"))
    assert "is a link to a file that does not exist" in line
    assert "did you mean" not in line


def test_a_table_that_cannot_be_written_is_named_as_the_user_named_it(run, session, circle):
    table = circle / "table.csv"
    line = the_one_line(
        run("render", session / "plan.yaml", "--output", session / "mine", "--csv", table, "--quiet")
    )
    assert line.startswith(f"{table}: cannot be written")
