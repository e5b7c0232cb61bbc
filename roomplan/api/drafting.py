"""A first plan from a folder of stems: drafted, asked about, and written."""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.drafting.arranging import folder_name, propose
from roomplan.drafting.filling import Filling, fill_template
from roomplan.drafting.listening import list_stems, listen
from roomplan.drafting.proposal import Proposal
from roomplan.drafting.writing import filling_text, plan_text, refuse_target, shown, write_plan
from roomplan.errors import RoomplanError
from roomplan.files.names import safe_file_names
from roomplan.files.real_path import real_path
from roomplan.report.drafts import proposed_sections

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from roomplan.drafting.listening import StemFile
    from roomplan.drafting.proposal import ProposedSection
    from roomplan.rendering.progress import Progress

__all__ = ["default_plan", "inspect_stems", "write_draft"]

_LEAVE_OUT = "-"


def inspect_stems(
    folder: Path, plan: Path, *, base: Path | None = None, replace: bool = False, progress: Progress
) -> tuple[StemFile, ...]:
    """Measure the stems of a folder that a plan is to be drafted for.

    Parameters
    ----------
    plan : Path
        Where the plan is to be written.
    base : Path, optional
        Its template.
    replace : bool
        Whether a plan that is there may be replaced.

    Raises
    ------
    RoomplanError
        There are no sound files, the plan cannot be written there, or the template has problems: said before
        minutes of work.
    """
    files = list_stems(folder)
    _require_plan_name(plan)
    refuse_target(plan, replace=replace)
    if base is not None:
        _require_other(base, plan)
        fill_template(base, folder, [])
    return tuple(listen(files, progress=lambda done, total: progress("listening", done, total)))


def write_draft(
    folder: Path,
    stems: Sequence[StemFile],
    plan: Path,
    *,
    base: Path | None = None,
    ask: Callable[[str, str], str] | None = None,
    replace: bool = False,
) -> Proposal | Filling:
    """Write a plan for stems that `inspect_stems` returned for the same arguments.

    Parameters
    ----------
    ask : callable, optional
        Answers a question, given that and its default, about every file that is not sure.

    Raises
    ------
    RoomplanError
        No file can be used, or the plan cannot be written.
    """

    def drafted(answers: dict[str, str | None]) -> Proposal | Filling:
        if base is None:
            return propose(folder, stems, answers=answers)
        return fill_template(base, folder, stems, answers=answers)

    draft = drafted({})
    if ask is not None:
        answers = _asked(proposed_sections(draft), ask)
        draft = drafted(answers) if answers else draft
    _require_sound(folder, draft)
    if isinstance(draft, Proposal):
        text = plan_text(draft, plan, delivery_folder=_delivery_folder(plan))
    else:
        text = filling_text(draft, plan)
    write_plan(text, plan, replace=replace)
    return draft


def default_plan(folder: Path) -> Path:
    """Place of a plan that nobody named: beside its folder, called like the session."""
    named = folder if folder.name not in {"", ".."} else real_path(folder)
    return named.parent / f"{folder_name(named)}.yaml"


def _delivery_folder(plan: Path) -> str:
    """Where the delivery of a new plan goes; a folder belongs to one plan, so `render` is for the first."""
    beside = [
        path
        for pattern in ("*.yaml", "*.yml")
        for path in plan.parent.glob(pattern)
        if real_path(path) != real_path(plan)
    ]
    name = f"{plan.stem}_render"
    return safe_file_names([name])[name] if beside else "render"


def _asked(sections: Sequence[ProposedSection], ask: Callable[[str, str], str]) -> dict[str, str | None]:
    """File → the section it is said to be, None to leave it out; without those whose default was taken."""
    answers: dict[str, str | None] = {}
    for section in sections:
        if section.sure:
            continue
        for file in section.files:
            other = f", or {section.alternative}" if section.alternative else ""
            question = f"{shown(file.name)}: which section{other}? ({_LEAVE_OUT} leaves it out)"
            answer = ask(question, section.name).strip()
            if answer == _LEAVE_OUT:
                answers[file.name] = None
            elif answer and answer != section.name:
                answers[file.name] = answer
    return answers


def _require_other(base: Path, plan: Path) -> None:
    if real_path(base.expanduser()) == real_path(plan.expanduser()):
        raise RoomplanError(f"{plan} is the template itself", remedy="name another plan with -o")


def _require_plan_name(plan: Path) -> None:
    """Refuse a place that is no plan's: a stem, for one, is never replaced."""
    if plan.suffix.lower() not in {".yaml", ".yml"}:
        raise RoomplanError(f"{plan}: a plan is a .yaml file", remedy=f"-o {plan.with_suffix('.yaml').name}")


def _require_sound(folder: Path, draft: Proposal | Filling) -> None:
    """Refuse a folder none of whose files can be used, with the first reason."""
    if proposed_sections(draft) or (isinstance(draft, Filling) and draft.filled):
        return
    first = draft.left_out[0]
    raise RoomplanError(
        f"no sound file of {folder} can be used; {first.file.name}: {first.why}",
        remedy="export the stems again",
    )
