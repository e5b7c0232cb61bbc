"""From a plan to an open session: what the command and the library share.

Conventions
-----------
Problems of the file and of what it names come together, in the order of the file. There is a session, or
there are problems, never both.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from roomplan.documents.extends import tidy
from roomplan.documents.source import in_file_order
from roomplan.documents.suggest import did_you_mean
from roomplan.errors import PlanError, RoomplanError
from roomplan.plan.load import load_plan
from roomplan.session.session import open_session

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from roomplan.errors import Problem
    from roomplan.files.cache import Cache
    from roomplan.plan.load import LoadedPlan
    from roomplan.session.session import Session

__all__ = ["open_file", "open_loaded", "open_plan"]


def open_plan(
    path: Path,
    *,
    progress: Callable[[str], None] = lambda _stage: None,
    cache: Cache | None = None,
    notice: Callable[[Problem], None] = lambda _note: None,
) -> Session:
    """Open the plan in a file, or raise every problem at once; see `open_file`."""
    session, problems = open_file(path, progress=progress, cache=cache, notice=notice)
    if session is None:
        raise PlanError(problems)
    return session


def open_file(
    path: Path,
    *,
    progress: Callable[[str], None] = lambda _stage: None,
    cache: Cache | None = None,
    notice: Callable[[Problem], None] = lambda _note: None,
) -> tuple[Session | None, list[Problem]]:
    """Read a plan and open it; see `open_loaded`.

    What the file says in old words goes to `notice`, for those who do not show the warnings of a session.
    """
    loaded = load_plan(path)
    for note in loaded.notes:
        notice(note)
    return open_loaded(loaded, progress=progress, cache=cache)


def open_loaded(
    loaded: LoadedPlan,
    *,
    mute: Sequence[str] = (),
    progress: Callable[[str], None] = lambda _stage: None,
    cache: Cache | None = None,
) -> tuple[Session | None, list[Problem]]:
    """Find the stems of a plan, prepare its rooms, multiply its levels out.

    Parameters
    ----------
    mute : sequence of str
        Sections to mute on top of the plan's own mutes.
    progress : callable
        Told what is being read.
    cache : Cache, optional
        Where responses of synthetic rooms are looked for, and kept.

    Returns
    -------
    session : Session or None
        None when there is any problem. Its warnings begin with the notes of the plan.
    problems : list of Problem
        The plan's own file first, then those that it extends.

    Raises
    ------
    RoomplanError
        There is no such section to mute.
    """
    if loaded.plan is None:
        return None, list(loaded.problems)
    _require_sections(mute, list(loaded.plan.sections))
    session, found = open_session(loaded.plan, muted=frozenset(mute), progress=progress, cache=cache)
    problems = [*loaded.problems, *found]
    problems = in_file_order(problems, _files(problems, loaded.plan.documents))
    if session is None or problems:
        return None, problems
    return replace(session, warnings=(*loaded.notes, *session.warnings)), []


def _files(problems: Sequence[Problem], documents: Sequence[Path]) -> tuple[Path, ...]:
    """Files of problems as they are named there, in the order in which the plan was read."""
    rank = {file: number for number, file in enumerate(documents)}
    named = {problem.place.file for problem in problems if problem.place is not None}
    return tuple(sorted(named, key=lambda file: rank.get(tidy(file.absolute()), len(rank))))


def _require_sections(mute: Sequence[str], sections: list[str]) -> None:
    for name in mute:
        if name not in sections:
            near = did_you_mean(name, sections)
            raise RoomplanError(
                f"there is no section {name!r} to mute",
                remedy=f"did you mean {near}?" if near else f"the plan has {', '.join(sections)}",
            )
