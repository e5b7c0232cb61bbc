"""What the names of stems and the time in their files say of a cue: its name, version, frame rate and start.

Conventions
-----------
What all files agree on is taken; where they contradict one another nothing is, and a remark says so. A
start is a frame of the picture: a stem that begins between two frames has none.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from roomplan.errors import RoomplanError
from roomplan.timecode import FrameRate, Timecode, frame_rate, parse_timecode

from .names import fold, marks_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from .listening import StemFile
    from .names import StemName

__all__ = ["CueFacts", "cue_facts"]

_FURTHEST_APART_S = 12 * 3600  # as in `session.placement`: times further apart are of two days


@dataclass(frozen=True, slots=True)
class CueFacts:
    """What is known of a cue beside its sound; None where nothing says it.

    Attributes
    ----------
    frame_rate : FrameRate or None
        As the names have it; a template may have another.
    start : Timecode or None
        Frame on which the earliest stem begins.
    remarks : tuple of str
        Contradictions, and what is missing for a start.
    """

    cue: str | None = None
    version: str | None = None
    frame_rate: FrameRate | None = None
    start: Timecode | None = None
    remarks: tuple[str, ...] = ()


def cue_facts(
    folder_name: str,
    stems: Sequence[tuple[StemFile, StemName]],
    *,
    cue: str | None,
    template_rate: FrameRate | None = None,
) -> CueFacts:
    """Gather what the stems of a cue say of it.

    Parameters
    ----------
    folder_name : str
        Names the cue where no stem does.
    stems : sequence of (StemFile, StemName)
        Those of the plan.
    cue : str or None
        What most stems are called.
    template_rate : FrameRate, optional
        What counts where the names state no rate.
    """
    remarks: list[str] = []
    names = [name for _file, name in stems]
    rate = _stated_rate(names, remarks)
    counted = rate if rate is not None else template_rate
    return CueFacts(
        cue=cue or _cue_of(folder_name),
        version=_version(names),
        frame_rate=rate,
        start=_start(stems, counted, remarks),
        remarks=tuple(remarks),
    )


def _version(names: Sequence[StemName]) -> str | None:
    """Version that most stems state, and no stem another: one stem's own version is not the cue's."""
    stated = [name.version for name in names if name.version is not None]
    if len(set(stated)) != 1 or 2 * len(stated) <= len(names):
        return None
    return ".".join(str(number) for number in stated[0])


def _cue_of(folder_name: str) -> str | None:
    found = marks_of(folder_name).get("cue")
    return None if found is None else fold(found)


def _stated_rate(names: Iterable[StemName], remarks: list[str]) -> FrameRate | None:
    stated = Counter(name.frame_rate for name in names if name.frame_rate is not None)
    if len(stated) > 1:
        remarks.append(f"? the names state several frame rates ({', '.join(sorted(stated))}): none is taken")
    if len(stated) != 1:
        return None
    return frame_rate(next(iter(stated)))


def _start(
    stems: Sequence[tuple[StemFile, StemName]], rate: FrameRate | None, remarks: list[str]
) -> Timecode | None:
    """Frame on which the first stem begins: by the time in the files, else by the names."""
    times = sorted(
        (Fraction(file.begins_sample, file.sample_rate), file.name, file)
        for file, _name in stems
        if file.begins_sample is not None
    )
    if times:
        first_s, _, first = times[0]
        if times[-1][0] - first_s > _FURTHEST_APART_S:
            return None  # `check` names both stems
        if rate is None:
            remarks.append(
                f"the stems have time references, from {first.name} at {_clock(first_s)} on:"
                " add `frame_rate:`, and `--from` takes timecode"
            )
            return None
        return _frame_of(first, rate, remarks)
    written = {name.timecode for _file, name in stems if name.timecode is not None}
    if rate is None or len(written) != 1:
        return None
    text = ":".join(next(iter(written)))
    if rate.drop:
        text = f"{text[:8]};{text[9:]}"
    try:
        return parse_timecode(text, rate)
    except RoomplanError as error:
        remarks.append(f"? the names state {text}, which is no start: {error.problems[0].what}")
        return None


def _frame_of(stem: StemFile, rate: FrameRate, remarks: list[str]) -> Timecode | None:
    """Frame that begins on the sample on which a stem begins, or on the next: some programs round down."""
    sample = stem.begins_sample or 0
    for near in (sample, sample + 1):
        frame = Timecode.at_sample(near, stem.sample_rate, rate)
        if frame.sample(stem.sample_rate) == near:
            return frame
    frame = Timecode.at_sample(sample, stem.sample_rate, rate)
    remarks.append(
        f"{stem.name} begins within the frame {frame}: the cue starts with the stem, so no `start` is written"
    )
    return None


def _clock(seconds: Fraction) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes // 60}:{minutes % 60:02}:{rest:02}"
