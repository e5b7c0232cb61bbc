"""`roomplan compare`: what differs between plans or rendered folders, and by how much."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from roomplan.cautions import LEVELS
from roomplan.cli.environment import ExitStatus, StageProgress, emit, print_errors, show
from roomplan.cli.parameters import AsJson, ExcerptLength, Quiet, help_of
from roomplan.files.real_path import real_path

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from roomplan.balance.verifying import TargetResult
    from roomplan.rendering.result import Rendering
    from roomplan.report.comparison import Compared, ComparedCue
    from roomplan.session.session import Session

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
    from roomplan.cli.opening import require_plans

    require_plans([path for path in plans if not path.is_dir()])
    from roomplan.report import comparison, documents
    from roomplan.show import balance_tables, compare_tables
    from roomplan.show.tables import note

    labels = comparison.labels_of(plans)
    chosen = bus or ["mix"]
    cues = _cues(plans, labels)
    sounding = {"--from": start, "--length": length, "--every": every}
    for path in plans:
        for option, given in sounding.items():
            if given is not None and (path.is_dir() or _is_report(path)):
                what = f"needs the sound, and {path} has only figures: name plans"
                raise typer.BadParameter(what, param_hint=option)
    if cues:
        for option, given in (("--write-to", write), ("--plot", plot)):
            if given is not None:
                raise typer.BadParameter("works on one cue: name the folders of one", param_hint=option)
        _require_bus_of_cues(chosen[0], cues)
        if as_csv is not None:
            _write_csv(as_csv, comparison.compare_csv(cues))
        if as_json:
            emit(documents.to_text(comparison.compare_many_document(cues, passages=passages)))
            return
        show(compare_tables.summary_table(cues, chosen[0]), *_lacking(cues, labels))
        return
    with StageProgress(quiet=quiet) as progress:
        compared, renderings, results = _open_all(plans, labels, start, length, progress)
        for name in chosen if write is not None or plot is not None or bus is not None else ():
            _require_bus(name, compared)
        if every is not None:
            _add_courses(compared, renderings, chosen[0], every)
        written = []
        if write is not None:
            written = _write(write, chosen, plans, compared, renderings, matched=matched, progress=progress)
        if plot is not None:
            _draw(plot, chosen, plans, compared, renderings)
    one_cue = [comparison.ComparedCue("", tuple(compared))]
    if as_csv is not None:
        _write_csv(as_csv, comparison.compare_csv(one_cue))
    if as_json:
        emit(documents.to_text(comparison.compare_document(compared, passages=passages)))
        return
    show(*compare_tables.change_lines(compared))
    if len(compared) > 2:
        show(compare_tables.summary_table(one_cue, chosen[0]))
    for other in compared[1:]:
        moved, still = compare_tables.moved_buses(compared[0], other)
        if moved or not changed:
            show(compare_tables.comparison_table(compared[0], other, buses=moved if changed else None))
        if changed and still:
            show(_unmoved(other.label, len(moved), still))
    tables = [
        compare_tables.course_table(compared),
        compare_tables.margin_table(compared),
        balance_tables.targets_of_plans(results),
    ]
    if passages:
        tables.append(compare_tables.passage_table(compared))
    show(*(table for table in tables if table is not None))
    asked = [result.target for found in results.values() for result in found]
    show(*balance_tables.speech_lines(asked), *written)
    if written:
        show(note(LEVELS))


def _cues(plans: Sequence[Path], labels: Sequence[str]) -> list[ComparedCue]:
    """Cues of folders that hold the renders of many; none when plans or rendered folders were named."""
    from roomplan.errors import RoomplanError
    from roomplan.report.comparison import Compared, ComparedCue, rendered_cues
    from roomplan.report_file import read_report

    folders = [rendered_cues(path) if path.is_dir() else {} for path in plans]
    if not any(folders):
        return []
    for path, found in zip(plans, folders, strict=True):
        if not found:
            many = plans[next(number for number, one in enumerate(folders) if one)]
            raise RoomplanError(
                f"{path}: is the render of one cue, but {many} holds those of many",
                remedy="compare folders of one kind: the renders of one cue, or of many",
            )
    names = list(dict.fromkeys(name for found in folders for name in found))
    return [
        ComparedCue(
            name,
            tuple(
                Compared(label, read_report(found[name]).document, "report") if name in found else None
                for label, found in zip(labels, folders, strict=True)
            ),
        )
        for name in names
    ]


def _lacking(cues: Sequence[ComparedCue], labels: Sequence[str]) -> list[str]:
    """One line for each version that lacks cues others have."""
    lines = []
    for number, label in enumerate(labels):
        names = [cue.name for cue in cues if cue.versions[number] is None]
        if names:
            lines.append(f"{label} lacks {', '.join(names)}")
    return lines


def _require_bus_of_cues(name: str, cues: Sequence[ComparedCue]) -> None:
    """Refuse a bus that none of the cues has."""
    from roomplan.session.buses import find_bus

    there = [one for cue in cues for one in cue.versions if one is not None]
    find_bus(dict.fromkeys(bus["name"] for one in there for bus in one.document["buses"]), name)


def _write_csv(target: Path, text: str) -> None:
    """Write a table file; its folder must be there."""
    from roomplan.show.summary import write_table_file

    write_table_file(target, text)


def _unmoved(label: str, moved: int, still: int) -> str:
    """How many rows the table leaves out."""
    if moved == 0:
        return f"{label}: none of {still} buses changes; --all shows them"
    return f"{label}: {still} of {still + moved} buses do not change; --all shows them"


def _add_courses(
    compared: Sequence[Compared], renderings: Mapping[str, Rendering], bus: str, every_s: float
) -> None:
    """Put the loudness over time of a bus into the document of every plan."""
    from roomplan.rendering.course import course_of_hops
    from roomplan.report.documents import rounded

    for one in compared:
        rendering = renderings[one.label]
        session = rendering.session
        start_s = 0.0 if session.excerpt is None else session.excerpt.start_frame / session.sample_rate
        sums, rate = rendering.hop_sums[bus], session.sample_rate
        steps = course_of_hops(sums, every_s=every_s, sample_rate=rate, start_s=start_s)
        one.document["course"] = {
            "bus": bus,
            "every_s": every_s,
            "steps": [
                {
                    "from_s": round(step.start_s, 4),
                    "to_s": round(step.end_s, 4),
                    "integrated_lufs": rounded(step.integrated_lufs, 3),
                }
                for step in steps
            ],
        }


def _excerpt(session: Session, start: str | None, length: str | None) -> Session:
    """The session, or the part of it that is compared."""
    from roomplan.rendering.excerpt import excerpt_of, parse_length, parse_moment

    if start is None and length is None:
        return session
    begin = 0 if start is None else parse_moment(start, session)
    return excerpt_of(session, begin, None if length is None else parse_length(length))


def _open_all(
    plans: list[Path], labels: list[str], start: str | None, length: str | None, progress: StageProgress
) -> tuple[list[Compared], dict[str, Rendering], dict[str, tuple[TargetResult, ...]]]:
    """Every plan measured and every folder's report read; all problems of all plans come at once.

    Targets are those of a whole cue: of an excerpt none is judged.
    """
    from roomplan.api.comparing import asking_alike
    from roomplan.balance.balance import target_results
    from roomplan.balance.record import hearing_targets
    from roomplan.cli.opening import plan_problems
    from roomplan.files.cache import Cache
    from roomplan.rendering.render import measure_session
    from roomplan.report.comparison import Compared
    from roomplan.report.documents import session_part, sound_part
    from roomplan.report_file import read_report
    from roomplan.show.balance_tables import result_entries

    reports = {path: read_report(path).document for path in plans if path.is_dir() or _is_report(path)}
    opened = {
        path: plan_problems(path, progress=progress, notice=print_errors)
        for path in plans
        if path not in reports
    }
    problems = list(dict.fromkeys(problem for _session, found in opened.values() for problem in found))
    if problems:
        for problem in problems:
            print_errors(problem)
        raise typer.Exit(ExitStatus.INPUT)
    cache = Cache.open()
    sessions = dict(
        zip(opened, asking_alike([one for one, _found in opened.values() if one is not None]), strict=True)
    )
    compared, renderings, results = [], {}, {}
    for label, path in zip(labels, plans, strict=True):
        if path in reports:
            compared.append(Compared(label, reports[path], "report"))
            continue
        session = _excerpt(sessions[path], start, length)

        def told(stage: str, done: int, total: int, label: str = label) -> None:
            progress(f"{label}: {stage}", done, total)

        targets = session.plan.targets if session.excerpt is None else ()
        asking = hearing_targets(session, targets)
        rendering = measure_session(asking, progress=told, cache=cache)
        if asking is not session:  # that pass has kept what the targets ask for
            rendering = measure_session(session, progress=told, cache=cache)
        renderings[label] = rendering
        document = session_part(rendering) | sound_part(rendering)
        if targets:
            results[label] = target_results(session, targets, cache=cache, progress=told)
            document["targets"] = result_entries(results[label])
        compared.append(Compared(label, document, document["answered_from"]))
    return compared, renderings, results


def _is_report(path: Path) -> bool:
    """A report stands for what was rendered; the plan that it keeps is not rendered again."""
    return path.suffix.lower() == ".json" and path.is_file()


def _write(
    folder: Path,
    buses: Sequence[str],
    plans: Sequence[Path],
    compared: Sequence[Compared],
    renderings: Mapping[str, Rendering],
    *,
    matched: bool,
    progress: StageProgress,
) -> list[str]:
    """Write the buses of each plan for listening; plans are rendered into a temporary folder for it."""
    import tempfile

    from roomplan.rendering.versions import Version, write_versions

    folder = folder.absolute()
    folder.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".roomplan-", dir=folder.parent) as passing:
        versions: dict[str, list[Version]] = {name: [] for name in buses}
        for number, (path, one) in enumerate(zip(plans, compared, strict=True)):
            rendering = renderings.get(one.label)
            files = (
                _reported_files(path, one, buses)
                if rendering is None
                else _render_buses(rendering, Path(passing) / str(number), buses, one.label, progress)
            )
            loudness = {bus["name"]: bus["loudness"]["integrated_lufs"] for bus in one.document["buses"]}
            for name in buses:
                versions[name].append(Version(one.label, name, files[name], loudness[name]))
        written = write_versions(versions, folder, matched=matched, progress=progress, notice=progress.say)
    lines = []
    for entry in written:
        line = f"{entry.file}"
        if entry.gain_db:
            line += f": {entry.gain_db:+.1f} dB".replace("-", "−")
        if entry.over_db is not None:
            line += f", true peak {entry.over_db:+.1f} dBTP: fine in the float file, a converter will clip"
        lines.append(line)
    return [*lines, f"{len(written)} files in {folder}"]


def _render_buses(
    rendering: Rendering, folder: Path, buses: Sequence[str], label: str, progress: StageProgress
) -> dict[str, Path]:
    """Render buses of a plan as float files, and say where they are."""
    from dataclasses import replace

    from roomplan.rendering.render import render_session
    from roomplan.session.output_files import Target

    session = rendering.session
    delivery = next(iter(session.plan.deliveries.values()))
    floats = replace(delivery, container="wav", bit_depth="32f", sample_rate=None, file_name=None)
    written = render_session(
        session,
        [Target(floats, folder, floats.name)],
        report=lambda _rendering, _target: "{}",
        only=buses,
        progress=lambda stage, done, total: progress(f"{label}: {stage}", done, total),
    )
    return {name: folder / written.outputs[name][0].file for name in buses}


def _reported_files(folder: Path, one: Compared, buses: Sequence[str]) -> dict[str, Path]:
    """Files of buses in a rendered folder."""
    from roomplan.errors import RoomplanError

    folder = folder.parent if folder.is_file() else folder
    files = {bus["name"]: bus["file"] for bus in one.document["buses"]}
    for name in buses:
        if files[name] is None:
            raise RoomplanError(
                f"{folder}: has no file of bus {name}",
                remedy=f"render it with --only {name}, or compare the plan itself",
            )
        # a report may come from anybody, and its folder is all that was named
        if not real_path(folder / files[name]).is_relative_to(real_path(folder)):
            raise RoomplanError(
                f"{folder}: the report names {files[name]!r} for bus {name}, which is outside of the folder",
                remedy="compare the folder that was rendered into, as it is",
            )
    return {name: folder / files[name] for name in buses}


def _draw(
    target: Path,
    buses: Sequence[str],
    plans: Sequence[Path],
    compared: Sequence[Compared],
    renderings: Mapping[str, Rendering],
) -> None:
    """Draw the short-term loudness of one bus in every plan, and the differences of all buses."""
    from roomplan.loudness.gating import loudness_over_time
    from roomplan.measuring.loudness import file_loudness
    from roomplan.report.comparison import differences_of_bus
    from roomplan.show.compare_pictures import PlanCurve, draw_comparison

    (name,) = buses[:1]
    first = {bus["name"]: bus for bus in compared[0].document["buses"]}
    curves = []
    for path, one in zip(plans, compared, strict=True):
        rendering = renderings.get(one.label)
        if rendering is None:
            over_time = file_loudness(_reported_files(path, one, [name])[name])[1].over_time
        else:
            over_time = loudness_over_time(
                rendering.hop_sums[name], sample_rate=rendering.session.sample_rate
            )
        ours = {bus["name"]: bus for bus in one.document["buses"]}
        curves.append(
            PlanCurve(
                one.label,
                over_time.short_term_time_s,
                over_time.short_term_lufs,
                ours[name]["loudness"]["integrated_lufs"],
                {
                    bus: differences_of_bus(first[bus], ours[bus])["integrated_lu"]
                    for bus in ours
                    if bus in first
                },
            )
        )
    draw_comparison(f"{name}: {' · '.join(one.label for one in compared)}", curves, target)


def _require_bus(name: str, compared: Sequence[Compared]) -> None:
    from roomplan.session.buses import find_bus

    for one in compared:
        find_bus([bus["name"] for bus in one.document["buses"]], name)
