"""An excerpt of a cue that is rendered alone, and where it lies.

Conventions
-----------
Moments and lengths are exact `Fraction`s of seconds from the first frame of the cue, where every file of a
whole render begins; an excerpt begins on the frame nearest to its moment, the later of two equally near.

An excerpt is a part of the sound, never a cue of its own: nothing that is measured of it answers a question
about the cue, and the passages of the plan, which are counted from the cue's start, are left out.
"""

from __future__ import annotations

import re
from dataclasses import replace
from fractions import Fraction
from typing import TYPE_CHECKING

from roomplan.documents.wording import decimal_comma
from roomplan.errors import RoomplanError
from roomplan.plan.times import TIMECODE, clock_seconds
from roomplan.session.session import Excerpt
from roomplan.timecode import nearest_sample, parse_timecode

if TYPE_CHECKING:
    from roomplan.session.session import Session

__all__ = ["excerpt_of", "parse_length", "parse_moment"]

_HOUR_S = 3600

_SECONDS = re.compile(r"[0-9]+(?:\.[0-9]*)?|\.[0-9]+")
_REMEDY = 'seconds such as 70 or 12.5, minutes and seconds such as "1:10", or timecode such as "01:02:03:04"'


def parse_moment(text: str, session: Session) -> Fraction:
    """Moment of a cue that a text means, in seconds from its first frame.

    Parameters
    ----------
    text : str
        Seconds, `m:ss` or `h:mm:ss` with or without decimals, or timecode.
    session : Session
        Its plan says the frame rate; its start is what timecode is counted from.

    Raises
    ------
    RoomplanError
        None of these; timecode where the plan has no frame rate or the cue no start, or before that start.
    """
    text = text.strip()
    if re.fullmatch(TIMECODE, text):
        return _of_timecode(text, session)
    return _seconds(text, f"{text!r} is no moment of a cue", _REMEDY)


def parse_length(text: str) -> Fraction:
    """Length that a text means, in seconds: `20`, `7.5` or `1:30`.

    Raises
    ------
    RoomplanError
        It is neither, or 0.
    """
    text = text.strip()
    what, remedy = f"{text!r} is no length", 'seconds such as 20, or minutes and seconds such as "1:30"'
    seconds = _seconds(text, what, remedy)
    if not seconds:
        raise RoomplanError("a length of 0 s is nothing to hear", remedy=remedy)
    return seconds


def _seconds(text: str, what: str, remedy: str) -> Fraction:
    if _SECONDS.fullmatch(text):
        return Fraction(text)
    seconds = clock_seconds(text)
    if seconds is not None:
        return Fraction(str(seconds))
    raise RoomplanError(what, remedy=decimal_comma(text) or remedy)


def _of_timecode(text: str, session: Session) -> Fraction:
    rate = session.plan.frame_rate
    if rate is None:
        raise RoomplanError(
            f"{text} is timecode, but the plan does not say how many frames a second has",
            remedy="add `frame_rate:` to the plan, or give seconds such as 70 or 1:10",
        )
    start = session.start_s
    if start is None:
        raise RoomplanError(
            f"{text} is timecode, but neither the plan nor its stems say when the cue starts",
            remedy="add `start:` to the plan, or give seconds such as 70 or 1:10",
        )
    return parse_timecode(text, rate).seconds_after(start)


def excerpt_of(
    session: Session, start_s: Fraction | float = 0, length_s: Fraction | float | None = None
) -> Session:
    """Session of which only an excerpt is rendered, with the tails of what sounded before.

    Parameters
    ----------
    session : Session
        Of the whole cue.
    start_s : Fraction or float
        From the first frame of the cue.
    length_s : Fraction or float, optional
        What reaches beyond the end of the last tail is left out. None: all the rest.

    Returns
    -------
    Session
        To be rendered, measured or streamed like any other.

    Raises
    ------
    RoomplanError
        The start is before the cue or after the last tail, reported with the length of the cue; the length
        is less than a frame.

    Notes
    -----
    Nothing is faded at either end, and `tail` does not matter. Figures of the sound are those of the excerpt;
    figures of the responses, and what is reported of a section's signal, follow from what is rendered of it
    too. The passages of the plan are left out: they are counted from the start of the cue.
    """
    rate = session.sample_rate
    start = nearest_sample(start_s, rate)
    end = _end(session)
    if start < 0:
        raise RoomplanError(f"{_said(start_s)} is before the cue", remedy="start at 0 or later")
    if start >= end:
        latest = Fraction((end - 1) * 100 // rate, 100)
        remedy = f"start at {_said(latest)} or earlier"
        if session.start_s is not None and start_s >= _HOUR_S:
            # the frames of a timecode were left out, or a shell cut them off at their semicolon
            remedy += '; timecode has frames too, and quotes around a semicolon: "01:02:03;04"'
        raise RoomplanError(
            f"{_said(start_s)} is beyond the end of the cue, which with its last tail is "
            f"{_said(Fraction(end, rate))} long",
            remedy=remedy,
        )
    # the last response may ring on a little beyond what is known here; the stream ends where it does
    frames = end + rate - start
    if length_s is not None:
        frames = nearest_sample(Fraction(start_s) + Fraction(length_s), rate) - start
        if frames < 1:
            raise RoomplanError(f"{_said(length_s)} is nothing to hear", remedy="give a length such as 20")
    return replace(session, excerpt=Excerpt(start, frames), plan=replace(session.plan, passages={}))


def _end(session: Session) -> int:
    """First frame after the last response to the last stem."""
    taps = [
        send.prepared.response.frames + round(send.pre_delay_s * session.sample_rate)
        for section in session.sections
        for send in section.sends
    ]
    return session.end_frame + max([1, *taps]) - 1


def _said(seconds: Fraction | float) -> str:
    """Seconds as a person would say them: `12.5 s`, `1:10`, `1:02:03.5`."""
    value = round(float(seconds), 3)
    if abs(value) < 60.0:
        return f"{value:.10g} s"
    minutes, rest = divmod(value, 60.0)
    hours, minutes = divmod(int(minutes), 60)
    text = f"{rest:06.3f}".rstrip("0").rstrip(".")
    return f"{hours}:{minutes:02}:{text}" if hours else f"{minutes}:{text}"
