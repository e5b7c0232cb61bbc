"""What progress tells: the stage, how far it is, and how much time is left."""

from __future__ import annotations

from roomplan.cli.environment import StageProgress


def logged(capsys, steps, *, quiet=False):
    """Lines of a log after steps of (seconds since the start, stage, done, total)."""
    now = 0.0
    with StageProgress(quiet=quiet, clock=lambda: now) as progress:
        for now, stage, done, total in steps:  # noqa: B007 - the clock reads it
            progress(stage, done, total)
    captured = capsys.readouterr()
    assert captured.out == ""
    return captured.err.splitlines()


def test_a_log_has_one_line_for_a_stage_that_is_soon_done(capsys):
    steps = [(at, "rendering", at, 9) for at in range(10)]
    assert logged(capsys, [*steps, (9, "measuring decay", 0, 1)]) == ["rendering…", "measuring decay…"]


def test_a_log_says_every_ten_seconds_how_far_a_stage_is_and_what_is_left(capsys):
    steps = [(2 * at, "rendering", at, 50) for at in range(12)]
    assert logged(capsys, steps) == [
        "rendering…",
        "rendering… 10 %, 1:30 left",
        "rendering… 20 %, 1:20 left",
    ]


def test_time_left_is_counted_from_the_start_of_its_own_stage(capsys):
    steps = [(0, "reading stems", 0, 4), (100, "rendering", 0, 4), (4000, "rendering", 1, 4)]
    assert logged(capsys, steps)[-1] == "rendering… 25 %, 3:15:00 left"


def test_time_left_of_a_stage_that_comes_again_is_counted_from_its_new_start(capsys):
    steps = [(0, "rendering", 0, 2), (1000, "rendering", 2, 2), (2000, "rendering", 0, 4)]
    assert logged(capsys, [*steps, (2010, "rendering", 1, 4)])[-1] == "rendering… 25 %, 0:30 left"


def test_time_left_of_a_stage_that_reports_its_first_step_when_it_is_done_counts_the_steps_after_it(capsys):
    steps = [(10 * at, "reading stems", at, 5) for at in range(1, 4)]
    assert logged(capsys, steps) == [
        "reading stems…",
        "reading stems… 40 %, 0:30 left",
        "reading stems… 60 %, 0:20 left",
    ]


def test_quiet_progress_says_nothing(capsys):
    assert logged(capsys, [(60 * at, "rendering", at, 50) for at in range(50)], quiet=True) == []
