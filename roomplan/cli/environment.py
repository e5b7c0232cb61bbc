"""The world of a command: its two streams, its progress, its exit status.

Conventions
-----------
Results go to standard output, everything else to standard error. What is shown is made printable here, a
line for each item or problem; what is emitted (JSON, CSV) is data and goes out as it is. Progress is a
bar on a terminal and a few lines elsewhere; `--quiet` silences it. Exit 0: done; 1: the user's input;
2: usage; 130: interrupted. What draws tables is imported when there is one: an error needs none.
"""

from __future__ import annotations

import enum
import math
import sys
import time
from typing import TYPE_CHECKING, Self

from roomplan.errors import RoomplanError
from roomplan.foreign_text import printable

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from rich.console import Console
    from rich.progress import Progress as Bar
    from rich.progress import TaskID
    from rich.table import Column, Table
    from rich.text import Text

    from roomplan.errors import Problem

__all__ = ["ExitStatus", "StageProgress", "emit", "error_console", "output_console"]


class ExitStatus(enum.IntEnum):
    """What a command ends with."""

    OK = 0
    INPUT = 1
    USAGE = 2
    INTERRUPTED = 130


_PIPED_WIDTH = 120
"""Columns of a table where standard output is no terminal; one whose words need more gets more."""

_WIDEST = 10_000  # asked what it needs, a table knows no page


def output_console() -> Console:
    """Console on standard output."""
    from rich.console import Console

    return Console(
        markup=False,  # names and titles are the user's: a bracket in them is a bracket
        emoji=False,
        file=sys.stdout,
        width=None if sys.stdout.isatty() else _PIPED_WIDTH,
        highlight=False,
        soft_wrap=False,
    )


def error_console() -> Console:
    """Console on standard error."""
    from rich.console import Console

    return Console(file=sys.stderr, highlight=False, stderr=True, markup=False, emoji=False)


def emit(text: str) -> None:
    """Write text to standard output as it is."""
    sys.stdout.write(text)
    sys.stdout.flush()


def show(*items: Table | Text | str) -> None:
    """Print tables and lines on standard output.

    Parameters
    ----------
    *items : Table, Text or str
        Tables of `show.tables`, whose cells are printable; a text is one line.

    Notes
    -----
    A terminal folds what is wider. Elsewhere a program or a log reads it: a line stays one line, a path of a
    table one word, and nothing is cut.
    """
    from rich.table import Table

    console = output_console()
    if console.is_terminal:
        for item in items:
            console.print(_line(item))
        return
    for item in items:
        if isinstance(item, Table):
            console.width = max(_PIPED_WIDTH, _needed_width(item, console))
            console.print(item)
        else:
            console.print(_line(item), soft_wrap=True)


def _needed_width(table: Table, console: Console) -> int:
    """Let a table cut nothing, and return the columns it needs for that."""
    from rich.measure import Measurement

    wide = console.options.update(width=_WIDEST)
    needed = Measurement.get(console, wide, table).maximum
    flexible: list[tuple[Column, int, int]] = []  # a column, its longest word and its longest line
    for column in table.columns:
        column.no_wrap = column.no_wrap or column.overflow == "fold"  # a path is one word
        column.overflow = "fold"
        cells = [Measurement.get(console, wide, cell) for cell in (column.header, *column.cells)]
        least, most = max(cell.minimum for cell in cells), max(cell.maximum for cell in cells)
        if not column.no_wrap:
            least = max(least, column.min_width or 0)
            most = max(most, least)
            needed -= most - least
            flexible.append((column, least, most))
    _narrow(flexible, max(_PIPED_WIDTH - needed, 0))
    return needed


def _narrow(columns: Sequence[tuple[Column, int, int]], spare: int) -> None:
    """Share out what is left over the longest words; rich itself would go below them and cut the last."""
    longest = max((most for _column, _least, most in columns), default=0)
    while sum(max(min(most, longest) - least, 0) for _column, least, most in columns) > spare:
        longest -= 1
    for column, least, most in columns:
        column.width = max(min(most, longest), least)


def _line(item: Table | Text | str) -> Table | Text | str:
    from rich.text import Text

    if isinstance(item, Text):
        shown = printable(item.plain)
        return item if shown == item.plain else Text(shown, style=item.style)
    return printable(item) if isinstance(item, str) else item


_LOGGED_S = 10.0  # a stage that takes longer than this says so in a log, and how much is left


class StageProgress:
    """Progress on standard error: what is done, how far, and how much time is left.

    A bar on a terminal; in a log a line per stage, and one every ten seconds; nothing when quiet.
    """

    def __init__(self, *, quiet: bool = False, clock: Callable[[], float] = time.monotonic) -> None:
        self._quiet = quiet
        self._clock = clock
        self._began: dict[str, tuple[float, int]] = {}  # when, and how far it was then
        self._done: dict[str, int] = {}
        self._logged: dict[str, float] = {}
        self._terminal = sys.stderr.isatty()
        self._bar: Bar | None = None
        self._tasks: dict[str, TaskID] = {}

    def __enter__(self) -> Self:
        if self._terminal and not self._quiet:
            from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn

            self._bar = Progress(
                TextColumn("{task.description}", markup=False),
                BarColumn(bar_width=30),
                TaskProgressColumn(),
                TimeElapsedColumn(),
                TextColumn("{task.fields[left]}"),
                console=error_console(),
                transient=True,
            )
            self._bar.start()
        return self

    def __exit__(self, *_error: object) -> None:
        if self._bar is not None:
            self._bar.stop()

    def __call__(self, stage: str, done: int, total: int) -> None:
        """Show that `done` of `total` steps of `stage` are behind us."""
        if self._quiet:
            return
        stage = printable(stage)
        now = self._clock()
        if not done or done < self._done.get(stage, done + 1):  # it begins, perhaps not for the first time
            self._began[stage] = now, done
        self._done[stage] = done
        began, first = self._began[stage]
        left = _time_left(now - began, done - first, total - first)
        if self._bar is not None:
            if stage not in self._tasks:
                self._tasks[stage] = self._bar.add_task(stage, total=total, left="")
            self._bar.update(self._tasks[stage], completed=done, total=total, left=left)
        elif stage not in self._logged:
            self._log(stage, f"{stage}…", now)
        elif left and now - self._logged[stage] >= _LOGGED_S:
            self._log(stage, f"{stage}… {100 * done // total} %, {left}", now)

    def _log(self, stage: str, line: str, now: float) -> None:
        self._logged[stage] = now
        sys.stderr.write(f"{line}\n")
        sys.stderr.flush()

    def say(self, line: str) -> None:
        """Print a line that is no progress: above the bar, and also when progress is silenced."""
        if self._bar is None:
            print_errors(line)
        else:
            self._bar.console.print(printable(line), soft_wrap=True)

    def note(self, stage: str) -> None:
        """Say that a stage without steps has begun."""
        self(stage, 0, 1)


def _time_left(elapsed_s: float, done: int, total: int) -> str:
    """`1:05 left`, as the steps that were timed took; nothing before the first and after the last."""
    if not 0 < done < total:
        return ""
    minutes, seconds = divmod(math.ceil(elapsed_s * (total - done) / done), 60)
    hours, minutes = divmod(minutes, 60)
    clock = f"{hours}:{minutes:02}:{seconds:02}" if hours else f"{minutes}:{seconds:02}"
    return f"{clock} left"


def print_errors(error: RoomplanError | Problem | str) -> None:
    """Print an error, one line per problem, on standard error."""
    lines: Iterable[Problem | str] = error.problems if isinstance(error, RoomplanError) else (error,)
    for line in lines:
        sys.stderr.write(f"{printable(str(line))}\n")
    sys.stderr.flush()
