"""Moments of a cue as a plan or a command writes them: minutes and seconds with a colon, or timecode."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import TYPE_CHECKING

from roomplan.errors import RoomplanError
from roomplan.timecode import Timecode, parse_timecode

if TYPE_CHECKING:
    from roomplan.timecode import FrameRate

__all__ = ["CLOCK", "LIKE_TIMECODE", "TIMECODE", "clock_seconds", "timecode_seconds"]

# `m:ss`, `m:ss.s` or `h:mm:ss.s`: two digits after every colon, so that 1:5 cannot mean 1:50 or 1:05.
CLOCK = r"(?:[0-9]{1,2}:[0-5][0-9]|[0-9]{1,5}):[0-5][0-9](?:\.[0-9]+)?"

# Hours, minutes, seconds and frames, a semicolon before those of drop-frame; and what was meant as that.
TIMECODE = r"[0-2][0-9]:[0-5][0-9]:[0-5][0-9][:;][0-5][0-9]"
LIKE_TIMECODE = r"[0-9]{1,3}:[0-9]{1,3}:[0-9]{1,3}[:;][0-9]{1,3}"

_CLOCK = re.compile(CLOCK)


def clock_seconds(text: str) -> float | None:
    """Return the moment a text means, in seconds.

    Parameters
    ----------
    text : str
        `0:12.5`, `75:30` or `1:02:03.5`.

    Returns
    -------
    float or None
        None when the text has another form.
    """
    if not _CLOCK.fullmatch(text):
        return None
    *upper, seconds = text.split(":")
    minutes = 0
    for field in upper:
        minutes = minutes * 60 + int(field)
    return minutes * 60 + float(seconds)


def timecode_seconds(text: str, rate: FrameRate, start_s: Fraction) -> Fraction:
    """Return the moment a timecode means, in seconds after the first frame of the cue, exactly.

    Parameters
    ----------
    text : str
        `01:02:03:04`.
    start_s : Fraction
        Time of day of the first frame of the cue.

    Raises
    ------
    RoomplanError
        As `parse_timecode`; it is before the start, which here is to say that it is more than half a day
        after it.

    Notes
    -----
    A start that was read from samples may lie a little behind its frame: up to half a frame counts as 0.
    """
    timecode = parse_timecode(text, rate)
    day = rate.frames_per_day / rate.frames_per_second
    after = (timecode.seconds - start_s) % day
    if (day - after) * rate.frames_per_second * 2 <= 1:
        return Fraction(0)
    if after * 2 > day:
        start = Timecode.nearest(start_s, rate)
        raise RoomplanError(f"{text} is before the start of the cue, {start}", remedy=f"{start} or later")
    return after
