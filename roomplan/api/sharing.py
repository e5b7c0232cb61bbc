"""A plan as one page that opens without the program: figures of the whole cue, sound of a passage.

Conventions
-----------
Figures on the page come from the cross powers and the responses, never from its sound, which may be coded.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from roomplan.api.opening import open_plan
from roomplan.balance.judging import measure_with_targets
from roomplan.balance.record import keeping, open_record
from roomplan.balance.section_forms import section_forms
from roomplan.errors import RoomplanError, system_problem
from roomplan.files.cache import Cache
from roomplan.files.staging import require_writable
from roomplan.files.whole_file import write_whole
from roomplan.plan.bus_name import BusName
from roomplan.rendering.excerpt import excerpt_of, parse_length, parse_moment
from roomplan.rendering.passage_sound import busiest_start_s, coded_passage, longest_passage_s
from roomplan.rendering.progress import silent_progress
from roomplan.report.page import PageContent, page_document
from roomplan.session.response_matrices import response_matrices
from roomplan.show.page.assembly import page_text

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from roomplan.errors import Problem
    from roomplan.rendering.passage_sound import PassageSound
    from roomplan.rendering.progress import Progress
    from roomplan.rendering.result import Rendering
    from roomplan.session.session import Session

__all__ = ["DEFAULT_SIZE_MB", "SharedPage", "refuse_page_file", "share_file"]

DEFAULT_SIZE_MB = 25.0
"""What mail takes (common practice, no source)."""

_DEFAULT_LENGTH_S = 45.0
_BASE64 = 0.74  # bytes of sound in a byte of text: 3 in 4, and line ends


@dataclass(frozen=True)
class SharedPage:
    """What was written."""

    path: Path
    size_bytes: int
    sound: PassageSound
    sample_rate: int


def refuse_page_file(output: Path, *, replace: bool) -> None:
    """Refuse a place that no page can be written to, before any work.

    Raises
    ------
    RoomplanError
        No page by its ending, a folder that is missing or may not be written to, a file that is there and may
        not be replaced.
    """
    if output.suffix.lower() not in {".html", ".htm"}:
        raise RoomplanError(f"{output}: is written as a page", remedy="give it the ending .html")
    if not output.parent.is_dir():
        raise RoomplanError(f"{output.parent}: there is no such folder", remedy="create it first")
    if output.is_dir():
        raise RoomplanError(f"{output} is a folder", remedy="name a file in it")
    if output.exists() and not replace:
        raise RoomplanError(f"{output} exists", remedy="add --replace, or name another file")
    require_writable(output.parent.absolute())


def share_file(
    path: Path,
    output: Path,
    *,
    start: str | None = None,
    length: str | None = None,
    size_mb: float = DEFAULT_SIZE_MB,
    replace: bool = False,
    workers: int = 2,
    progress: Progress = silent_progress,
    notice: Callable[[Problem], None] = lambda _note: None,
) -> SharedPage:
    """Write a plan as a page.

    Parameters
    ----------
    start, length : str, optional
        Of the passage that can be played, as `excerpt.parse_moment` and `parse_length` read them. Without
        them the stretch in which most sections play.
    size_mb : float
        Largest file.
    notice : callable
        Takes what the plan says in old words.

    Raises
    ------
    PlanError
        Every problem of the plan.
    RoomplanError
        There is no such moment, the sound does not fit, or the file cannot be written.
    """
    refuse_page_file(output, replace=replace)
    cache = Cache.open()
    session = open_plan(path, progress=lambda stage: progress(stage, 0, 1), cache=cache, notice=notice)
    with keeping(cache) as kept:
        rendering, results = measure_with_targets(session, cache=kept, workers=workers, progress=progress)
        matrices = response_matrices(session)
        record = open_record(
            session, session.plan.targets, matrices, cache=kept, workers=workers, progress=progress
        )
        forms = {}
        for number, section in enumerate(session.sections):
            progress("measuring what sections get", number, len(session.sections))
            forms[section.name] = section_forms(
                section, matrices, sample_rate=session.sample_rate, workers=workers
            )
        silent = page_text(page_document(PageContent(rendering, results, record, forms, None)), None)
        room = round((size_mb * 1e6 - len(silent)) * _BASE64)
        if room <= 0:
            raise RoomplanError(
                f"the figures alone take {len(silent) / 1e6:.1f} MB", remedy="give a larger --size"
            )
        excerpt = _passage(session, rendering, start, length)
        sound = coded_passage(
            excerpt, matrices, most_bytes=room, cache=cache, workers=workers, progress=progress
        )
        document = page_document(PageContent(rendering, results, record, forms, sound))
    content = page_text(document, sound)
    try:
        write_whole(output, content, replace=replace)
    except FileExistsError:
        raise RoomplanError(f"{output} exists", remedy="add --replace, or name another file") from None
    except OSError as error:
        problem = system_problem(error, output)
        raise RoomplanError(problem.what, remedy=problem.remedy) from error
    return SharedPage(output, len(content), sound, session.sample_rate)


def _passage(session: Session, rendering: Rendering, start: str | None, length: str | None) -> Session:
    """Session of the passage that is heard; the whole one where that is all of it."""
    rate = session.sample_rate
    components = sum(len(s.sends) + (s.dry_gain is not None) for s in session.sections)
    longest = longest_passage_s(components, rate)
    whole = rendering.frames / rate
    begin = None if start is None else parse_moment(start, session)
    if length is None:
        seconds = Fraction(min(_DEFAULT_LENGTH_S, longest))
    else:
        seconds = parse_length(length)
        if min(float(seconds), whole) > longest:
            raise RoomplanError(
                f"{components} components of {float(seconds):.0f} s are more than a browser holds",
                remedy=f"give a --length of {longest:.0f} s or less",
            )
    if begin is None:
        sums = [rendering.hop_sums[BusName.of_section(section.name)] for section in session.sections]
        latest = max(0.0, whole - float(seconds))
        begin = Fraction(min(busiest_start_s(sums, float(seconds), sample_rate=rate), latest))
    if begin == 0 and float(seconds) >= whole:
        return session
    return excerpt_of(session, begin, min(seconds, Fraction(rendering.frames, rate)))
