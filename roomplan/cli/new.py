"""`roomplan new`: a first plan from a folder of stems."""

from __future__ import annotations

import shlex
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.text import Text

from roomplan.cli.environment import StageProgress, emit, show
from roomplan.cli.parameters import AsJson, Quiet, help_of
from roomplan.errors import RoomplanError
from roomplan.files.real_path import real_path

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from typing import Any

    from rich.table import Table

    from roomplan.drafting.filling import Filling
    from roomplan.drafting.listening import StemFile
    from roomplan.drafting.proposal import Proposal, ProposedSection, ProposedSend

__all__ = ["NEW_SCHEMA", "all_sends", "asked", "default_plan", "register"]

NEW_SCHEMA = "roomplan.new/1"
_LEAVE_OUT = "-"


@dataclass(frozen=True, slots=True)
class _Row:
    """A file in the table; `section` is None where it is left out, `proposed` where the template has it."""

    file: StemFile
    section: str | None
    proposed: ProposedSection | None
    sends: Mapping[str, ProposedSend]
    sure: bool
    why: str


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command("new", help=help_of(new))(new)


def new(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="The folder of dry stems.", show_default=False)
    ],
    *,
    output: Annotated[
        Path | None,
        typer.Option(
            "--output",
            "-o",
            metavar="PLAN",
            help="Where the plan is written. Without it: beside FOLDER, named like it, or like its parent "
            "where FOLDER is just called stems.",
            show_default=False,
        ),
    ] = None,
    base: Annotated[
        Path | None,
        typer.Option(
            "--template",
            metavar="BASE",
            help="Fill this plan's sections by their patterns, instead of proposing new ones.",
            show_default=False,
        ),
    ] = None,
    ask: Annotated[
        bool, typer.Option("--ask", help="Ask about every uncertain file; needs a terminal.")
    ] = False,
    replace: Annotated[bool, typer.Option("--replace", help="Replace an existing plan.")] = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Write a complete, commented plan for a folder of stems, ready to check and render.

    Sections are recognised by their names and abbreviations (English, German, French, Italian, Spanish); cue
    numbers, takes, versions, dates and microphones around them are ignored. Seats and
    sends are starting points, which you can correct in the file that roomplan help instruments names.
    What is uncertain is marked with ? in the plan's comments; mixes, clicks and earlier takes are
    left out and listed.

    Example: roomplan new stems -o cue.yaml

    Example: roomplan new 3m12/stems --template house.yaml
    """
    from roomplan.drafting.arranging import propose
    from roomplan.drafting.filling import fill_template
    from roomplan.drafting.listening import list_stems, listen
    from roomplan.drafting.proposal import Proposal
    from roomplan.drafting.writing import filling_text, plan_text, refuse_target, write_plan

    if ask and not sys.stdin.isatty():
        raise RoomplanError(
            "--ask needs a terminal to ask on",
            remedy="run without it, then check the ? comments of the plan",
        )
    files = list_stems(folder)
    plan = output if output is not None else default_plan(folder)
    _require_plan_name(plan)
    refuse_target(plan, replace=replace)
    if base is not None:
        _require_other(base, plan)
        fill_template(base, folder, [])  # its problems are said before minutes of listening
    with StageProgress(quiet=quiet) as progress:
        stems = listen(files, progress=lambda done, total: progress("listening", done, total))
    answers: dict[str, str | None] = {}

    def drafted() -> Proposal | Filling:
        if base is None:
            return propose(folder, stems, answers=answers)
        return fill_template(base, folder, stems, answers=answers)

    draft = drafted()
    if ask:
        answers |= asked(_proposed(draft), typer.prompt)
        draft = drafted() if answers else draft
    _require_sound(folder, draft)
    text = plan_text(draft, plan) if isinstance(draft, Proposal) else filling_text(draft, plan)
    write_plan(text, plan, replace=replace)
    if as_json:
        from roomplan.report.documents import to_text

        emit(to_text(_document(draft, plan)))
        return
    show(_table(draft), *_remarks(draft))
    where = shlex.quote(str(plan))
    show(f"{plan} is written. Next:", f"  roomplan check {where}", f"  roomplan render {where}")


def default_plan(folder: Path) -> Path:
    """Place of a plan that nobody named: beside its folder, called like the session."""
    from roomplan.drafting.arranging import folder_name

    named = folder if folder.name not in {"", ".."} else real_path(folder)
    return named.parent / f"{folder_name(named)}.yaml"


def asked(sections: Sequence[ProposedSection], ask: Callable[..., Any]) -> dict[str, str | None]:
    """What the user says of the files that are not sure.

    Parameters
    ----------
    ask : callable
        As `typer.prompt`: a question and its default in, an answer out.

    Returns
    -------
    dict
        File → section, or None to leave it out; without the files whose default was taken.
    """
    from roomplan.drafting.writing import shown

    answers: dict[str, str | None] = {}
    for section in sections:
        if section.sure:
            continue
        for file in section.files:
            other = f", or {section.alternative}" if section.alternative else ""
            question = f"{shown(file.name)}: which section{other}? ({_LEAVE_OUT} leaves it out)"
            answer = str(ask(question, default=section.name)).strip()
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
    from roomplan.drafting.filling import Filling

    if _proposed(draft) or (isinstance(draft, Filling) and draft.filled):
        return
    first = draft.left_out[0]
    raise RoomplanError(
        f"no sound file of {folder} can be used; {first.file.name}: {first.why}",
        remedy="export the stems again",
    )


def _proposed(draft: Proposal | Filling) -> tuple[ProposedSection, ...]:
    """Sections that were proposed, and not taken from a template."""
    from roomplan.drafting.filling import Filling

    return draft.added if isinstance(draft, Filling) else draft.sections


def _rows(draft: Proposal | Filling) -> list[_Row]:
    """One row for every file, in the order of the plan; those left out at the end."""
    from roomplan.drafting.filling import Filling

    rows: list[_Row] = []
    if isinstance(draft, Filling):
        for section, files in draft.filled.items():
            sure = section not in draft.by_name
            why = "template" if sure else "its name: the template's patterns fit none"
            rows += [_Row(file, section, None, {}, sure=sure, why=why) for file in files]
    for section in _proposed(draft):
        sends = all_sends(draft, section)
        why = section.why + (f"; or {section.alternative}" if section.alternative else "")
        rows += [
            _Row(file, section.name, section, sends, sure=section.sure, why=why) for file in section.files
        ]
    return rows + [_Row(left.file, None, None, {}, sure=left.sure, why=left.why) for left in draft.left_out]


def all_sends(draft: Proposal | Filling, section: ProposedSection) -> dict[str, ProposedSend]:
    """Sends of a section with its group's and the shared ones."""
    from roomplan.drafting.filling import Filling

    if isinstance(draft, Filling):
        return dict(section.sends)
    group = next((group.sends for group in draft.groups if group.name == section.group), {})
    return {**draft.shared_sends, **group, **section.sends}


def _table(draft: Proposal | Filling) -> Table:
    from roomplan.drafting.writing import shown
    from roomplan.show.tables import DASH, plain_table

    table = plain_table(f"{shown(draft.title)}: what was found", "sure: ? marks what to look at")
    for heading in ("file", "section", "seat m, °", "sends dB", "sure", "because"):
        table.add_column(heading)
    before = None
    for row in _rows(draft):
        again = row.section is not None and row.section == before
        before = row.section
        seat, sends = "", ""
        if row.proposed is not None and not again:
            at = row.proposed.seat
            seat = DASH if at is None else f"{at.distance_m:g}, {at.angle_deg:g}".replace("-", "−")
            sends = ", ".join(
                f"{room} {'off' if send.level_db is None else f'{send.level_db:g}'.replace('-', '−')}"
                for room, send in row.sends.items()
            )
        table.add_row(
            shown(row.file.name, 44),
            DASH if row.section is None else "″" if again else row.section,
            seat,
            sends,
            "yes" if row.sure else "?",
            shown(row.why, 60),
        )
    return table


def _remarks(draft: Proposal | Filling) -> list[Text]:
    """Lines under the table: what concerns the folder, and the template's sections without stems."""
    from roomplan.drafting.filling import Filling
    from roomplan.drafting.writing import shown

    lines = [f"note: {shown(remark, 300)}" for remark in (*draft.remarks, *draft.facts.remarks)]
    for section in _proposed(draft):
        lines += [
            f"note: {section.name}: {shown(remark.removeprefix('? '), 300)}" for remark in section.remarks
        ]
    if isinstance(draft, Filling) and draft.missing:
        lines.append(f"without stems here: {', '.join(draft.missing)}")
    return [Text(line) for line in lines]


def _document(draft: Proposal | Filling, plan: Path) -> dict[str, Any]:
    """What was found, as `roomplan.new/1`."""
    from roomplan._version import __version__
    from roomplan.drafting.filling import Filling

    files = []
    for row in _rows(draft):
        file = row.file
        files.append(
            {
                "file": file.name,
                "section": row.section,
                "sure": row.sure,
                "why": row.why,
                "channels": file.channels or None,
                "sample_rate": file.sample_rate or None,
                "duration_s": round(file.duration_s, 3) if file.channels else None,
                "loudness_lufs": None if file.loudness_lufs is None else round(file.loudness_lufs, 2),
                "peak_dbfs": None if file.peak_dbfs is None else round(file.peak_dbfs, 2),
                "sounds_s": None if file.sounds_s is None else [round(at, 2) for at in file.sounds_s],
            }
        )
    sections = [
        {
            "section": section.name,
            "group": section.group,
            "distance_m": None if section.seat is None else section.seat.distance_m,
            "angle_deg": None if section.seat is None else section.seat.angle_deg,
            "sends": {room: send.level_db for room, send in all_sends(draft, section).items()},
            "sure": section.sure,
            "why": section.why,
            "alternative": section.alternative,
            "remarks": list(section.remarks),
        }
        for section in _proposed(draft)
    ]
    document: dict[str, Any] = {
        "schema": NEW_SCHEMA,
        "version": __version__,
        "plan": str(plan),
        "title": draft.title,
        "cue": draft.facts.cue,
        "frame_rate": None if draft.facts.frame_rate is None else draft.facts.frame_rate.name,
        "start": None if draft.facts.start is None else str(draft.facts.start),
        "files": files,
        "sections": sections,
        "remarks": [*draft.remarks, *draft.facts.remarks],
    }
    if isinstance(draft, Filling):
        document["template"] = str(draft.base)
        document["without_stems"] = list(draft.missing)
    return document
