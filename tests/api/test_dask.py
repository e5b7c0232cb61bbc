"""Many cues on a Dask cluster: jobs through `Client.get_executor()`, as documented."""

from __future__ import annotations

import json

import numpy as np
import pytest
from distributed import Client, LocalCluster

from roomplan.api.jobs import RenderJob, run_jobs
from roomplan.report.summary import summary_csv

RATE = 8_000


@pytest.fixture
def client(tmp_path):
    """A cluster of two workers on this machine, without a dashboard."""
    with (
        LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            processes=False,
            dashboard_address=":0",
            local_directory=str(tmp_path / "dask"),
        ) as cluster,
        Client(cluster) as client,
    ):
        yield client


def test_cues_render_on_a_dask_cluster_and_come_back_in_order(client, cue):
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
    plans = [
        cue.plan(content | {"cue": f"2m{number}", "trim": -number}, f"2m{number}.yaml") for number in range(3)
    ]
    plans.append(cue.plan(content | {"sections": {"choir": {"stems": "harp"}}}, "lacking.yaml"))
    jobs = [RenderJob(plan, output=cue.folder / "reel" / plan.stem, workers=1) for plan in plans]

    with client.get_executor() as executor:
        summaries = list(run_jobs(jobs, executor))

    assert [summary.cue for summary in summaries] == ["2m0", "2m1", "2m2", None]
    assert [bool(summary.problems) for summary in summaries] == [False, False, False, True]
    loudness = np.array([summary.integrated_lufs for summary in summaries[:3]], np.float64)
    assert np.diff(loudness) == pytest.approx([-1.0, -1.0], abs=1e-6)
    for summary in summaries[:3]:
        report = json.loads((summary.folders[0] / "report.json").read_text(encoding="utf-8"))
        assert report["cue"] == summary.cue
    assert summary_csv(summaries).count("\n") == 5
