"""From a plan file to an open session: what check, render and compare share."""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.errors import PlanError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from rich.table import Table

    from roomplan.cli.environment import StageProgress
    from roomplan.errors import Problem
    from roomplan.mixing.render import Rendering
    from roomplan.mixing.session import Session

__all__ = ["margin_tables", "open_plan", "plan_problems"]


def plan_problems(
    path: Path, *, mute: Sequence[str] = (), progress: StageProgress
) -> tuple[Session | None, list[Problem]]:
    """Open a plan; problems of the file and of what it names come together, in the order of the file."""
    from roomplan.library.opening import open_loaded
    from roomplan.mixing.cache import Cache
    from roomplan.plan.load import load_plan

    return open_loaded(load_plan(path), mute=mute, progress=progress.note, cache=Cache.open())


def open_plan(path: Path, *, mute: Sequence[str] = (), progress: StageProgress) -> Session:
    """Open a plan or raise every problem at once."""
    session, problems = plan_problems(path, mute=mute, progress=progress)
    if session is None:
        raise PlanError(problems)
    return session


def margin_tables(rendering: Rendering) -> list[Table]:
    """Table of the margins a plan asks for, if it asks for any."""
    from roomplan.reports.compare_tables import margin_table
    from roomplan.reports.comparison import Compared
    from roomplan.reports.documents import sound_part

    table = margin_table([Compared("dB", sound_part(rendering), "sound")]) if rendering.margins else None
    return [] if table is None else [table]
