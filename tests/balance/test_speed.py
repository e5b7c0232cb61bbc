"""How long solving takes once the sound has been heard: 12 sections, 6 rooms, 5 minutes. Nothing is asserted.

Run with `pytest tests/balance/test_speed.py --benchmark-enable --benchmark-only`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from made_sessions import Made, made_session, wish

from roomplan.balance.problem import build_problem
from roomplan.balance.reach import search
from roomplan.balance.record import Record
from roomplan.balance.solver import rounded_shifts, without_small_moves
from roomplan.plan.targets import BalanceLimits

SECTIONS, ROOMS, SECONDS = 12, 6, 300


@pytest.fixture(scope="module")
def large():
    """84 components whose factors are noise that comes and goes."""
    made = made_session(
        SECTIONS, ROOMS, seconds=3.0, groups={"low": ("s1", "s2", "s3", "s4", "s5")}, response_s=0.5
    )
    generator = np.random.default_rng(6)
    first, second = np.triu_indices(len(made.record.components))
    hops = SECONDS * 50
    swell = 10.0 ** (-0.5 * (1.0 + np.sin(np.arange(hops)[:, None] / hops * np.linspace(9.0, 40.0, 84))))
    factor = generator.standard_normal((hops, first.size), dtype=np.float32)
    factor *= (0.2 * swell[:, second] * np.where(first == second, 1.0, 0.05)).astype(np.float32)
    old = made.record
    return Made(made.session, Record(old.components, old.order, old.stored, factor, None), made.matrices)


def wishes(*, clarity):
    found = [wish("wet_to_dry", 0.0, f"section:s{i}") for i in range(SECTIONS)]
    found += [
        wish("margin", 0.0, "section:s0", over="group:low"),
        wish("margin", 0.0, "section:s11", over="section:s6"),
        wish("share", 0.0, "section:s7", room="r0"),
    ]
    if clarity:
        found += [wish("least_c80", 0.0, f"section:s{i}") for i in range(SECTIONS)]
    return tuple(found)


def answered(made, targets):
    """From the block matrix to levels to be written: aggregate, solve from three starts, round, tidy."""
    problem = build_problem(
        made.session, targets, BalanceLimits(), made.record, made.matrices, speech=None, workers=2
    )
    found = search(problem)
    shifts, figures = rounded_shifts(found.problem, found.best, found.weights)
    shifts, _left = without_small_moves(found.problem, shifts, figures, found.weights)
    figures = problem.evaluate(shifts)
    return sum(t.met_by(f.value or 0.0) for t, f in zip(targets, figures, strict=True))


@pytest.mark.parametrize("clarity", [False, True], ids=["loudness", "loudness and clarity"])
def test_solving_twelve_sections_in_six_rooms(benchmark, large, clarity):
    targets = wishes(clarity=clarity)
    problem = build_problem(
        large.session, targets, BalanceLimits(), large.record, large.matrices, speech=None, workers=2
    )
    low, high = problem.bounds
    hidden = np.clip(np.random.default_rng(2).normal(0.0, 5.0, low.size), 0.9 * low, 0.9 * high)
    targets = tuple(
        replace(target, value=figure.value)
        for target, figure in zip(targets, problem.evaluate(hidden), strict=True)
    )
    met = benchmark.pedantic(answered, args=(large, targets), rounds=3, warmup_rounds=1)
    print(f"{met} of {len(targets)} targets met")
