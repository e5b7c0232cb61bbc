"""`roomplan check`: everything that is wrong with a plan, or its send matrix with what each send returns."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

from roomplan.cautions import MUSIC_ONLY
from roomplan.cli.environment import ExitStatus, StageProgress, emit, print_errors, show
from roomplan.cli.parameters import AsJson, Bands, PlanFile, Quiet, help_of
from roomplan.errors import PlanError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from roomplan.balance.verifying import TargetResult
    from roomplan.errors import Problem
    from roomplan.plan.updating import UpdatedFile
    from roomplan.rendering.result import Rendering

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command("check", help=help_of(check, MUSIC_ONLY))(check)


def check(
    plan: PlanFile,
    bases: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="[BASE]...",
            help="With --update: files that PLAN extends, to rewrite too.",
            show_default=False,
        ),
    ] = None,
    *,
    update: Annotated[
        bool,
        typer.Option(
            "--update", help="First rewrite keys and values that have new names; the old file is kept."
        ),
    ] = False,
    as_json: AsJson = False,
    bands: Bands = False,
    quiet: Quiet = False,
) -> None:
    """Find every problem of a plan at once; then show its send matrix, computed from the audio.

    Each send shows its level, position, wiring, the wet arrival after the dry sound, and how loud it returns
    against that. Notes point out stems that are short, clipped, silent, quiet, or changed since the last
    render. Only the cache is written, and with --update the plan: after a change of levels or mutes alone,
    the answer comes from the cache. Exit 1 when the plan has problems (a delivery that would clip in its
    format is one) or misses one of its targets.

    Example: roomplan check ice_harbour/ice_harbour.yaml

    Example: roomplan check --update reel_2.yaml house_base.yaml
    """
    from roomplan.api.readable import require_plans

    if bases and not update:
        raise typer.BadParameter("further files are rewritten by --update alone", param_hint="BASE")
    updated = _update(plan, bases or [], quiet=as_json) if update else ()
    if not as_json:
        try:
            require_plans([plan])
        except PlanError as error:
            _refuse(plan, error.problems)
    from roomplan.api.checking import check_file

    with StageProgress(quiet=quiet) as progress:
        checked = check_file(plan, progress=progress)
    rendering = checked.rendering
    if as_json:
        from roomplan.report import balance, documents

        entries = balance.result_entries(checked.results)
        document = documents.check_document(rendering, checked.problems) | {"targets": entries}
        if update:
            document["updated"] = [documents.updated_entry(file) for file in updated]
        emit(documents.to_text(document))
    elif rendering is None:
        _refuse(plan, checked.problems)
    else:
        _show(plan, rendering, checked.results, bands=bands)
    if rendering is None or rendering.refused or checked.missed:
        raise typer.Exit(ExitStatus.INPUT)


def _show(plan: Path, rendering: Rendering, results: tuple[TargetResult, ...], *, bands: bool) -> None:
    """Show figures, notes and targets, and how many problems a delivery would have."""
    from roomplan.show import balance_tables, tables
    from roomplan.show.compare_tables import margin_tables

    show(tables.send_matrix(rendering), tables.section_table(rendering), tables.room_table(rendering))
    if bands:
        show(*tables.octave_tables(rendering))
    show(*margin_tables(rendering), *tables.warning_lines(rendering.warnings))
    if rendering.recalled:
        show("taken from an earlier pass over the same sounds; since then only levels and mutes may differ")
    if results:
        show(balance_tables.result_table(results), *balance_tables.result_lines(results))
    for problem in rendering.refused:
        print_errors(problem)
    count = len(rendering.refused)
    if count:
        print_errors(f"{count} problem{'s' if count != 1 else ''} in {plan}")
    else:
        missed = any(not result.met for result in results)
        show(f"{plan}: no problems" + (", but targets are missed" if missed else ""))
    show(*balance_tables.speech_lines(result.target for result in results))


def _update(plan: Path, bases: Sequence[Path], *, quiet: bool) -> tuple[UpdatedFile, ...]:
    """Rewrite the old words of a plan, and say which unless `quiet`."""
    from roomplan.api.checking import update_file

    updated = update_file(plan, bases)
    if not quiet:
        for one in updated:
            for word in one.words:
                show(f"{word.place}: {word.old} → {word.new}")
            show(f"written to {one.file}; the old file is {one.backup}")
        if not updated:
            show(f"{plan}: no old words")
    return updated


def _refuse(plan: Path, problems: Sequence[Problem]) -> NoReturn:
    """Print the problems of a plan and how many they are, and end."""
    for problem in problems:
        print_errors(problem)
    count = len(problems)
    print_errors(f"{count} problem{'s' if count != 1 else ''} in {plan}")
    raise typer.Exit(ExitStatus.INPUT)
