"""`roomplan render`: stems through the planned rooms into files, with a report."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from roomplan.cli.environment import StageProgress, emit, show
from roomplan.cli.parameters import AsJson, Bands, PlanFile, Quiet, help_of

__all__ = ["register", "render_plan"]


def register(app: typer.Typer) -> None:
    """Hang the command in."""
    app.command("render", help=help_of(render))(render)


def render(
    plan: PlanFile,
    *,
    output: Annotated[
        Path | None,
        typer.Option("--output", "-o", metavar="DIR", help="Write here instead of the delivery's folder."),
    ] = None,
    only: Annotated[
        list[str] | None,
        typer.Option(
            "--only", metavar="BUS", help="Write only this bus, such as mix or section:choir. Repeatable."
        ),
    ] = None,
    mute: Annotated[
        list[str] | None, typer.Option("--mute", metavar="SECTION", help="Mute this section. Repeatable.")
    ] = None,
    as_json: AsJson = False,
    bands: Bands = False,
    quiet: Quiet = False,
) -> None:
    """Render the stems through the rooms of a plan, and report every bus.

    All files have one length and start on the same sample; report.json stands beside them and says which
    files add up to the mix. Nothing is moved into place before everything is done: a failed or interrupted
    run leaves earlier files whole.

    Example: roomplan render ice_harbour/ice_harbour.yaml --output /tmp/listen --only mix
    """
    render_plan(
        plan, output=output, only=only or [], mute=mute or [], as_json=as_json, bands=bands, quiet=quiet
    )


def render_plan(
    plan: Path,
    *,
    output: Path | None = None,
    only: list[str],
    mute: list[str],
    as_json: bool,
    bands: bool,
    quiet: bool,
) -> None:
    """Render and report; also the last step of the demo."""
    from roomplan.cli.opening import margin_tables, open_plan
    from roomplan.mixing.cache import Cache
    from roomplan.mixing.render import render_session
    from roomplan.reports import documents, tables

    with StageProgress(quiet=quiet) as progress:
        session = open_plan(plan, mute=mute, progress=progress)
        delivery = next(iter(session.plan.deliveries.values()))
        folder = (output or delivery.folder).absolute()
        rendering = render_session(
            session,
            delivery,
            folder,
            report=lambda result: documents.to_text(documents.render_document(result)),
            only=only,
            progress=progress,
            cache=Cache.open(),
        )
    if as_json:
        emit(documents.to_text(documents.render_document(rendering)))
        return
    show(tables.section_table(rendering), tables.room_table(rendering), *margin_tables(rendering))
    if bands:
        show(*tables.octave_tables(rendering))
    count = sum(len(files) for files in rendering.outputs.values())
    seconds = rendering.frames / session.sample_rate
    show(
        *tables.warning_lines(rendering.warnings),
        f"{count} files of {seconds:.1f} s and report.json in {folder}",
    )
