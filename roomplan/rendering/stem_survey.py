"""What is in the stems themselves: level, limit, offset, silence and length of every file, read once.

Conventions
-----------
Peaks and offsets are linear, full scale ±1.0; the level is the largest mean square of 400 ms in dB, full
scale 0 dB, and the mean over channels. Figures are kept in the cache by the content of the file, so that
they are read again only when the file has changed.

Notes
-----
Nothing is judged here: see `stem_advice`. A file that cannot be read to its end has no figures; the pass
over the sound says why.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import astuple, fields
from typing import TYPE_CHECKING

import numpy as np

from roomplan.audio.info import SoundSource
from roomplan.errors import AudioError
from roomplan.files.digests import file_digests
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from roomplan.files.cache import Cache
    from roomplan.rendering.progress import Progress
    from roomplan.session.session import Session
    from roomplan.session.stems import StemSource

__all__ = ["StemFigures", "SurveyedFile", "survey_stems"]

_LEDGER = "stems_1"  # of the cache; another number when other figures are kept
_WINDOW_S = 0.4
_ENDING_S = 0.05
_WINDOWS_AT_ONCE = 16


@frozen_class
class StemFigures:
    """What one file holds.

    Attributes
    ----------
    peak : float
        Largest absolute sample.
    at_limit : int
        Samples at the very largest or very smallest value of their channel, where that is near full scale
        or beyond: what a clipped file has thousands of.
    offset : float
        Mean of the channel whose mean is furthest from 0.
    loudest_power, ending_power : float
        Mean square of the loudest 400 ms, and of the last 50 ms.
    """

    frames: int
    sample_rate: int
    peak: float
    at_limit: int
    offset: float
    loudest_power: float
    ending_power: float

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.sample_rate

    @property
    def level_db(self) -> float | None:
        """Level of the loudest 400 ms; None for silence."""
        return 10.0 * math.log10(self.loudest_power) if self.loudest_power > 0.0 else None

    @property
    def ends_in_sound(self) -> bool:
        """Whether the last 50 ms are less than 40 dB under the loudest 400 ms."""
        return self.ending_power > 1e-4 * self.loudest_power


@frozen_class
class SurveyedFile:
    """One file of a stem: the section that plays it, the digest of its content, and what it holds.

    `start_s` is where the file begins in the cue, without the section's delay.
    """

    section: str
    stem: str
    path: Path
    digest: str
    start_s: float
    figures: StemFigures

    @property
    def end_s(self) -> float:
        """Where the file ends in the cue."""
        return self.start_s + self.figures.duration_s


def survey_stems(
    session: Session, *, cache: Cache | None, workers: int, progress: Progress
) -> tuple[SurveyedFile, ...]:
    """Figures of every file of every stem, those that the cache knows without reading them.

    Parameters
    ----------
    workers : int
        Threads.
    progress : Progress
        Told of the files that are read.

    Returns
    -------
    tuple of SurveyedFile
        In the order of the plan; without the files that cannot be read, or are not those that the session
        was opened with.
    """
    digests_of = file_digests if cache is None else cache.files.digests
    stem_of = {file: path.stem for s in session.sections for path in s.stems for file in path.stem.files}
    digests = digests_of(stem_of, workers=workers)
    known = {} if cache is None else _known(cache)
    unknown = {digests[file]: file for file in digests if digests[file] not in known}
    found: dict[str, StemFigures] = {}
    with ThreadPoolExecutor(workers) as pool:
        figures_of = pool.map(lambda file: _figures_or_none(file, stem_of[file]), unknown.values())
        for done, (key, figures) in enumerate(zip(unknown, figures_of, strict=True), start=1):
            if figures is not None:
                found[key] = figures
            progress("reading stems", done, len(unknown))
    if cache is not None and found:
        cache.files.note(_LEDGER, {key: list(astuple(figures)) for key, figures in found.items()})
    known = known | found
    return tuple(
        SurveyedFile(
            section.name,
            path.stem.name,
            file,
            digests[file],
            path.offset_frames / session.sample_rate,
            known[digests[file]],
        )
        for section in session.sections
        for path in section.stems
        for file in path.stem.files
        if digests.get(file) in known
    )


_FIGURES = len(fields(StemFigures))


def _known(cache: Cache) -> dict[str, StemFigures]:
    """Figures that the cache holds, but for entries that are not as they are written."""
    return {
        key: StemFigures(int(values[0]), int(values[1]), values[2], int(values[3]), *values[4:])
        for key, values in cache.files.noted(_LEDGER).items()
        if len(values) == _FIGURES and values[0] >= 1.0 and values[1] >= 1.0
    }


def _figures_or_none(path: Path, stem: StemSource) -> StemFigures | None:
    try:
        figures = file_figures(path)
        stem.require_unchanged()  # else they are not of the content that was digested
    except AudioError:
        return None
    return figures


def file_figures(path: Path) -> StemFigures:
    """Read a file once, a few seconds at a time.

    Raises
    ------
    AudioError
        It cannot be read to its end, or holds a value that is not finite.
    """
    with SoundSource(path) as source:
        rate, channels = source.info.sample_rate, source.info.channels
        window, ending = max(1, round(_WINDOW_S * rate)), max(1, round(_ENDING_S * rate))
        limits = _Limits(channels)
        total = np.zeros(channels)
        loudest = 0.0
        last = np.zeros((0, channels), np.float32)
        block = np.empty((window * _WINDOWS_AT_ONCE, channels), np.float32)
        while source.left:
            part = block[: source.left]
            source.read_into(part)
            # channel by channel: reductions of rows of two take forty times as long
            planar = np.ascontiguousarray(part.T)
            limits.add(planar)
            total += planar.sum(axis=1, dtype=np.float64)
            for first in range(0, len(part), window):
                piece = part[first : first + window]
                power = float(np.einsum("fc,fc->", piece, piece)) / (window * channels)
                loudest = max(loudest, power)
            last = np.concatenate([last, part[-ending:]])[-ending:]
        closing = float(np.mean(np.square(last, dtype=np.float64)))
        means = total / source.info.frames
    return StemFigures(
        frames=source.info.frames,
        sample_rate=rate,
        peak=limits.peak,
        at_limit=limits.at_limit,
        offset=float(means[np.argmax(np.abs(means))]),
        # a file that is shorter than one window is as loud as it is
        loudest_power=max(loudest, closing) if source.info.frames < window else loudest,
        ending_power=closing,
    )


_NEAR_FULL_SCALE = 0.99  # a limit below is a flat sound, such as a square wave; common practice, no source


class _Limits:
    """How often a stream is at its largest and at its smallest value, channel by channel."""

    def __init__(self, channels: int) -> None:
        self._extremes = np.zeros((2, channels), np.float32)
        self._counts = np.zeros((2, channels), np.int64)

    def add(self, planar: NDArray[np.float32]) -> None:
        """Take the next frames, (channels, frames), into account."""
        for row, extremes in enumerate((planar.max(axis=1), planar.min(axis=1))):
            further = extremes > self._extremes[row] if row == 0 else extremes < self._extremes[row]
            self._counts[row][further] = 0
            self._extremes[row][further] = extremes[further]
            for channel in np.flatnonzero(
                (extremes == self._extremes[row]) & (np.abs(extremes) >= _NEAR_FULL_SCALE)
            ):
                self._counts[row, channel] += int(np.count_nonzero(planar[channel] == extremes[channel]))

    @property
    def peak(self) -> float:
        """Largest absolute value."""
        return float(np.max(np.abs(self._extremes)))

    @property
    def at_limit(self) -> int:
        """Samples at a limit near full scale, of all channels."""
        return int(self._counts.sum())
