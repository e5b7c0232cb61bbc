"""Balance: send levels, section levels and trim that meet the targets of a plan, and why they do or do not.

Conventions
-----------
Figures *before* are those of the plan as written, *after* those of the levels proposed: rounded to 0.1 dB and
judged in full (`verifying`), not the solver's own. *Heard* are those of a new pass over the sound at these
levels, which is made only where it is asked for.

Sends and section levels answer to every target but two: the loudness of the mix is met by `trim` alone, after
all else, and the ceiling of its true peak lowers the trim where the peak is known. It is known of levels that
a pass was made at, and of those that differ from them by the trim alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from roomplan.balance.levels import session_at
from roomplan.balance.problem import build_problem, shift_moves, shifts_of
from roomplan.balance.reach import search
from roomplan.balance.record import Record, hearing_targets, keeping, open_record
from roomplan.balance.solver import (
    STEP_DB,
    Solution,
    misses,
    rounded_shifts,
    slopes_of_miss,
    solve,
    without_small_moves,
)
from roomplan.balance.speech import SpeechModel, octave_powers
from roomplan.balance.verifying import TargetResult, mix_loudness, results_at
from roomplan.errors import RoomplanError
from roomplan.rendering.one_pass import silent_progress
from roomplan.rendering.render import measure_session
from roomplan.session.response_matrices import response_matrices

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from roomplan.balance.levels import Levels
    from roomplan.balance.problem import BalanceProblem, Shift
    from roomplan.balance.reach import ReachedWith, Search
    from roomplan.files.cache import Cache
    from roomplan.plan.targets import BalanceLimits, Target
    from roomplan.rendering.one_pass import Progress
    from roomplan.rendering.result import Rendering
    from roomplan.session.response_matrices import ResponseMatrix
    from roomplan.session.session import Session

__all__ = [
    "Alternative",
    "Balance",
    "BeyondReach",
    "Binding",
    "Conflict",
    "LevelChange",
    "Outcome",
    "broken_promises",
    "measure_with_targets",
    "solve_balance",
    "target_results",
]

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
_MOST_TRIMS = 3
# By how much a figure of the written plan may differ from the answer: levels, and clarity.
_KEPT_LU, _KEPT_DB = 0.05, 0.2


@dataclass(frozen=True, slots=True)
class Outcome:
    """A target before and after, and as measured at the new levels where a pass was made."""

    before: TargetResult
    after: TargetResult
    heard: TargetResult | None

    @property
    def target(self) -> Target:
        """The target itself."""
        return self.after.target


@dataclass(frozen=True, slots=True)
class LevelChange:
    """A level to be changed: of a send, or of a section where `send` is None."""

    section: str
    send: int | None
    room: str | None
    position: str | None
    before_db: float
    after_db: float


@dataclass(frozen=True, slots=True)
class Binding:
    """A level at a limit that stands in the way: the targets would have it further out.

    Attributes
    ----------
    change : LevelChange
        Which level, from where it is written to where it is now.
    limit : "lower" or "upper"
    for_targets : tuple of int
        Targets that push, by their place in the plan.
    """

    change: LevelChange
    limit: Literal["lower", "upper"]
    for_targets: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Conflict:
    """A target that is missed, and what it would take.

    Attributes
    ----------
    target : int
        Its place in the plan.
    against : tuple of int
        Targets without any one of which it would be missed by half as much at most, or met.
    released_by : tuple of "sends", "levels", "locked"
        Which limits, wide open, would do the same: those of the sends, of the levels, or that sections are
        locked or linked.
    """

    target: int
    against: tuple[int, ...]
    released_by: tuple[Literal["sends", "levels", "locked"], ...]


@dataclass(frozen=True, slots=True)
class BeyondReach:
    """A target that no levels within the limits meet, whatever becomes of the others.

    Attributes
    ----------
    target : int
        Its place in the plan.
    best : float
        The best figure it can have, in its unit.
    reached_with : "nothing", "lowest_sends", "highest_sends" or "some_levels"
        As `roomplan.balance.reach.Reach`.
    """

    target: int
    best: float
    reached_with: ReachedWith


@dataclass(frozen=True, slots=True)
class Alternative:
    """Other levels that are as good: the changes that differ from those proposed."""

    changes: tuple[LevelChange, ...]


@dataclass(frozen=True, slots=True)
class Balance:
    """What was found.

    Attributes
    ----------
    session : Session
        As written.
    proposed : Session
        At the new levels.
    outcomes : tuple of Outcome
        One per target, in the order of the plan.
    changes : tuple of LevelChange
        Sends and sections that move by 0.05 dB and more.
    settled : bool
        Whether the solver came to rest.
    beyond_reach : tuple of BeyondReach
        Targets that cannot be had; the others do not pay for them, unless they have less weight.
    left : tuple of LevelChange
        Sends that would have moved by less than 0.3 dB and stay as written.
    unmeasured : tuple of int
        Targets that only a pass over the sound at the new levels can judge, by their place in the plan.
    """

    session: Session
    proposed: Session
    outcomes: tuple[Outcome, ...]
    changes: tuple[LevelChange, ...]
    trim_before_db: float
    trim_after_db: float
    binding: tuple[Binding, ...]
    conflicts: tuple[Conflict, ...]
    alternatives: tuple[Alternative, ...]
    settled: bool
    beyond_reach: tuple[BeyondReach, ...] = ()
    left: tuple[LevelChange, ...] = ()
    unmeasured: tuple[int, ...] = ()

    @property
    def met(self) -> bool:
        """Whether every target is met that can be judged, as measured where a pass was made."""
        return all(
            (outcome.heard or outcome.after).met
            for index, outcome in enumerate(self.outcomes)
            if index not in self.unmeasured
        )

    @property
    def changed(self) -> bool:
        """Whether any level is to be changed."""
        return bool(self.changes) or self.trim_after_db != self.trim_before_db


def solve_balance(
    session: Session,
    targets: Sequence[Target],
    limits: BalanceLimits,
    *,
    cache: Cache | None,
    hear: bool = False,
    workers: int = 2,
    progress: Progress = silent_progress,
) -> Balance:
    """Find levels that meet the targets of a session, as close as possible to the written ones.

    Parameters
    ----------
    cache : Cache or None
        Where the pass over the sound is looked for and kept; without one it is made now.
    hear : bool
        Whether to make a new pass over the sound at the new levels.
    workers : int
        Threads.

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
        work = _Work(session, targets, kept, workers, progress)
        progress("solving", 0, 1)
        problem = build_problem(
            session, targets, limits, work.record, work.matrices, speech=work.speech, workers=workers
        )
        found = search(problem)
        shifts, figures = rounded_shifts(found.problem, found.best, found.weights)
        shifts, left = without_small_moves(found.problem, shifts, figures, found.weights)
        levels = problem.levels(shifts)
        levels, peak, heard = work.trimmed(levels, hear=hear)
        proposed = session_at(session, levels)
        before = work.results(session, work.record.true_peak(session))
        after = work.results(proposed, peak)
        progress("explaining", 0, 1)
        place = [targets.index(target) for target in problem.targets]
        conflicts = _conflicts(problem, found, limits, place, after)
        outcomes = tuple(
            Outcome(*results) for results in zip(before, after, heard or [None] * len(after), strict=True)
        )
        weights = np.array([target.weight for target in problem.targets])
        return Balance(
            session=session,
            proposed=proposed,
            outcomes=outcomes,
            changes=_changes(session, levels),
            trim_before_db=session.plan.trim_db,
            trim_after_db=levels.trim_db,
            binding=_binding(problem, found.best, weights, place, levels),
            conflicts=(*conflicts, *_trim_conflict(targets, after)),
            alternatives=_alternatives(found.problem, found.best, found.solutions, found.weights, levels),
            settled=found.best.settled,
            beyond_reach=tuple(BeyondReach(place[r.target], r.value, r.reached_with) for r in found.beyond),
            left=_changes(session, problem.levels(left)),
            unmeasured=()
            if peak is not None
            else tuple(index for index, target in enumerate(targets) if target.kind == "true_peak"),
        )


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
        `after` as promised, `heard` as it is.

    Notes
    -----
    True peaks are left out: they take a pass.
    """
    promised = [outcome for outcome in found.outcomes if outcome.target.kind != "true_peak"]
    if not promised:
        return ()
    results = target_results(session, [outcome.target for outcome in promised], cache=cache)
    return tuple(
        replace(outcome, heard=result)
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


def measure_with_targets(
    session: Session,
    *,
    cache: Cache | None,
    peaks: bool = True,
    workers: int = 2,
    progress: Progress = silent_progress,
) -> tuple[Rendering, tuple[TargetResult, ...]]:
    """Figures of a session, and what it reaches of its targets, from one pass over the sound.

    Targets are those of a whole cue: of an excerpt none is judged.

    Parameters
    ----------
    cache : Cache or None
        As in `target_results`.
    peaks : bool
        Whether peaks are measured anew where deliveries are judged by them and an earlier pass has none.
    workers : int
        Threads.

    Returns
    -------
    rendering : Rendering
        As of `measure_session`; `recalled` only where the pass is an earlier one.
    results : tuple of TargetResult
    """
    targets = session.plan.targets if session.excerpt is None else ()
    if not targets:
        return measure_session(session, workers=workers, progress=progress, cache=cache, peaks=peaks), ()
    with keeping(cache) as kept:
        # what the targets ask for beyond the plan is kept in the same pass, and left out of what is shown
        found = measure_session(
            hearing_targets(session, targets), workers=workers, progress=progress, cache=kept, peaks=peaks
        )
        asked = set(session.plan.margins)
        rendering = replace(
            found, session=session, margins=tuple(one for one in found.margins if one.margin in asked)
        )
        return rendering, target_results(session, targets, cache=kept, workers=workers, progress=progress)


def target_results(
    session: Session,
    targets: Sequence[Target],
    *,
    cache: Cache | None,
    true_peak: float | None = None,
    workers: int = 2,
    progress: Progress = silent_progress,
) -> tuple[TargetResult, ...]:
    """What a session reaches of its targets; nothing is solved.

    Parameters
    ----------
    cache : Cache or None
        Where a pass over the same sounds is kept; without one they are measured again. A pass that was made
        for `record.hearing_targets(session, targets)` serves.
    true_peak : float, optional
        Of the mix, linear, where it is known. Where it is not and a target asks for it, the sound is
        measured.
    workers : int
        Threads.
    """
    if not targets:
        return ()
    with keeping(cache) as kept:
        work = _Work(session, targets, kept, workers, progress)
        if true_peak is None and any(target.kind == "true_peak" for target in targets):
            true_peak = work.record.true_peak(session)
            if true_peak is None:
                true_peak = work.listen(session)[1]
        return work.results(session, true_peak)


class _Work:
    """What solving and checking share: responses, a record, and the octaves of the dry sounds."""

    def __init__(
        self, session: Session, targets: Sequence[Target], cache: Cache, workers: int, progress: Progress
    ) -> None:
        self.session = session
        self.targets = tuple(targets)
        self.matrices: Mapping[tuple[str, int], ResponseMatrix] = response_matrices(session)
        self.workers = workers
        self.progress = progress
        self.record = open_record(
            session, targets, self.matrices, cache=cache, workers=workers, progress=progress
        )
        self._dry: NDArray[np.float64] | None = None
        if any(target.kind == "least_sti" for target in targets):
            self._dry = octave_powers(session, cache=cache, workers=workers, progress=progress)
        self.speech = self._speech(session, self.record)

    def _speech(self, session: Session, record: Record) -> SpeechModel | None:
        if self._dry is None:
            return None
        return SpeechModel(session, self.targets, record, self.matrices, self._dry, workers=self.workers)

    def results(self, session: Session, true_peak: float | None) -> tuple[TargetResult, ...]:
        """Every target at the levels of a session."""
        return results_at(
            session, self.targets, self.record, self.matrices, true_peak=true_peak, speech=self.speech
        )

    def listen(self, session: Session) -> tuple[Record, float | None]:
        """Hear a session at its own levels: a record that no other level had a part in, and the true peak."""
        with keeping(None) as own:
            record = open_record(
                session,
                self.targets,
                self.matrices,
                cache=own,
                workers=self.workers,
                progress=self.progress,
            )
            peak = record.true_peak(session)
            # read now: the folder is about to go
            speech_band = None if record.speech_band is None else np.array(record.speech_band)
            return replace(record, factor=np.array(record.factor), speech_band=speech_band, entry=None), peak

    def trimmed(
        self, levels: Levels, *, hear: bool
    ) -> tuple[Levels, float | None, tuple[TargetResult, ...] | None]:
        """Set the trim; the levels, the true peak there, and what was measured of the targets, if it was."""
        wanted = next((t for t in self.targets if t.kind == "loudness"), None)
        if wanted is not None:
            levels = self._at_loudness(levels, wanted.value)
        ceiling = next((t for t in self.targets if t.kind == "true_peak"), None)
        session = session_at(self.session, levels)
        peak = self.record.true_peak(session)
        record = None
        if hear:
            record, peak = self.listen(session)
        if ceiling is not None and peak is not None and peak > 0.0:
            over = 20.0 * math.log10(peak) - ceiling.value - ceiling.tolerance
            if over > 0.0:  # peaks move with the trim, to the last bit
                trim = _tenth_down(levels.trim_db - over)
                peak *= 10.0 ** ((trim - levels.trim_db) / 20.0)
                levels = replace(levels, trim_db=trim)
                session = session_at(self.session, levels)
        if record is None:
            return levels, peak, None
        heard = results_at(
            session,
            self.targets,
            record,
            self.matrices,
            true_peak=peak,
            speech=self._speech(session, record),
        )
        return levels, peak, heard

    def _at_loudness(self, levels: Levels, wanted: float) -> Levels:
        for _trim in range(_MOST_TRIMS):  # once is enough but where the absolute gate moves with the trim
            loudness = mix_loudness(session_at(self.session, levels), self.record)
            if loudness is None or abs(wanted - loudness) <= 0.5 * STEP_DB + 1e-9:
                break
            levels = replace(levels, trim_db=round((levels.trim_db + wanted - loudness) / STEP_DB) * STEP_DB)
        return replace(levels, trim_db=round(levels.trim_db, 6))


def _tenth_down(level_db: float) -> float:
    return round(math.floor(level_db / STEP_DB + 1e-9) * STEP_DB, 6)


def _changes(session: Session, levels: Levels) -> tuple[LevelChange, ...]:
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


def _binding(
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


def _conflicts(
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


def _trim_conflict(targets: Sequence[Target], after: Sequence[TargetResult]) -> list[Conflict]:
    """Loudness that the ceiling of the true peak, or no trim at all, keeps from being met."""
    loudness = next((i for i, t in enumerate(targets) if t.kind == "loudness"), None)
    ceiling = next((i for i, t in enumerate(targets) if t.kind == "true_peak"), None)
    if loudness is None or after[loudness].met or after[loudness].value is None:
        return []
    return [Conflict(loudness, () if ceiling is None else (ceiling,), ())]


def _alternatives(
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
            for change in _changes(problem.session, other)
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
