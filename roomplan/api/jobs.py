"""Renders as jobs: one plan from its file to its folders, and many of them through any executor.

Conventions
-----------
A `RenderJob` is a few plain values and travels between processes and machines; so does its `JobSummary`. What
a plan does wrong becomes the `problems` of its summary and keeps no other plan from being rendered. A job
opens its own files: where it runs, the plan, its stems and its folders must be found under the same paths.
"""

from __future__ import annotations

import time
from concurrent.futures import BrokenExecutor, ProcessPoolExecutor
from dataclasses import dataclass, replace
from fractions import Fraction
from multiprocessing import get_context
from typing import TYPE_CHECKING, Any

from roomplan.api.delivering import deliver, guard_targets, reproduction, spare_renders
from roomplan.api.opening import open_loaded
from roomplan.api.render_job import RenderJob
from roomplan.errors import PlanError, ReportError, RoomplanError, system_problem
from roomplan.files.cache import Cache
from roomplan.files.real_path import real_path
from roomplan.files.staging import silent_notice
from roomplan.plan.bumping import bump_version, require_version_in_names
from roomplan.plan.load import load_plan
from roomplan.rendering.excerpt import excerpt_of, parse_length, parse_moment
from roomplan.rendering.folder_ownership import DeliveredError
from roomplan.rendering.outside import refuse_whole_places
from roomplan.rendering.progress import silent_progress
from roomplan.report.comparison import differences_of_bus
from roomplan.report.documents import render_document
from roomplan.report.reproduction import RenderOptions, changed_inputs, options_of
from roomplan.report.revision import comparable, same_samples
from roomplan.report.summary import JobSummary
from roomplan.report_file import REPORT_NAME, read_report
from roomplan.session.output_files import plan_targets

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
    from concurrent.futures import Executor, Future
    from pathlib import Path

    from roomplan.plan.load import LoadedPlan
    from roomplan.plan.model import Plan
    from roomplan.rendering.progress import Progress
    from roomplan.rendering.result import Rendering
    from roomplan.session.output_files import DeliveryTarget
    from roomplan.session.session import Session

__all__ = [
    "EXCERPT",
    "OpenedJob",
    "RenderJob",
    "RenderedJob",
    "RepeatedRender",
    "ReportGivenError",
    "guard_job",
    "job_processes",
    "job_targets",
    "jobs_of_plans",
    "open_job",
    "refuse_shared_folders",
    "render_job",
    "run_job",
    "run_jobs",
    "summary_of",
]

EXCERPT = "_excerpt"
"""Ends the name of the folder that holds an excerpt of a delivery."""


class ReportGivenError(RoomplanError):
    """A report where only a plan will do."""

    def __init__(self, path: Path) -> None:
        super().__init__(f"{path}: is a report, and a report does not change", remedy="name the plan")


@dataclass(frozen=True)
class OpenedJob:
    """A job whose plan is open: `session` has the excerpt, `options` what the render depends on beside it."""

    loaded: LoadedPlan
    session: Session
    options: RenderOptions


@dataclass(frozen=True)
class RenderedJob:
    """A job that is done.

    Attributes
    ----------
    document : dict
        The report of all its deliveries.
    earlier : dict or None
        The report it is compared with, as it was before.
    earlier_place : Path or None
        Where that was.
    same_samples : tuple of int, or None
        Of a render from a report: files whose samples are those of the report, and files that both list.
    changed_inputs : tuple of str
        Of a render from a report: stems and responses that are not those of the report.
    """

    rendering: Rendering
    document: dict[str, Any]
    earlier: Mapping[str, Any] | None
    earlier_place: Path | None
    same_samples: tuple[int, int] | None
    changed_inputs: tuple[str, ...] = ()

    @property
    def folders(self) -> tuple[Path, ...]:
        """Folders that hold a report of everything in them."""
        return tuple(dict.fromkeys(target.root for target in self.rendering.targets))


def open_job(
    job: RenderJob, *, progress: Progress = silent_progress, cache: Cache | None = None
) -> OpenedJob:
    """Open the plan of a job.

    Parameters
    ----------
    progress, cache
        As in `render_session`.

    Raises
    ------
    PlanError
        With every problem of the plan and of what it names.
    RoomplanError
        There is no such section to mute, no such moment to start at.
    """
    return _opened(job, load_plan(job.plan), progress, cache)


def _opened(job: RenderJob, loaded: LoadedPlan, progress: Progress, cache: Cache | None) -> OpenedJob:
    options = RenderOptions(job.only or (), job.mute or ())
    kept = loaded.written.report if loaded.written is not None else None
    if kept is not None:
        then = options_of(kept)
        options = RenderOptions(
            then.only if job.only is None else job.only, then.mute if job.mute is None else job.mute
        )
    session, problems = open_loaded(
        loaded, mute=options.mute, progress=lambda stage: progress(stage, 0, 1), cache=cache
    )
    if session is None:
        raise PlanError(problems)
    return OpenedJob(loaded, _session_of_excerpt(session, job, kept), options)


def _session_of_excerpt(session: Session, job: RenderJob, kept: Mapping[str, Any] | None) -> Session:
    """Session with the excerpt that was asked for, else that of the report."""
    if job.start is not None or job.length is not None:
        start = Fraction(0) if job.start is None else parse_moment(job.start, session)
        return excerpt_of(session, start, None if job.length is None else parse_length(job.length))
    excerpt = _excerpt_of_report(kept)
    if excerpt is None:
        return session
    rate = excerpt["sample_rate"]
    return excerpt_of(session, Fraction(excerpt["start_frame"], rate), Fraction(excerpt["frames"], rate))


def _excerpt_of_report(kept: Mapping[str, Any] | None) -> Mapping[str, Any] | None:
    return None if kept is None else kept["reproduce"]["options"]["excerpt"]


def render_job(
    job: RenderJob,
    *,
    progress: Progress = silent_progress,
    notice: Callable[[str], None] = silent_notice,
    remake: Collection[Path] = (),
) -> RenderedJob:
    """Render one plan into its folders, all or nothing.

    Parameters
    ----------
    progress : callable
        Told how far the work is.
    notice : callable
        Takes one line for the user: of deliveries outside the plan's folder, before any work, of a version
        that was counted up, and as in `render_session`.
    remake : collection of Path
        As in `render_session`.

    Raises
    ------
    RoomplanError
        As `open_job`, `guard_job` and `render_session`; and when a render from a report would replace a
        render.
    """
    while True:
        try:
            return _render_job(job, progress, notice, remake)
        except DeliveredError as error:
            if not job.bump:
                raise
            job = _bumped(job, error, notice)


class RepeatedRender:
    """A plan that is rendered again and again: what has not changed is not rendered anew.

    Raises
    ------
    ReportGivenError
        The job is a report, which does not change.
    """

    def __init__(self, job: RenderJob) -> None:
        written = load_plan(job.plan).written
        if written is not None and written.report is not None:
            raise ReportGivenError(job.plan)
        self._job = job
        self._said: set[str] = set()
        self._made: set[Path] = set()  # what this made it may make again

    def render(
        self, *, progress: Progress = silent_progress, notice: Callable[[str], None] = silent_notice
    ) -> RenderedJob:
        """Render the plan as it is now; `notice` takes each line for the user once."""

        def say_once(line: str) -> None:
            if line not in self._said:
                notice(line)
            self._said.add(line)

        done = render_job(self._job, progress=progress, notice=say_once, remake=self._made)
        self._made.update(done.rendering.fresh)
        return done


def _bumped(job: RenderJob, delivered: DeliveredError, notice: Callable[[str], None]) -> RenderJob:
    """The same job once its plan has the next version, compared with the delivery that stays."""
    require_version_in_names(load_plan(job.plan), delivered.folders, in_own_folders=job.output is None)
    before, after, kept = bump_version(job.plan)
    folder = next(iter(delivered.folders.values()))
    notice(
        f"{job.plan}: version {before} → {after}, for {folder} holds {before} with other samples; "
        f"the plan as it was: {kept}"
    )
    return job if job.against is not None else replace(job, against=folder)


def _render_job(
    job: RenderJob,
    progress: Progress,
    notice: Callable[[str], None],
    remake: Collection[Path],
) -> RenderedJob:
    cache = Cache.open()
    loaded = load_plan(job.plan)
    targets = guard_job(job, loaded, notice=notice)
    opened = _opened(job, loaded, progress, cache)
    session, kept = opened.session, opened.loaded.written.report if opened.loaded.written else None
    if not job.replace:
        spare_renders(opened.loaded, targets, remedy="name another folder with --output, or give --replace")
    place, earlier = _earlier(job, targets, kept)
    reproduce = reproduction(opened.loaded, session, opened.options, cache)
    rendering = deliver(
        session,
        targets,
        reproduce=reproduce,
        only=opened.options.only,
        replace=job.replace,
        remake=remake,
        workers=job.workers,
        progress=progress,
        cache=cache,
        notice=notice,
    )
    document = render_document(rendering, reproduce=reproduce)
    if earlier is not None and job.against is None and not comparable(earlier, document):
        place = earlier = None
    if kept is None:
        return RenderedJob(rendering, document, earlier, place, None)
    changed = changed_inputs(kept["reproduce"], reproduce)
    return RenderedJob(rendering, document, earlier, place, same_samples(kept, document), changed)


def job_targets(job: RenderJob, plan: Plan, *, excerpt: bool) -> tuple[DeliveryTarget, ...]:
    """Where a job writes: an excerpt beside the deliveries, so that hearing one replaces no delivery.

    Parameters
    ----------
    plan : Plan
        The job's.
    excerpt : bool
        Whether only an excerpt is rendered.

    Raises
    ------
    RoomplanError
        A delivery would go to `/` or the home folder itself.
    """
    targets = plan_targets(plan, job.output)
    refuse_whole_places(place for target in targets for place in (target.folder, target.root))
    if job.output is not None or not excerpt:
        return targets
    return tuple(replace(t, folder=t.folder.with_name(f"{t.folder.name}{EXCERPT}")) for t in targets)


def jobs_of_plans(job: RenderJob, plans: Sequence[Path], *, notice: Callable[[str], None]) -> list[RenderJob]:
    """Return a job for each plan; with one folder for all, each has a folder of its name in it.

    Parameters
    ----------
    notice : callable
        Takes one line for each plan that writes outside its folder.

    Raises
    ------
    RoomplanError
        Two plans would write to one folder.
    """
    output, against = job.output, job.against
    jobs = [
        replace(
            job,
            plan=plan,
            output=None if output is None else output / plan.stem,
            against=None if against is None else against / plan.stem,
        )
        for plan in plans
    ]
    refuse_shared_folders(jobs, notice=notice)
    return jobs


def guard_job(
    job: RenderJob, loaded: LoadedPlan, *, notice: Callable[[str], None]
) -> tuple[DeliveryTarget, ...]:
    """Refuse what a job may not write to, and say what lies outside its plan's folder; before any work.

    Parameters
    ----------
    loaded : LoadedPlan
        The job's plan.

    Returns
    -------
    tuple of DeliveryTarget
        Where the job writes; empty for a plan with problems, which is left to whoever opens it.

    Raises
    ------
    RoomplanError
        As `job_targets` and `guard_targets`; the next version of a report is asked for.
    """
    if loaded.plan is None or loaded.problems:
        return ()
    kept = loaded.written.report if loaded.written is not None else None
    if job.bump and kept is not None:
        raise RoomplanError(
            f"{job.plan}: is a report, and only a plan gets its next version", remedy="name the plan"
        )
    excerpt = job.start is not None or job.length is not None or _excerpt_of_report(kept) is not None
    targets = job_targets(job, loaded.plan, excerpt=excerpt)
    if job.output is None:
        guard_targets(
            loaded.plan,
            targets,
            report=loaded.written.report_file if loaded.written is not None else None,
            agreed=job.outside,
            remedy="name a folder with --output, or give --outside",
            notice=notice,
        )
    return targets


def _earlier(
    job: RenderJob, targets: Sequence[DeliveryTarget], kept: Mapping[str, Any] | None
) -> tuple[Path | None, Mapping[str, Any] | None]:
    """Report to compare with, read before anything is replaced; a broken one in the folder is no matter."""
    if job.against is not None:
        return job.against, read_report(job.against).document
    if kept is not None:
        return job.plan, kept
    for folder in (target.folder for target in targets):
        try:
            return folder / REPORT_NAME, read_report(folder).document
        except ReportError:
            continue
    return None, None


def run_job(job: RenderJob, *, progress: Progress = silent_progress) -> JobSummary:
    """Render one plan, and say what came of it; what goes wrong is said too."""
    began = time.perf_counter()
    said: list[str] = []
    try:
        done = render_job(job, progress=progress, notice=said.append)
    except RoomplanError as error:
        problems = tuple(str(problem) for problem in error.problems)
    except MemoryError:
        problems = ("out of memory — render fewer plans at a time",)
    except OSError as error:
        problems = (str(system_problem(error)),)
    else:
        summary = summary_of(job, done, time.perf_counter() - began)
        return replace(summary, warnings=(*said, *summary.warnings))
    return _failed(job, (*problems, *said), time.perf_counter() - began)


def _failed(job: RenderJob, problems: tuple[str, ...], seconds: float) -> JobSummary:
    nothing = (None, None, None, None, None, None)
    return JobSummary(job.plan, job.plan.stem, None, None, 0, *nothing, (), seconds, (), problems)


def summary_of(job: RenderJob, done: RenderedJob, seconds: float) -> JobSummary:
    """Return the summary of a job that is done and took so many seconds."""
    rendering = done.rendering
    plan, mix = rendering.session.plan, rendering.bus("mix")
    change = None
    if done.earlier is not None and comparable(done.earlier, done.document):
        mixes = [
            next((bus for bus in document["buses"] if bus["name"] == "mix"), {})
            for document in (done.earlier, done.document)
        ]
        change = differences_of_bus(*mixes)["integrated_lu"]
    return JobSummary(
        plan=job.plan,
        title=plan.title,
        cue=plan.cue,
        version=plan.version,
        files=sum(len(files) for files in rendering.outputs.values()),
        duration_s=rendering.frames / rendering.session.sample_rate,
        integrated_lufs=mix.loudness.integrated_lufs,
        true_peak_dbtp=mix.true_peak_dbtp,
        loudness_range_lu=mix.loudness.loudness_range_lu,
        wet_to_dry_db=mix.wet_to_dry_db,
        change_lu=change,
        warnings=tuple(str(warning) for warning in rendering.warnings),
        seconds=seconds,
        folders=done.folders,
        problems=(),
    )


def refuse_shared_folders(
    jobs: Sequence[RenderJob], *, notice: Callable[[str], None] = silent_notice
) -> None:
    """Refuse jobs of which two would write to one folder, before any work is done.

    Parameters
    ----------
    notice : callable
        As in `guard_job`, which every job is asked of.

    Raises
    ------
    RoomplanError
        Names both plans and the folder.

    Notes
    -----
    Plans that have problems, or may not write where they would, are passed over: they will be said to be
    wrong when it is their turn.
    """
    owner: dict[Path, int] = {}
    for number, job in enumerate(jobs):
        try:
            targets = guard_job(job, load_plan(job.plan), notice=notice)
        except RoomplanError:
            continue
        for folder in dict.fromkeys(place for t in targets for place in (t.folder, t.root)):
            other = owner.setdefault(real_path(folder), number)
            if other != number:
                raise RoomplanError(
                    f"{jobs[other].plan} and {job.plan} would both write to {folder}",
                    remedy="give their deliveries folders of their own, such as `folder: out/{cue}`, or name "
                    "a folder for all with --output",
                )


def job_processes(count: int) -> Executor:
    """Processes that run `count` jobs at a time; the caller closes it.

    They are spawned, not forked: a fork of a program with threads may lock up.
    """
    return ProcessPoolExecutor(max_workers=count, mp_context=get_context("spawn"))


def run_jobs(
    jobs: Sequence[RenderJob],
    executor: Executor | None = None,
    *,
    work: Callable[[RenderJob], JobSummary] = run_job,
) -> Iterator[JobSummary]:
    """Render plans one after the other, or through any `concurrent.futures` executor.

    Parameters
    ----------
    executor : Executor, optional
        Processes or machines, such as `Client.get_executor()` of a Dask cluster; the caller closes it.
        Without one the work is done here.
    work : callable
        What is done with each job; must be picklable for an executor of processes.

    Yields
    ------
    JobSummary
        In the order of `jobs`.

    Notes
    -----
    Stopping early cancels what has not begun. A job whose process dies, for want of memory as a rule, has
    failed; an executor of this machine that has lost a process takes no more work, so that the jobs after it
    fail too. Threads are of no use here: a render has its own.
    """
    if executor is None:
        for job in jobs:
            yield work(job)
        return
    waiting = [(job, _submit(executor, work, job)) for job in jobs]
    try:
        for job, future in waiting:
            yield _collected(job, future)
    finally:
        for _job, future in waiting:
            if future is not None:
                future.cancel()


def _submit(
    executor: Executor, work: Callable[[RenderJob], JobSummary], job: RenderJob
) -> Future[JobSummary] | None:
    """Hand a job over; None where the executor has broken down."""
    try:
        return executor.submit(work, job)
    except BrokenExecutor:
        return None


def _collected(job: RenderJob, future: Future[JobSummary] | None) -> JobSummary:
    what = "its process has died"
    if future is not None:
        try:
            return future.result()
        except BrokenExecutor:
            pass
        except Exception as error:  # noqa: BLE001 - a cluster has errors of its own for a worker it lost
            what = f"it could not be run ({type(error).__name__}: {error})"
    return _failed(job, (f"{job.plan}: {what} — render fewer plans at a time",), 0.0)
