"""Timecode: the name of a frame of picture, and the moment at which that frame begins.

Conventions
-----------
A timecode counts frames from 00:00:00:00 and begins again after 24 hours of its own count. That count is no
clock: at 29.97 frames per second without drops its day lasts 86,486.4 s. Moments are exact `Fraction`s of
seconds from 00:00:00:00; nothing is rounded but where a whole sample or a whole frame is asked for:

- a frame begins at the sample nearest to its exact start, the later one of two equally near;
- a sample belongs to the last frame that begins, so rounded, at or before it. Frame to sample and back is
  therefore the same frame, whatever the rates, as long as a frame lasts a sample or more.

One value is written in one way: two digits in each of four fields, `01:02:03:04`, and a semicolon before
the frames, `01:02:03;04`, if and only if the count leaves numbers out (drop-frame).

Sources
-------
SMPTE ST 12-1 (2014), from memory: 24 hours, frame numbers from 0; drop-frame leaves out the numbers 0 and 1
(0 to 3 of 60) of every minute but each tenth, so that the count follows a clock within 0.1 s a day; 23.976,
29.97 … stand for 24000/1001, 30000/1001 …. The standard counts pairs of frames above 30 per second; that
every frame has its own number, 0 to 59 of 60, is common practice, no source, and so is the semicolon.
"""

from __future__ import annotations

import re
from fractions import Fraction
from math import ceil, floor
from typing import Self

from roomplan.errors import RoomplanError
from roomplan.frozen_classes import frozen_class

__all__ = ["FRAME_RATES", "FrameRate", "Timecode", "frame_rate", "nearest_sample", "parse_timecode"]

_MINUTES_PER_DAY = 24 * 60


@frozen_class
class FrameRate:
    """How many frames a second has, and how they are numbered.

    Attributes
    ----------
    frames_per_second : Fraction
        Exact: 23.976 is 24000/1001.
    nominal : int
        Frame numbers in a second: 24 for 23.976.
    drop : bool
        True where the count leaves numbers out to follow a clock.
    name : str
        As a plan writes it: "25", "23.976", "29.97df".
    """

    frames_per_second: Fraction
    nominal: int
    drop: bool
    name: str

    def __str__(self) -> str:
        return self.name

    @property
    def dropped(self) -> int:
        """Frame numbers left out in a minute that is no tenth: 2 of 30, 4 of 60, 0 without drop."""
        return self.nominal // 15 if self.drop else 0

    @property
    def frames_per_day(self) -> int:
        """Frames in 24 hours of its own count."""
        return self.nominal * 60 * _MINUTES_PER_DAY - self.dropped * (_MINUTES_PER_DAY * 9 // 10)


def _whole(nominal: int) -> FrameRate:
    return FrameRate(Fraction(nominal), nominal, drop=False, name=str(nominal))


def _slowed(nominal: int, name: str) -> FrameRate:
    return FrameRate(Fraction(nominal * 1000, 1001), nominal, drop=name.endswith("df"), name=name)


FRAME_RATES: tuple[FrameRate, ...] = (
    _slowed(24, "23.976"),
    _whole(24),
    _whole(25),
    _slowed(30, "29.97"),
    _slowed(30, "29.97df"),
    _whole(30),
    _slowed(48, "47.952"),
    _whole(48),
    _whole(50),
    _slowed(60, "59.94"),
    _slowed(60, "59.94df"),
    _whole(60),
)

_BY_NAME = {rate.name: rate for rate in FRAME_RATES}
_NAMES = f"{', '.join(list(_BY_NAME)[:-1])} or {FRAME_RATES[-1].name}"

# 23.98, 29.970 or 30000/1001 as a decimal are near enough to know what was meant; 24 is 0.024 from 23.976.
_NEAR_FRAMES_PER_SECOND = 0.011

_TIMECODE = re.compile(r"([0-9]{2}):([0-9]{2}):([0-9]{2})([:;])([0-9]{2})")
# Four numbers with other signs between them, or without their leading zeros.
_LIKE_TIMECODE = re.compile(r"\s*([0-9]{1,2})[:;.,]([0-9]{1,2})[:;.,]([0-9]{1,2})[:;.,]([0-9]{1,2})\s*")
# 29,97, 30000/1001, 25p, 29.97 DF.
_LIKE_RATE = re.compile(r"\s*([0-9]{1,6}(?:[.,][0-9]{1,20})?)(?:/([1-9][0-9]{0,5}))?\s*([A-Za-z -]*)")
_LONGEST_QUOTE = 48
_LARGEST_SHOWN = 1e15


@frozen_class
class Timecode:
    """One frame of picture, by its number in the day.

    Parameters
    ----------
    frame : int
        Frames since 00:00:00:00, below `rate.frames_per_day`.

    Raises
    ------
    ValueError
        `frame` is outside the day. The class methods wrap instead.

    Notes
    -----
    `str` gives the timecode as `parse_timecode` takes it. Timecodes have no order: the day is a circle.
    """

    frame: int
    rate: FrameRate

    def __post_init__(self) -> None:
        if not 0 <= self.frame < self.rate.frames_per_day:
            raise ValueError(f"frame {self.frame} is outside a day of {self.rate.frames_per_day}")

    def __str__(self) -> str:
        rate = self.rate
        number = self.frame
        if rate.drop:
            first_minute = rate.nominal * 60
            other_minute = first_minute - rate.dropped
            tens, rest = divmod(self.frame, first_minute + 9 * other_minute)
            number += 9 * rate.dropped * tens
            if rest >= first_minute:
                number += rate.dropped * (1 + (rest - first_minute) // other_minute)
        seconds, frames = divmod(number, rate.nominal)
        minutes, seconds = divmod(seconds, 60)
        hours, minutes = divmod(minutes, 60)
        return _written(hours, minutes, seconds, frames, rate)

    @classmethod
    def at_seconds(cls, seconds: Fraction | int, rate: FrameRate) -> Self:
        """Return the frame that is on at a moment.

        Parameters
        ----------
        seconds : Fraction or int
            From 00:00:00:00. Exact: a float that is meant as a decimal is `Fraction(str(value))`. Moments
            before 0 and after the day count round the circle.
        """
        return cls(floor(seconds * rate.frames_per_second) % rate.frames_per_day, rate)

    @classmethod
    def nearest(cls, seconds: Fraction | int, rate: FrameRate) -> Self:
        """Return the frame that begins nearest to a moment, the later of two equally near.

        Parameters
        ----------
        seconds : Fraction or int
            From 00:00:00:00, as in `at_seconds`. Read from samples it is up to half a sample off.
        """
        return cls.at_seconds(seconds + Fraction(1, 2) / rate.frames_per_second, rate)

    @classmethod
    def at_sample(cls, sample: int, sample_rate: int, rate: FrameRate) -> Self:
        """Return the frame that a sample belongs to: the last one whose `sample` is at or before it.

        Parameters
        ----------
        sample : int
            Counted from 00:00:00:00; before 0 and after the day it counts round the circle.
        sample_rate : int
            Hertz.
        """
        # floor(f·s + ½) <= n, with s samples per frame, says f < (n + ½) / s.
        bound = Fraction(2 * sample + 1, 2 * sample_rate) * rate.frames_per_second
        return cls((ceil(bound) - 1) % rate.frames_per_day, rate)

    @property
    def seconds(self) -> Fraction:
        """Seconds from 00:00:00:00 to the start of the frame, exactly."""
        return self.frame / self.rate.frames_per_second

    def sample(self, sample_rate: int) -> int:
        """Return the sample, counted from 00:00:00:00, nearest to the start of the frame.

        Parameters
        ----------
        sample_rate : int
            Hertz. The later sample counts where two are equally near.
        """
        return nearest_sample(self.seconds, sample_rate)

    def seconds_after(self, start_s: Fraction) -> Fraction:
        """Return the time from the start of a cue to the start of the frame, exactly.

        Parameters
        ----------
        start_s : Fraction
            Time of day of the first frame of the cue. One that was read from samples may lie a little behind
            its frame: up to half a frame counts as 0.

        Raises
        ------
        RoomplanError
            The frame is before the start, which here is to say that it is more than half a day after it.
        """
        day = self.rate.frames_per_day / self.rate.frames_per_second
        after = (self.seconds - start_s) % day
        if (day - after) * self.rate.frames_per_second * 2 <= 1:
            return Fraction(0)
        if after * 2 > day:
            start = Timecode.nearest(start_s, self.rate)
            raise RoomplanError(f"{self} is before the start of the cue, {start}", remedy=f"{start} or later")
        return after


def nearest_sample(seconds: Fraction | float, sample_rate: int) -> int:
    """Return the sample nearest to a moment, the later of two equally near; both count from the same 0."""
    return floor(Fraction(seconds) * sample_rate + Fraction(1, 2))


def frame_rate(value: object) -> FrameRate:
    """Return the frame rate that a plan or a command names.

    Parameters
    ----------
    value : object
        A number, 25 or 29.97, or its name as text, "25", "29.97" or "29.97df".

    Raises
    ------
    RoomplanError
        It is none of `FRAME_RATES`; reported with the one that seems to be meant.

    Notes
    -----
    29.97 and 59.94 count without drops: leaving numbers out has to be asked for. No rates above 60.
    """
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise RoomplanError(f"{_shown(value)} is not a frame rate", remedy=_NAMES)
    found = _BY_NAME.get(value if isinstance(value, str) else _shown(value))
    if found is not None:
        return found
    meant = _meant(value)
    raise RoomplanError(
        f"{_shown(value)} is not a known frame rate",
        remedy=f"did you mean {meant}?" if meant else _NAMES,
    )


def parse_timecode(text: object, rate: FrameRate) -> Timecode:
    """Return the frame that a timecode names.

    Parameters
    ----------
    text : object
        `01:02:03:04`, or `01:02:03;04` where `rate` is drop-frame.

    Raises
    ------
    RoomplanError
        It has another form or the other kind of count, a field is out of range, or it is one of the numbers
        that drop-frame leaves out; each with what would be right.
    """
    form = f"hours, minutes, seconds, frames, two digits each, such as {_written(1, 2, 3, 4, rate)}"
    if not isinstance(text, str):
        raise RoomplanError(f"{_shown(text)} is not a timecode", remedy=form)
    parts = _TIMECODE.fullmatch(text)
    if parts is None:
        like = _LIKE_TIMECODE.fullmatch(text)
        meant = None if like is None else _if_right(*map(int, like.groups()), rate=rate)
        raise RoomplanError(f"{_shown(text)} is not a timecode", remedy=f"write {meant}" if meant else form)
    hours, minutes, seconds, frames = (int(parts[field]) for field in (1, 2, 3, 5))
    fields = (
        ("hour", hours, 24),
        ("minute", minutes, 60),
        ("second", seconds, 60),
        ("frame", frames, rate.nominal),
    )
    for name, number, count in fields:
        if number >= count:
            at = f" at {rate}" if name == "frame" else ""
            raise RoomplanError(f"{text} has {name} {number:02}", remedy=f"00 to {count - 1:02}{at}")
    if (parts[4] == ";") != rate.drop:
        sign = "a colon" if rate.drop else "a semicolon"
        kind = "is drop-frame" if rate.drop else "skips no frame numbers"
        other = rate.name.removesuffix("df") if rate.drop else f"{rate}df"
        ways = [_if_right(hours, minutes, seconds, frames, rate=rate)]
        ways = [f"write {way}" for way in ways if way]
        ways += [f"give {other} as the frame rate"] if other in _BY_NAME else []
        raise RoomplanError(
            f"{text} has {sign} before its frames, but a rate of {rate} {kind}",
            remedy=", or ".join(ways),
        )
    minute = hours * 60 + minutes
    if minutes % 10 and seconds == 0 and frames < rate.dropped:
        after = _frame(minute, 0, rate.dropped, rate)
        raise RoomplanError(
            f"{text} is a number that drop-frame skips",
            remedy=f"the frames there are {Timecode(after - 1, rate)} and {Timecode(after, rate)}",
        )
    return Timecode(_frame(minute, seconds, frames, rate), rate)


def _frame(minute: int, second: int, frames: int, rate: FrameRate) -> int:
    """Return the frames since 00:00:00:00; minutes count through the day."""
    return (minute * 60 + second) * rate.nominal + frames - rate.dropped * (minute - minute // 10)


def _written(hours: int, minutes: int, seconds: int, frames: int, rate: FrameRate) -> str:
    return f"{hours:02}:{minutes:02}:{seconds:02}{';' if rate.drop else ':'}{frames:02}"


def _if_right(hours: int, minutes: int, seconds: int, frames: int, *, rate: FrameRate) -> str | None:
    """Return the timecode with these fields, None if there is no such frame."""
    text = _written(hours, minutes, seconds, frames, rate)
    try:
        return str(parse_timecode(text, rate))
    except RoomplanError:
        return None


def _meant(value: float | str) -> str | None:
    """Return the name of the rate that a slip is near to, if any."""
    parts = _LIKE_RATE.fullmatch(str(value) if isinstance(value, str) else _shown(value))
    if parts is None:
        return None
    number = float(parts[1].replace(",", ".")) / float(parts[2] or 1)
    drop = "d" in parts[3].lower() and "n" not in parts[3].lower()  # df, drop; but not ndf, non-drop
    near = [
        rate
        for rate in FRAME_RATES
        if rate.drop == drop
        and (
            abs(float(rate.frames_per_second) - number) < _NEAR_FRAMES_PER_SECOND
            or (drop and rate.nominal == number)
        )
    ]
    return near[0].name if near else None


def _shown(value: object) -> str:
    """Return a value as a person would write it, on one line, not too long."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return "so large a number" if abs(value) >= _LARGEST_SHOWN else f"{value:.12g}"
    if isinstance(value, str):
        return repr(value if len(value) <= _LONGEST_QUOTE else value[: _LONGEST_QUOTE - 1] + "…")
    return "an empty value" if value is None else "a list or mapping"
