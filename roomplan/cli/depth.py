"""`roomplan depth`: how far away each section sounds by its seat and room, and the sends that say so."""

from __future__ import annotations

from typing import Annotated

import typer

from roomplan.cautions import MUSIC_ONLY
from roomplan.cli.environment import StageProgress, emit, print_errors, show
from roomplan.cli.parameters import AsJson, PlanFile, Quiet, decimal_number, help_of

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command("depth", help=help_of(depth, MUSIC_ONLY))(depth)


def depth(
    plan: PlanFile,
    *,
    absolute: Annotated[
        bool,
        typer.Option(
            "--absolute", help="Use the ratios of the rooms themselves: far wetter than most mixes want."
        ),
    ] = False,
    amount: Annotated[
        float | None,
        typer.Option(
            "--amount",
            metavar="0..1",
            parser=decimal_number,
            help="Share of the differences between sections: 1, unless given, for all of them; 0 for none, "
            "so that every section gets its reference section's wet-to-dry.",
            show_default=False,
        ),
    ] = None,
    write: Annotated[
        bool,
        typer.Option(
            "--write", help="Write the proposed sends into the plan; the old file is kept beside it."
        ),
    ] = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Show how far away each section is by its seat and its room, and the sends that match.

    The distance of the seat, the section's source, the volume of the room and its reverberation time give, by
    theory: critical distance, direct-to-reverberant ratio, clarity, the loss of highs in air, how late the
    sound arrives, and the pre-delay the seat implies. For measured responses it shows what is measured in
    them.

    In each room one section, the plan's `reference_section` or else the nearest, keeps its sends; the others
    there follow by the differences of their ratios. Sections that are `locked` under `balance` keep theirs.
    Nothing is written without --write; then only the sends that change are, in this file alone.

    Example: roomplan depth ice_harbour/ice_harbour.yaml

    Example: roomplan depth ice_harbour.yaml --amount 0.5 --write
    """
    if absolute and amount is not None:
        raise typer.BadParameter(
            "is a share of the differences to the reference sections; --absolute has none",
            param_hint="--amount",
        )
    if amount is not None and not 0.0 <= amount <= 1.0:
        raise typer.BadParameter(f"is {amount:g}: give 0 to 1", param_hint="--amount")
    from roomplan.api.readable import require_plans

    require_plans([plan])
    from roomplan.api.seats import depth_of_file
    from roomplan.report.depth import depth_document
    from roomplan.report.documents import to_text
    from roomplan.show import depth_tables
    from roomplan.show.tables import note

    share = None if absolute else 1.0 if amount is None else amount
    with StageProgress(quiet=quiet) as progress:
        done = depth_of_file(plan, amount=share, write=write, progress=progress, notice=print_errors)
    found, backup = done.found, done.backup
    if as_json:
        kept = None if backup is None else str(backup)
        emit(to_text(depth_document(found, done.plan, written=kept)))
        return
    show(*depth_tables.depth_tables(found, done.plan), *depth_tables.depth_lines(found))
    if backup is not None:
        show(*depth_tables.change_lines(found))
        show(f"written to {plan}; the old file is {backup}")
    elif write:
        show(f"{plan}: nothing to write")
    elif found.changes:
        show("nothing written; add --write to change the plan")
    show(note(MUSIC_ONLY))
