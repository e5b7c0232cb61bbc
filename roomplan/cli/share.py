"""`roomplan share`: a plan on a page that opens anywhere, with figures that follow its levels."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from roomplan.cautions import LEVELS, MUSIC_ONLY
from roomplan.cli.environment import StageProgress, emit, print_errors, show
from roomplan.cli.parameters import AsJson, PlanFile, Quiet, decimal_number, help_of

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command("share", help=help_of(share, MUSIC_ONLY, LEVELS))(share)


def share(
    plan: PlanFile,
    output: Annotated[
        Path, typer.Argument(metavar="OUT.html", help="The file to write.", show_default=False)
    ],
    *,
    start: Annotated[
        str | None,
        typer.Option(
            "--from",
            metavar="TIME",
            help="Where the sound begins: seconds, 1:10 or timecode. Without it, where most sections play.",
            show_default=False,
        ),
    ] = None,
    length: Annotated[
        str | None,
        typer.Option(
            "--length",
            metavar="S",
            help="How much can be heard: seconds or 1:30. Without it, 45 s, or less of many sends.",
            show_default=False,
        ),
    ] = None,
    size: Annotated[
        float | None,
        typer.Option(
            "--size",
            metavar="MB",
            parser=decimal_number,
            help="Largest file in megabytes: 25, unless given. Lossless sound where that fits, else coded.",
            show_default=False,
        ),
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Replace an existing file.")] = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Write a plan as one page for people without this program: it opens from a disk or a mail.

    The page shows the sends, what each section gets, the targets and pictures of the whole cue, and plays a
    passage. Levels can be moved on it: sound, figures and targets follow, and what was moved comes back as a
    small plan file. It needs no server and no network, and asks for nothing from anywhere. Whoever has the
    file can take the sound of every section out of it.

    Example: roomplan share ice_harbour/ice_harbour.yaml ice_harbour.html

    Example: roomplan share ice_harbour.yaml reel_2.html --from 1:10 --length 30 --size 10
    """
    from roomplan.api.readable import require_plans

    require_plans([plan])
    from roomplan.api.sharing import DEFAULT_SIZE_MB, share_file
    from roomplan.show.page.lines import shared_lines

    if size is not None and not 0.1 <= size <= 500.0:
        raise typer.BadParameter("is not from 0.1 to 500 MB", param_hint="--size")
    with StageProgress(quiet=quiet) as progress:
        shared = share_file(
            plan,
            output,
            start=start,
            length=length,
            size_mb=DEFAULT_SIZE_MB if size is None else size,
            replace=replace,
            progress=progress,
            notice=print_errors,
        )
    if as_json:
        from roomplan.report.documents import to_text
        from roomplan.report.page import share_document

        emit(to_text(share_document(str(output), shared.size_bytes, shared.sound, shared.sample_rate)))
    else:
        show(*shared_lines(output, shared.size_bytes, shared.sound, shared.sample_rate))
