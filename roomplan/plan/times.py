"""Moments of a cue as a plan or a command writes them: their text alone, minutes and seconds or timecode."""

from __future__ import annotations

import re

__all__ = ["CLOCK", "LIKE_TIMECODE", "TIMECODE", "clock_seconds"]

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
