"""`roomplan compare`: what differs between plans or rendered folders, and by how much."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from roomplan.cautions import LEVELS
from roomplan.cli.environment import StageProgress, emit, print_errors, show
from roomplan.cli.parameters import AsJson, ExcerptLength, Quiet, help_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from roomplan.api.side_by_side import Side
    from roomplan.report.comparison import Compared, ComparedCue

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command("compare", help=help_of(compare, LEVELS))(compare)


def compare(
    plans: Annotated[
        list[Path],
        typer.Argument(
            metavar="PLAN|FOLDER",
            help="Two plans or rendered folders, or more; the first is the reference.",
            show_default=False,
        ),
    ],
    *,
    passages: Annotated[
        bool, typer.Option("--passages", help="Add the loudness of every passage of the plans.")
    ] = False,
    changed: Annotated[
        bool,
        typer.Option(
            "--changed/--all", help="Show only the buses that change, or every bus.", show_default=False
        ),
    ] = True,
    start: Annotated[
        str | None,
        typer.Option(
            "--from",
            metavar="MOMENT",
            help="Compare only an excerpt, from here on: seconds, 1:10 or timecode. Includes earlier tails.",
            show_default=False,
        ),
    ] = None,
    length: ExcerptLength = None,
    every: Annotated[
        float | None,
        typer.Option(
            "--every",
            metavar="SECONDS",
            min=0.4,
            max=3600.0,
            help="Add the loudness over time of one bus (--bus, else the mix), in steps of this length.",
            show_default=False,
        ),
    ] = None,
    bus: Annotated[
        list[str] | None,
        typer.Option(
            "--bus",
            metavar="BUS",
            help="Bus to write, to draw or to follow; repeatable, the first is drawn. Without it: the mix.",
            show_default=False,
        ),
    ] = None,
    write: Annotated[
        Path | None,
        typer.Option(
            "--write-to",
            metavar="DIR",
            help="Write the bus of each plan into DIR, and one file that alternates between them.",
            show_default=False,
        ),
    ] = None,
    matched: Annotated[
        bool,
        typer.Option("--matched", help="Match the loudness of the written files to the first plan."),
    ] = False,
    plot: Annotated[
        Path | None,
        typer.Option(
            "--plot",
            metavar="FILE",
            help="Draw loudness over time of one bus and the differences of all: .png, .svg or .pdf.",
            show_default=False,
        ),
    ] = None,
    as_csv: Annotated[
        Path | None,
        typer.Option(
            "--csv",
            metavar="FILE",
            help="Write a CSV file: a row for each bus of each plan.",
            show_default=False,
        ),
    ] = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Compare plans or rendered folders: what differs between them, and how much of it is audible.

    Loudness, range, true peak, wet-to-dry, decay, clarity and tail of every bus, with the differences to the
    first plan in LU, dB and JND; margins, passages and targets where the plans ask for them. The printed
    table has only the buses that change; --all shows every one. A plan that differs only in levels, mutes or
    alternates from one that was measured before needs no new pass, but has no peaks then. A rendered folder
    compares from its report; folders that hold the renders of many cues are compared cue by cue, by the names
    of the folders in them, in one table.

    With --write-to you can compare by ear: --matched takes loudness out of the comparison, and
    alternating.wav changes between the plans every 8 seconds while the music goes on.

    Example: roomplan compare intimate.yaml spacious.yaml

    Example: roomplan compare intimate.yaml spacious.yaml --write-to listen --matched

    Example: roomplan compare intimate.yaml spacious.yaml --from 1:10 --length 20 --every 5

    Example: roomplan compare reel_v1 reel_v2 --csv reel.csv
    """
    if len(plans) < 2:
        raise typer.BadParameter("give at least two plans: the others are compared with the first")
    if matched and write is None:
        raise typer.BadParameter("works only with --write-to DIR", param_hint="--matched")
    from roomplan.api.readable import require_plans

    require_plans([path for path in plans if not path.is_dir()])
    from roomplan.api.side_by_side import add_courses, compared_cues, compared_sides, require_bus
    from roomplan.report.comparison import ComparedCue, compare_csv, compare_document, labels_of
    from roomplan.report.csv_rows import write_table_file
    from roomplan.report.documents import to_text

    labels = labels_of(plans)
    buses = bus or ["mix"]
    cues = compared_cues(plans, labels)
    _refuse_without_sound(plans, {"--from": start, "--length": length, "--every": every})
    if cues:
        _refuse_many_cues({"--write-to": write, "--plot": plot})
        _compare_cues(cues, labels, buses[0], passages=passages, as_csv=as_csv, as_json=as_json)
        return
    with StageProgress(quiet=quiet) as progress:
        sides = compared_sides(
            plans, labels, start=start, length=length, progress=progress, notice=print_errors
        )
        for name in buses if write is not None or plot is not None or bus is not None else ():
            require_bus(name, sides)
        if every is not None:
            add_courses(sides, buses[0], every)
        written = []
        if write is not None:
            written = _write(write, buses, sides, matched=matched, progress=progress)
        if plot is not None:
            _draw(plot, buses[0], sides)
    compared = tuple(side.compared for side in sides)
    if as_csv is not None:
        write_table_file(as_csv, compare_csv([ComparedCue("", compared)]))
    if as_json:
        emit(to_text(compare_document(compared, passages=passages)))
        return
    _show_changes(compared, buses[0], changed_only=changed)
    _show_tables(sides, passages=passages)
    show(*written)
    if written:
        from roomplan.show.tables import note

        show(note(LEVELS))


def _refuse_without_sound(plans: Sequence[Path], given: dict[str, object]) -> None:
    """Refuse options that need the sound where a plan has only figures."""
    from roomplan.api.side_by_side import has_figures_only

    for path in plans:
        for option, value in given.items():
            if value is not None and has_figures_only(path):
                what = f"needs the sound, and {path} has only figures: name plans"
                raise typer.BadParameter(what, param_hint=option)


def _refuse_many_cues(given: dict[str, object]) -> None:
    for option, value in given.items():
        if value is not None:
            raise typer.BadParameter("works on one cue: name the folders of one", param_hint=option)


def _compare_cues(
    cues: Sequence[ComparedCue],
    labels: Sequence[str],
    bus: str,
    *,
    passages: bool,
    as_csv: Path | None,
    as_json: bool,
) -> None:
    """Compare the renders of many cues, in one table."""
    from roomplan.api.side_by_side import require_bus_of_cues
    from roomplan.report.comparison import compare_csv, compare_many_document
    from roomplan.report.csv_rows import write_table_file
    from roomplan.report.documents import to_text
    from roomplan.show.compare_tables import summary_table

    require_bus_of_cues(bus, cues)
    if as_csv is not None:
        write_table_file(as_csv, compare_csv(cues))
    if as_json:
        emit(to_text(compare_many_document(cues, passages=passages)))
        return
    show(summary_table(cues, bus), *_lacking(cues, labels))


def _lacking(cues: Sequence[ComparedCue], labels: Sequence[str]) -> list[str]:
    """One line for each version that lacks cues others have."""
    lines = []
    for number, label in enumerate(labels):
        names = [cue.name for cue in cues if cue.versions[number] is None]
        if names:
            lines.append(f"{label} lacks {', '.join(names)}")
    return lines


def _show_changes(compared: Sequence[Compared], bus: str, *, changed_only: bool) -> None:
    """Show what the plans say differently, and what comes of it in every bus or in those that change."""
    from roomplan.report.comparison import ComparedCue
    from roomplan.show import compare_tables

    show(*compare_tables.change_lines(compared))
    if len(compared) > 2:
        show(compare_tables.summary_table([ComparedCue("", tuple(compared))], bus))
    for other in compared[1:]:
        moved, still = compare_tables.moved_buses(compared[0], other)
        if moved or not changed_only:
            chosen = moved if changed_only else None
            show(compare_tables.comparison_table(compared[0], other, buses=chosen))
        if changed_only and still:
            show(_unmoved(other.label, len(moved), still))


def _unmoved(label: str, moved: int, still: int) -> str:
    """How many rows the table leaves out."""
    if moved == 0:
        return f"{label}: none of {still} buses changes; --all shows them"
    return f"{label}: {still} of {still + moved} buses do not change; --all shows them"


def _show_tables(sides: Sequence[Side], *, passages: bool) -> None:
    """Show loudness over time, margins, targets and, where they are wanted, passages."""
    from roomplan.show import balance_tables, compare_tables

    compared = [side.compared for side in sides]
    tables = [
        compare_tables.course_table(compared),
        compare_tables.margin_table(compared),
        balance_tables.targets_of_plans({side.label: side.results for side in sides if side.results}),
    ]
    if passages:
        tables.append(compare_tables.passage_table(compared))
    show(*(table for table in tables if table is not None))
    asked = [result.target for side in sides for result in side.results]
    show(*balance_tables.speech_lines(asked))


def _write(
    folder: Path, buses: Sequence[str], sides: Sequence[Side], *, matched: bool, progress: StageProgress
) -> list[str]:
    """Write the buses of each side for listening; a line for each file."""
    from roomplan.api.listening import write_for_listening

    folder = folder.absolute()
    written = write_for_listening(
        folder, buses, sides, matched=matched, progress=progress, notice=progress.say
    )
    lines = []
    for entry in written:
        line = f"{entry.file}"
        if entry.gain_db:
            line += f": {entry.gain_db:+.1f} dB".replace("-", "−")
        if entry.over_db is not None:
            line += f", true peak {entry.over_db:+.1f} dBTP: fine in the float file, a converter will clip"
        lines.append(line)
    return [*lines, f"{len(written)} files in {folder}"]


def _draw(target: Path, bus: str, sides: Sequence[Side]) -> None:
    """Draw the short-term loudness of one bus on every side, and the differences of all buses."""
    from roomplan.api.side_by_side import loudness_curve
    from roomplan.report.comparison import differences_of_bus
    from roomplan.show.compare_pictures import PlanCurve, draw_comparison

    first = {one["name"]: one for one in sides[0].compared.document["buses"]}
    curves = []
    for side in sides:
        over_time = loudness_curve(side, bus)
        ours = {one["name"]: one for one in side.compared.document["buses"]}
        curves.append(
            PlanCurve(
                side.label,
                over_time.short_term_time_s,
                over_time.short_term_lufs,
                ours[bus]["loudness"]["integrated_lufs"],
                {
                    name: differences_of_bus(first[name], ours[name])["integrated_lu"]
                    for name in ours
                    if name in first
                },
            )
        )
    draw_comparison(f"{bus}: {' · '.join(side.label for side in sides)}", curves, target)
