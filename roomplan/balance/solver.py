"""Least total miss of the targets, as close as possible to the plan as written.

Conventions
-----------
What is made small is Σ weight · (miss beyond what is aimed at / tolerance)² + a small pull to shifts of 0. A
limit (at least, at most) is aimed at itself; a figure that is to be equal is aimed at within `AIM` of its
tolerance, so that rounded levels still meet it. The pull makes the answer the only one: of all levels that
meet the targets, those nearest to the plan.

Between two looks in full (gates, percentiles, decay times) every figure is a smooth function of the shifts,
with slopes that are known; the levels found there are looked at in full, and so on until they stay.

Sources
-------
Lawson and Hanson (1974), "Solving Least Squares Problems", chapter 23 (least distance programming; from
memory), on scipy.optimize.nnls. A trust region method on the same cost (scipy.optimize.least_squares) needs
hundreds of steps for the pull, which is 10,000 times flatter than the targets, and stops short of it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from roomplan.balance.levels import SMALL_MOVE_DB

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from roomplan.balance.figures import Figure
    from roomplan.balance.problem import BalanceProblem
    from roomplan.plan.targets import Target

__all__ = [
    "AIM",
    "STEP_DB",
    "Solution",
    "misses",
    "rounded_shifts",
    "slopes_of_miss",
    "solve",
    "starts",
    "total_miss",
    "without_small_moves",
]

# Of a figure that is to be equal: aimed at within this share of its tolerance; the rest is left to rounding.
AIM = 0.8
# Pull: a level moved by 10 dB costs as much as a target missed by a tenth of its tolerance.
_PULL = 1e-4
_LEAST_TOLERANCE = 1e-3  # a tolerance of nothing at all would make every other target worth nothing
_MOST_TURNS = 12
_MOST_HALVINGS = 5
_SETTLED_DB = 0.005
_SAME_DB = 0.05
_MOST_STEPS = 14
# Levels add as powers, so a figure is a line for some dB only.
_LONGEST_STEP_DB = 8.0
_MOST_MENDS = 40
STEP_DB = 0.1  # to which levels are rounded
_SMALL_MOVE_TURNS = 4
_MOST_ROUNDS = 3


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """Shifts, what they cost, and the figures there, judged in full."""

    shifts: NDArray[np.float64]
    cost: float
    figures: tuple[Figure, ...]
    settled: bool


def misses(target: Target, value: float) -> float:
    """How far a figure is beyond what is aimed at, in tolerances."""
    room = AIM * target.tolerance if target.wish.sense == "equal" else 0.0
    return max(0.0, target.miss(value) - room) / max(target.tolerance, _LEAST_TOLERANCE)


def total_miss(targets: Sequence[Target], figures: Sequence[Figure], weights: NDArray[np.float64]) -> float:
    """Σ weight · miss², of the figures that can be said."""
    return float(
        sum(
            weight * misses(target, figure.value) ** 2
            for target, figure, weight in zip(targets, figures, weights, strict=True)
            if figure.value is not None
        )
    )


def starts(problem: BalanceProblem) -> list[NDArray[np.float64]]:
    """Shifts to start from: the plan, and a quarter of the way from either bound."""
    low, high = problem.bounds
    return [np.zeros(low.size), low + 0.25 * (high - low), high - 0.25 * (high - low)]


def solve(
    problem: BalanceProblem,
    start: NDArray[np.float64],
    *,
    weights: NDArray[np.float64],
    known: Sequence[Solution] = (),
    turns: int = _MOST_TURNS,
) -> Solution:
    """Solve from one start.

    Parameters
    ----------
    start : ndarray, shape (shifts,)
    weights : ndarray, shape (targets,)
        0 leaves a target out.
    known : sequence of Solution
        Found from other starts with the same weights; once the way leads to one of them, that is the answer.
    turns : int
        Most looks in full.
    """
    low, high = problem.bounds
    shifts = np.clip(start, low, high)
    figures = problem.evaluate(shifts)
    cost = _cost(problem, figures, shifts, weights)
    settled = not problem.shifts
    for _turn in range(turns):
        if settled:
            break
        proposed = _between_looks(problem, figures, shifts, weights, (low, high))
        for other in known:
            if np.max(np.abs(proposed - other.shifts)) < _SAME_DB:
                return other
        step = proposed - shifts
        if np.max(np.abs(step)) < _SETTLED_DB:
            settled = True
            break
        for _halving in range(_MOST_HALVINGS):
            trial = shifts + step
            seen = problem.evaluate(trial)
            found = _cost(problem, seen, trial, weights)
            if found <= cost:
                shifts, figures, cost = trial, seen, found
                break
            step = 0.5 * step
        else:  # a gate or a percentile stands in the way: nothing near is better
            settled = True
    return Solution(shifts, cost, tuple(figures), settled)


def _cost(
    problem: BalanceProblem,
    figures: Sequence[Figure],
    shifts: NDArray[np.float64],
    weights: NDArray[np.float64],
) -> float:
    counts = np.array([shift.count for shift in problem.shifts])
    return total_miss(problem.targets, figures, weights) + _PULL * float(np.sum(counts * shifts**2))


def _between_looks(
    problem: BalanceProblem,
    figures: Sequence[Figure],
    shifts: NDArray[np.float64],
    weights: NDArray[np.float64],
    bounds: tuple[NDArray[np.float64], NDArray[np.float64]],
) -> NDArray[np.float64]:
    """Best shifts as long as every figure moves as it says of itself."""
    active = [
        (target, figure.local, weight)
        for target, figure, weight in zip(problem.targets, figures, weights, strict=True)
        if figure.local is not None and weight > 0.0
    ]
    pull = _PULL * np.array([shift.count for shift in problem.shifts])

    def cost(at: NDArray[np.float64]) -> float:
        missed = sum(weight * misses(target, local.value(at)) ** 2 for target, local, weight in active)
        return float(missed) + float(np.sum(pull * at**2))

    best = cost(shifts)
    reach = _LONGEST_STEP_DB
    for _step in range(_MOST_STEPS):
        lines = [(target, *local.line(shifts), weight) for target, local, weight in active]
        near = (np.maximum(bounds[0], shifts - reach), np.minimum(bounds[1], shifts + reach))
        trial = _nearest_on_lines(lines, shifts, pull, near)
        found = cost(trial)
        length = float(np.max(np.abs(trial - shifts)))
        if found <= best + 1e-12:
            shifts, best = trial, found
            if length < _SETTLED_DB / 4.0:
                break
        elif length < _SETTLED_DB / 4.0:
            break
        else:
            reach = 0.25 * length
    return shifts


def _nearest_on_lines(
    lines: Sequence[tuple[Target, float, NDArray[np.float64], float]],
    shifts: NDArray[np.float64],
    pull: NDArray[np.float64],
    bounds: tuple[NDArray[np.float64], NDArray[np.float64]],
) -> NDArray[np.float64]:
    """Least cost where every figure is a straight line: the exact answer, bounds included.

    With a slack s for each target, in tolerances, it is the shortest vector z = (√pull · shifts, √weight · s)
    that keeps Gz ≥ h: "least distance programming", by non-negative least squares on its dual (Lawson and
    Hanson 1974, "Solving Least Squares Problems", chapter 23, from memory).
    """
    count, slacks = shifts.size, len(lines)
    rows, limits = [], []
    for number, (target, value, slope, weight) in enumerate(lines):
        tolerance = max(target.tolerance, _LEAST_TOLERANCE)
        room = AIM * target.tolerance if target.wish.sense == "equal" else 0.0
        now = value - float(slope @ shifts)  # of the line at shifts of 0
        sides = {"least": (1.0,), "most": (-1.0,), "equal": (1.0, -1.0)}[target.wish.sense]
        for side in sides:
            row = np.zeros(count + slacks)
            row[:count] = side * slope / np.sqrt(pull)
            row[count + number] = tolerance / np.sqrt(weight)
            rows.append(row)
            limits.append(side * (target.value - now) - room)
    edges = np.hstack([np.eye(count) / np.sqrt(pull), np.zeros((count, slacks))])
    matrix = np.vstack([*rows, edges, -edges])
    least = np.concatenate([limits, bounds[0], -bounds[1]])
    length = np.linalg.norm(matrix, axis=1)
    matrix, least = matrix / length[:, None], least / length
    dual = np.vstack([matrix.T, least])
    aim = np.zeros(count + slacks + 1)
    aim[-1] = 1.0
    from scipy.optimize import nnls  # half a second, for plans that have something to solve

    multipliers, _rest = nnls(dual, aim, maxiter=20 * dual.shape[1])
    residual = dual @ multipliers - aim
    found = -residual[:count] / residual[-1] / np.sqrt(pull)
    return np.clip(found, *bounds)


def slopes_of_miss(
    problem: BalanceProblem, solution: Solution, weights: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Derivative of each target's weighted squared miss by every shift, shape (targets, shifts)."""
    slopes = np.zeros((len(problem.targets), len(problem.shifts)))
    for row, target, figure, weight in zip(slopes, problem.targets, solution.figures, weights, strict=True):
        if figure.local is None or figure.value is None:
            continue
        _value, slope = figure.local.line(solution.shifts)
        missed = misses(target, figure.value)
        sign = 1.0 if figure.value > target.value else -1.0
        row[:] = 2.0 * weight * missed * sign * slope / max(target.tolerance, _LEAST_TOLERANCE)
    return slopes


def rounded_shifts(
    problem: BalanceProblem, solution: Solution, weights: NDArray[np.float64]
) -> tuple[NDArray[np.float64], list[Figure]]:
    """Shifts whose levels are whole tenths of a dB, and the figures there.

    Parameters
    ----------
    weights : ndarray, shape (targets,)

    Notes
    -----
    A level that would move by less than 0.05 dB stays as it is written. Where rounding makes a target miss
    that was met, single levels are moved by a tenth until it is met again or nothing helps. A shift that
    several levels share is itself rounded: their differences stay.
    """
    low, high = problem.bounds
    shifts = np.array(
        [_nearest(problem, column, amount) for column, amount in enumerate(solution.shifts)], dtype=np.float64
    )
    shifts = np.clip(shifts, low, high)
    figures = problem.evaluate(shifts)
    best = _judged(problem, figures, weights)
    before = _judged(problem, solution.figures, weights)
    for _mend in range(_MOST_MENDS):
        if best <= before + 1e-9:
            break
        trial = _mended(problem, figures, shifts, weights)
        if trial is None:
            break
        seen = problem.evaluate(trial)
        judged = _judged(problem, seen, weights)
        if judged >= best - 1e-12:
            break
        shifts, figures, best = trial, seen, judged
    return shifts, figures


def without_small_moves(
    problem: BalanceProblem,
    shifts: NDArray[np.float64],
    figures: Sequence[Figure],
    weights: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Leave sends as written that move by less than 0.3 dB, as long as no target is worse for it.

    Parameters
    ----------
    shifts : ndarray, shape (shifts,)
        From `rounded_shifts`, with the figures there.
    weights : ndarray, shape (targets,)

    Returns
    -------
    shifts : ndarray, shape (shifts,)
    left : ndarray, shape (shifts,)
        What those that now stay would have moved by; 0 elsewhere.

    Notes
    -----
    The other levels are found again without them. Where that does not do, as many as the slopes allow stay.
    """
    judged = _judged(problem, figures, weights)
    still, left = np.zeros(shifts.size, dtype=bool), np.zeros(shifts.size)
    for _round in range(_MOST_ROUNDS):  # what takes over may move by little itself
        small = _small(problem, shifts) & ~still
        if not small.any():
            break
        fixed = _with_fixed(problem, still | small)
        start = np.where(still | small, 0.0, shifts)
        found = solve(fixed, start, weights=weights, turns=_SMALL_MOVE_TURNS)
        trial, seen = rounded_shifts(fixed, found, weights)
        if _judged(problem, seen, weights) > judged + 1e-9:
            trial = _few_left(problem, shifts, figures, weights, small, judged)
            return trial, np.where(small & (trial == 0.0), shifts, left)
        left = np.where(small, shifts, left)
        shifts, figures, still = trial, seen, still | small
    return shifts, left


def _small(problem: BalanceProblem, shifts: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether a shift moves sends, and by less than what counts."""
    sends = np.array([bool(shift.sends) for shift in problem.shifts], dtype=bool)
    return sends & (shifts != 0.0) & (np.abs(shifts) < SMALL_MOVE_DB - 1e-9)


def _with_fixed(problem: BalanceProblem, fixed: NDArray[np.bool_]) -> BalanceProblem:
    shifts = tuple(
        replace(shift, low_db=0.0, high_db=0.0) if stays else shift
        for shift, stays in zip(problem.shifts, fixed, strict=True)
    )
    return replace(problem, shifts=shifts)


def _few_left(
    problem: BalanceProblem,
    shifts: NDArray[np.float64],
    figures: Sequence[Figure],
    weights: NDArray[np.float64],
    small: NDArray[np.bool_],
    judged: float,
) -> NDArray[np.float64]:
    """Take back small moves, the smallest first, where the slopes say that no target is worse for it."""
    lines = [
        (target, *figure.local.line(shifts), weight)
        for target, figure, weight in zip(problem.targets, figures, weights, strict=True)
        if figure.local is not None
    ]
    values = [value for _target, value, _slope, _weight in lines]
    trial = shifts.copy()
    for column in sorted(np.flatnonzero(small), key=lambda c: abs(shifts[c])):
        then = [
            value - shifts[column] * slope[column]
            for value, (_target, _value, slope, _weight) in zip(values, lines, strict=True)
        ]
        missed = sum(
            weight * _beyond(target, value) ** 2
            for value, (target, _value, _slope, weight) in zip(then, lines, strict=True)
        )
        if missed <= judged + 1e-9:
            trial[column], values = 0.0, then
    return shifts if _judged(problem, problem.evaluate(trial), weights) > judged + 1e-9 else trial


def _nearest(problem: BalanceProblem, column: int, amount: float) -> float:
    """Shift whose level is a whole tenth; 0 where the level hardly moves."""
    if abs(amount) < 0.5 * STEP_DB:
        return 0.0
    shift = problem.shifts[column]
    if shift.count > 1:
        return round(amount / STEP_DB) * STEP_DB
    written = (
        problem.written.sends_db[shift.sends[0]]
        if shift.sends
        else problem.written.sections_db[shift.sections[0]]
    )
    return round((written + amount) / STEP_DB) * STEP_DB - written


def _judged(problem: BalanceProblem, figures: Sequence[Figure], weights: NDArray[np.float64]) -> float:
    """Σ weight · (miss beyond the tolerance)²: what a target that is met adds nothing to."""
    return float(
        sum(
            weight * _beyond(target, figure.value) ** 2
            for target, figure, weight in zip(problem.targets, figures, weights, strict=True)
            if figure.value is not None
        )
    )


def _beyond(target: Target, value: float) -> float:
    return max(0.0, target.miss(value) - target.tolerance) / max(target.tolerance, _LEAST_TOLERANCE)


def _mended(
    problem: BalanceProblem,
    figures: Sequence[Figure],
    shifts: NDArray[np.float64],
    weights: NDArray[np.float64],
) -> NDArray[np.float64] | None:
    """Shifts with the one step of a tenth that helps most, as far as the slopes tell; None when none does."""
    low, high = problem.bounds
    lines = [
        (target, *figure.local.line(shifts), weight)
        for target, figure, weight in zip(problem.targets, figures, weights, strict=True)
        if figure.local is not None
    ]
    if not lines:
        return None
    now = sum(weight * _beyond(target, value) ** 2 for target, value, _slope, weight in lines)
    best, chosen = now * (1.0 - 1e-6), None
    for column in range(shifts.size):
        for step in (-STEP_DB, STEP_DB):
            moved = shifts[column] + step
            if not low[column] - 1e-9 <= moved <= high[column] + 1e-9:
                continue
            then = sum(
                weight * _beyond(target, value + step * slope[column]) ** 2
                for target, value, slope, weight in lines
            )
            if then < best:
                best, chosen = then, (column, moved)
    if chosen is None:
        return None
    trial = shifts.copy()
    trial[chosen[0]] = chosen[1]
    return trial
