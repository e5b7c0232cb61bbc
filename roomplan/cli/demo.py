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
    from roomplan.api.render_job import RenderJob
    from roomplan.cli.render import render_one
    from roomplan.errors import RoomplanError

    if folder.exists() and not folder.is_dir():
        raise RoomplanError(f"{folder} is a file", remedy="name a folder for the demo")
    plan = folder / "ice_harbour.yaml"
    with StageProgress(quiet=quiet) as progress:
        _write_missing_stems(folder / "stems", progress)
    _copy_missing_plan("ice_harbour.yaml", folder)
    if cues:
        from roomplan.demo.cues import CUE_PLANS, write_cues

        write_cues(folder / "stems", folder / "cues")
        for name in CUE_PLANS:
            _copy_missing_plan(name, folder)
    job = RenderJob(plan, only=(), mute=())
    render_one(job, as_json=as_json, bands=bands, quiet=quiet, cautioned=False)
    if not as_json:
        from roomplan.show.tables import note

        show(f"the plan is {plan}: change a send, then run  roomplan render {plan}")
        if cues:
            show(f"three cues: roomplan render {folder / 'ice_harbour_2m1.yaml'} and its two neighbours")
        show(note(LEVELS))


def _copy_missing_plan(name: str, folder: Path) -> None:
    from roomplan.files.resources import bundled_folder
    from roomplan.files.whole_file import write_new

    if not (folder / name).exists():
        write_new(folder / name, (bundled_folder("configs") / name).read_bytes())


def _write_missing_stems(folder: Path, progress: StageProgress) -> None:
    """Write the stems that are not there yet; those that are may have been edited."""
    from roomplan.demo.ice_harbour import STEMS, write_stems
    from roomplan.files.staging import StagedFolder

    files = [file for stem in STEMS.values() for file in stem.files]
    if all((folder / file).exists() for file in files):
        return
    progress.note("synthesising stems")
    with StagedFolder(folder, notice=progress.say) as staged:
        for written in write_stems(staged.path(files[0]).parent):
            if (folder / written.name).exists():
                written.unlink()
        staged.commit(last=next(file for file in files if not (folder / file).exists()))
