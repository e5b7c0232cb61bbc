"""`roomplan loudness`: how loud sound files are, as a whole and over time."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from roomplan.cautions import LEVELS
from roomplan.cli.environment import ExitStatus, StageProgress, emit, print_errors, show
from roomplan.cli.parameters import AsJson, Quiet, help_of
from roomplan.errors import RoomplanError

if TYPE_CHECKING:
    from roomplan.loudness.roles import ChannelRole

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command("loudness", help=help_of(loudness, LEVELS))(loudness)


def loudness(
    paths: Annotated[
        list[Path],
        typer.Argument(
            metavar="FILE|FOLDER",
            help="Any sound files, or folders of them.",
            show_default=False,
        ),
    ],
    *,
    roles: Annotated[
        str | None,
        typer.Option(
            "--roles",
            metavar="ROLES",
            help="What the channels are, in their order, such as L,R,C,LFE,Ls,Rs; needed for more than two. "
            "Mono and stereo files beside them keep their own.",
            show_default=False,
        ),
    ] = None,
    against: Annotated[
        Path | None,
        typer.Option(
            "--against",
            metavar="OTHER",
            help="Show how each figure differs from this file's, in LU and dB.",
            show_default=False,
        ),
    ] = None,
    plot: Annotated[
        Path | None,
        typer.Option(
            "--plot",
            metavar="FILE",
            help="Draw loudness over time: .png or .svg for up to eight files, .pdf for any number.",
            show_default=False,
        ),
    ] = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Measure the loudness of sound files: integrated, momentary and short-term maximum, range, peaks.

    Loudness follows ITU-R BS.1770 with both gates, its range (LRA) EBU Tech 3342; the true peak is that
    between the samples, and PLR its distance to the integrated loudness. A figure that cannot be given, such
    as the loudness of silence, is a dash with its reason.

    Example: roomplan loudness mix.wav --plot mix.png

    Example: roomplan loudness render/prints --against mix.wav

    Example: roomplan loudness surround.wav --roles L,R,C,LFE,Ls,Rs
    """
    named = _named(roles)
    if not as_json:  # which has a document, whatever can be read
        from roomplan.api.readable import require_sounds

        require_sounds(paths, every=[] if against is None else [against])
    from roomplan.api.metered_files import draw_metered, meter_sounds
    from roomplan.show import loudness_tables
    from roomplan.show.tables import note

    with StageProgress(quiet=quiet) as progress:
        found = meter_sounds(paths, roles=named, against=against, progress=progress)
        problems = [file.what for file in found.failed]
        if named is not None and found.every and all(f.info.channels != len(named) for f in found.every):
            problems.append(f"no file has the {len(named)} channels of --roles {roles} — check the roles")
        if plot is not None and found.metered:
            try:
                draw_metered(found, plot, progress=progress)
            except RoomplanError as error:  # the figures are there: they are shown all the same
                problems.extend(str(problem) for problem in error.problems)
    if as_json:
        from roomplan.report.documents import to_text
        from roomplan.report.loudness import loudness_document

        emit(to_text(loudness_document(found.metered, found.failed, reference=found.reference)))
    elif found.metered:
        show(loudness_tables.loudness_table(found.metered, reference=found.reference))
        if found.reference is not None:
            show(loudness_tables.difference_table(found.metered, reference=found.reference))
        show(*loudness_tables.notes(found.every), note(LEVELS))
    for what in problems:
        print_errors(what)
    if problems:
        raise typer.Exit(ExitStatus.INPUT)


def _named(roles: str | None) -> tuple[ChannelRole, ...] | None:
    """Roles from the option."""
    if roles is None:
        return None
    from roomplan.api.metered_files import named_roles

    try:
        return named_roles(roles)
    except RoomplanError as error:
        raise typer.BadParameter(str(error), param_hint="--roles") from error
