"""Plans rendered: the figures of every bus, the files of the deliveries, the sound itself as arrays.

Conventions
-----------
Figures and files are those of the command; arrays are float32 (frames, 2), sample for sample what a 32-bit
float file would hold. All buses have one length and start on one frame.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import fields
from dataclasses import replace as replaced
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from roomplan.api.delivering import deliver, guard_targets, reproduction, spare_renders
from roomplan.api.faces import html_of
from roomplan.api.jobs import RenderJob, job_targets
from roomplan.api.plans import opened
from roomplan.cautions import LEVELS
from roomplan.errors import Problem
from roomplan.files.cache import Cache
from roomplan.frozen_classes import frozen_class
from roomplan.rendering.bus_mixer import BusMixer
from roomplan.rendering.component_store import ComponentStore
from roomplan.rendering.component_stream import ComponentStream
from roomplan.rendering.measure import measure_session
from roomplan.rendering.progress import silent_progress
from roomplan.rendering.result import Rendering
from roomplan.report.reproduction import RenderOptions
from roomplan.session.buses import build_buses, build_components, find_bus
from roomplan.session.response_matrices import response_matrices
from roomplan.show.compare_tables import margin_tables
from roomplan.show.tables import note, room_table, section_table, send_matrix, warning_lines

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray
    from rich.table import Table
    from rich.text import Text

    from roomplan.api.plans import OpenPlan, PathLike
    from roomplan.rendering.progress import Progress
    from roomplan.session.buses import Bus
    from roomplan.session.session import Session

    Samples = NDArray[np.float32]

__all__ = ["Checked", "Rendered", "check", "render", "render_arrays", "render_blocks"]


@frozen_class
class Checked(Rendering):
    """The figures of every bus of a plan; see `Rendering` for what it holds.

    `bus(name)` gives the figures of one bus: loudness, peaks, decay, wet-to-dry. One that cannot be given is
    None, and its reason is in `reasons` under its name.

    Examples
    --------
    >>> checked = roomplan.check("plan.yaml")
    >>> checked
    <Checked 'Ice Harbour': mix −12.4 LUFS, 1.6 s>
    >>> isinstance(checked, roomplan.Checked)
    True
    >>> choir = checked.bus("section:choir")
    >>> round(choir.decay.mid.t30_s, 1)
    0.5
    """

    @property
    def title(self) -> str:
        """Title of the plan."""
        return self.session.plan.title

    @property
    def duration_s(self) -> float:
        """Length with the tail."""
        return self.frames / self.session.sample_rate

    def __repr__(self) -> str:
        loudness = self.bus("mix").loudness.integrated_lufs
        heard = "silent" if loudness is None else f"{loudness:.1f} LUFS".replace("-", "−")
        return f"<{type(self).__name__} {self.title!r}: mix {heard}, {self.duration_s:.1f} s>"

    def _repr_html_(self) -> str:
        return html_of([send_matrix(self), section_table(self), room_table(self), *_endings(self)])


@frozen_class
class Rendered(Checked):
    """The figures of every bus of a plan, and the files that were written.

    Examples
    --------
    >>> rendered = roomplan.render("plan.yaml", "listen", only=["mix", "section:choir"])
    >>> isinstance(rendered, roomplan.Rendered)
    True
    >>> [path.name for path in rendered.files["section:choir"]]
    ['choir.wav']
    """

    @property
    def files(self) -> dict[str, tuple[Path, ...]]:
        """Bus → its files; a bus may be in several families and deliveries."""
        folders = {target.name: target.folder for target in self.targets}
        return {
            bus: tuple(folders[output.delivery] / output.file for output in group)
            for bus, group in self.outputs.items()
        }

    def _repr_html_(self) -> str:
        count = sum(len(group) for group in self.outputs.values())
        folders = dict.fromkeys(str(target.folder) for target in self.targets)
        line = f"{count} files of {self.duration_s:.1f} s and report.json in {', '.join(folders)}"
        return html_of([section_table(self), room_table(self), *_endings(self), line, note(LEVELS)])


def check(plan: OpenPlan | PathLike, *, workers: int = 2, progress: Progress = silent_progress) -> Checked:
    """Measure a plan and give the figures of every bus; nothing is written but the cache.

    Parameters
    ----------
    workers : int
        Threads.
    progress : callable
        Called with a stage in words, and how many of its steps are done of how many.

    Raises
    ------
    PlanError
        As `load`.
    RoomplanError
        A stem cannot be read to its end.

    Notes
    -----
    A plan that differs only in levels and mutes from one that was rendered is answered from the cache: then
    `recalled` is true and its peaks are None, since those need the sound.

    Examples
    --------
    >>> checked = roomplan.check(roomplan.load("plan.yaml"))
    >>> for send in checked.sends:
    ...     print(send.section, round(send.wet_to_dry_db, 1))
    choir -7.9
    low_strings -11.9
    """
    session = opened(plan).session
    found = measure_session(session, workers=workers, progress=progress, cache=Cache.open())
    return _faced(found, Checked)


def render(
    plan: OpenPlan | PathLike,
    folder: PathLike | None = None,
    *,
    only: Sequence[str] | None = None,
    replace: bool = False,
    outside: bool = False,
    workers: int = 2,
    progress: Progress = silent_progress,
) -> Rendered:
    """Render a plan into files, all or nothing, with report.json beside them.

    Parameters
    ----------
    folder : str or path, optional
        Where the files go, several deliveries into subfolders of their names; without it, where the plan's
        deliveries say, an excerpt beside them.
    only : sequence of str, optional
        Names of buses: only these are written. Without it, those of the deliveries; of a plan from a report,
        those that it has.
    replace : bool
        Whether another plan's files may be replaced, a finished delivery of this version that holds other
        samples, and a render by one from a report.
    outside : bool
        Whether a plan from a report, or one in another user's folder, may write outside its own folder. A
        plan of yours may, and a warning says so. Of no account where `folder` is given.
    workers, progress
        As in `check`.

    Raises
    ------
    PlanError
        As `load`.
    RoomplanError
        A bus that does not exist or would clip in an integer format, a file that would overwrite a stem or
        what is not this plan's, a folder that may not be written to, a full disk. Earlier files are untouched
        then.

    Notes
    -----
    `roomplan.load("session/report.json")` loads the plan again as it was rendered, unless it was rendered
    over arrays. Many plans through any `concurrent.futures` executor: `roomplan.api.jobs.run_jobs`.

    Examples
    --------
    >>> rendered = roomplan.render("plan.yaml", "session")
    >>> for bus, paths in rendered.files.items():
    ...     print(bus, *(path.name for path in paths))
    mix mix.wav
    section:choir choir.wav
    section:low_strings low_strings.wav
    >>> [family.folder for family in rendered.families]           # files that add up to the mix
    ['prints']
    """
    plan, cache = opened(plan), Cache.open()
    only = plan.options.only if only is None else tuple(_named(only))
    job = RenderJob(plan.path, output=None if folder is None else Path(folder))
    targets = job_targets(job, plan.session.plan, excerpt=plan.session.excerpt is not None)
    written = plan.loaded.written if plan.loaded is not None else None
    said: list[str] = []
    if folder is None:
        guard_targets(
            plan.session.plan,
            targets,
            report=written.report_file if written is not None else None,
            agreed=outside,
            remedy="name a folder, or outside=True",
            notice=said.append,
        )
    reproduce = None
    if plan.loaded is not None:
        if not replace:
            spare_renders(plan.loaded, targets, remedy="name another folder, or replace=True")
        options = RenderOptions(only, plan.options.mute)
        reproduce = reproduction(plan.loaded, plan.session, options, cache)
    found = deliver(
        plan.session,
        targets,
        reproduce=reproduce,
        only=only,
        replace=replace,
        workers=workers,
        progress=progress,
        cache=cache,
        notice=said.append,
    )
    return _faced(replaced(found, warnings=(*found.warnings, *map(Problem, said))), Rendered)


def render_arrays(
    plan: OpenPlan | PathLike, buses: Sequence[str] = ("mix",), *, workers: int = 2
) -> dict[str, Samples]:
    """Render buses of a plan into memory.

    Parameters
    ----------
    buses : sequence of str
        Names, such as those of `OpenPlan.buses`.
    workers : int
        Threads.

    Returns
    -------
    dict of str to ndarray, shape (frames, 2), float32
        Bus → its sound, sample for sample that of a 32-bit float file.

    Raises
    ------
    PlanError
        As `load`.
    RoomplanError
        A bus that does not exist, a stem that cannot be read.

    Notes
    -----
    Five minutes at 48 kHz are 115 MB for each bus: `render_blocks` keeps a few blocks only.

    Examples
    --------
    >>> sound = roomplan.render_arrays("plan.yaml", ["mix", "dry", "wet"])
    >>> sound["mix"].shape, sound["mix"].dtype
    ((38400, 2), dtype('float32'))
    >>> bool(np.allclose(sound["dry"] + sound["wet"], sound["mix"], atol=1e-6))
    True
    """
    parts: dict[str, list[Samples]] = {name: [] for name in _named(buses)}
    for block in render_blocks(plan, buses, workers=workers):
        for name, samples in block.items():
            parts[name].append(samples)
    return {name: np.concatenate(pieces) for name, pieces in parts.items()}


def render_blocks(
    plan: OpenPlan | PathLike, buses: Sequence[str] = ("mix",), *, workers: int = 2
) -> Iterator[dict[str, Samples]]:
    """Render buses of a plan block by block, for cues of any length.

    Parameters
    ----------
    plan, buses, workers
        As in `render_arrays`.

    Yields
    ------
    dict of str to ndarray, shape (frames, 2), float32
        The next frames of every bus; blocks differ in length.

    Raises
    ------
    PlanError, RoomplanError
        As `render_arrays`: before the first block, except for a stem that turns out to be damaged.

    Examples
    --------
    >>> peak = 0.0
    >>> for block in roomplan.render_blocks("plan.yaml", ["section:choir"]):
    ...     peak = max(peak, float(np.abs(block["section:choir"]).max()))
    >>> peak < 1.0
    True
    """
    session = opened(plan).session
    known = build_buses(session, build_components(session))
    names: list[str] = [bus.name for bus in known]
    chosen = {names.index(find_bus(names, name)): name for name in _named(buses)}
    return _blocks(session, known, chosen, workers)


def _blocks(
    session: Session, buses: tuple[Bus, ...], chosen: Mapping[int, str], workers: int
) -> Iterator[dict[str, Samples]]:
    # all buses are summed, whichever are asked for: so the order of additions is that of the files
    matrices, cache = response_matrices(session), Cache.open()
    with (
        ComponentStream(
            session,
            build_components(session),
            matrices,
            workers=workers,
            store=None if cache is None else ComponentStore(cache),
        ) as stream,
        ThreadPoolExecutor(workers) as pool,
    ):
        unasked = dict.fromkeys(range(len(buses)), (0.0, 0.0))  # nobody wants a peak
        mixer = BusMixer(buses, chosen, most_frames=stream.hop, workers=workers, known=unasked)
        for block in stream.blocks():
            mixed = mixer.mix(block, pool)
            yield {name: mixed[index].copy() for index, name in chosen.items()}


_Result = TypeVar("_Result", bound=Checked)


def _faced(found: Rendering, kind: type[_Result]) -> _Result:
    """The same rendering with a face for a prompt and a notebook."""
    return kind(**{entry.name: getattr(found, entry.name) for entry in fields(found)})


def _named(buses: Sequence[str]) -> Sequence[str]:
    """Names of buses; one alone is one name, not its letters."""
    return (buses,) if isinstance(buses, str) else buses


def _endings(found: Checked) -> list[Table | Text]:
    """Margins where the plan asks for some, and the notes."""
    return [*margin_tables(found), *warning_lines(found.warnings)]
