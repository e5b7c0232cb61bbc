"""`roomplan measure`: how long impulse responses decay, and how far the figures can be trusted."""

from __future__ import annotations

import enum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from roomplan.cautions import MUSIC_ONLY, SWEEPS
from roomplan.cli.environment import ExitStatus, StageProgress, emit, print_errors, show
from roomplan.cli.parameters import AsJson, Quiet, decimal_number, help_of
from roomplan.errors import RoomplanError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from roomplan.api.measured_files import Unmatched
    from roomplan.measuring.responses import MeasuringChoice

__all__ = ["register"]


class Bands(enum.StrEnum):
    """Widths of a band."""

    OCTAVE = "octave"
    THIRD_OCTAVE = "third_octave"


class SortKey(enum.StrEnum):
    """What a summary is sorted by."""

    FILE = "file"
    EDT = "edt"
    T20 = "t20"
    T30 = "t30"
    C50 = "c50"
    C80 = "c80"
    D50 = "d50"
    TS = "ts"
    DECAY_RANGE = "decay_range"
    STI = "sti"
    VERDICT = "verdict"


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command("measure", help=help_of(measure, MUSIC_ONLY, SWEEPS))(measure)


def measure(
    paths: Annotated[
        list[Path],
        typer.Argument(
            metavar="FILE|FOLDER",
            help="Impulse responses, any sound file, or folders of them.",
            show_default=False,
        ),
    ],
    *,
    bands: Annotated[
        Bands,
        typer.Option("--band-width", metavar="WIDTH", help=f"Width of the bands: {' or '.join(Bands)}."),
    ] = Bands.OCTAVE,
    band: Annotated[
        list[float] | None,
        typer.Option(
            "--band",
            metavar="HZ",
            parser=decimal_number,
            help="Only this band; repeatable.",
            show_default=False,
        ),
    ] = None,
    channel: Annotated[
        int | None,
        typer.Option("--channel", metavar="N", min=1, help="Only this channel.", show_default=False),
    ] = None,
    binaural: Annotated[
        bool,
        typer.Option(
            "--binaural", help="The files were recorded at two ears: show the interaural correlation (IACC)."
        ),
    ] = False,
    noise: Annotated[
        Path | None,
        typer.Option(
            "--noise",
            metavar="FILE",
            help="Noise for the STI (estimate): a line per octave from 125 Hz to 8 kHz, hertz and dB SPL, "
            "optionally the speech's dB SPL (else normal speech of 60 dB(A)).",
            show_default=False,
        ),
    ] = None,
    against: Annotated[
        Path | None,
        typer.Option(
            "--against",
            metavar="OTHER",
            help="Show how each response differs from this one, in just-noticeable differences (JND).",
            show_default=False,
        ),
    ] = None,
    sort: Annotated[
        SortKey | None,
        typer.Option(
            "--sort",
            metavar="KEY",
            help=f"Order of a summary, the largest first: {', '.join(SortKey)}.",
            show_default=False,
        ),
    ] = None,
    plot: Annotated[
        Path | None,
        typer.Option(
            "--plot",
            metavar="FILE",
            help="Draw decay curves, times and a decay map: .png or .svg for one response, .pdf for many.",
            show_default=False,
        ),
    ] = None,
    force: Annotated[
        bool, typer.Option("--force", help="Measure a sweep, noise or music as if it were a response.")
    ] = False,
    as_csv: Annotated[
        bool, typer.Option("--csv", help="Print rows for a spreadsheet instead of tables.")
    ] = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Measure the decay of impulse responses, band by band, and show how far each figure can be trusted.

    One file gets a table of its bands, several get a row each. EDT, T20, T30, C50, C80, D50 and centre time
    follow ISO 3382-1, the STI (estimate: word clarity for mixing) IEC 60268-16. A figure the data cannot
    support is a dash, a doubtful one carries a question mark, and the verdict says why (xi: how far the decay
    is from a straight line, in per mille; ISO 3382-2, Annex B). Strength and lateral fractions cannot come
    from an ordinary sound file.

    Example: roomplan measure nave_front.wav --plot nave.pdf

    Example: roomplan measure ~/irs --sort t30

    Example: roomplan measure rear.wav --against front.wav
    """
    if as_json and as_csv:
        raise typer.BadParameter("choose one of --json and --csv", param_hint="--csv")
    if not (as_json or as_csv):  # these have a document, whatever can be read
        from roomplan.api.readable import require_sounds

        require_sounds(paths, every=[] if against is None else [against])
    from roomplan.api.measured_files import draw_measured, measure_responses, summary_centre
    from roomplan.report import measurements
    from roomplan.show import measure_tables
    from roomplan.show.tables import note

    fraction = 1 if bands is Bands.OCTAVE else 3
    choice = _choice(fraction, band or [], channel, noise, force=force)
    with StageProgress(quiet=quiet) as progress:
        found = measure_responses(paths, choice, against=against, progress=progress)
        problems = [file.what for file in found.failed]
        problems += [_unmatched_line(against, one) for one in found.unmatched]
        if plot is not None and found.measured:
            try:
                draw_measured(found.measured, choice, plot, progress=progress)
            except RoomplanError as error:  # the figures are there: they are shown all the same
                problems.extend(str(problem) for problem in error.problems)
    shown = summary_centre(choice, fraction) if band else None
    measured = measure_tables.sort_measured(found.measured, sort, centre_hz=shown)
    if as_json:
        document = measurements.measure_document(
            measured, found.failed, fraction=fraction, binaural=binaural, against=found.compared
        )
        emit(_text(document))
    elif as_csv:
        emit(measurements.measure_csv(measured, binaural=binaural))
    elif measured:
        if len(measured) == 1:
            show(*measure_tables.response_tables(measured[0], binaural=binaural))
        else:
            show(measure_tables.summary_table(measured, centre_hz=shown, fraction=fraction))
        for file in measured:
            if found.compared:
                show(*measure_tables.against_tables(file, found.compared))
            show(*measure_tables.notes(file))
        show(note(MUSIC_ONLY))
    for what in problems:
        print_errors(what)
    if problems:
        raise typer.Exit(ExitStatus.INPUT)


def _text(document: dict) -> str:
    from roomplan.report.documents import to_text

    return to_text(document)


def _choice(
    fraction: int, band: Sequence[float], channel: int | None, noise: Path | None, *, force: bool
) -> MeasuringChoice:
    """What to measure; a band that there is not is wrong usage."""
    from roomplan.api.measured_files import chosen_bands, measuring_choice

    try:
        filters = chosen_bands(fraction, band)
    except RoomplanError as error:
        raise typer.BadParameter(str(error), param_hint="--band") from error
    return measuring_choice(filters, channel=channel, noise=noise, force=force)


def _unmatched_line(against: Path | None, unmatched: Unmatched) -> str:
    missing = ", ".join(map(str, unmatched.channels))
    return f"{against}: has no channel {missing} to compare with {unmatched.file} — choose one with --channel"
