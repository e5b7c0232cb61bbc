"""A plan to render, and how: plain values that travel between processes and machines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["RenderJob"]


@dataclass(frozen=True, slots=True)
class RenderJob:
    """A plan to render, and how.

    Attributes
    ----------
    plan : Path
        A plan, or the report of an earlier render.
    output : Path or None
        Instead of the folders of its deliveries.
    only, mute : tuple of str, or None
        Buses that alone are written; sections muted on top of the plan's own. None: as the report has it,
        none at all for a plan.
    start, length : str or None
        The excerpt that is rendered, such as "1:10" or timecode, and "20"; None: as the report has it, the
        whole cue for a plan.
    replace : bool
        Whether what is not this plan's may be replaced.
    bump : bool
        Whether the plan gets its next version where a finished delivery of this one holds other samples.
    outside : bool
        Whether a report, or a plan in another user's folder, may write outside its own folder.
    against : Path or None
        A report or its folder, to compare with; None: what is in the delivery's folder already.
    workers : int
        Threads.
    """

    plan: Path
    output: Path | None = None
    only: tuple[str, ...] | None = None
    mute: tuple[str, ...] | None = None
    start: str | None = None
    length: str | None = None
    replace: bool = False
    bump: bool = False
    outside: bool = False
    against: Path | None = None
    workers: int = 2
