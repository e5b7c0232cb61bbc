"""`roomplan sweep`: a sweep to be played in a room."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Annotated

import typer

from roomplan.cautions import SWEEPS
from roomplan.cli.environment import ExitStatus, StageProgress, emit, print_errors, show
from roomplan.cli.parameters import AsJson, Quiet, help_of

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command("sweep", help=help_of(sweep, SWEEPS))(sweep)


def sweep(
    output: Annotated[Path, typer.Argument(metavar="OUT.wav", help="The file to write.", show_default=False)],
    *,
    seconds: Annotated[
        float | None,
        typer.Option(
            "--seconds",
            metavar="S",
            help="Length of each sweep; without it what the room asks for, 10 s at least.",
            show_default=False,
        ),
    ] = None,
    start: Annotated[float, typer.Option("--from", metavar="HZ", help="Lowest frequency measured.")] = 20.0,
    end: Annotated[
        float | None,
        typer.Option(
            "--to",
            metavar="HZ",
            help="Highest frequency measured; without it 20000, or 0.46 of a low sample rate.",
            show_default=False,
        ),
    ] = None,
    rate: Annotated[
        int, typer.Option("--rate", metavar="HZ", min=8000, max=192_000, help="Sample rate of the file.")
    ] = 48_000,
    level: Annotated[
        float, typer.Option("--level", metavar="DB", min=-60.0, max=0.0, help="Peak level in dBFS.")
    ] = -6.0,
    sides: Annotated[
        str,
        typer.Option(
            "--sides",
            metavar="LIST",
            help="Loudspeakers that play, in this order; the first plays again at the end.",
        ),
    ] = "left,right",
    decay: Annotated[
        float,
        typer.Option(
            "--decay", metavar="S", min=0.1, max=30.0, help="Reverberation time you expect: sets the gaps."
        ),
    ] = 2.0,
    wanted: Annotated[
        float,
        typer.Option(
            "--range", metavar="DB", min=20.0, max=120.0, help="Decay range the response should have."
        ),
    ] = 60.0,
    over_noise: Annotated[
        float | None,
        typer.Option(
            "--over-noise",
            metavar="DB",
            min=-60.0,
            max=120.0,
            help="How far the sweep is over the room's noise at the microphone, in an octave.",
            show_default=False,
        ),
    ] = None,
    play: Annotated[
        str | None,
        typer.Option(
            "--play",
            metavar="DEVICE",
            help="Play it at once on this sound device, a name or a number; with --record.",
            show_default=False,
        ),
    ] = None,
    record: Annotated[
        Path | None,
        typer.Option(
            "--record", metavar="FILE", help="Where the recording made meanwhile goes.", show_default=False
        ),
    ] = None,
    inputs: Annotated[
        int,
        typer.Option(
            "--inputs", metavar="N", min=1, max=32, help="Inputs that --record takes, from the first."
        ),
    ] = 2,
    replace: Annotated[bool, typer.Option("--replace", help="Replace existing files.")] = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Write a sweep to be played in a room and recorded, for capture to make responses of.

    One file with a second of silence, a sweep on the left loudspeaker, one on the right, and the left one
    again, which shows the drift of the recorder's clock and whether anything moved. It says how long a sweep
    your room asks for. How the sweep was made is in the file and in a .txt beside it: capture needs one of
    them. roomplan help capture has a sheet for the session.

    Example: roomplan sweep sweep.wav --decay 4

    Example: roomplan sweep sweep.wav --sides left --seconds 20 --rate 96000

    Example: roomplan sweep sweep.wav --play 0 --record nave_front.wav
    """
    if (play is None) != (record is None):
        raise typer.BadParameter("--play DEVICE and --record FILE go together", param_hint="--play")
    from roomplan.api.playing import open_device, play_and_record, refuse_recording
    from roomplan.api.sweeps import refuse_sweep_file, sweep_advice, write_sweep
    from roomplan.api.sweeps import sweep as make_sweep

    if not as_json:
        from roomplan.show.tables import note

        show(note(SWEEPS))
    refuse_sweep_file(output, replace=replace)
    played = make_sweep(
        seconds=seconds,
        start_hz=start,
        end_hz=end,
        sample_rate=rate,
        level_dbfs=level,
        sides=[side.strip().lower() for side in sides.split(",")],
        decay_s=decay,
        range_db=wanted,
        over_noise_db=over_noise,
    )
    advice = sweep_advice(played.sweep, decay_s=decay, range_db=wanted, over_noise_db=over_noise)
    if record is not None:
        refuse_recording(record, replace=replace)
    device = None if play is None else open_device(play)
    with StageProgress(quiet=quiet) as progress:
        written = write_sweep(played, output, advice, replace=replace, progress=progress, notice=progress.say)
        if device is not None and record is not None:
            found = play_and_record(
                played,
                device,
                record,
                channels=inputs,
                replace=replace,
                progress=progress,
                notice=progress.say,
            )
            written = dataclasses.replace(written, recording=found)
    if as_json:
        from roomplan.report.documents import to_text
        from roomplan.report.sweeps import sweep_document

        emit(to_text(sweep_document(written)))
    else:
        from roomplan.show.sweep_lines import sweep_lines

        show(*sweep_lines(written))
    if written.recording is not None and written.recording.has_gaps:
        print_errors(f"{record}: sound was lost on the way — close other programs and record again")
        raise typer.Exit(ExitStatus.INPUT)
