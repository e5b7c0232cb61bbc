"""What a balance finds: levels, targets before and after, and why targets are missed.

Conventions
-----------
Figures *before* are those of the plan as written, *after* those of the levels proposed, rounded to 0.1 dB and
judged in full (`verifying`). *Measured* are those of a new pass over the sound at these levels, which is made
only where it is asked for.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from roomplan.balance.reach import ReachedWith
    from roomplan.balance.verifying import TargetResult
    from roomplan.plan.targets import Target
    from roomplan.session.session import Session

__all__ = ["Alternative", "Balance", "BeyondReach", "Binding", "Conflict", "LevelChange", "Outcome"]


@frozen_class
class Outcome:
    """A target before and after, and as measured at the new levels where a pass was made."""

    before: TargetResult
    after: TargetResult
    measured: TargetResult | None

    @property
    def target(self) -> Target:
        """The target itself."""
        return self.after.target


@frozen_class
class LevelChange:
    """A level to be changed: of a send, or of a section where `send` is None."""

    section: str
    send: int | None
    room: str | None
    position: str | None
    before_db: float
    after_db: float


@frozen_class
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


@frozen_class
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


@frozen_class
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


@frozen_class
class Alternative:
    """Other levels that are as good: the changes that differ from those proposed."""

    changes: tuple[LevelChange, ...]


@frozen_class
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
            (outcome.measured or outcome.after).met
            for index, outcome in enumerate(self.outcomes)
            if index not in self.unmeasured
        )

    @property
    def changed(self) -> bool:
        """Whether any level is to be changed."""
        return bool(self.changes) or self.trim_after_db != self.trim_before_db
