"""`roomplan measure`: how long impulse responses decay, and how far the figures can be trusted."""

from __future__ import annotations

import contextlib
import enum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from roomplan.cautions import MUSIC_ONLY, SWEEPS
from roomplan.cli.environment import ExitStatus, StageProgress, emit, print_errors, show
from roomplan.cli.opening import require_sounds
from roomplan.cli.parameters import AsJson, Quiet, decimal_number, help_of
from roomplan.errors import RoomplanError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from roomplan.measuring.attempts import Unmeasured
    from roomplan.measuring.responses import MeasuredFile, MeasuringChoice
    from roomplan.report.measurements import Against

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
        require_sounds(paths, every=[] if against is None else [against])
    from roomplan.files.folders import find_sounds
    from roomplan.measuring.responses import measure_file
    from roomplan.report import measurements
    from roomplan.show import measure_tables
    from roomplan.show.tables import note

    fraction = 1 if bands is Bands.OCTAVE else 3
    choice = _choice(fraction, band or [], channel, noise, force=force)
    files = find_sounds(paths)
    # first of all: a reference that cannot be read is said before thousands of files are measured
    reference = measure_file(against, choice) if against is not None else None
    with StageProgress(quiet=quiet) as progress:
        measured, failed = _measure_all(files, choice, progress)
        problems = [file.what for file in failed]
        compared = _compare(reference, measured, problems) if reference is not None else {}
        if plot is not None and measured:
            try:
                _draw(plot, measured, choice, progress)
            except RoomplanError as error:  # the figures are there: they are shown all the same
                problems.extend(str(problem) for problem in error.problems)
    shown = _summary_centre(choice, fraction) if band else None
    measured = measure_tables.sort_measured(measured, sort, centre_hz=shown)
    if as_json:
        document = measurements.measure_document(
            measured, failed, fraction=fraction, binaural=binaural, against=compared
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
            if compared:
                show(*measure_tables.against_tables(file, compared))
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
    """What to measure, from the options."""
    from roomplan.acoustics.filters import octaves, thirds
    from roomplan.acoustics.speech import NORMAL_SPEECH_DB, SPEECH_BANDS_HZ, SpeechSpectrum
    from roomplan.measuring.noise_levels import read_band_levels
    from roomplan.measuring.responses import MeasuringChoice

    filters = octaves() if fraction == 1 else thirds()
    known = {look.centre_hz: look for look in filters}
    for centre in band:
        if centre not in known:
            names = ", ".join(f"{name:g}" for name in known)
            raise typer.BadParameter(f"{centre:g} Hz is none of the bands {names}", param_hint="--band")
    if band:
        filters = tuple(known[centre] for centre in sorted(set(band)))
    spectrum = None
    if noise is not None:
        noise_db, speech_db = read_band_levels(noise, centres_hz=SPEECH_BANDS_HZ)
        spectrum = SpeechSpectrum(speech_db=speech_db or NORMAL_SPEECH_DB, noise_db=noise_db)
    return MeasuringChoice(filters=filters, channel=channel, spectrum=spectrum, force=force)


def _summary_centre(choice: MeasuringChoice, fraction: int) -> float | None:
    """Band a summary shows: None (the mean of the mid bands) where all those are chosen, else the lowest."""
    from roomplan.acoustics.figures import MID_OCTAVES_HZ, MID_THIRDS_HZ

    centres = [look.centre_hz for look in choice.filters]
    return None if {*(MID_OCTAVES_HZ if fraction == 1 else MID_THIRDS_HZ)} <= {*centres} else centres[0]


def _measure_all(
    files: list[Path], choice: MeasuringChoice, progress: StageProgress
) -> tuple[list[MeasuredFile], list[Unmeasured]]:
    from roomplan.measuring.responses import MeasuredFile, all_cores, measure_files

    measured: list[MeasuredFile] = []
    failed: list[Unmeasured] = []
    with all_cores(len(files)) or contextlib.nullcontext() as executor:
        progress("measuring", 0, len(files))
        for done, result in enumerate(measure_files(files, choice, executor=executor), start=1):
            if isinstance(result, MeasuredFile):
                measured.append(result)
            else:
                failed.append(result)
            progress("measuring", done, len(files))
    return measured, failed


def _compare(
    reference: MeasuredFile, measured: list[MeasuredFile], problems: list[str]
) -> dict[tuple[Path, int], Against]:
    """Differences of every channel to the channel of the same number in `reference`, or to its only one.

    A channel without its match is one of the `problems`.
    """
    from roomplan.acoustics.differences import differences, same_room
    from roomplan.report.measurements import Against, numbered_channels

    theirs = dict(numbered_channels(reference))
    result = {}
    for file in measured:
        missing = []
        for number, channel in numbered_channels(file):
            if number not in theirs and len(theirs) > 1:
                missing.append(str(number))
                continue
            match = theirs.get(number) or next(iter(theirs.values()))
            result[file.path, number] = Against(
                reference.path, differences(channel.decay, match.decay), same_room(channel.decay, match.decay)
            )
        if missing:
            problems.append(
                f"{reference.path}: has no channel {', '.join(missing)} to compare with {file.path} — choose "
                "one with --channel"
            )
    return result


def _draw(
    target: Path, measured: list[MeasuredFile], choice: MeasuringChoice, progress: StageProgress
) -> None:
    from roomplan.measuring.responses import curves_of_file
    from roomplan.report.measurements import numbered_channels
    from roomplan.show.pictures import PicturedChannel, draw_responses

    pages = []
    for done, file in enumerate(measured):
        progress("drawing", done, len(measured))
        channels = [
            PicturedChannel(f"channel {number}", curves, channel.decay)
            for (number, channel), curves in zip(
                numbered_channels(file), curves_of_file(file.path, choice), strict=True
            )
        ]
        pages.append((file.path.name, channels))
    draw_responses(pages, target)
    progress("drawing", len(measured), len(measured))
