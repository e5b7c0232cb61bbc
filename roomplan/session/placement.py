"""Where stems are in time: by the time references in their files and the plan's `start`.

Conventions
-----------
Times of day are exact fractions of seconds from midnight. Frame 0 of the cue is the sample of the day nearest
to the plan's `start`; without one, to the earliest time that a stem states; without any, the first frame of
every stem. A stem begins on the frame nearest to its time, the later one of two equally near. Stems that
state no time begin on frame 0.

Notes
-----
A day is no circle here: stems that cross midnight are more than 12 hours apart and refused.
"""

from __future__ import annotations

from fractions import Fraction
from math import floor
from typing import TYPE_CHECKING

from roomplan.errors import Problem
from roomplan.frozen_classes import frozen_class
from roomplan.timecode import Timecode, nearest_sample

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from roomplan.plan.model import Plan
    from roomplan.session.stems import StemSource
    from roomplan.timecode import FrameRate

__all__ = ["Placement", "place_stems"]

# A cue is minutes long. Times further apart are of two days, or one of them was never set.
_FURTHEST_APART_S = 12 * 3600
_MOST_NAMES_LISTED = 6


@frozen_class
class Placement:
    """Time of day of frame 0; None where neither stems nor plan say it."""

    start_s: Fraction | None

    def on_samples(self, sample_rate: int) -> Placement:
        """Return the placement whose frame 0 is a sample of the day, as those of files are.

        A file that states the sample nearest to a frame then begins on that frame, and an excerpt of it too.
        """
        if self.start_s is None:
            return self
        return Placement(Fraction(nearest_sample(self.start_s, sample_rate), sample_rate))

    def offset_frames(self, stem: StemSource, sample_rate: int) -> int:
        """Frame of the cue on which a stem begins."""
        if self.start_s is None or stem.reference_s is None:
            return 0
        # A stem may begin up to one of its own samples early: nothing is cut off it.
        return max(0, nearest_sample(stem.reference_s - self.start_s, sample_rate))


def place_stems(
    plan: Plan, stems: Mapping[str, Sequence[StemSource]]
) -> tuple[Placement, list[Problem], list[Problem]]:
    """Find frame 0 of a cue.

    Parameters
    ----------
    stems : mapping
        Section name → its stems.

    Returns
    -------
    placement : Placement
    problems, warnings : list of Problem
        Stems that begin before the plan's `start` or half a day from the others; stems that state no time
        where others do, which is a problem with `strict`.
    """
    every = [stem for group in stems.values() for stem in group]
    stated = sorted(
        ((stem.reference_s, stem) for stem in every if stem.reference_s is not None), key=lambda pair: pair[0]
    )
    start = None if plan.start is None else plan.start.seconds
    if not stated:
        return Placement(start), [], []
    problems: list[Problem] = []
    first_s, first = stated[0]
    last_s, last = stated[-1]
    zero = first_s if start is None else start
    early = [stem for time, stem in stated if (zero - time) * stem.sample_rate > 1]
    if last_s - min(first_s, zero) > _FURTHEST_APART_S:
        problems.append(_far_apart(plan, first, last))
    elif early and plan.start is not None:
        shown = _shown(first, plan.start, plan.frame_rate)
        more = f" (and {len(early) - 1} more)" if len(early) > 1 else ""
        what = f"stem {first.name} begins at {shown[0]}, before the start of the cue, {shown[1]}{more}"
        problems.append(Problem(what, plan.place_of("start"), f"a `start` of {shown[0]} or earlier"))
    warnings: list[Problem] = []
    untold = [stem.name for stem in every if stem.reference_s is None]
    if untold:
        listed = ", ".join(untold[:_MOST_NAMES_LISTED])
        more = f" and {len(untold) - _MOST_NAMES_LISTED} more" if len(untold) > _MOST_NAMES_LISTED else ""
        says = "has" if len(untold) == 1 else "have"
        what = f"{listed}{more} {says} no time reference, but other stems do"
        at = _clock(zero) if plan.frame_rate is None else str(Timecode.nearest(zero, plan.frame_rate))
        remedy = f"placed at the start of the cue, {at}; export with a time reference if that is wrong"
        told = Problem(what, plan.place_of("stems"), remedy)
        (problems if plan.strict else warnings).append(told)
    return Placement(zero), problems, warnings


def _far_apart(plan: Plan, first: StemSource, last: StemSource) -> Problem:
    hours = _FURTHEST_APART_S // 3600
    start = plan.start
    if start is not None and start.seconds <= _seconds(first):
        shown = _shown(last, start, plan.frame_rate)
        what = f"stem {last.name} begins at {shown[0]}, more than {hours} h after the start, {shown[1]}"
        return Problem(what, plan.place_of("start"), "a `start` nearer to it")
    shown = _shown(first, last, plan.frame_rate)
    what = (
        f"stems {first.name} and {last.name} have times more than {hours} h apart, {shown[0]} and {shown[1]}"
    )
    return Problem(what, plan.place_of("stems"), "export both from one session")


def _seconds(moment: StemSource | Timecode) -> Fraction:
    if isinstance(moment, Timecode):
        return moment.seconds
    return moment.reference_s or Fraction(0)


def _shown(
    first: StemSource | Timecode, second: StemSource | Timecode, rate: FrameRate | None
) -> tuple[str, str]:
    """Return two times as timecode where that tells them apart, else in hours, minutes and seconds."""
    if rate is not None:
        shown = _timecode(first, rate), _timecode(second, rate)
        if shown[0] != shown[1]:
            return shown
    return _clock(_seconds(first)), _clock(_seconds(second))


def _timecode(moment: StemSource | Timecode, rate: FrameRate) -> str:
    """Return the frame that a stem begins in: the sample nearest to its start belongs to it."""
    if isinstance(moment, Timecode):
        return str(moment)
    sample = round(_seconds(moment) * moment.sample_rate)
    return str(Timecode.at_sample(sample, moment.sample_rate, rate))


def _clock(seconds: Fraction) -> str:
    """Return `1:02:03.5`, to a microsecond: less than a sample."""
    whole = floor(seconds * 1_000_000 + Fraction(1, 2))
    minutes, micro = divmod(whole, 60_000_000)
    hours, minutes = divmod(minutes, 60)
    rest = f"{micro / 1_000_000:09.6f}".rstrip("0").rstrip(".")
    return f"{hours}:{minutes:02}:{rest}"
