"""Who is told how far long work is."""

from __future__ import annotations

from typing import Protocol

__all__ = ["Progress", "silent_progress"]


class Progress(Protocol):
    """Told what is going on; the command line draws it, everybody else ignores it."""

    def __call__(self, stage: str, done: int, total: int) -> None:
        """`done` of `total` steps of `stage` are behind us."""
        ...


def silent_progress(stage: str, done: int, total: int) -> None:
    """Progress that is not shown."""
