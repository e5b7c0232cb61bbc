"""`roomplan measure`: how long impulse responses decay, and how far the figures can be trusted."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from roomplan.cli.environment import ExitStatus, StageProgress, emit, print_errors, show
from roomplan.cli.parameters import AsJson, Quiet, help_of

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Hang the command in."""
    app.command("measure", help=help_of(measure))(measure)


def measure(
    files: Annotated[
        list[Path],
        typer.Argument(metavar="FILE…", help="Impulse responses, any sound file.", show_default=False),
    ],
    *,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Measure the decay of impulse responses, octave by octave.

    EDT, T20, T30, C80, D50 and centre time follow ISO 3382-1. A figure the data cannot support is a dash,
    and the verdict says why. Figures are for music production, not for voice-alarm or building-code
    assessment: there, local codes and licensed practice decide.

    Hearing caution: sweeps and balloon pops are loud. Wear protection when you record a room, and turn
    the monitors down before you play a response.

    Example: roomplan measure nave_front.wav nave_rear.wav
    """
    from roomplan.acoustics.analysis import measure_response
    from roomplan.errors import RoomplanError
    from roomplan.reports import documents, tables
    from roomplan.rooms.responses import read_for_measuring

    measured, failed = [], []
    with StageProgress(quiet=quiet) as progress:
        for number, path in enumerate(files):
            progress("measuring", number, len(files))
            try:
                sound = read_for_measuring(path)
            except RoomplanError as error:
                failed.append((path, str(error)))
                continue
            channels = measure_response(sound.samples, sample_rate=sound.sample_rate)
            measured.append(documents.Measured(path, sound.sample_rate, channels, sound.warnings))
    if as_json:
        emit(documents.to_text(documents.measure_document(measured, failed)))
    elif measured:
        for entry in measured:
            show(*tables.measure_tables(entry), *(f"note: {warning}" for warning in entry.warnings))
        if len(measured) > 1:
            show(tables.measure_summary(measured))
    for _path, what in failed:
        print_errors(what)
    if failed:
        raise typer.Exit(ExitStatus.INPUT)
