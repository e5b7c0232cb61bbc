"""`roomplan demo`: from nothing to a rendered, measured mix."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from roomplan.cautions import LEVELS
from roomplan.cli.environment import StageProgress, show
from roomplan.cli.parameters import AsJson, Bands, Quiet, help_of

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command("demo", help=help_of(demo, LEVELS))(demo)


def demo(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where the cue is written.")] = Path(
        "ice_harbour"
    ),
    *,
    cues: Annotated[
        bool,
        typer.Option(
            "--cues", help="Also write three cues and the house set-up they extend, without rendering them."
        ),
    ] = False,
    as_json: AsJson = False,
    bands: Bands = False,
    quiet: Quiet = False,
) -> None:
    """Write the invented cue Ice Harbour, six sections of dry stems and a plan; render and measure it.

    A plan and stems that are already there are kept, so that the render contains your changes.

    Example: roomplan demo, then edit ice_harbour/ice_harbour.yaml and run it again.

    Example: roomplan demo --cues, then roomplan render ice_harbour/ice_harbour_2m*.yaml
    """
    from roomplan.api.demo import write_demo
    from roomplan.api.render_job import RenderJob
    from roomplan.cli.render import render_one

    with StageProgress(quiet=quiet) as progress:
        plan = write_demo(folder, cues=cues, progress=progress, notice=progress.say)
    job = RenderJob(plan, only=(), mute=())
    render_one(job, as_json=as_json, bands=bands, quiet=quiet, cautioned=False)
    if not as_json:
        from roomplan.show.tables import note

        show(f"the plan is {plan}: change a send, then run  roomplan render {plan}")
        if cues:
            show(f"three cues: roomplan render {folder / 'ice_harbour_2m1.yaml'} and its two neighbours")
        show(note(LEVELS))
