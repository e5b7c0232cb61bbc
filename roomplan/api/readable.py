"""What cannot be read is refused at once, before anything heavy is imported."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from roomplan.errors import AudioError, PlanError
from roomplan.files.sound_place import require_regular

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

__all__ = ["report_place", "require_plans", "require_sounds"]


def require_plans(paths: Sequence[Path]) -> None:
    """Refuse plans that are not there or may not be read: at once."""
    from roomplan.documents.source import unreadable

    problems = [problem for problem in map(unreadable, paths) if problem is not None]
    if problems:
        raise PlanError(dict.fromkeys(problems))


def require_sounds(paths: Sequence[Path], *, every: Sequence[Path] = ()) -> None:
    """Refuse sound files none of which can be read, and any of `every`.

    Where some can be read the others are failures among results, and not refused here. Folders are not
    looked into.
    """
    for path in every:
        require_regular(path)
    problems = []
    for path in paths:
        try:
            if os.path.isdir(path):  # noqa: PTH112 - a name too long is no folder
                return
            require_regular(path)
        except AudioError as error:
            problems += error.problems
        else:
            return
    if problems:
        raise PlanError(dict.fromkeys(problems))


def report_place(path: Path) -> Path:
    """File of a report that is named by its folder or itself."""
    from roomplan.report_file import REPORT_NAME  # its reader loads what checks a report

    return path / REPORT_NAME if path.is_dir() else path
