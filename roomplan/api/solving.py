"""Plans brought to what they are to be: levels that meet the targets.

Conventions
-----------
A plan changes only when that is asked for; the old file stays beside it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.api.opening import open_plan
from roomplan.balance.balance import broken_promises, solve_balance
from roomplan.balance.levels import silent_sections
from roomplan.balance.record import keeping
from roomplan.documents.rewriting import write_edited
from roomplan.errors import Place, RoomplanError
from roomplan.files.cache import Cache
from roomplan.frozen_classes import frozen_class
from roomplan.plan.overrides import Overrides, SendOverride, prepare_overrides
from roomplan.rendering.progress import silent_progress
from roomplan.show.balance_tables import broken_line

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from roomplan.balance.answer import Balance
    from roomplan.errors import Problem
    from roomplan.plan.overrides import SharedLevel
    from roomplan.rendering.progress import Progress
    from roomplan.session.session import Session

__all__ = ["BalancedFile", "balance_file", "overrides_of"]


@frozen_class
class BalancedFile:
    """What was found for a plan's targets; `backup` is the old plan, None where nothing was written."""

    found: Balance
    backup: Path | None = None
    shared: Sequence[SharedLevel] = ()


def balance_file(
    path: Path,
    *,
    write: bool = False,
    verify: bool = False,
    progress: Progress = silent_progress,
    notice: Callable[[Problem], None] = lambda _note: None,
) -> BalancedFile:
    """Solve a plan for its targets.

    Parameters
    ----------
    write : bool
        Whether the plan gets the new levels.
    verify : bool
        Whether the targets are measured at the new levels, in a new pass.
    notice : callable
        Takes what the plan says in old words.

    Raises
    ------
    PlanError
        Every problem of the plan.
    RoomplanError
        It has no targets, or as written it does not measure what was promised.
    """
    cache = Cache.open()
    session = _open(path, cache, progress, notice)
    with keeping(cache) as kept:  # the plan as written is judged by the pass that its levels were found from
        found = solve_balance(
            session,
            session.plan.targets,
            session.plan.balance,
            cache=kept,
            verify=verify,
            progress=progress,
        )
        if not write or not found.changed:
            return BalancedFile(found)
        prepared = prepare_overrides(path, overrides_of(found))
        backup = write_edited(prepared.original, prepared.text)
        if backup is not None:
            again = _open(path, cache, progress, lambda _said_before: None)
            broken = broken_promises(found, again, cache=kept)
            if broken:
                raise RoomplanError(
                    f"the plan as written measures otherwise: {broken_line(broken)}",
                    remedy=f"restore the stems that changed meanwhile, or the old file, {backup}",
                    place=Place(path),
                )
    return BalancedFile(found, backup, prepared.shared)


def overrides_of(found: Balance) -> Overrides:
    """What a plan is to say so that it has the levels that were found."""
    sections = found.session.plan.sections
    trim = found.trim_after_db if found.trim_after_db != found.trim_before_db else None
    return Overrides(
        sends=tuple(
            SendOverride(
                section=change.section,
                room=change.room or "",
                position=sections[change.section].sends[change.send].position,
                level_db=change.after_db,
            )
            for change in found.changes
            if change.send is not None
        ),
        levels_db={change.section: change.after_db for change in found.changes if change.send is None},
        trim_db=trim,
        silent=silent_sections(found.session),
    )


def _open(path: Path, cache: Cache | None, progress: Progress, notice: Callable[[Problem], None]) -> Session:
    return open_plan(path, progress=lambda stage: progress(stage, 0, 1), cache=cache, notice=notice)
