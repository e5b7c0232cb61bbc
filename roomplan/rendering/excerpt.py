"""An excerpt of a cue rendered alone: where it lies, and its components kept while only levels move.

Conventions
-----------
Moments and lengths are exact `Fraction`s of seconds from the first frame of the cue, where every file of a
whole render begins; an excerpt begins on the frame nearest to its moment, the later of two equally near.

An excerpt is a part of the sound, never a cue of its own: nothing that is measured of it answers a question
about the cue, and the passages of the plan, which are counted from the cue's start, are left out.
"""

from __future__ import annotations

import re
from contextlib import ExitStack
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import cycle
from typing import TYPE_CHECKING, Protocol, Self

import numpy as np

from roomplan.documents.wording import decimal_comma
from roomplan.errors import RoomplanError
from roomplan.plan.times import TIMECODE, clock_seconds
from roomplan.rendering.component_stream import ComponentStream
from roomplan.rendering.recall import parts_of
from roomplan.session.session import Excerpt
from roomplan.timecode import nearest_sample, parse_timecode

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from pathlib import Path

    from numpy.typing import NDArray

    from roomplan.rendering.component_stream import SignalStatistics
    from roomplan.session.buses import Component
    from roomplan.session.response_matrices import ResponseMatrix
    from roomplan.session.session import Session

    Planar = NDArray[np.float32]

__all__ = ["ComponentSource", "KeptExcerpt", "excerpt_of", "parse_length", "parse_moment"]

_HOUR_S = 3600

_SECONDS = re.compile(r"[0-9]+(?:\.[0-9]*)?|\.[0-9]+")
_REMEDY = 'seconds such as 70 or 12.5, minutes and seconds such as "1:10", or timecode such as "01:02:03:04"'
# 20 s at 48 kHz take 7.7 MB per component: 512 MiB hold 69 components
MOST_BYTES = 1 << 29


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
        len(send.prepared.samples) + round(send.pre_delay_s * session.sample_rate)
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


class ComponentSource(Protocol):
    """What a pass over the sound needs of a stream of components: `ComponentStream`, or a kept excerpt."""

    hop: int

    def __enter__(self) -> Self:
        """Return itself."""
        ...

    def __exit__(self, *_error: object) -> None:
        """Close what is open."""
        ...

    @property
    def most_frames(self) -> int:
        """Frames that cannot be exceeded."""
        ...

    @property
    def statistics(self) -> Mapping[str, SignalStatistics]:
        """Energies of every section's signal, complete when the stream is."""
        ...

    def blocks(self, progress: Callable[[int, int], None] = ...) -> Iterator[Planar]:
        """Yield the components; a block stays as it is until the next but one is asked for."""
        ...


@dataclass(frozen=True)
class _Kept:
    key: object
    gains: Mapping[str, float]  # by identity of the part
    rows: Mapping[str, int]
    blocks: list[Planar]
    hop: int
    statistics: Mapping[str, SignalStatistics]

    @property
    def frames(self) -> int:
        return sum(block.shape[2] for block in self.blocks)


class KeptExcerpt:
    """The components of the last excerpt, in memory: while only levels and mutes move nothing is convolved.

    Parameters
    ----------
    digest : callable
        Content of a file → digest (`FileNotes.digest`).
    most_bytes : int
        An excerpt that takes more is rendered and not kept.

    Notes
    -----
    `open` has the parameters of `ComponentStream` and can take its place. Levels are applied to float32
    samples at the level they were rendered at: the result is that of a new pass within float32 rounding.
    Whole cues are never kept.
    """

    def __init__(self, digest: Callable[[Path], str], *, most_bytes: int = MOST_BYTES) -> None:
        self._digest = digest
        self._most_bytes = most_bytes
        self._kept: _Kept | None = None

    def open(
        self,
        session: Session,
        components: tuple[Component, ...],
        matrices: Mapping[tuple[str, int], ResponseMatrix],
        *,
        workers: int = 2,
    ) -> ComponentSource:
        """Stream of a session's components: the last one played back where its sounds are the same."""
        if session.excerpt is None:
            return ComponentStream(session, components, matrices, workers=workers)
        parts = parts_of(session, components, matrices, digest=self._digest)
        identities = [part.identity for part in parts]
        key = (session.sample_rate, session.excerpt, sorted(identities))
        gains = {part.identity: part.gain for part in parts}
        kept = self._kept
        if kept is not None and kept.key == key and all(kept.gains.values()):
            ratios = [gains[identity] / kept.gains[identity] for identity in identities]
            return _Playback(kept, [kept.rows[identity] for identity in identities], ratios)
        self._kept = None
        stream = ComponentStream(session, components, matrices, workers=workers)
        if 8 * len(components) * stream.most_frames > self._most_bytes or len(gains) < len(parts):
            return stream
        rows = {identity: row for row, identity in enumerate(identities)}

        def keep(blocks: list[Planar]) -> None:
            self._kept = _Kept(key, gains, rows, blocks, stream.hop, stream.statistics)

        return _Recording(stream, keep)


class _Recording:
    """A stream that keeps a copy of what it yields, and hands it over when it is complete."""

    def __init__(self, stream: ComponentStream, keep: Callable[[list[Planar]], None]) -> None:
        self._stream = stream
        self._keep = keep
        self._stack = ExitStack()
        self.hop = stream.hop

    def __enter__(self) -> Self:
        self._stack.enter_context(self._stream)
        return self

    def __exit__(self, *_error: object) -> None:
        self._stack.close()

    @property
    def most_frames(self) -> int:
        return self._stream.most_frames

    @property
    def statistics(self) -> Mapping[str, SignalStatistics]:
        return self._stream.statistics

    def blocks(self, progress: Callable[[int, int], None] = lambda _done, _all: None) -> Iterator[Planar]:
        kept: list[Planar] = []
        for block in self._stream.blocks(progress):
            kept.append(block.copy())  # the stream uses its blocks again
            yield block
        self._keep(kept)


class _Playback:
    """A kept excerpt at other levels."""

    def __init__(self, kept: _Kept, rows: list[int], ratios: list[float]) -> None:
        self._kept = kept
        self._rows = rows
        self._ratios = np.array(ratios, np.float32)
        self.hop = kept.hop

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_error: object) -> None:
        pass

    @property
    def most_frames(self) -> int:
        return self._kept.frames

    @property
    def statistics(self) -> Mapping[str, SignalStatistics]:
        return self._kept.statistics

    def blocks(self, progress: Callable[[int, int], None] = lambda _done, _all: None) -> Iterator[Planar]:
        done = 0
        spaces = np.empty((2, len(self._rows), 2, self.hop), np.float32)  # used by turns
        for block, space in zip(self._kept.blocks, cycle(spaces), strict=False):
            level = space[:, :, : block.shape[2]]
            for row, ratio, into in zip(self._rows, self._ratios, level, strict=True):
                np.multiply(block[row], ratio, out=into)
            yield level
            done += block.shape[2]
            progress(done, self._kept.frames)
