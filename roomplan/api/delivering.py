"""From an open plan to its folders: what may be written where, and the report that suffices to do it again.

Notes
-----
The report of a render is made here, because a job that runs elsewhere must make it there.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.errors import RoomplanError
from roomplan.files.digests import file_digest
from roomplan.files.staging import silent_notice
from roomplan.rendering.outside import is_the_users, outside_folders, refuse_outside, words_of_outside
from roomplan.rendering.progress import silent_progress
from roomplan.rendering.render import render_session
from roomplan.report.documents import render_document, to_text
from roomplan.report.reproduction import reproduction_of
from roomplan.report_file import REPORT_NAME

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Sequence
    from pathlib import Path

    from roomplan.files.cache import Cache
    from roomplan.plan.load import LoadedPlan
    from roomplan.plan.model import Plan
    from roomplan.rendering.progress import Progress
    from roomplan.rendering.result import Rendering
    from roomplan.report.documents import Document
    from roomplan.report.reproduction import RenderOptions
    from roomplan.session.output_files import DeliveryTarget
    from roomplan.session.session import Session

__all__ = ["deliver", "guard_targets", "reproduction", "spare_renders"]


def deliver(
    session: Session,
    targets: Sequence[DeliveryTarget],
    *,
    reproduce: Document | None,
    only: Sequence[str],
    replace: bool,
    remake: Collection[Path] = (),
    workers: int = 2,
    progress: Progress = silent_progress,
    cache: Cache | None,
    notice: Callable[[str], None] = silent_notice,
) -> Rendering:
    """Render a session, with its report beside every delivery.

    Parameters
    ----------
    reproduce : dict or None
        From `reproduction`; None over arrays, which cannot be read again.
    only, replace, remake, workers, progress, cache, notice
        As in `render_session`.
    """
    return render_session(
        session,
        targets,
        report=lambda found, target: to_text(render_document(found, target, reproduce=reproduce)),
        only=only,
        replace=replace,
        remake=remake,
        workers=workers,
        progress=progress,
        cache=cache,
        notice=notice,
    )


def reproduction(
    loaded: LoadedPlan, session: Session, options: RenderOptions, cache: Cache | None
) -> Document:
    """What a report keeps so that it suffices to render again."""
    digest = file_digest if cache is None else cache.files.digest
    return reproduction_of(loaded, session, options, digest=digest)


def guard_targets(
    plan: Plan,
    targets: Sequence[DeliveryTarget],
    *,
    report: Path | None,
    agreed: bool,
    remedy: str,
    notice: Callable[[str], None],
) -> None:
    """Say which of a plan's own folders lie outside the plan's, or refuse them.

    Parameters
    ----------
    targets : sequence of DeliveryTarget
        In the folders of the plan's deliveries, not in one that the user has named.
    report : Path or None
        The report that the plan comes from. What it says of folders may be anybody's: its own counts.
    agreed : bool
        Whether the user has agreed to folders outside.
    remedy : str
        How to agree: an option of the command, an argument of a function.
    notice : callable
        Takes the line.

    Raises
    ------
    RoomplanError
        A report, or a plan in another user's folder, would write outside its own folder.
    """
    file = plan.source if report is None else report
    base, of = file.absolute().parent, "plan" if report is None else "report"
    found = outside_folders(base, [target.folder for target in targets])
    if not agreed and report is not None:
        refuse_outside(found, f"{file}: is a report, and", of=of, remedy=remedy)
    elif not agreed and not is_the_users(base):
        refuse_outside(found, f"{file}: lies in another user's folder, and", of=of, remedy=remedy)
    if found:
        notice(f"{file}: {words_of_outside(found, of=of)}")


def spare_renders(loaded: LoadedPlan, targets: Sequence[DeliveryTarget], *, remedy: str) -> None:
    """Refuse to replace a render by what is made from a report, not even one of the same plan.

    Parameters
    ----------
    loaded : LoadedPlan
        One that does not come from a report is left to `render_session`.
    remedy : str
        How to replace it all the same: an option of the command, an argument of a function.

    Raises
    ------
    RoomplanError
        A folder that holds a report.
    """
    if loaded.written is None or loaded.written.report is None:
        return
    for folder in (target.folder for target in targets):
        if (folder / REPORT_NAME).exists():
            raise RoomplanError(f"{folder}: already holds a render", remedy=remedy)
