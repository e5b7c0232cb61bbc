"""Levels for all targets at once, where a wish that nothing can meet takes nothing from the others.

Conventions
-----------
What a target can *reach* is the best figure that any levels within the limits give it when nothing else is
wanted. A target that misses even there is *beyond reach*. It is then asked for its best figure instead of its
wish, after all others: those of its own weight and more keep what they have without it, and only targets of
less weight may pay for it. Targets that exclude each other but can be had one by one are not beyond reach:
between them the weights decide.

Targets are named by their place in `BalanceProblem.targets`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from roomplan.balance.problem import sections_of_target
from roomplan.balance.solver import AIM, Solution, misses, solve, starts

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from roomplan.balance.problem import BalanceProblem
    from roomplan.plan.targets import Target

__all__ = ["Reach", "ReachedWith", "Search", "search"]

ReachedWith = Literal["nothing", "lowest_sends", "highest_sends", "some_levels"]

# Weight of a target that is to keep what it has, over that of a wish beyond reach, which misses by `_FAR`
# tolerances at most: it is then moved by some thousandths of its tolerance.
_HELD = 1e4
_FAR = 10.0
_ALIKE = 0.02  # share of a tolerance that is not worth another description


@dataclass(frozen=True, slots=True, eq=False)
class Reach:
    """The best figure of a target that is beyond reach.

    Attributes
    ----------
    value : float
        In the unit of the target.
    reached_with : str
        Whether all sends that have a bearing on it are at their lowest there, or at their highest; `nothing`
        where no level that may be moved has a bearing on it.
    shifts : ndarray, shape (shifts,)
        Where it is reached.
    """

    target: int
    value: float
    reached_with: ReachedWith
    shifts: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Search:
    """What was found, and what was asked for in the end.

    Attributes
    ----------
    problem : BalanceProblem
        Targets beyond reach, and those that keep what they have, have this as their value.
    weights : ndarray, shape (targets,)
        Of that problem.
    solutions : tuple of Solution
        From every start, the best among them.
    plain : Solution
        The best for the targets that are within reach alone; `best` itself where all are.
    plain_weights : ndarray, shape (targets,)
        As written, 0 for the targets beyond reach.
    """

    problem: BalanceProblem
    weights: NDArray[np.float64]
    best: Solution
    solutions: tuple[Solution, ...]
    plain: Solution
    plain_weights: NDArray[np.float64]
    beyond: tuple[Reach, ...]


def search(problem: BalanceProblem) -> Search:
    """Find the levels for all targets of a problem.

    Notes
    -----
    What a target reaches by itself is only looked for where it is missed, which most never are. It is looked
    for from several starts; a minimum that none of them leads to would be missed.
    """
    weights = np.array([target.weight for target in problem.targets])
    first = solve(problem, starts(problem)[0], weights=weights)
    # what is beyond reach is missed from every start: one is enough to look for it
    found = [_reach(problem, index, first) for index in _missed(problem.targets, first)]
    beyond = tuple(reach for reach in found if reach is not None)
    if not beyond:
        solutions = _from(problem, starts(problem)[1:], weights, known=(first,))
        best = _best(solutions)
        return Search(problem, weights, best, solutions, best, weights, ())
    plain_weights = weights.copy()
    plain_weights[[reach.target for reach in beyond]] = 0.0
    plain = _best(_from(problem, starts(problem), plain_weights))
    asked, asked_weights, solutions = _with_beyond(problem, weights, plain, beyond)
    return Search(asked, asked_weights, _best(solutions), solutions, plain, plain_weights, beyond)


def _from(
    problem: BalanceProblem,
    places: Sequence[NDArray[np.float64]],
    weights: NDArray[np.float64],
    known: Sequence[Solution] = (),
) -> tuple[Solution, ...]:
    """Solutions that are known, and those from some starts."""
    solutions = list(known)
    for start in places:
        solutions.append(solve(problem, start, weights=weights, known=solutions))
    return tuple(solutions)


def _best(solutions: Sequence[Solution]) -> Solution:
    """Of those that cost as good as the least, the first: the one that began with the plan."""
    least = min(solution.cost for solution in solutions)
    return next(s for s in solutions if s.cost <= least * (1.0 + 1e-3) + 1e-6)


def _missed(targets: Sequence[Target], solution: Solution) -> list[int]:
    return [
        index
        for index, (target, figure) in enumerate(zip(targets, solution.figures, strict=True))
        if figure.value is not None and not target.met_by(figure.value)
    ]


def _reach(problem: BalanceProblem, index: int, joint: Solution) -> Reach | None:
    """The best figure of one target when nothing else is wanted; None where its wish is met there."""
    target = problem.targets[index]
    alone = replace(problem, targets=(target,))
    low, high = problem.bounds
    only = np.ones(1)
    value, shifts, least = 0.0, joint.shifts, math.inf
    known: list[Solution] = []
    for start in (joint.shifts, *starts(problem), low, high):
        found = solve(alone, start, weights=only, known=known)
        known.append(found)
        figure = found.figures[0].value
        if figure is None:
            continue
        if target.met_by(figure):
            return None
        if target.miss(figure) < least:
            value, shifts, least = figure, found.shifts, target.miss(figure)
    if math.isinf(least):
        return None
    return _described(alone, index, value, shifts)


def _described(alone: BalanceProblem, index: int, value: float, shifts: NDArray[np.float64]) -> Reach:
    """Say what has to be done for the best figure; an end of all sends that is as good is preferred."""
    (target,) = alone.targets
    by_sends, by_levels = sections_of_target(alone.session, target)
    sends = np.array(
        [any(name in by_sends for name, _send in shift.sends) for shift in alone.shifts], dtype=bool
    )
    levels = np.array(
        [any(name in by_levels for name in shift.sections) for shift in alone.shifts], dtype=bool
    )
    if not sends.any() and not levels.any():
        return Reach(index, value, "nothing", shifts)
    reached_with: ReachedWith = "some_levels"
    if sends.any():
        ends: tuple[ReachedWith, ...] = ("lowest_sends", "highest_sends")
        for name, end in zip(ends, alone.bounds, strict=True):
            trial = np.where(sends, end, shifts)
            figure = alone.evaluate(trial)[0].value
            if figure is not None and target.miss(figure) <= target.miss(value) + _ALIKE * target.tolerance:
                if target.miss(figure) < target.miss(value):
                    value, shifts = figure, trial
                reached_with = name
                break
    return Reach(index, value, reached_with, shifts)


def _with_beyond(
    problem: BalanceProblem, weights: NDArray[np.float64], plain: Solution, beyond: Sequence[Reach]
) -> tuple[BalanceProblem, NDArray[np.float64], tuple[Solution, ...]]:
    """Move the targets beyond reach as near to their best as the others let them, the heaviest first."""
    waiting = {reach.target for reach in beyond}
    current, solutions = plain, (plain,)
    asked, asked_weights = problem, weights
    for weight in sorted({float(weights[index]) for index in waiting}, reverse=True):
        own = [reach for reach in beyond if weights[reach.target] == weight]
        targets, asked_weights = list(problem.targets), weights.copy()
        for index, figure in enumerate(current.figures):
            if index in waiting or figure.value is None:
                asked_weights[index] = 0.0
            elif weights[index] >= weight:
                asked_weights[index] = _HELD * weights[index]
                if misses(targets[index], figure.value) > 0.0:
                    targets[index] = _aimed_at(targets[index], figure.value, targets[index].tolerance)
        for reach in own:
            figure = current.figures[reach.target].value
            if figure is None:
                continue
            target = problem.targets[reach.target]
            tolerance = max(target.tolerance, abs(reach.value - figure) / _FAR)
            targets[reach.target] = _aimed_at(target, reach.value, tolerance)
            asked_weights[reach.target] = weight
        waiting -= {reach.target for reach in own}
        asked = replace(problem, targets=tuple(targets))
        solutions = _from(asked, [current.shifts, *(reach.shifts for reach in own)], asked_weights)
        current = _best(solutions)
    return asked, asked_weights, solutions


def _aimed_at(target: Target, value: float, tolerance: float) -> Target:
    """Target that misses nothing from a figure on, towards what was wished."""
    room = AIM * tolerance if target.wish.sense == "equal" else 0.0
    return replace(target, value=value + math.copysign(room, target.value - value), tolerance=tolerance)
