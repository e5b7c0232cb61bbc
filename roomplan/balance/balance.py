"""Balance: send levels, section levels and trim that meet the targets of a plan.

Conventions
-----------
Figures are those of `answer`, judged in full (`verifying`), not the solver's own. Why a target is missed is
found in `explaining`.

Sends and section levels answer to every target but two: the loudness of the mix is met by `trim` alone, after
all else, and the ceiling of its true peak lowers the trim where the peak is known. It is known of levels that
a pass was made at, and of those that differ from them by the trim alone.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from roomplan.balance.answer import Balance, BeyondReach, Outcome
from roomplan.balance.explaining import (
    alternatives_of,
    binding_of,
    changes_of,
    conflicts_of,
    conflicts_of_trim,
)
from roomplan.balance.judging import Judge, target_results
from roomplan.balance.levels import session_at
from roomplan.balance.problem import build_problem
from roomplan.balance.reach import search
from roomplan.balance.record import keeping
from roomplan.balance.solver import STEP_DB, rounded_shifts, without_small_moves
from roomplan.balance.verifying import mix_loudness, results_at
from roomplan.errors import RoomplanError
from roomplan.rendering.progress import silent_progress

if TYPE_CHECKING:
    from collections.abc import Sequence

    from roomplan.balance.levels import Levels
    from roomplan.balance.record import Record
    from roomplan.balance.verifying import TargetResult
    from roomplan.files.cache import Cache
    from roomplan.plan.targets import BalanceLimits, Target
    from roomplan.rendering.progress import Progress
    from roomplan.session.session import Session

__all__ = ["broken_promises", "solve_balance"]

_MOST_TRIMS = 3
# By how much a figure of the written plan may differ from the answer: levels, and clarity.
_KEPT_LU, _KEPT_DB = 0.05, 0.2


def solve_balance(
    session: Session,
    targets: Sequence[Target],
    limits: BalanceLimits,
    *,
    cache: Cache | None,
    verify: bool = False,
    workers: int = 2,
    progress: Progress = silent_progress,
) -> Balance:
    """Find levels that meet the targets of a session, as close as possible to the written ones.

    Parameters
    ----------
    cache : Cache or None
        Where the pass over the sound is looked for and kept; without one it is made now.
    verify : bool
        Whether to make a new pass over the sound at the new levels.

    Raises
    ------
    RoomplanError
        When there is no target, or the sound cannot be measured.

    Notes
    -----
    Not done: dry levels, room returns, pans and everything else of a plan stay as they are; sends that are
    off stay off. Nothing is written.
    """
    if not targets:
        raise RoomplanError(
            "the plan has no targets for the sections of this cue",
            place=session.plan.place,
            remedy="add what it should reach, such as `targets: [{of: choir, wet_to_dry: -6}]`",
        )
    with keeping(cache) as kept:
        progress("preparing responses", 0, 1)
        judge = Judge(session, targets, kept, workers, progress)
        progress("solving", 0, 1)
        problem = build_problem(
            session, targets, limits, judge.record, judge.matrices, speech=judge.speech, workers=workers
        )
        found = search(problem)
        shifts, figures = rounded_shifts(found.problem, found.best, found.weights)
        shifts, left = without_small_moves(found.problem, shifts, figures, found.weights)
        levels = problem.levels(shifts)
        levels, peak, measured = _trimmed(judge, levels, verify=verify)
        proposed = session_at(session, levels)
        before = judge.results(session, judge.record.true_peak(session))
        after = judge.results(proposed, peak)
        progress("explaining", 0, 1)
        place = [targets.index(target) for target in problem.targets]
        conflicts = conflicts_of(problem, found, limits, place, after)
        outcomes = tuple(
            Outcome(*results) for results in zip(before, after, measured or [None] * len(after), strict=True)
        )
        weights = np.array([target.weight for target in problem.targets])
        return Balance(
            session=session,
            proposed=proposed,
            outcomes=outcomes,
            changes=changes_of(session, levels),
            trim_before_db=session.plan.trim_db,
            trim_after_db=levels.trim_db,
            binding=binding_of(problem, found.best, weights, place, levels),
            conflicts=(*conflicts, *conflicts_of_trim(targets, after)),
            alternatives=alternatives_of(found.problem, found.best, found.solutions, found.weights, levels),
            settled=found.best.settled,
            beyond_reach=tuple(BeyondReach(place[r.target], r.value, r.reached_with) for r in found.beyond),
            left=changes_of(session, problem.levels(left)),
            unmeasured=()
            if peak is not None
            else tuple(index for index, target in enumerate(targets) if target.kind == "true_peak"),
        )


def _trimmed(
    judge: Judge, levels: Levels, *, verify: bool
) -> tuple[Levels, float | None, tuple[TargetResult, ...] | None]:
    """Set the trim; the levels, the true peak there, and what was measured of the targets, if it was."""
    wanted = next((t for t in judge.targets if t.kind == "loudness"), None)
    if wanted is not None:
        levels = _at_loudness(judge, levels, wanted.value)
    ceiling = next((t for t in judge.targets if t.kind == "true_peak"), None)
    session = session_at(judge.session, levels)
    peak = judge.record.true_peak(session)
    record: Record | None = None
    if verify:
        record, peak = judge.measure_anew(session)
    if ceiling is not None and peak is not None and peak > 0.0:
        over = 20.0 * math.log10(peak) - ceiling.value - ceiling.tolerance
        if over > 0.0:  # peaks move with the trim, to the last bit
            trim = _tenth_down(levels.trim_db - over)
            peak *= 10.0 ** ((trim - levels.trim_db) / 20.0)
            levels = replace(levels, trim_db=trim)
            session = session_at(judge.session, levels)
    if record is None:
        return levels, peak, None
    measured = results_at(
        session,
        judge.targets,
        record,
        judge.matrices,
        true_peak=peak,
        speech=judge.speech_at(session, record),
        kept=judge.kept,
    )
    return levels, peak, measured


def _at_loudness(judge: Judge, levels: Levels, wanted: float) -> Levels:
    for _trim in range(_MOST_TRIMS):  # once is enough but where the absolute gate moves with the trim
        loudness = mix_loudness(session_at(judge.session, levels), judge.record)
        if loudness is None or abs(wanted - loudness) <= 0.5 * STEP_DB + 1e-9:
            break
        levels = replace(levels, trim_db=round((levels.trim_db + wanted - loudness) / STEP_DB) * STEP_DB)
    return replace(levels, trim_db=round(levels.trim_db, 6))


def _tenth_down(level_db: float) -> float:
    return round(math.floor(level_db / STEP_DB + 1e-9) * STEP_DB, 6)


def broken_promises(found: Balance, session: Session, *, cache: Cache | None) -> tuple[Outcome, ...]:
    """Targets whose figures in the written plan, opened again, are not those of the answer.

    Parameters
    ----------
    found : Balance
        The answer.
    session : Session
        Of the plan it was written into.
    cache : Cache or None
        The one that was solved with; without one the sound is measured again.

    Returns
    -------
    tuple of Outcome
        `after` as promised, `measured` as it is.

    Notes
    -----
    True peaks are left out: they take a pass.
    """
    promised = [outcome for outcome in found.outcomes if outcome.target.kind != "true_peak"]
    if not promised:
        return ()
    results = target_results(session, [outcome.target for outcome in promised], cache=cache)
    return tuple(
        replace(outcome, measured=result)
        for outcome, result in zip(promised, results, strict=True)
        if not _kept(outcome.after, result)
    )


def _kept(promise: TargetResult, result: TargetResult) -> bool:
    if promise.value is None or result.value is None:
        return promise.value is result.value
    unit = promise.target.wish.unit
    allowed = {"LUFS": _KEPT_LU, "dB": _KEPT_LU}.get(unit, 0.1 * promise.target.wish.tolerance)
    if promise.target.kind == "least_c80":
        allowed = _KEPT_DB
    if promise.target.wish.relative:
        allowed *= promise.target.value
    return abs(promise.value - result.value) <= allowed
