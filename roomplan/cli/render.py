"""`roomplan render`: stems through the planned rooms into files, with a report; one plan or many."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from roomplan.api.render_job import RenderJob
from roomplan.cautions import LEVELS
from roomplan.cli.environment import ExitStatus, StageProgress, emit, print_errors, show
from roomplan.cli.parameters import AsJson, Bands, ExcerptLength, Quiet, help_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from roomplan.api.jobs import RenderedJob
    from roomplan.report.summary import JobSummary

__all__ = ["register", "render_one"]


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command("render", help=help_of(render, LEVELS))(render)


def render(
    plans: Annotated[
        list[Path],
        typer.Argument(metavar="PLAN", help="Plans, or a report.json to render again.", show_default=False),
    ],
    *,
    output: Annotated[
        Path | None,
        typer.Option(
            "--output",
            "-o",
            metavar="DIR",
            help="Write here instead of into the folders of the deliveries; several plans each get a folder "
            "of their name in it.",
            show_default=False,
        ),
    ] = None,
    only: Annotated[
        list[str] | None,
        typer.Option(
            "--only",
            metavar="BUS",
            help="Write only this bus, such as mix or section:choir. Repeatable.",
            show_default=False,
        ),
    ] = None,
    mute: Annotated[
        list[str] | None,
        typer.Option("--mute", metavar="SECTION", help="Mute this section. Repeatable.", show_default=False),
    ] = None,
    replace: Annotated[
        bool,
        typer.Option(
            "--replace",
            help="Replace existing files of another plan, or a finished delivery of this version.",
        ),
    ] = False,
    bump: Annotated[
        bool,
        typer.Option(
            "--bump",
            help="If the finished delivery of this version has different samples, write the next version "
            "into the plan and render that.",
        ),
    ] = False,
    outside: Annotated[
        bool,
        typer.Option(
            "--outside",
            help="Let a report, or a plan in another user's folder, write outside its own folder.",
        ),
    ] = False,
    start: Annotated[
        str | None,
        typer.Option(
            "--from",
            metavar="MOMENT",
            help="Only an excerpt, from here on: seconds, 1:10 or timecode. Includes earlier tails. "
            "It goes to a folder of its own beside the delivery's, named …_excerpt.",
            show_default=False,
        ),
    ] = None,
    length: ExcerptLength = None,
    watch: Annotated[
        bool,
        typer.Option("--watch", help="Render again whenever a file of the plan changes; Ctrl-C ends it."),
    ] = False,
    check: Annotated[
        bool,
        typer.Option("--check", help="For a report.json: list the inputs that changed; render nothing."),
    ] = False,
    against: Annotated[
        Path | None,
        typer.Option(
            "--against",
            metavar="REPORT|FOLDER",
            help="Show what has changed since this render. Without it: the earlier render in the folder.",
            show_default=False,
        ),
    ] = None,
    as_csv: Annotated[
        Path | None,
        typer.Option("--csv", metavar="FILE", help="Write a CSV file, a row per plan.", show_default=False),
    ] = None,
    jobs: Annotated[
        int | None,
        typer.Option(
            "--jobs",
            metavar="N",
            min=1,
            help="Plans to render at a time; each uses two threads. Without it: one.",
            show_default=False,
        ),
    ] = None,
    as_json: AsJson = False,
    bands: Bands = False,
    quiet: Quiet = False,
) -> None:
    """Render the stems through the rooms of a plan, and report every bus.

    All files start on the same sample; report.json beside them lists the files that add up to the mix.
    Nothing is moved into place before everything is done: a failed or interrupted run leaves earlier files
    whole. The render is compared with the one that was in the folder before: sends, loudness, peaks.

    Several plans give one table. If one fails, the others are still rendered; exit 1 when any has failed.

    A report.json contains its plan: it renders again, into another folder, even when the plan has changed or
    is gone. With --check it lists the inputs that have changed; exit 1 when any has.

    Example: roomplan render ice_harbour/ice_harbour.yaml --output /tmp/listen --only mix

    Example: roomplan render cue.yaml --from 1:10 --length 20 --watch

    Example: roomplan render reel_2/*.yaml --output reel_2_v3 --csv reel_2_v3.csv

    Example: roomplan render out/report.json --check
    """
    given = {
        "--output": output, "--only": only, "--mute": mute, "--replace": replace,
        "--bump": bump, "--outside": outside, "--from": start, "--length": length, "--watch": watch,
        "--against": against, "--csv": as_csv, "--jobs": jobs, "--bands": bands,
    }  # fmt: skip
    if bump and replace and not check:
        raise typer.BadParameter("does not go together with --replace", param_hint="--bump")
    job = RenderJob(
        plans[0],
        output=output,
        only=None if only is None else tuple(only),
        mute=None if mute is None else tuple(mute),
        start=start,
        length=length,
        replace=replace,
        bump=bump,
        outside=outside,
        against=against,
    )
    if check:
        _refuse_others(given, "--check", allowed=())
        if len(plans) > 1:
            raise typer.BadParameter("works on one report at a time", param_hint="--check")
        _check_report(plans[0], as_json=as_json, quiet=quiet)
    elif watch:
        kept = ("--output", "--only", "--mute", "--replace", "--bump", "--outside", "--from", "--length")
        _refuse_others(given, "--watch", allowed=kept)
        if len(plans) > 1 or as_json:
            what = "works on one plan at a time" if len(plans) > 1 else "does not work with --json"
            raise typer.BadParameter(what, param_hint="--watch")
        _watch(job, quiet=quiet)
    elif len(plans) > 1:
        _refuse_others(given, "several plans", allowed=tuple(name for name in given if name != "--bands"))
        _render_many(_jobs_of(job, plans), as_csv=as_csv, at_a_time=jobs or 1, as_json=as_json, quiet=quiet)
    elif jobs is not None:
        raise typer.BadParameter("works only with several plans", param_hint="--jobs")
    else:
        render_one(job, as_csv=as_csv, as_json=as_json, bands=bands, quiet=quiet)


def _refuse_others(given: Mapping[str, Any], what: str, *, allowed: Sequence[str]) -> None:
    """Refuse options that mean nothing beside another one."""
    for name, value in given.items():
        if value and name != what and name not in allowed:
            raise typer.BadParameter(f"does not go together with {what}", param_hint=name)


def render_one(
    job: RenderJob,
    *,
    as_csv: Path | None = None,
    as_json: bool = False,
    bands: bool = False,
    quiet: bool = False,
    cautioned: bool = True,
) -> None:
    """Render one plan and report it; also the last step of the demo."""
    import time

    from roomplan.api.readable import require_plans

    require_plans([job.plan])
    from roomplan.api.jobs import render_job, summary_of
    from roomplan.report import csv_rows, documents, revision, summary
    from roomplan.show import tables
    from roomplan.show.compare_tables import margin_tables

    began = time.perf_counter()
    with StageProgress(quiet=quiet) as progress:
        done = render_job(job, progress=progress, notice=progress.say)
    if as_csv is not None:
        one = summary_of(job, done, time.perf_counter() - began)
        csv_rows.write_table_file(as_csv, summary.summary_csv([one]))
    if as_json:
        document = done.document
        if done.earlier is not None:
            document = document | {
                "against": {"report": str(done.earlier_place)}
                | revision.revision_document(done.earlier, done.document)
            }
        emit(documents.to_text(document))
        return
    rendering = done.rendering
    show(tables.section_table(rendering), tables.room_table(rendering), *margin_tables(rendering))
    if bands:
        show(*tables.octave_tables(rendering))
    show(*tables.warning_lines(rendering.warnings), *_revision(done))
    show(_written(done), *([tables.note(LEVELS)] if cautioned else []))


def _revision(done: RenderedJob) -> list[Any]:
    """What has changed against the earlier render, as lines."""
    from rich.text import Text

    from roomplan.report.revision import all_the_same, comparable, revision_lines

    if done.earlier is None:
        return []
    version = done.earlier.get("version")
    of = f"version {version}, " if version is not None and version != done.document["version"] else ""
    there = [target.folder for target in done.rendering.targets]
    place = done.earlier_place
    if place is not None and place.parent in there:
        place = f"the earlier render in {place.parent}"
    lines = [f"compared with {of}{place}:"]
    if done.earlier.get("excerpt") != done.document["excerpt"]:
        lines.append("  another part of the cue: not compared")
    else:
        if not comparable(done.earlier, done.document):
            lines.append(f"  another cue: {done.earlier.get('title')}")
        lines += [f"  {line}" for line in revision_lines(done.earlier, done.document)]
    if done.same_samples is not None:
        same, both = done.same_samples
        lines.append(f"  {same} of {both} files have the same samples as in the report")
    elif all_the_same(done.earlier, done.document):
        lines.append("  the same samples in every file")
    if done.changed_inputs:
        first, *more = done.changed_inputs
        others = f" and {len(more)} more" if more else ""
        lines.append(f"  changed since the report: {first}{others}; --check lists all")
    return [Text(line) for line in lines]


def _written(done: RenderedJob) -> Any:
    """Last line: what was written where."""
    from rich.text import Text

    rendering = done.rendering
    count = sum(len(files) for files in rendering.outputs.values())
    seconds = rendering.frames / rendering.session.sample_rate
    folders = ", ".join(str(folder) for folder in done.folders)
    return Text(f"{count} file{'s' if count != 1 else ''} of {seconds:.1f} s and report.json in {folders}")


def _jobs_of(job: RenderJob, plans: Sequence[Path]) -> list[RenderJob]:
    """A job for each plan; a comparison of several needs a folder."""
    from roomplan.api.jobs import jobs_of_plans

    if job.against is not None and not job.against.is_dir():
        raise typer.BadParameter(
            "is not a folder: each of several plans is compared with the folder of its name in it",
            param_hint="--against",
        )
    return jobs_of_plans(job, plans, notice=print_errors)


def _render_many(
    jobs: Sequence[RenderJob], *, as_csv: Path | None, at_a_time: int, as_json: bool, quiet: bool
) -> None:
    """Render plans and show one table of all."""
    from roomplan.api.jobs import job_processes, run_jobs
    from roomplan.report import csv_rows, documents, summary
    from roomplan.show import render_tables, tables

    at_a_time = min(at_a_time, len(jobs))
    summaries: list[JobSummary] = []
    with (
        StageProgress(quiet=quiet) as progress,
        job_processes(at_a_time) if at_a_time > 1 else contextlib.nullcontext() as executor,
    ):
        progress("rendering", 0, len(jobs))
        for number, one in enumerate(run_jobs(jobs, executor), start=1):
            summaries.append(one)
            progress("rendering", number, len(jobs))
    if as_csv is not None:
        csv_rows.write_table_file(as_csv, summary.summary_csv(summaries))
    if as_json:
        emit(documents.to_text(summary.summary_document(summaries)))
    else:
        show(render_tables.summary_table(summaries))
        if any(not one.problems for one in summaries):
            show(tables.note(LEVELS))
    failures = render_tables.failure_lines(summaries)
    for line in failures:
        print_errors(line)
    if failures:
        raise typer.Exit(ExitStatus.INPUT)


def _watch(job: RenderJob, *, quiet: bool) -> None:
    """Render a plan again whenever a file that it reads changes; and only what has changed."""
    from roomplan.api.readable import require_plans
    from roomplan.cli.watching import watch

    require_plans([job.plan])
    from roomplan.api.jobs import RepeatedRender, ReportGivenError

    try:
        repeated = RepeatedRender(job)
    except ReportGivenError as error:
        raise typer.BadParameter("works on plans; a report does not change", param_hint="--watch") from error

    def render_once() -> tuple[Path, ...]:
        with StageProgress(quiet=quiet) as progress:
            done = repeated.render(progress=progress, notice=progress.say)
        show(*_revision(done), _written(done))
        return done.rendering.session.input_files

    print_errors(LEVELS)
    watch(job.plan, render_once)


def _check_report(path: Path, *, as_json: bool, quiet: bool) -> None:
    """Say which inputs of a report have changed since."""
    from roomplan.api.readable import report_place, require_plans

    path = report_place(path)
    require_plans([path])
    from roomplan.api.report_inputs import report_inputs
    from roomplan.report import documents, reproduction
    from roomplan.show import render_tables

    with StageProgress(quiet=quiet) as progress:
        found = report_inputs(path, progress=progress)
    if as_json:
        emit(documents.to_text(reproduction.reproduction_check_document(found.report, found.inputs)))
    else:
        show(
            render_tables.inputs_table(found.inputs),
            *reproduction.version_differences(found.report),
            f"{path}: {found.changed or 'none'} of {len(found.inputs)} inputs changed since the render",
        )
    if found.changed:
        raise typer.Exit(ExitStatus.INPUT)
