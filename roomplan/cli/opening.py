"""From a plan file to an open session: what check, render and compare share."""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.errors import PlanError, Problem, RoomplanError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from rich.table import Table

    from roomplan.cli.environment import StageProgress
    from roomplan.mixing.render import Rendering
    from roomplan.mixing.session import Session

__all__ = ["margin_tables", "open_plan", "plan_problems"]


def plan_problems(
    path: Path, *, mute: Sequence[str] = (), progress: StageProgress
) -> tuple[Session | None, list[Problem]]:
    """Open a plan; problems of the file and of what it names come together, in the order of the file."""
    from roomplan.mixing.cache import Cache
    from roomplan.mixing.session import open_session
    from roomplan.plan.load import load_plan

    loaded = load_plan(path)
    problems = list(loaded.problems)
    session = None
    if loaded.plan is not None:
        _known_sections(mute, list(loaded.plan.sections))
        session, found = open_session(
            loaded.plan, muted=frozenset(mute), progress=progress.note, cache=Cache.open()
        )
        problems += [problem for problem in found if problem not in problems]
    problems.sort(
        key=lambda p: (str(p.place.file), p.place.line or 0, p.place.column or 0) if p.place else ("", 0, 0)
    )
    return (None if problems else session), problems


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


def _known_sections(mute: Sequence[str], sections: list[str]) -> None:
    from roomplan.documents.suggest import did_you_mean

    for name in mute:
        if name not in sections:
            near = did_you_mean(name, sections)
            raise RoomplanError(
                f"there is no section {name!r} to mute",
                remedy=f"did you mean {near}?" if near else f"the plan has {', '.join(sections)}",
            )
