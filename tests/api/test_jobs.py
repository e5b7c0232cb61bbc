"""Renders as jobs: picklable, through any executor, none failing for another."""

from __future__ import annotations

import pickle
from concurrent.futures import BrokenExecutor, Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from roomplan.api.jobs import RenderJob, refuse_shared_folders, run_job, run_jobs
from roomplan.errors import RoomplanError

RATE = 8_000


@pytest.fixture
def plans(cue):
    """Two plans that render, and one whose stem is missing."""
    generator = np.random.default_rng(3)
    cue.stem("choir.wav", 0.1 * generator.standard_normal((2 * RATE, 2)), RATE)
    cue.response(
        "nave.wav", generator.standard_normal((800, 2)) * np.exp(-np.arange(800) / 200)[:, None], RATE
    )
    content = {
        "rooms": {"nave": {"responses": "nave.wav", "direct": "keep"}},
        "shared_sends": {"nave": -6},
        "sections": {"choir": {"stems": "choir"}},
    }

    def written(name):
        return {"deliveries": {name: {"folder": name, "write": ["mix"]}}}

    lacking = content | {"sections": {"choir": {"stems": "harp"}}}
    return [
        cue.plan(content | written("one"), "one.yaml"),
        cue.plan(lacking | written("two"), "two.yaml"),
        cue.plan(
            content | written("three") | {"trim": -3},
            "three.yaml",
        ),
    ]


def test_jobs_and_what_comes_of_them_travel_between_processes(plans):
    job = pickle.loads(pickle.dumps(RenderJob(plans[0])))  # noqa: S301 - our own
    summary = run_job(job)
    assert summary.problems == ()
    assert pickle.loads(pickle.dumps(summary)) == summary  # noqa: S301 - our own


def test_summaries_come_in_the_order_of_the_jobs_and_a_failure_keeps_none_back(plans):
    summaries = list(run_jobs([RenderJob(plan) for plan in plans]))
    assert [summary.plan for summary in summaries] == plans
    assert [bool(summary.problems) for summary in summaries] == [False, True, False]
    assert [summary.files for summary in summaries] == [1, 0, 1]
    loudness = np.array([summaries[number].integrated_lufs for number in (0, 2)], np.float64)
    assert np.diff(loudness) == pytest.approx([-3.0], abs=1e-6)
    assert [folder.name for summary in summaries for folder in summary.folders] == ["one", "three"]


def test_any_executor_gives_the_same_summaries(plans, cue):
    def figures(summaries):
        # a second pass over the same sounds recalls loudness: within 1e-6 LU of what was metered
        return [
            (s.plan, s.files, s.integrated_lufs and round(s.integrated_lufs, 5), s.true_peak_dbtp, s.problems)
            for s in summaries
        ]

    here = figures(run_jobs([RenderJob(plan, output=cue.folder / "a" / plan.stem) for plan in plans]))
    with ThreadPoolExecutor(2) as executor:
        there = figures(
            run_jobs([RenderJob(plan, output=cue.folder / "b" / plan.stem) for plan in plans], executor)
        )
    assert here == there


class Broken(ThreadPoolExecutor):
    """Loses its process at the second job, and takes no more."""

    taken = 0

    def submit(self, fn, /, *args, **kwargs):
        self.taken += 1
        if self.taken == 1:
            return super().submit(fn, *args, **kwargs)
        if self.taken == 2:
            lost = Future()
            lost.set_exception(BrokenExecutor("gone"))
            return lost
        raise BrokenExecutor("gone")


def test_a_process_that_dies_fails_its_job_and_those_after_it_in_rows(plans):
    with Broken(1) as executor:
        summaries = list(run_jobs([RenderJob(plan) for plan in (plans[0], plans[2], plans[1])], executor))
    assert [bool(summary.problems) for summary in summaries] == [False, True, True]
    assert all("has died" in summary.problems[0] for summary in summaries[1:])


class LostWorkerError(Exception):
    """What a cluster says when it has lost a worker."""


def test_an_error_of_a_cluster_becomes_the_reason_of_its_row():
    class Cluster(ThreadPoolExecutor):
        def submit(self, *_args, **_kwargs):
            lost = Future()
            lost.set_exception(LostWorkerError("worker 3"))
            return lost

    with Cluster(1) as executor:
        (summary,) = run_jobs([RenderJob(Path("a.yaml"))], executor)
    assert "LostWorkerError: worker 3" in summary.problems[0]


def test_stopping_early_cancels_what_has_not_begun(plans):
    handed_out = []

    class Slow(ThreadPoolExecutor):
        def submit(self, fn, /, *args, **kwargs):
            future = super().submit(fn, *args, **kwargs) if not handed_out else Future()
            handed_out.append(future)
            return future

    with Slow(1) as executor:
        running: Any = run_jobs([RenderJob(plan) for plan in plans], executor)
        assert next(running).plan == plans[0]
        running.close()
    assert [future.cancelled() for future in handed_out] == [False, True, True]


def test_plans_of_one_folder_are_refused_and_one_that_cannot_be_read_is_left_to_its_turn(plans, cue):
    refuse_shared_folders([RenderJob(plan) for plan in (*plans, cue.folder / "nowhere.yaml")])
    with pytest.raises(RoomplanError, match="would both write to"):
        refuse_shared_folders([RenderJob(plan, output=cue.folder / "x") for plan in plans[:2]])
    with pytest.raises(RoomplanError, match="would both write to"):
        refuse_shared_folders([RenderJob(plans[0]), RenderJob(plans[0])])
    # an excerpt and the whole of one plan have folders of their own
    refuse_shared_folders([RenderJob(plans[0]), RenderJob(plans[0], start="1")])


def test_reports_of_a_cue_and_of_an_excerpt_of_it_have_folders_of_their_own(plans, cue):
    for job in (RenderJob(plans[0]), RenderJob(plans[0], start="1", length="0.2")):
        assert run_job(job).problems == ()
    reports = [cue.folder / folder / "report.json" for folder in ("one", "one_excerpt")]
    refuse_shared_folders([RenderJob(report) for report in reports])
    with pytest.raises(RoomplanError, match="would both write to"):
        refuse_shared_folders([RenderJob(report, output=cue.folder / "x") for report in reports])
