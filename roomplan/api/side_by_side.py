"""Plans, results and rendered folders as the sides of a comparison: opened together, each measured once.

Conventions
-----------
The first side is the reference. Plans are asked for the margins and passages of each other, so that all of
them have both; results and rendered folders have those that they have. Targets are those of a whole cue: of
an excerpt none is judged.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from roomplan.api.opening import open_file
from roomplan.balance.judging import measure_with_targets
from roomplan.errors import PlanError, RoomplanError
from roomplan.files.cache import Cache
from roomplan.files.real_path import real_path
from roomplan.frozen_classes import frozen_class
from roomplan.loudness.gating import loudness_over_time
from roomplan.measuring.loudness import file_loudness
from roomplan.plan.bus_name import BusName
from roomplan.rendering.course import course_of_hops
from roomplan.rendering.excerpt import excerpt_of, parse_length, parse_moment
from roomplan.rendering.progress import silent_progress
from roomplan.rendering.result import Rendering
from roomplan.report.balance import result_entries
from roomplan.report.comparison import Compared, ComparedCue, rendered_cues
from roomplan.report.documents import rounded, session_part, sound_part
from roomplan.report_file import read_report
from roomplan.session.buses import find_bus
from roomplan.session.session import Session

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from roomplan.balance.verifying import TargetResult
    from roomplan.errors import Problem
    from roomplan.loudness.gating import LoudnessOverTime
    from roomplan.rendering.progress import Progress
    from roomplan.report.documents import Document

__all__ = [
    "Side",
    "add_courses",
    "compared_cues",
    "compared_sides",
    "has_figures_only",
    "loudness_curve",
    "reported_files",
    "require_bus",
    "require_bus_of_cues",
]


@frozen_class
class Side:
    """One plan, result or rendered folder; a folder has no `rendering`, and only plans have `results`."""

    path: Path
    compared: Compared
    rendering: Rendering | None = None
    results: tuple[TargetResult, ...] = ()

    @property
    def label(self) -> str:
        """What tells it apart."""
        return self.compared.label


def has_figures_only(path: Path) -> bool:
    """Whether a path is that of a render: what its report says counts, and its plan is not measured again."""
    return path.is_dir() or (path.suffix.lower() == ".json" and path.is_file())


def compared_sides(
    given: Sequence[Path | Session | Rendering],
    labels: Sequence[str],
    *,
    start: str | None = None,
    length: str | None = None,
    progress: Progress = silent_progress,
    notice: Callable[[Problem], None] = lambda _note: None,
) -> list[Side]:
    """Read every report and measure every plan.

    Parameters
    ----------
    given : sequence of Path, Session or Rendering
        Plans, rendered folders, or the reports in them; plans that are open; results, which are taken as they
        are.
    labels : sequence of str
        What tells them apart, in their order.
    start, length : str, optional
        The excerpt of the plans that is measured.
    notice : callable
        Takes what a plan says in old words.

    Raises
    ------
    PlanError
        All problems of all plans.
    RoomplanError
        A folder without a report, or an excerpt that a plan does not have.
    """
    cache = Cache.open()
    problems: dict[Problem, None] = {}
    opened: list[Session | Rendering | Document | None] = []
    for one in given:
        if not isinstance(one, Path):
            opened.append(one)
        elif has_figures_only(one):
            opened.append(read_report(one).document)
        else:
            session, found = open_file(
                one, cache=cache, progress=lambda stage: progress(stage, 0, 1), notice=notice
            )
            opened.append(session)
            problems |= dict.fromkeys(found)
    if problems:
        raise PlanError(list(problems))
    alike = iter(_asking_alike([one for one in opened if isinstance(one, Session)]))
    sides = []
    for one, side, label in zip(given, opened, labels, strict=True):
        if isinstance(side, Session):
            sides.append(_measured(label, _excerpt(next(alike), start, length), cache, progress))
        elif isinstance(side, Rendering):
            sides.append(_side(label, side))
        elif isinstance(one, Path) and side is not None:
            sides.append(Side(one, Compared(label, side, "report")))
    return sides


def _asking_alike(sessions: Sequence[Session]) -> list[Session]:
    """The sessions, each with the passages and margins that any of them asks for.

    The first has the last word on a name that several give; a margin of a section or group that a plan does
    not have is not asked of it.
    """
    plans = [session.plan for session in reversed(sessions)]
    passages = {name: passage for plan in plans for name, passage in plan.passages.items()}
    margins = {(m.of, m.over, m.band): m for plan in plans for m in plan.margins}
    asking = []
    for session in sessions:
        known = {BusName.of_section(name) for name in session.plan.sections}
        known |= {BusName.of_group(name) for name in session.plan.groups}
        asked = tuple(m for m in margins.values() if {m.of, m.over} <= known)
        asking.append(replace(session, plan=replace(session.plan, passages=passages, margins=asked)))
    return asking


def _measured(label: str, session: Session, cache: Cache | None, progress: Progress) -> Side:
    """One plan, its figures and its targets from one pass."""
    rendering, results = measure_with_targets(
        session,
        cache=cache,
        peaks=False,
        progress=lambda stage, done, total: progress(f"{label}: {stage}", done, total),
    )
    return _side(label, rendering, results)


def _side(label: str, rendering: Rendering, results: tuple[TargetResult, ...] = ()) -> Side:
    document = session_part(rendering) | sound_part(rendering)
    if results:
        document["targets"] = result_entries(results)
    compared = Compared(label, document, document["answered_from"])
    return Side(rendering.session.plan.source, compared, rendering, results)


def _excerpt(session: Session, start: str | None, length: str | None) -> Session:
    """The session, or the part of it that is compared."""
    if start is None and length is None:
        return session
    begin = 0 if start is None else parse_moment(start, session)
    return excerpt_of(session, begin, None if length is None else parse_length(length))


def compared_cues(paths: Sequence[Path], labels: Sequence[str]) -> list[ComparedCue]:
    """Cues of folders that hold the renders of many; none when plans or rendered folders were named.

    Raises
    ------
    RoomplanError
        Only some of the folders hold many, or a report cannot be read.
    """
    folders = [rendered_cues(path) if path.is_dir() else {} for path in paths]
    if not any(folders):
        return []
    for path, found in zip(paths, folders, strict=True):
        if not found:
            many = paths[next(number for number, one in enumerate(folders) if one)]
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


def require_bus(name: str, sides: Iterable[Side]) -> None:
    """Refuse a bus that one of the sides lacks."""
    for side in sides:
        find_bus([bus["name"] for bus in side.compared.document["buses"]], name)


def require_bus_of_cues(name: str, cues: Iterable[ComparedCue]) -> None:
    """Refuse a bus that none of the cues has."""
    there = [one for cue in cues for one in cue.versions if one is not None]
    find_bus(dict.fromkeys(bus["name"] for one in there for bus in one.document["buses"]), name)


def add_courses(sides: Iterable[Side], bus: str, every_s: float) -> None:
    """Put the loudness over time of a bus into the document of every measured side."""
    for side in sides:
        rendering = side.rendering
        if rendering is None:
            continue
        session = rendering.session
        start_s = 0.0 if session.excerpt is None else session.excerpt.start_frame / session.sample_rate
        sums, rate = rendering.hop_sums[bus], session.sample_rate
        steps = course_of_hops(sums, every_s=every_s, sample_rate=rate, start_s=start_s)
        side.compared.document["course"] = {
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


def loudness_curve(side: Side, bus: str) -> LoudnessOverTime:
    """Loudness of a bus over time: from its pass, or from the file of a rendered folder."""
    if side.rendering is None:
        return file_loudness(reported_files(side, [bus])[bus])[1].over_time
    rate = side.rendering.session.sample_rate
    return loudness_over_time(side.rendering.hop_sums[bus], sample_rate=rate)


def reported_files(side: Side, buses: Sequence[str]) -> Mapping[str, Path]:
    """Files of buses in a rendered folder.

    Raises
    ------
    RoomplanError
        The report has no file of a bus, or names one outside of its folder.
    """
    folder = side.path.parent if side.path.is_file() else side.path
    files = {bus["name"]: bus["file"] for bus in side.compared.document["buses"]}
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
