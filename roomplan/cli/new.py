"""`roomplan new`: a first plan from a folder of stems."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import Annotated

import typer

from roomplan.cli.environment import StageProgress, emit, show
from roomplan.cli.parameters import AsJson, Quiet, help_of
from roomplan.errors import RoomplanError

__all__ = ["register"]


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
    from roomplan.api.drafting import default_plan, inspect_stems, write_draft
    from roomplan.show.draft_tables import draft_lines, draft_table

    if ask and not sys.stdin.isatty():
        raise RoomplanError(
            "--ask needs a terminal to ask on",
            remedy="run without it, then check the ? comments of the plan",
        )
    plan = output if output is not None else default_plan(folder)
    with StageProgress(quiet=quiet) as progress:
        stems = inspect_stems(folder, plan, base=base, replace=replace, progress=progress)

    def answer(question: str, default: str) -> str:
        return str(typer.prompt(question, default=default))

    draft = write_draft(folder, stems, plan, base=base, ask=answer if ask else None, replace=replace)
    if as_json:
        from roomplan.report.documents import to_text
        from roomplan.report.drafts import draft_document

        emit(to_text(draft_document(draft, plan)))
        return
    show(draft_table(draft), *draft_lines(draft))
    where = shlex.quote(str(plan))
    show(f"{plan} is written. Next:", f"  roomplan check {where}", f"  roomplan render {where}")
