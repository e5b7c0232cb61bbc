"""Why a balance is as it is: limits that bind, targets in conflict, other levels that are as good."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from roomplan.balance.answer import Alternative, Binding, Conflict, LevelChange
from roomplan.balance.problem import shift_moves, shifts_of
from roomplan.balance.solver import STEP_DB, Solution, misses, rounded_shifts, slopes_of_miss, solve

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from roomplan.balance.levels import Levels
    from roomplan.balance.problem import BalanceProblem, Shift
    from roomplan.balance.reach import Search
    from roomplan.balance.verifying import TargetResult
    from roomplan.plan.targets import BalanceLimits, Target
    from roomplan.session.session import Session

__all__ = ["alternatives_of", "binding_of", "changes_of", "conflicts_of", "conflicts_of_trim"]

_AT_BOUND_DB = 0.05
_PUSHES = 1e-4  # cost per dB: less than the pull of half a dB
# Another minimum is as good when it costs no more than this share above the best, or than a target missed by
# a thirtieth of its tolerance; it is another when a level differs by so much.
_AS_GOOD = 0.01
_AS_GOOD_COST = 1e-3
_ELSEWHERE_DB = 0.3
_FREED = 0.5  # a target that is missed by half as much without another one is in conflict with it
_AT_REACH = 0.25  # a target beyond reach that is within so much of a tolerance of its best has it
_WIDEST_SENDS_DB = (-120.0, 24.0)
_WIDEST_LEVELS_DB = (-60.0, 24.0)


def changes_of(session: Session, levels: Levels) -> tuple[LevelChange, ...]:
    """Levels that move, sections in the order of the plan, the level before the sends."""
    found = []
    for section in session.sections:
        before = session.plan.sections[section.name].level_db
        after = levels.sections_db[section.name]
        if abs(after - before) >= 0.5 * STEP_DB - 1e-9:
            found.append(LevelChange(section.name, None, None, None, before, round(after, 6)))
        for index, send in enumerate(section.sends):
            after = levels.sends_db[section.name, index]
            if abs(after - send.level_db) >= 0.5 * STEP_DB - 1e-9:
                found.append(
                    LevelChange(section.name, index, send.room, send.position, send.level_db, round(after, 6))
                )
    return tuple(found)


def _first_level(problem: BalanceProblem, shift: Shift, levels: Levels) -> LevelChange:
    """Level a shift moves, the first where it moves several."""
    if shift.sends:
        name, index = shift.sends[0]
        send = problem.session.section(name).sends[index]
        after = levels.sends_db[name, index]
        return LevelChange(name, index, send.room, send.position, send.level_db, round(after, 6))
    name = shift.sections[0]
    before = problem.written.sections_db[name]
    return LevelChange(name, None, None, None, before, round(levels.sections_db[name], 6))


def binding_of(
    problem: BalanceProblem,
    solution: Solution,
    weights: NDArray[np.float64],
    place: Sequence[int],
    levels: Levels,
) -> tuple[Binding, ...]:
    """Limits at which the targets push outward."""
    pushes = slopes_of_miss(problem, solution, weights)  # (targets, shifts)
    low, high = problem.bounds
    found = []
    for column, shift in enumerate(problem.shifts):
        total = float(pushes[:, column].sum())
        at_low = solution.shifts[column] - low[column] < _AT_BOUND_DB and total > _PUSHES
        at_high = high[column] - solution.shifts[column] < _AT_BOUND_DB and total < -_PUSHES
        if not (at_low or at_high):
            continue
        sign = 1.0 if at_low else -1.0
        own = [i for i in range(len(problem.targets)) if sign * pushes[i, column] > _PUSHES]
        found.append(
            Binding(
                _first_level(problem, shift, levels),
                "lower" if at_low else "upper",
                tuple(place[i] for i in own),
            )
        )
    return tuple(found)


def conflicts_of(
    problem: BalanceProblem,
    found: Search,
    limits: BalanceLimits,
    place: Sequence[int],
    after: Sequence[TargetResult],
) -> list[Conflict]:
    """For every target that is missed: which others, or which limits, stand in its way."""
    missed = [
        index
        for index, figure in enumerate(found.best.figures)
        if not after[place[index]].met and figure.value is not None
    ]
    beyond = {reach.target for reach in found.beyond}
    within = [index for index in missed if index not in beyond]
    against = _against(problem, found.plain, found.plain_weights, within)
    against |= _against(found.problem, found.best, found.weights, [i for i in missed if i in beyond])
    for index in within:
        if misses(problem.targets[index], _known(found.plain, index)) == 0.0:  # paid for one of more weight
            against[index] = [i for i in beyond if problem.targets[i].weight > problem.targets[index].weight]
    released = _released_by(problem, found, limits, missed)
    return [
        Conflict(place[index], tuple(place[i] for i in sorted(against[index])), tuple(released[index]))
        for index in missed
    ]


def _known(solution: Solution, index: int) -> float:
    value = solution.figures[index].value
    return math.nan if value is None else value


def _against(
    problem: BalanceProblem, solution: Solution, weights: NDArray[np.float64], missed: Sequence[int]
) -> dict[int, list[int]]:
    """For each of some targets: those without any one of which it would be missed by half as much."""
    against: dict[int, list[int]] = {index: [] for index in missed}
    excess = [_excess(t, f.value) for t, f in zip(problem.targets, solution.figures, strict=True)]
    far = [index for index in missed if excess[index] > _AT_REACH]
    for other, weight in enumerate(weights):
        if not far or weight == 0.0 or not 0.0 < excess[other] < math.inf:  # it pulls at nothing
            continue
        without = weights.copy()
        without[other] = 0.0
        freed = solve(problem, solution.shifts, weights=without, turns=4)
        for index in far:
            now = _excess(problem.targets[index], freed.figures[index].value)
            if index != other and now <= _FREED * excess[index]:
                against[index].append(other)
    return against


def _released_by(
    problem: BalanceProblem, found: Search, limits: BalanceLimits, missed: Sequence[int]
) -> dict[int, list[Literal["sends", "levels", "locked"]]]:
    """For each of some targets: limits that, wide open, would let it be missed by half as much."""
    released: dict[int, list[Literal["sends", "levels", "locked"]]] = {index: [] for index in missed}
    if not missed:
        return released
    beyond = [reach.target for reach in found.beyond]
    for name, wider in _released(limits):
        shifts = shifts_of(problem.session, problem.targets, wider)
        free = replace(problem, shifts=shifts, moves=shift_moves(problem.components, shifts))
        nowhere = np.zeros(len(shifts))
        together = None
        if any(index not in beyond for index in missed):
            together = solve(free, nowhere, weights=found.plain_weights, turns=6)
        for index in missed:
            target = problem.targets[index]
            if index in beyond:
                alone = replace(free, targets=(target,))
                value = solve(alone, nowhere, weights=np.ones(1), turns=6).figures[0].value
            else:
                value = None if together is None else together.figures[index].value
            if _excess(target, value) <= _FREED * _excess(target, found.best.figures[index].value):
                released[index].append(name)
    return released


def _released(limits: BalanceLimits) -> list[tuple[Literal["sends", "levels", "locked"], BalanceLimits]]:
    found: list[tuple[Literal["sends", "levels", "locked"], BalanceLimits]] = [
        ("sends", replace(limits, sends_db=_WIDEST_SENDS_DB)),
        ("levels", replace(limits, levels_db=_WIDEST_LEVELS_DB)),
    ]
    if limits.locked or limits.linked:
        found.append(("locked", replace(limits, locked=(), linked=())))
    return found


def _excess(target: Target, value: float | None) -> float:
    """Miss beyond what is aimed at, in tolerances; without end where nothing can be said."""
    return math.inf if value is None else misses(target, value)


def conflicts_of_trim(targets: Sequence[Target], after: Sequence[TargetResult]) -> list[Conflict]:
    """Loudness that the ceiling of the true peak, or no trim at all, keeps from being met."""
    loudness = next((i for i, t in enumerate(targets) if t.kind == "loudness"), None)
    ceiling = next((i for i, t in enumerate(targets) if t.kind == "true_peak"), None)
    if loudness is None or after[loudness].met or after[loudness].value is None:
        return []
    return [Conflict(loudness, () if ceiling is None else (ceiling,), ())]


def alternatives_of(
    problem: BalanceProblem,
    best: Solution,
    solutions: Sequence[Solution],
    weights: NDArray[np.float64],
    levels: Levels,
) -> tuple[Alternative, ...]:
    """Other minima that are as good as the one proposed."""
    found: list[Solution] = []
    for solution in solutions:
        if solution is best or solution.cost > best.cost * (1.0 + _AS_GOOD) + _AS_GOOD_COST:
            continue
        if all(_apart(solution, other) >= _ELSEWHERE_DB for other in (best, *found)):
            found.append(solution)
    alternatives = []
    for solution in found:
        shifts, _figures = rounded_shifts(problem, solution, weights)
        other = problem.levels(shifts)
        differing = [
            change
            for change in changes_of(problem.session, other)
            if abs(_level_of(levels, change) - change.after_db) >= _ELSEWHERE_DB
        ]
        alternatives.append(Alternative(tuple(differing)))
    return tuple(alternative for alternative in alternatives if alternative.changes)


def _level_of(levels: Levels, change: LevelChange) -> float:
    if change.send is None:
        return levels.sections_db[change.section]
    return levels.sends_db[change.section, change.send]


def _apart(one: Solution, other: Solution) -> float:
    return float(np.max(np.abs(one.shifts - other.shifts), initial=0.0))
