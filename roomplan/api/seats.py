"""Plans brought to what they are to be: sends that agree with the seats.

Conventions
-----------
A plan changes only when that is asked for; the old file stays beside it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.api.opening import open_plan
from roomplan.depth.sections import sections_in_rooms
from roomplan.depth.wanted import absolute_depth, relative_depth
from roomplan.files.cache import Cache
from roomplan.frozen_classes import frozen_class
from roomplan.rendering.measure import measure_session
from roomplan.rendering.progress import silent_progress

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from roomplan.depth.model import Depth
    from roomplan.errors import Problem
    from roomplan.plan.model import Plan
    from roomplan.rendering.progress import Progress

__all__ = ["DepthOfFile", "depth_of_file"]


@frozen_class
class DepthOfFile:
    """What was found for a plan's seats; `backup` is the old plan, None where nothing was written."""

    found: Depth
    plan: Plan
    backup: Path | None = None


def depth_of_file(
    path: Path,
    *,
    amount: float | None = 1.0,
    write: bool = False,
    progress: Progress = silent_progress,
    notice: Callable[[Problem], None] = lambda _note: None,
) -> DepthOfFile:
    """Find the sends that agree with the seats of a plan.

    Parameters
    ----------
    amount : float or None
        Share of the differences between sections; None for the ratios of the rooms themselves.
    write : bool
        Whether the plan gets the sends that change.
    notice : callable
        As in `open_file`.
    """
    cache = Cache.open()
    session = open_plan(path, progress=lambda stage: progress(stage, 0, 1), cache=cache, notice=notice)
    plan = session.plan
    rendering = measure_session(session, progress=progress, cache=cache)
    progress("looking at seats", 0, 1)
    places = sections_in_rooms(session, rendering.sends)
    if amount is None:
        found = absolute_depth(places)
    else:
        found = relative_depth(
            places,
            reference_section=plan.reference_section,
            amount=amount,
            reference_place=plan.place_of("reference_section"),
        )
    if not write or not found.changes:
        return DepthOfFile(found, plan)
    # which edit text: looking alone does not
    from roomplan.balance.levels import silent_sections
    from roomplan.plan.overrides import Overrides, SendOverride, write_overrides

    sends = tuple(
        SendOverride(change.section, change.room, change.send.position, change.after_db)
        for change in found.changes
    )
    overrides = Overrides(sends=sends, silent=silent_sections(session))
    return DepthOfFile(found, plan, write_overrides(path, overrides))
