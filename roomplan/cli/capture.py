"""`roomplan capture`: responses from what was recorded in a room."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from roomplan.cautions import MUSIC_ONLY, RESPONSE, SWEEPS
from roomplan.cli.environment import ExitStatus, StageProgress, emit, print_errors, show
from roomplan.cli.parameters import AsJson, Quiet, help_of
from roomplan.errors import RoomplanError

if TYPE_CHECKING:
    from roomplan.report.captures import CapturedRoom, Captures

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command("capture", help=help_of(capture, MUSIC_ONLY, SWEEPS))(capture)


def capture(
    recordings: Annotated[
        list[Path],
        typer.Argument(
            metavar="RECORDING",
            help="What was recorded in the room; a file for each place.",
            show_default=False,
        ),
    ],
    *,
    sweep: Annotated[
        Path | None,
        typer.Option(
            "--sweep",
            metavar="FILE",
            help="The sweep that was played, as roomplan sweep wrote it, or the .txt beside it.",
            show_default=False,
        ),
    ] = None,
    impulse: Annotated[
        bool, typer.Option("--impulse", help="Claps, balloons or pistol shots were recorded, no sweep.")
    ] = False,
    output: Annotated[
        Path,
        typer.Option("--output", "-o", metavar="FOLDER", help="Where the responses go.", show_default=False),
    ],
    loopback: Annotated[
        int | None,
        typer.Option(
            "--loopback",
            metavar="N",
            min=1,
            help="Channel that recorded the electrical signal beside the microphones.",
            show_default=False,
        ),
    ] = None,
    room: Annotated[
        str | None,
        typer.Option(
            "--room", metavar="NAME", help="Print the responses as a room of a plan.", show_default=False
        ),
    ] = None,
    plan: Annotated[
        Path | None,
        typer.Option(
            "--write",
            metavar="PLAN",
            help="Add that room to this plan instead; comments and the old file are kept.",
            show_default=False,
        ),
    ] = None,
    plot: Annotated[
        Path | None,
        typer.Option(
            "--plot",
            metavar="FILE",
            help="With --sweep: draw arrivals, ranges, distortion and decay; .png or .svg, .pdf for many.",
            show_default=False,
        ),
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Replace existing responses.")] = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Make impulse responses of recordings of a sweep or of bangs, and say how far to trust them.

    Each recording becomes a position, called like its file: mono, stereo or true stereo by what was played
    and recorded, 32-bit float, levels kept between sides and recordings. The recording may begin at any time,
    at another rate and with another clock. What went wrong is named with its time: clipping, drop-outs,
    knocks, distortion, automatic gain. A recording that no response can be made of is refused. With --impulse
    the best of several bangs is written, and the figures of all are averaged.

    Example: roomplan capture nave_front.wav nave_rear.wav --sweep sweep.wav --output nave

    Example: roomplan capture claps.wav --impulse --output nave --room parish_nave --write cue.yaml
    """
    _require_choice(sweep, loopback, plot, room, plan, impulse=impulse)
    from roomplan.api.readable import require_sounds

    require_sounds(recordings, every=recordings)  # a name mistyped is said before an hour of work
    from roomplan.api.captured_rooms import captured_room, require_room_name

    if room is not None:
        require_room_name(room, plan)
    if plot is not None:
        from roomplan.show.capture_pictures import require_pages

        require_pages(plot, len(recordings))
    with StageProgress(quiet=quiet) as progress:
        if sweep is None:
            from roomplan.api.capturing_bangs import capture_bangs

            found = capture_bangs(recordings, output, replace=replace, progress=progress, notice=progress.say)
        else:
            from roomplan.api.capturing import capture_sweep_recordings
            from roomplan.api.sweeps import read_sweep

            found = capture_sweep_recordings(
                recordings,
                read_sweep(sweep),
                output,
                loopback=loopback,
                replace=replace,
                progress=progress,
                notice=progress.say,
            )
    problems = [one.what for one in found.failed]
    entry = None
    try:
        if plot is not None and found.sweeps:
            from roomplan.show.capture_pictures import draw_captures

            draw_captures(found.sweeps, plot)
        if room is not None and found.files:
            entry = captured_room(room, found.files, plan)
    except RoomplanError as error:  # the responses are there: what is known of them is shown all the same
        problems.extend(str(problem) for problem in error.problems)
    _show(found, entry, as_json=as_json)
    for what in problems:
        print_errors(what)
    if problems:
        raise typer.Exit(ExitStatus.INPUT)


def _require_choice(
    sweep: Path | None,
    loopback: int | None,
    plot: Path | None,
    room: str | None,
    plan: Path | None,
    *,
    impulse: bool,
) -> None:
    """Refuse options that do not go together."""
    if (sweep is None) == (not impulse):
        raise typer.BadParameter("give one of --sweep FILE and --impulse", param_hint="--sweep")
    if impulse and loopback is not None:
        raise typer.BadParameter(
            "only with --sweep: a bang has no electrical signal", param_hint="--loopback"
        )
    if impulse and plot is not None:
        raise typer.BadParameter(
            "only with --sweep; roomplan measure draws any response", param_hint="--plot"
        )
    if plan is not None and room is None:
        raise typer.BadParameter("needs --room NAME, what the room is called", param_hint="--write")


def _show(found: Captures, entry: CapturedRoom | None, *, as_json: bool) -> None:
    if as_json:
        from roomplan.report.captures import capture_document
        from roomplan.report.documents import to_text

        emit(to_text(capture_document(found, entry)))
        return
    from roomplan.report.capture_words import NO_STANDARD
    from roomplan.show import capture_tables
    from roomplan.show.tables import note

    for one in found.sweeps:
        show(*capture_tables.sweep_tables(one))
    for one in found.bangs:
        show(*capture_tables.bang_tables(one))
    if found.files:
        show(*capture_tables.file_lines(found.files))
        if entry is not None:
            show(*capture_tables.room_lines(entry))
        show(note(RESPONSE), note(NO_STANDARD), note(MUSIC_ONLY))
