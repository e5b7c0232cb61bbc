"""One root error: what is wrong, where, and what would be right.

Conventions
-----------
A `Place` is a spot in a text file (line and column count from 1, as editors do). A `Problem` is one
finding; a `PlanError` carries every problem of a plan at once. The command line prints these lines and
nothing else: no traceback reaches a user. The fields hold names as they are; as text, a place and a problem
are one printable line each, whatever the names hold.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from roomplan.foreign_text import printable
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

__all__ = [
    "AudioError",
    "Place",
    "PlanError",
    "Problem",
    "ReportError",
    "RoomplanError",
    "places_of",
    "system_problem",
]


@dataclass(frozen=True, order=True)
class Place:
    """A spot in a text file; `line` and `column` count from 1, or are None when the whole file is meant."""

    file: Path
    line: int | None = None
    column: int | None = None

    def __str__(self) -> str:
        parts = [str(self.file)]
        if self.line is not None:
            parts.append(str(self.line))
            if self.column is not None:
                parts.append(str(self.column))
        return printable(":".join(parts))


@frozen_class
class Problem:
    """One finding: what is wrong, where, and what would be right; `subject` names the bus it is about."""

    what: str
    place: Place | None = None
    remedy: str | None = None
    subject: str | None = None

    def __str__(self) -> str:
        text = f"{self.place}: {self.what}" if self.place is not None else self.what
        return printable(f"{text} — {self.remedy}" if self.remedy else text)


def places_of(problems: Iterable[Problem]) -> set[Path]:
    """Files that problems are in."""
    return {problem.place.file.absolute() for problem in problems if problem.place is not None}


def system_problem(error: OSError, path: Path | None = None) -> Problem:
    """What the system refused: of `path`, else of the file that the error names, if it names one."""
    name = error.filename if path is None else path
    place = f"{name}: " if name else ""
    return Problem(f"{place}{error.strerror or error}", remedy="check the disk and its permissions")


class RoomplanError(Exception):
    """Root of every error a user can cause; prints as one line per problem."""

    def __init__(self, what: str, *, remedy: str | None = None, place: Place | None = None) -> None:
        super().__init__(what)
        self.problems: tuple[Problem, ...] = (Problem(what, place, remedy),)

    def __str__(self) -> str:
        return "\n".join(str(problem) for problem in self.problems)


class PlanError(RoomplanError):
    """Everything that is wrong with a plan (or a room file), each problem with its place."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        found = tuple(problems)
        super().__init__(found[0].what if found else "no problem given")
        self.problems = found


class ReportError(PlanError):
    """A report that cannot be used, each fault with its place."""


class AudioError(RoomplanError):
    """A sound file that cannot be used; `path` names it."""

    def __init__(self, path: Path, what: str, *, remedy: str | None = None) -> None:
        super().__init__(f"{path}: {what}", remedy=remedy)
        self.path = path
        self._finding = (what, remedy)

    def about(self, path: Path) -> AudioError:
        """The same of another file."""
        what, remedy = self._finding
        return AudioError(path, what, remedy=remedy)
