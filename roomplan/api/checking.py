"""A plan from its file: every problem, or what it comes to and what it reaches of its targets."""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.api.opening import open_file
from roomplan.files.cache import Cache
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from roomplan.balance.verifying import TargetResult
    from roomplan.errors import Problem
    from roomplan.plan.updating import UpdatedFile
    from roomplan.rendering.progress import Progress
    from roomplan.rendering.result import Rendering

__all__ = ["CheckedFile", "check_file", "update_file"]


@frozen_class
class CheckedFile:
    """What is wrong with a plan, or its figures and targets; `rendering` is None where there are problems."""

    problems: Sequence[Problem]
    rendering: Rendering | None = None
    results: tuple[TargetResult, ...] = ()

    @property
    def missed(self) -> bool:
        """Whether a target is missed."""
        return any(not result.met for result in self.results)


def check_file(path: Path, *, progress: Progress) -> CheckedFile:
    """Open a plan and measure it once, for its figures and for its targets."""
    cache = Cache.open()
    session, problems = open_file(path, progress=lambda stage: progress(stage, 0, 1), cache=cache)
    if session is None:
        return CheckedFile(problems)
    # a plan with problems is answered without what measures one
    from roomplan.balance.judging import measure_with_targets

    rendering, results = measure_with_targets(session, cache=cache, progress=progress)
    return CheckedFile((), rendering, results)


def update_file(path: Path, bases: Sequence[Path] = ()) -> tuple[UpdatedFile, ...]:
    """Rewrite the old words of a plan, and of those of `bases` that it extends; see `update_plan`."""
    from roomplan.plan.updating import update_plan  # which edits text: a check alone does not

    return update_plan(path, bases)
