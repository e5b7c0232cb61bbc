"""What several commands do before they open a file, and after they have measured one."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from roomplan.errors import AudioError, PlanError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from rich.table import Table

    from roomplan.rendering.result import Rendering

__all__ = ["margin_tables", "require_plans", "require_sounds"]


def require_plans(paths: Sequence[Path]) -> None:
    """Refuse plans that are not there or may not be read: at once, before anything heavy is imported."""
    from roomplan.documents.source import unreadable

    problems = [problem for problem in map(unreadable, paths) if problem is not None]
    if problems:
        raise PlanError(dict.fromkeys(problems))


def require_sounds(paths: Sequence[Path], *, every: Sequence[Path] = ()) -> None:
    """Refuse sound files none of which can be read, and any of `every`, before anything heavy is imported.

    Where some can be read the others are failures among results, and not refused here. Folders are not
    looked into.
    """
    from roomplan.files.sound_place import require_regular

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


def margin_tables(rendering: Rendering) -> list[Table]:
    """Table of the margins a plan asks for, if it asks for any."""
    from roomplan.report.comparison import Compared
    from roomplan.report.documents import sound_part
    from roomplan.show.compare_tables import margin_table

    table = margin_table([Compared("dB", sound_part(rendering), "sound")]) if rendering.margins else None
    return [] if table is None else [table]
