"""`--watch`: render again whenever the plan, a stem or a response has changed.

Conventions
-----------
Files are looked at again and again (size, time of change, number): no notices of the system are needed, and
network disks work too. A change counts when two looks in a row agree, so that a file that is still being
saved is waited for. What is said goes to standard error; results go where the render sends them.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from roomplan.api.watched import watched_by
from roomplan.cli.environment import print_errors
from roomplan.errors import AudioError, RoomplanError, places_of, system_problem

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from roomplan.api.watched import State, Watched

__all__ = ["watch"]

INTERVAL_S = 0.2  # between two looks; a change is noticed after two of them: common practice, no source
MOST_NAMED = 3


def watch(
    plan_path: Path,
    render_once: Callable[[], Iterable[Path]],
    *,
    progress: Callable[[str], None] = print_errors,
    interval: float = INTERVAL_S,
    wait: Callable[[float], object] = time.sleep,
    clock: Callable[[], float] = time.perf_counter,
) -> None:
    """Render, and again after every change, until Ctrl-C.

    Parameters
    ----------
    render_once : callable
        Opens the plan, renders it once and returns the files it read (`Session.input_files`).
    progress : callable
        Told in one line what has changed, how long a render took, and what is wrong.
    interval : float
        Seconds between two looks.
    wait, clock : callable
        `time.sleep` and `time.perf_counter`, or what stands for them in a test.

    Raises
    ------
    KeyboardInterrupt
        Ctrl-C while rendering: the render was interrupted. While waiting it ends the watch, and this returns.

    Notes
    -----
    Watched are the plan with all it extends, its room files, every file that `render_once` read, and which
    plans and sound files lie in the plan's folder and the stems folder. A plan, a stem or a response that
    cannot be used is reported, and watching goes on, also of what was known of the plan before. A file that
    was saved counts as changed, whatever it says now.
    """
    watched = watched_by(plan_path, frozenset())
    before = watched.look()
    while True:
        begun = clock()
        files: Iterable[Path] | None = None
        troubled: frozenset[Path] = frozenset()
        try:
            files = render_once()
        except (RoomplanError, OSError) as error:
            for line in _lines(error):
                progress(line)
            troubled = _named_by(error)
        try:
            known = watched.files if files is None else frozenset(files)
            watched = watched_by(plan_path, known | troubled)
            now = watched.look()
            before = {path: before.get(path, state) for path, state in now.items()}
            outcome = f"rendered in {clock() - begun:.1f} s" if files is not None else "not rendered"
            progress(f"{outcome}; watching {_count(watched)}, Ctrl-C ends")
            before = _changed(watched, before, interval, wait, progress)
        except KeyboardInterrupt:
            return


def _changed(
    watched: Watched,
    before: dict[Path, State],
    interval: float,
    wait: Callable[[float], object],
    progress: Callable[[str], None],
) -> dict[Path, State]:
    """Wait until something has changed and come to rest; return the state then."""
    while True:
        now = watched.look()
        if now != before:
            while True:
                wait(interval)
                later = watched.look()
                if later == now:
                    break
                now = later
            changed = sorted(file.name for file in now if now[file] != before[file])
            if changed:
                more = f" and {len(changed) - MOST_NAMED} more" if len(changed) > MOST_NAMED else ""
                progress(f"changed: {', '.join(changed[:MOST_NAMED])}{more}")
                return now
        wait(interval)


def _named_by(error: Exception) -> frozenset[Path]:
    """Files that an error is about."""
    if not isinstance(error, RoomplanError):
        return frozenset()
    path = {error.path.absolute()} if isinstance(error, AudioError) else set()
    return frozenset(places_of(error.problems) | path)


def _lines(error: RoomplanError | OSError) -> list[str]:
    problems = error.problems if isinstance(error, RoomplanError) else (system_problem(error),)
    return [str(problem) for problem in problems]


def _count(watched: Watched) -> str:
    count = len(watched.files)
    return "1 file" if count == 1 else f"{count} files"
