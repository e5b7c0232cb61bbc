"""`roomplan loudness`: how loud sound files are, as a whole and over time."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from roomplan.cautions import LEVELS
from roomplan.cli.environment import ExitStatus, StageProgress, emit, print_errors, show
from roomplan.cli.opening import require_sounds
from roomplan.cli.parameters import AsJson, Quiet, help_of
from roomplan.errors import RoomplanError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from roomplan.loudness.roles import ChannelRole
    from roomplan.measuring.attempts import Unmeasured
    from roomplan.measuring.loudness import MeteredFile

__all__ = ["register"]

_STEPS_PER_FILE = 1000  # of the progress


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
        require_sounds(paths, every=[] if against is None else [against])
    from roomplan.files.folders import find_sounds
    from roomplan.measuring.loudness import MeteredFile, file_loudness
    from roomplan.show import loudness_tables
    from roomplan.show.tables import note

    files = find_sounds(paths)
    with StageProgress(quiet=quiet) as progress:
        # first of all: a reference that cannot be read is said before thousands of files are metered
        reference = None if against is None else MeteredFile(*file_loudness(against, roles=named))
        metered, failed = _meter_all(files, named, progress)
        problems = [file.what for file in failed]
        heard = [*metered, *([reference] if reference is not None else [])]
        if named is not None and heard and all(file.info.channels != len(named) for file in heard):
            problems.append(f"no file has the {len(named)} channels of --roles {roles} — check the roles")
        if plot is not None and metered:
            try:
                _draw(plot, metered, reference, progress)
            except RoomplanError as error:  # the figures are there: they are shown all the same
                problems.extend(str(problem) for problem in error.problems)
    if as_json:
        from roomplan.report.documents import to_text
        from roomplan.report.loudness import loudness_document

        emit(to_text(loudness_document(metered, failed, reference=reference)))
    elif metered:
        show(loudness_tables.loudness_table(metered, reference=reference))
        if reference is not None:
            show(loudness_tables.difference_table(metered, reference=reference))
        show(*loudness_tables.notes(heard), note(LEVELS))
    for what in problems:
        print_errors(what)
    if problems:
        raise typer.Exit(ExitStatus.INPUT)


def _named(roles: str | None) -> tuple[ChannelRole, ...] | None:
    """Roles from the option."""
    if roles is None:
        return None
    from roomplan.loudness.roles import parse_roles

    try:
        return parse_roles(roles)
    except RoomplanError as error:
        raise typer.BadParameter(str(error), param_hint="--roles") from error


def _meter_all(
    files: Sequence[Path], roles: Sequence[ChannelRole] | None, progress: StageProgress
) -> tuple[list[MeteredFile], list[Unmeasured]]:
    from roomplan.measuring.loudness import MeteredFile, meter_files

    metered: list[MeteredFile] = []
    failed: list[Unmeasured] = []
    steps = _STEPS_PER_FILE * len(files)

    def advance(done: int, share: float) -> None:
        progress("metering", int(_STEPS_PER_FILE * (done + share)), steps)

    for done, result in enumerate(meter_files(files, roles=roles, progress=advance), start=1):
        if isinstance(result, MeteredFile):
            metered.append(result)
        else:
            failed.append(result)
        advance(done, 0.0)
    return metered, failed


def _draw(
    target: Path, metered: Sequence[MeteredFile], reference: MeteredFile | None, progress: StageProgress
) -> None:
    from roomplan.show.loudness_pictures import PicturedSound, draw_loudness

    progress.note("drawing")
    files = [*metered, *([reference] if reference is not None else [])]
    several = len({file.path.parent for file in files}) > 1
    sounds = [
        PicturedSound(
            str(file.path if several else file.path.name) + (" (reference)" if file is reference else ""),
            file.info.duration_s,
            file.loudness,
        )
        for file in files
    ]
    draw_loudness(sounds, target)
