"""Targets and what may be moved for them, as a vector of shifts and figures that follow from it.

Conventions
-----------
A *shift* is a change in dB against the written level: of one send, of one section's level, or one that
several sections share. A vector of shifts, all zero, is the plan as written. What is locked, muted or has no
bearing on any target has no shift.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from roomplan.balance.clarity import Composite
from roomplan.balance.decay_figures import CLARITY_KINDS
from roomplan.balance.figures import Figure
from roomplan.balance.levels import Levels, written_levels
from roomplan.balance.sound import SOUND_KINDS, SoundModel, why_silent
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from roomplan.balance.record import Record
    from roomplan.balance.sound import PowerRatio
    from roomplan.balance.speech import SpeechModel
    from roomplan.plan.bus_name import BusName
    from roomplan.plan.targets import BalanceLimits, Target
    from roomplan.session.buses import Component
    from roomplan.session.response_matrices import ResponseMatrix
    from roomplan.session.session import Session

__all__ = ["BalanceProblem", "Shift", "build_problem", "sections_of_target", "shift_moves", "shifts_of"]


@frozen_class
class Shift:
    """One number to be found.

    Attributes
    ----------
    sends : tuple of (str, int)
        Sends it moves; empty for a level.
    sections : tuple of str
        Sections whose level it moves; empty for sends.
    low_db, high_db : float
        Between which it stays; 0 lies between them.
    """

    sends: tuple[tuple[str, int], ...]
    sections: tuple[str, ...]
    low_db: float
    high_db: float

    @property
    def count(self) -> int:
        """How many levels it moves."""
        return len(self.sends) + len(self.sections)


@dataclass(frozen=True, slots=True, eq=False)
class _LocalRatio:
    ratio: PowerRatio
    gains: NDArray[np.float64]
    moves: NDArray[np.float64]

    def value(self, shifts: NDArray[np.float64]) -> float:
        return self.ratio.value(self.gains * 10.0 ** (self.moves @ shifts / 20.0))[0]

    def line(self, shifts: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        value, slope = self.ratio.value(self.gains * 10.0 ** (self.moves @ shifts / 20.0))
        return value, slope @ self.moves


@dataclass(frozen=True, slots=True, eq=False)
class _LocalComposite:
    composite: Composite
    target: Target
    offset: float
    gains: NDArray[np.float64]
    moves: NDArray[np.float64]

    def value(self, shifts: NDArray[np.float64]) -> float:
        gains = self.gains * 10.0 ** (self.moves @ shifts / 20.0)
        return self.composite.estimate(self.target.kind, gains) + self.offset

    def line(self, shifts: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        gains = self.gains * 10.0 ** (self.moves @ shifts / 20.0)
        value, slope = self.composite.line(self.target.kind, gains)
        return value + self.offset, slope @ self.moves


@dataclass(frozen=True, slots=True, eq=False)
class BalanceProblem:
    """Everything the solver needs.

    Attributes
    ----------
    targets : tuple of Target
        Those that sends and levels decide: all but loudness and true peak.
    """

    session: Session
    targets: tuple[Target, ...]
    shifts: tuple[Shift, ...]
    written: Levels
    sound: SoundModel | None
    composites: Mapping[str, Composite]
    speech: SpeechModel | None
    gains: NDArray[np.float64]
    moves: NDArray[np.float64]  # (components, shifts), dB per dB
    components: tuple[Component, ...]

    @property
    def bounds(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Lowest and highest value of every shift."""
        low = np.array([shift.low_db for shift in self.shifts])
        return low, np.array([shift.high_db for shift in self.shifts])

    def levels(self, shifts: NDArray[np.float64]) -> Levels:
        """Levels of the plan after some shifts; the trim as written."""
        sends, sections = dict(self.written.sends_db), dict(self.written.sections_db)
        for shift, amount in zip(self.shifts, shifts, strict=True):
            for send in shift.sends:
                sends[send] += float(amount)
            for section in shift.sections:
                sections[section] += float(amount)
        return Levels(sends, sections, self.written.trim_db)

    def evaluate(self, shifts: NDArray[np.float64]) -> list[Figure]:
        """Figures of all targets at some shifts, each with the way it moves about there."""
        gains = self.gains * 10.0 ** (self.moves @ shifts / 20.0)
        return [self._figure(target, shifts, gains) for target in self.targets]

    def _figure(self, target: Target, shifts: NDArray[np.float64], gains: NDArray[np.float64]) -> Figure:
        silent = why_silent(self.session, target)
        if silent is not None:
            return Figure(None, silent, None)
        if target.kind in SOUND_KINDS:
            assert self.sound is not None  # noqa: S101 - for the type checker
            found = self.sound.evaluate(target, gains)
            local = None
            if found.ratio is not None:
                local = _LocalRatio(found.ratio, self.gains, self.moves)
            return Figure(found.value, found.reason, local)
        name = "" if target.of is None else target.of.subject
        if target.kind in CLARITY_KINDS:
            section = self.session.section(name)
            composite = self.composites[name]
            moves = self.send_moves(name, composite)
            base = composite.gains(section)
            figure = composite.evaluate(target, base * 10.0 ** (moves @ shifts / 20.0))
            local = None
            if figure.value is not None:
                local = _LocalComposite(composite, target, figure.offset, base, moves)
            return Figure(figure.value, figure.reason, local)
        assert self.speech is not None  # noqa: S101 - for the type checker
        composite = self.speech.sends(target)
        moves = None if composite is None else self.send_moves(name, composite)
        return self.speech.evaluate(target, shifts, self.moves, moves)

    def send_moves(self, name: str, composite: Composite) -> NDArray[np.float64]:
        """How shifts move the sends of a composite, (sends, shifts), dB per dB."""
        moves = np.zeros((len(composite.sends), len(self.shifts)))
        for column, shift in enumerate(self.shifts):
            for row, index in enumerate(composite.sends):
                moves[row, column] = (name, index) in shift.sends
        return moves


def sections_of_target(session: Session, target: Target) -> tuple[set[str], set[str]]:
    """Sections whose sends, and sections whose level, have a bearing on a target."""
    present = {section.name for section in session.sections if not section.muted}
    groups = {name: group.sections for name, group in session.plan.groups.items()}

    def members(bus: BusName | None) -> set[str]:
        return set() if bus is None else bus.sections(groups) & present

    of, over = members(target.of), members(target.over)
    if target.kind == "margin":
        return of | over, of | over
    if target.kind == "least_sti":
        return present, present
    # the level of one section moves its dry and wet alike; those of a group weigh its sections
    return of, of if len(of) > 1 else set()


def shifts_of(session: Session, targets: Sequence[Target], limits: BalanceLimits) -> tuple[Shift, ...]:
    """What may be moved for some targets.

    Notes
    -----
    A level that is written outside the limits may stay there or come back, and goes no further out. A send
    into a room that is muted stays. Where one section of a linked list is locked or muted the whole list is.
    """
    found = [sections_of_target(session, target) for target in targets]
    by_sends = set().union(*(sends for sends, _levels in found))
    by_levels = set().union(*(levels for _sends, levels in found))
    fixed = set(limits.locked) | {section.name for section in session.sections if section.muted}
    for members in limits.linked:
        if fixed & set(members):
            fixed |= set(members)
    lists = [list(members) for members in limits.linked]
    lists += [[s.name] for s in session.sections if not any(s.name in members for members in limits.linked)]
    present = {section.name: section for section in session.sections}
    shifts = []
    for names in lists:
        members = [name for name in names if name in present and name not in fixed]
        if not members:
            continue
        if by_levels & set(members):
            shifts.append(Shift((), tuple(members), *limits.levels_db))
        if not by_sends & set(members):
            continue
        for sends in _send_sets(present, members):
            low, high = _send_bounds(session, sends, limits.sends_db)
            shifts.append(Shift(sends, (), low, high))
    return tuple(shift for shift in shifts if shift.low_db < shift.high_db)


def _send_sets(present: Mapping, members: Sequence[str]) -> list[tuple[tuple[str, int], ...]]:
    """Sends that move together: each by itself, or those of a linked list room by room."""
    sends = [
        ((name, index), send.room)
        for name in members
        for index, send in enumerate(present[name].sends)
        if not send.muted
    ]
    if len(members) == 1:
        return [(send,) for send, _room in sends]
    rooms = dict.fromkeys(room for _send, room in sends)
    return [tuple(send for send, own in sends if own == room) for room in rooms]


def _send_bounds(
    session: Session, sends: Sequence[tuple[str, int]], limits: tuple[float, float]
) -> tuple[float, float]:
    written = [session.section(name).sends[index].level_db for name, index in sends]
    low = max(min(limits[0], level) - level for level in written)
    high = min(max(limits[1], level) - level for level in written)
    return low, high


def shift_moves(components: Sequence[Component], shifts: Sequence[Shift]) -> NDArray[np.float64]:
    """How shifts move components, (components, shifts), dB per dB."""
    moves = np.zeros((len(components), len(shifts)))
    for column, shift in enumerate(shifts):
        for row, component in enumerate(components):
            moves[row, column] = (
                component.section in shift.sections or (component.section, component.send) in shift.sends
            )
    return moves


def build_problem(
    session: Session,
    targets: Sequence[Target],
    limits: BalanceLimits,
    record: Record,
    matrices: Mapping[tuple[str, int], ResponseMatrix],
    *,
    speech: SpeechModel | None,
    workers: int,
) -> BalanceProblem:
    """Gather what the targets of a session need.

    Parameters
    ----------
    targets : sequence of Target
        Loudness and true peak are left out: the trim meets them.
    matrices : mapping
        Response matrix of every send.
    speech : SpeechModel or None
        Where a target asks for the speech index.
    """
    solved = tuple(t for t in targets if t.kind not in {"loudness", "true_peak"})
    shifts = shifts_of(session, solved, limits)
    sound = None
    if any(target.kind in SOUND_KINDS for target in solved):
        sound = SoundModel(record, session.plan, solved, sample_rate=session.sample_rate)
    named = dict.fromkeys(
        "" if target.of is None else target.of.subject
        for target in solved
        if target.kind in CLARITY_KINDS and why_silent(session, target) is None
    )
    composites = {
        name: Composite(session.section(name), matrices, sample_rate=session.sample_rate, workers=workers)
        for name in named
    }
    return BalanceProblem(
        session=session,
        targets=solved,
        shifts=shifts,
        written=written_levels(session),
        sound=sound,
        composites=composites,
        speech=speech,
        gains=record.ratios(session),
        moves=shift_moves(record.components, shifts),
        components=record.components,
    )
