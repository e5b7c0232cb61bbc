"""`roomplan compare`: the loudness of every bus in several plans, and the differences."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from roomplan.cli.environment import ExitStatus, StageProgress, emit, print_errors, show
from roomplan.cli.parameters import AsJson, Quiet, help_of

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Hang the command in."""
    app.command("compare", help=help_of(compare))(compare)


def compare(
    plans: Annotated[
        list[Path],
        typer.Argument(
            metavar="PLAN", help="Two plans or more; the first is the reference.", show_default=False
        ),
    ],
    *,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Compare the loudness of every bus between plans: wet buses first, differences to the first plan.

    Nothing is written.

    Example: roomplan compare intimate.yaml spacious.yaml
    """
    if len(plans) < 2:
        raise typer.BadParameter("two plans at least: the first is what the others are compared with")
    from roomplan.cli.opening import plan_problems
    from roomplan.mixing.render import measure_session
    from roomplan.reports import documents, tables

    with StageProgress(quiet=quiet) as progress:
        opened = [(path, *plan_problems(path, progress=progress)) for path in plans]
        problems = list(dict.fromkeys(p for _path, _session, found in opened for p in found))
        if problems:
            for problem in problems:
                print_errors(problem)
            raise typer.Exit(ExitStatus.INPUT)
        labels = _labels(plans)
        renderings = []
        for label, (_path, session, _found) in zip(labels, opened, strict=True):
            if session is not None:
                renderings.append(
                    (
                        label,
                        measure_session(
                            session,
                            progress=lambda stage, done, total, label=label: progress(
                                f"{label}: {stage}", done, total
                            ),
                        ),
                    )
                )
    if as_json:
        emit(documents.to_text(documents.compare_document(renderings)))
        return
    show(tables.comparison_table(renderings))
    for label, rendering in renderings:
        show(*(f"{label}: {line}" for line in tables.warning_lines(rendering.warnings)))


def _labels(plans: list[Path]) -> list[str]:
    """Shortest names that tell the plans apart."""
    for label in (lambda p: p.stem, lambda p: f"{p.parent.name}/{p.stem}", str):
        labels = [label(path) for path in plans]
        if len(set(labels)) == len(labels):
            return labels
    return [f"{path} ({number})" for number, path in enumerate(plans, start=1)]
