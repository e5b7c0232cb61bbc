"""Plans for a program: found, read, and whole, or every problem at once.

Conventions
-----------
A plan that has problems is never handed out. Names are those of the plan and of the reports: sections, rooms,
buses such as `mix`, `section:choir:wet`, `room:orrin_nave`.

Arrays in place of files are written into a temporary folder, as 32-bit float WAV, the precision in which
stems are mixed anyway: so they pass every check a file passes, and a plan sounds the same over both. The
folder goes when nothing that was made from it is in use any more.
"""

from __future__ import annotations

import math
import shutil
import tempfile
import warnings
import weakref
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from roomplan.api.arrays import sound_array, sound_rate, write_float_file
from roomplan.api.faces import html_of
from roomplan.api.jobs import RenderJob, open_job
from roomplan.api.opening import open_loaded
from roomplan.errors import PlanError, Problem, RoomplanError
from roomplan.files.cache import Cache
from roomplan.files.names import is_sound_name, safe_file_names
from roomplan.plan.load import load_plan
from roomplan.rendering.excerpt import excerpt_of, parse_length, parse_moment
from roomplan.report.reproduction import RenderOptions
from roomplan.session.buses import build_buses, build_components
from roomplan.show.tables import DASH, level, plain_table, warning_lines

if TYPE_CHECKING:
    import os
    from collections.abc import Iterable, Mapping

    from numpy.typing import ArrayLike
    from rich.table import Table

    from roomplan.plan.load import LoadedPlan
    from roomplan.session.session import Session

    PathLike = str | os.PathLike[str]

__all__ = ["OpenPlan", "load", "load_with_arrays", "opened", "problems"]


@dataclass(frozen=True, repr=False, eq=False)
class OpenPlan:
    """A plan without problems: its stems found, its rooms prepared, its levels multiplied out.

    Attributes
    ----------
    session : Session
        What the rest of the program works on.
    options : RenderOptions
        What is muted on top of the plan's own mutes; of a plan from a report, which buses alone are written.
    loaded : LoadedPlan or None
        The plan as it was read, from which a report is made that suffices to render again. None over arrays:
        they cannot be read again.

    Examples
    --------
    >>> plan = roomplan.load("plan.yaml")
    >>> isinstance(plan, roomplan.OpenPlan)
    True
    >>> plan
    <OpenPlan 'Ice Harbour': 2 sections, 1 room, 24000 Hz>
    >>> plan.sections, plan.rooms
    (('choir', 'low_strings'), ('nave',))
    >>> plan.buses[:4]
    ('mix', 'dry', 'wet', 'section:choir')
    """

    session: Session
    options: RenderOptions
    loaded: LoadedPlan | None = None

    def excerpt(self, start: float | str = 0.0, length: float | str | None = None) -> OpenPlan:
        """The same plan, of which only an excerpt is rendered, with the tails of what sounded before.

        Parameters
        ----------
        start : float or str
            From the first frame of the cue: seconds, "1:10", or timecode where the plan has a frame rate.
        length : float or str, optional
            Seconds or "0:20"; None: all the rest.

        Raises
        ------
        RoomplanError
            The start is outside the cue, the length nothing to hear, or a text is neither.

        Examples
        --------
        >>> plan = roomplan.load("plan.yaml")
        >>> mix = roomplan.render_arrays(plan)["mix"]
        >>> part = roomplan.render_arrays(plan.excerpt(0.5, 0.25))["mix"]
        >>> bool(np.allclose(part, mix[12_000:18_000], atol=1e-6))
        True
        """
        first = parse_moment(start, self.session) if isinstance(start, str) else start
        long = parse_length(length) if isinstance(length, str) else length
        for value in (first, long):
            if value is not None and not math.isfinite(value):
                raise RoomplanError(f"an excerpt of {length!r} from {start!r}", remedy="give seconds")
        return replace(self, session=excerpt_of(self.session, first, long))

    def stretch(self, start: float | str = 0.0, length: float | str | None = None) -> OpenPlan:
        """What `excerpt` was called; goes with the next version."""
        warnings.warn(
            "OpenPlan.stretch is now OpenPlan.excerpt; the next version accepts only the new name",
            DeprecationWarning,
            stacklevel=2,
        )
        return self.excerpt(start, length)

    @property
    def title(self) -> str:
        """Title of the plan."""
        return self.session.plan.title

    @property
    def path(self) -> Path:
        """File of the plan."""
        return self.session.plan.source

    @property
    def sample_rate(self) -> int:
        """Hertz."""
        return self.session.sample_rate

    @property
    def sections(self) -> tuple[str, ...]:
        """Names of the sections."""
        return tuple(section.name for section in self.session.sections)

    @property
    def groups(self) -> tuple[str, ...]:
        """Names of the groups."""
        return tuple(self.session.plan.groups)

    @property
    def rooms(self) -> tuple[str, ...]:
        """Names of the rooms."""
        return tuple(self.session.plan.rooms)

    @property
    def buses(self) -> tuple[str, ...]:
        """Names of everything that can be rendered, the mix first."""
        return tuple(bus.name for bus in build_buses(self.session, build_components(self.session)))

    @property
    def warnings(self) -> tuple[Problem, ...]:
        """What can be used but looks wrong."""
        return self.session.warnings

    def __repr__(self) -> str:
        sections, rooms = len(self.sections), len(self.rooms)
        return (
            f"<{type(self).__name__} {self.title!r}: {sections} section{'s' if sections != 1 else ''}, "
            f"{rooms} room{'s' if rooms != 1 else ''}, {self.sample_rate} Hz>"
        )

    def _repr_html_(self) -> str:
        return html_of([_plan_table(self.session), *warning_lines(self.warnings)])


def load(path: PathLike, *, mute: Iterable[str] | None = None) -> OpenPlan:
    """Load a plan with everything it names: what it extends, its stems, its responses, its rooms.

    Parameters
    ----------
    path : str or path
        The plan, or the report.json of a render: then the plan as it was when that was made.
    mute : iterable of str, optional
        Sections to mute on top of the plan's own mutes; without it, what the report says, none for a plan.

    Raises
    ------
    PlanError
        With all problems of the plan and of what it names, each with its place.
    RoomplanError
        A section to mute that is none.

    Notes
    -----
    A synthetic room takes about half a second for each seat when it is asked for the first time; later it
    comes from the cache. Stems are inspected, not read.

    Examples
    --------
    >>> roomplan.load("plan.yaml", mute=["choir"]).title
    'Ice Harbour'

    A plan with problems is no plan; `problems` has them one by one.

    >>> try:
    ...     roomplan.load("broken.yaml")
    ... except roomplan.PlanError as error:
    ...     for problem in error.problems:
    ...         print(problem.place.line, problem.what)
    5 unknown key 'dyr' in choir
    6 there is no room 'nav'
    """
    found = open_job(RenderJob(Path(path), mute=_names(mute)), cache=Cache.open())
    return OpenPlan(found.session, found.options, found.loaded)


def load_with_arrays(
    path: PathLike, stems: Mapping[str, ArrayLike], *, sample_rate: int, mute: Iterable[str] = ()
) -> OpenPlan:
    """Load a plan over arrays: they stand in for the files of its stems folder, which is not looked at.

    Parameters
    ----------
    path : str or path
        The plan.
    stems : mapping of str to array_like, shape (frames,), (frames, 1) or (frames, 2)
        Name → sound. The plan's sections find them as they find files: by name or pattern, and `brass_L` with
        `brass_R` as one stereo stem.
    sample_rate : int
        Of all of them, in hertz.
    mute : iterable of str
        Sections to mute.

    Returns
    -------
    OpenPlan
        It keeps the sound in a temporary folder, as 32-bit float, for as long as it is in use.

    Raises
    ------
    PlanError
        As `load`; a stem that the plan names and nobody handed in is one of its problems.
    RoomplanError
        An array that is no sound, or a name that is no file name.

    Examples
    --------
    >>> rate = 24_000
    >>> choir = np.zeros((rate, 2))
    >>> choir[0] = 0.5                                    # a click
    >>> plan = roomplan.load_with_arrays("plan.yaml", {"choir": choir, "low": 0.1 * choir}, sample_rate=rate)
    >>> mix = roomplan.render_arrays(plan)["mix"]
    >>> round(float(mix[0, 0]), 2)                        # the click; what follows it are the rooms
    0.55
    """
    rate = sound_rate(sample_rate)
    arrays = {name: sound_array(samples, f"stem {name!r}") for name, samples in stems.items()}
    muted, safe = _names(mute) or (), safe_file_names(list(arrays))
    for name, samples in arrays.items():
        if safe[name] != name or is_sound_name(Path(name)):
            raise RoomplanError(
                f"{name!r} cannot be the name of a stem",
                remedy="name it as a file without its ending, such as 'choir'",
            )
        finite = np.isfinite(samples).all(axis=1)
        if not finite.all():
            raise RoomplanError(
                f"stem {name!r} holds a value that is not finite at frame {int(np.argmin(finite))}",
                remedy="replace it, by 0 for instance",
            )
    with ExitStack() as stack:
        temporary = tempfile.mkdtemp(prefix="roomplan-")
        stack.callback(shutil.rmtree, temporary, ignore_errors=True)
        folder = Path(temporary) / "arrays"
        folder.mkdir()
        for name, samples in arrays.items():
            write_float_file(folder / f"{name}.wav", samples, rate)
        found = _opened_over(folder, Path(path), muted)
        stack.pop_all()
    # Results hold their session, and what is made from a session, such as an excerpt, shares its sections: so
    # the sound is there for as long as any of them.
    owner = found.sections[0] if found.sections else found
    weakref.finalize(owner, shutil.rmtree, temporary, ignore_errors=True)
    return OpenPlan(found, RenderOptions(mute=muted))


def problems(path: PathLike) -> list[Problem]:
    """Everything that is wrong with a plan and with what it names, in the order of the file.

    Parameters
    ----------
    path : str or path
        The plan.

    Returns
    -------
    list of Problem
        Empty: the plan can be rendered.

    Examples
    --------
    >>> roomplan.problems("plan.yaml")
    []
    >>> for problem in roomplan.problems("broken.yaml"):
    ...     print(problem)
    broken.yaml:5:5: unknown key 'dyr' in choir — did you mean 'dry'?
    broken.yaml:6:13: there is no room 'nav' — did you mean 'nave'?
    >>> problem.place == roomplan.Place(problem.place.file, 6, 13)
    True
    >>> roomplan.Problem("the trim is too high", remedy="lower it")      # what a problem is made of
    Problem(what='the trim is too high', place=None, remedy='lower it', subject=None)
    """
    try:
        load(path)
    except PlanError as error:
        return list(error.problems)
    return []


def opened(plan: OpenPlan | PathLike) -> OpenPlan:
    """The plan itself, or the one in a file."""
    return plan if isinstance(plan, OpenPlan) else load(plan)


def _opened_over(folder: Path, path: Path, mute: tuple[str, ...]) -> Session:
    """Open a plan over another stems folder than its own."""
    loaded = load_plan(path)
    if loaded.plan is not None:
        loaded = replace(loaded, plan=replace(loaded.plan, stems_folder=folder))
    session, faults = open_loaded(loaded, mute=mute, cache=Cache.open())
    if session is None:
        raise PlanError(faults)
    return session


def _names(mute: Iterable[str] | None) -> tuple[str, ...] | None:
    """Names of sections; one alone is one name, not its letters."""
    if mute is None:
        return None
    return (mute,) if isinstance(mute, str) else tuple(mute)


def _plan_table(session: Session) -> Table:
    """Sections down, rooms across: what the plan says before anything is rendered."""
    table = plain_table(
        f"{session.plan.title}: sends", "level · position; `check` says what returns of each send"
    )
    for heading in ("section", "stems", "dry dB"):
        table.add_column(heading, justify="right" if heading == "dry dB" else "left")
    for name in session.rooms:
        table.add_column(name)
    for section in session.sections:
        written = session.plan.sections[section.name]
        cells = (
            "\n".join(
                _send_words(send.level_db, send.position) for send in section.sends if send.room == room
            )
            for room in session.rooms
        )
        table.add_row(
            section.name + (" (muted)" if section.muted else ""),
            ", ".join(path.stem.name for path in section.stems),
            "off" if written.dry_db is None else level(written.dry_db),
            *(cell or DASH for cell in cells),
        )
    return table


def _send_words(level_db: float, position: str) -> str:
    return f"{level(level_db)} dB {position}"
