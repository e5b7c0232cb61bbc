"""What a practitioner should know of the stems before a cue is shipped: short, clipped, silent, quiet ones.

Conventions
-----------
These are notes: they keep nothing from being rendered. A file is noted once for each thing, in one line.
The thresholds are common practice, no source.
"""

from __future__ import annotations

import math
from statistics import median
from typing import TYPE_CHECKING

from roomplan.errors import Problem
from roomplan.plan.bus_name import BusName

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from roomplan.rendering.earlier_stems import EarlierStem
    from roomplan.rendering.stem_survey import SurveyedFile
    from roomplan.session.session import Session

    _Finding = tuple[str, str]  # what is wrong with a file, and what would mend it

__all__ = ["changed_stem_advice", "stem_advice"]

EARLY_SHARE = 0.75  # of the cue: a stem that ends before is short; a sound that ends later just fades sooner
CUT_SHARE = 0.9  # the same of a stem that ends in the middle of its sound
EARLY_S = 1.0  # what must be missing at least
AT_LIMIT_SAMPLES = 100  # as many at one value near full scale are a clipped sound, not a peak
SILENCE_DBFS = -90.0  # the noise of 16 bit and its dither; what never rises over it is silence
QUIET_DB = 36.0  # under the median of the other stems, each at its loudest 400 ms
OFFSET_DBFS = -50.0
OFFSET_DB = -30.0  # and against the sound itself: less is what is left over of its lowest waves
OFFSET_S = 1.0  # shorter sounds need not have the mean 0
_MOST_LINES = 8


def stem_advice(session: Session, surveyed: Sequence[SurveyedFile]) -> list[Problem]:
    """Notes on the files of a session, the sections in the order of the plan."""
    end_s = max((one.end_s for one in surveyed), default=0.0)
    silent = {one.section for one in surveyed} - {one.section for one in surveyed if one.figures.peak > 0.0}
    found = {
        "short": _notes(session, surveyed, lambda one: _short(one, end_s)),
        "clipped": _notes(session, surveyed, _clipped),
        # a section without any sound has its own line
        "silent": _notes(session, [one for one in surveyed if one.section not in silent], _silent),
        "quiet": _quiet(session, surveyed),
        "with an offset": _notes(session, surveyed, _offset),
        "played twice": _same(session, surveyed),
    }
    return [note for kind, notes in found.items() for note in _fewest(notes, kind)]


def changed_stem_advice(
    session: Session, surveyed: Iterable[SurveyedFile], earlier: Mapping[str, EarlierStem], folder: str
) -> list[Problem]:
    """Notes on files whose content or length is not that of the last render in a folder."""

    def changed(one: SurveyedFile) -> _Finding | None:
        before = earlier.get(str(one.path.absolute()))
        if before is None or before.digest == one.digest:
            return None
        length = one.figures.duration_s
        what = f"is not the one of the last render in {folder}"
        if before.duration_s is not None and abs(before.duration_s - length) > _LENGTH_S:
            what += f": it was {before.duration_s:.2f} s long, and is {length:.2f} s"
        return what, "render again if that is meant"

    return _fewest(_notes(session, surveyed, changed), "other than in the last render")


_LENGTH_S = 0.005


def _fewest(notes: Sequence[Problem], kind: str) -> list[Problem]:
    more = len(notes) - _MOST_LINES
    return [*notes] if more <= 0 else [*notes[:_MOST_LINES], Problem(f"{more} more stems are {kind}")]


def _notes(
    session: Session, surveyed: Iterable[SurveyedFile], judge: Callable[[SurveyedFile], _Finding | None]
) -> list[Problem]:
    """What `judge` finds of the files; halves of a stem of which it finds the same are one line."""
    found: dict[tuple[str, str, _Finding], list[SurveyedFile]] = {}
    for one in surveyed:
        finding = judge(one)
        if finding is not None:
            found.setdefault((one.section, one.stem, finding), []).append(one)
    return [_note(session, files, *finding) for (_section, _stem, finding), files in found.items()]


def _note(session: Session, files: Sequence[SurveyedFile], what: str, remedy: str) -> Problem:
    first = files[0]
    section = session.section(first.section)
    place = next(path.stem.place for path in section.stems if first.path in path.stem.files)
    name = first.path.name if len(files) == 1 else first.stem
    return Problem(f"stem {name} {what}", place, remedy, subject=BusName.of_section(first.section))


def _is_silent(one: SurveyedFile) -> bool:
    return one.figures.peak <= 10.0 ** (SILENCE_DBFS / 20.0)


def _short(one: SurveyedFile, end_s: float) -> _Finding | None:
    is_cut = one.figures.ends_in_sound
    share = CUT_SHARE if is_cut else EARLY_SHARE
    if one.end_s >= share * end_s or end_s - one.end_s < EARLY_S or _is_silent(one):
        return None
    cut = ", in the middle of its sound" if is_cut else ""
    what = f"ends at {one.end_s:.1f} s, {end_s - one.end_s:.1f} s before the longest{cut}"
    return what, "export it again if it should go on"


def _clipped(one: SurveyedFile) -> _Finding | None:
    count = one.figures.at_limit
    if count < AT_LIMIT_SAMPLES:
        return None
    peak_db = 20.0 * math.log10(one.figures.peak)
    what = f"looks clipped: {count} samples are at full level ({_signed(peak_db, 1)} dBFS)"
    return what, "export it again with headroom"


def _silent(one: SurveyedFile) -> _Finding | None:
    if not _is_silent(one):
        return None
    if one.figures.peak == 0.0:
        return "is digital silence", "export it again if it should sound"
    peak = _signed(20.0 * math.log10(one.figures.peak), 0)
    return f"is silence: its peak is {peak} dBFS", "export it again if it should sound"


def _quiet(session: Session, surveyed: Sequence[SurveyedFile]) -> list[Problem]:
    """Stems far under the median of the others, each at its loudest; what the plan turns up counts as up."""
    levels: dict[tuple[str, str], tuple[float, SurveyedFile]] = {}
    for one in surveyed:
        level = one.figures.level_db
        if level is None or _is_silent(one):
            continue
        key = (one.section, one.stem)
        raised = level + _raised_db(session, one)
        if key not in levels or raised > levels[key][0]:
            levels[key] = (raised, one)
    notes = []
    for key, (level, one) in levels.items():
        others = [other for name, (other, _file) in levels.items() if name != key]
        if others and level <= median(others) - QUIET_DB:
            under = median(others) - level
            what = f"is {under:.0f} dB below the other stems, each at its loudest"
            notes.append(_note(session, [one], what, "check its export, or raise it with `level`"))
    return notes


def _raised_db(session: Session, one: SurveyedFile) -> float:
    section = session.section(one.section)
    stem = next(path.stem for path in section.stems if one.path in path.stem.files)
    return max(0.0, stem.level_db) + max(0.0, session.plan.sections[one.section].level_db)


def _offset(one: SurveyedFile) -> _Finding | None:
    size, loudest = abs(one.figures.offset), math.sqrt(one.figures.loudest_power)
    if one.figures.duration_s < OFFSET_S or size < 10.0 ** (OFFSET_DBFS / 20.0):
        return None
    if size < 10.0 ** (OFFSET_DB / 20.0) * loudest:
        return None
    what = f"has a constant offset (DC) of {_signed(20.0 * math.log10(size), 0)} dBFS"
    return what, "remove it before the export: it costs headroom and clicks at edits"


def _same(session: Session, surveyed: Sequence[SurveyedFile]) -> list[Problem]:
    """Files of one content that are both played; the halves of a pair may be one mono sound."""
    by_content: dict[str, list[SurveyedFile]] = {}
    for one in surveyed:
        if not _is_silent(one):
            by_content.setdefault(one.digest, []).append(one)
    notes: list[Problem] = []
    for group in by_content.values():
        first, *others = group
        for other in others:
            if (other.section, other.stem) == (first.section, first.stem):
                continue
            what = f"is the same sound as {first.path.name} of section {first.section}: it is played twice"
            notes.append(_note(session, [other], what, "export it again, or remove one of them"))
    return notes


def _signed(value: float, digits: int) -> str:
    return f"{round(value, digits) + 0.0:.{digits}f}".replace("-", "−")
