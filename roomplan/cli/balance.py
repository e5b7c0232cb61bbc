"""`roomplan balance`: the levels that meet the targets of a plan, and why they do or do not."""

from __future__ import annotations

from typing import Annotated

import typer

from roomplan.cautions import MUSIC_ONLY
from roomplan.cli.environment import ExitStatus, StageProgress, emit, print_errors, show
from roomplan.cli.parameters import AsJson, PlanFile, Quiet, help_of

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command("balance", help=help_of(balance, MUSIC_ONLY))(balance)


def balance(
    plan: PlanFile,
    *,
    write: Annotated[
        bool,
        typer.Option("--write", help="Write the new levels into the plan; the old file is kept beside it."),
    ] = False,
    verify: Annotated[
        bool,
        typer.Option("--verify", help="Measure the targets at the new levels, in a new pass over the sound."),
    ] = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Find the sends and section levels that meet the targets of a plan, nearest to the plan as it is.

    The plan lists its targets under `targets`, and what may be moved under `balance`. The result shows the
    targets before and after and what changes. Where not all can be met, it shows which of them conflict,
    which limits are reached and which targets are out of reach. Only `trim` sets the loudness of the mix.
    A true peak at new levels needs a new pass over the sound: --verify makes one. Only --write changes the
    plan, in this file alone and only the levels that change: at a group or under `shared_sends` where all
    its sections change alike, else at each section. Exit 1 when a target is missed.

    Example: roomplan balance ice_harbour/ice_harbour.yaml

    Example: roomplan balance ice_harbour.yaml --verify --write
    """
    from roomplan.api.readable import require_plans

    require_plans([plan])
    from roomplan.api.solving import balance_file
    from roomplan.report.balance import balance_document
    from roomplan.report.documents import to_text
    from roomplan.show import balance_tables

    with StageProgress(quiet=quiet) as progress:
        done = balance_file(plan, write=write, verify=verify, progress=progress, notice=print_errors)
    found, backup, shared = done.found, done.backup, done.shared
    if as_json:
        kept = None if backup is None else str(backup)
        emit(to_text(balance_document(found, written=kept, shared=shared)))
    else:
        show(*balance_tables.balance_tables(found), *balance_tables.balance_lines(found))
        if backup is not None:
            show(*balance_tables.shared_lines(shared))
            show(f"written to {plan}; the old file is {backup}")
        elif write:
            show(f"{plan}: nothing to write")
        elif found.changed:
            show("nothing written; add --write to change the plan")
        show(*balance_tables.speech_lines(found.session.plan.targets))
    if not found.met:
        raise typer.Exit(ExitStatus.INPUT)
