"""Stems as streams, at the rate of the plan.

Conventions
-----------
Blocks are `(frames, channels)` float32. A stem is one file of any channel count, or two mono files, left
and right. Frame 0 of the stream is frame 0 of the plan: the resampler's delay is taken out, and `start`
frames of silence come first.

A stream may be entered at a frame other than 0. Without resampling it then gives the very samples of the
whole stream. Resampled, it begins so far ahead, on a frame where both rates meet, that the filter has run
in: the samples are those of the whole stream within −130 dB of full scale (measured: to the bit, but for
ratios in which soxr transforms blocks).

Files are read in blocks of one fixed size whatever size the caller asks for, so the samples do not depend
on how they are asked for.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Self

import numpy as np
import soundfile
import soxr

from roomplan.audio.info import BLOCK_FRAMES, SoundInfo, SoundSource
from roomplan.audio.resample import QUALITY, RINGING, resampled_length
from roomplan.errors import AudioError

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["StemReader", "open_stem", "reading_libraries"]

# Ratios of rates with larger terms are not exact in soxr: the phase of its filter moves on in rounded steps,
# so a stream that is entered late is a little beside the whole one (measured, 44,056 Hz to 48,000 Hz
# after a minute: −64 dB). They are resampled from the beginning; every pair of usual rates is below.
_LARGEST_TERM = 2048


def open_stem(
    paths: tuple[Path, ...], *, sample_rate: int, start: int = 0, first_frame: int = 0
) -> StemReader:
    """Open a stem as a stream.

    Parameters
    ----------
    paths : tuple of Path
        One file, or the left and the right mono file of a pair.
    sample_rate : int
        Rate of the stream in hertz.
    start : int, optional
        Frame of the stream on which the stem begins, default 0: silence comes before. What lies before
        frame 0 when it is negative is not heard.
    first_frame : int, optional
        Frame of the stream at which reading begins, default 0.

    Returns
    -------
    StemReader
        A context manager.

    Raises
    ------
    AudioError
        As `inspect_sound`; the files of a pair are not mono, or differ in rate (both are named).
    """
    if len(paths) not in {1, 2}:
        raise ValueError(f"a stem has one file or a left and a right one, not {len(paths)}")
    sources: list[SoundSource] = []
    try:
        for path in paths:
            sources.append(SoundSource(path))  # noqa: PERF401 — those already open are closed on failure
        if len(sources) == 2:
            _require_pair(sources[0].info, sources[1].info)
        return StemReader(tuple(sources), sample_rate=sample_rate, start=start, first_frame=first_frame)
    except BaseException:
        for source in sources:
            source.close()
        raise


def reading_libraries() -> list[str]:
    """Versions of what decodes and resamples: others may round otherwise."""
    return [soundfile.__libsndfile_version__, soxr.__version__]


class StemReader:
    """A stem that is read block by block; made by `open_stem`.

    Attributes
    ----------
    channels : int
        Of the file; 2 for a pair.
    frames : int
        Length of the whole stream at `sample_rate`, `start` included and whatever `first_frame`. A pair is
        as long as its longer file. Resampled, a file of n frames has n · sample_rate / its rate, halves
        rounded up.
    sample_rate : int
        Hertz.
    sources : tuple of SoundInfo
        The files.

    Notes
    -----
    The ringing of the resampler before the first and after the last frame of a file is cut off, so that a
    stem keeps its length.
    """

    def __init__(
        self, sources: tuple[SoundSource, ...], *, sample_rate: int, start: int, first_frame: int
    ) -> None:
        self._open = sources
        self.sources: tuple[SoundInfo, ...] = tuple(source.info for source in sources)
        self.channels = len(sources) if len(sources) > 1 else self.sources[0].channels
        self.sample_rate = sample_rate
        self._source_rate = self.sources[0].sample_rate
        self._source_frames = max(info.frames for info in self.sources)
        self._source_position = 0
        resampled = resampled_length(self._source_frames, from_rate=self._source_rate, to_rate=sample_rate)
        self.frames = max(0, start + resampled)
        self._stream: soxr.ResampleStream | None = None
        if self._source_rate != sample_rate:
            self._stream = soxr.ResampleStream(
                self._source_rate, sample_rate, self.channels, dtype="float32", quality=QUALITY
            )
        self._given = min(first_frame, self.frames)
        self._silence = max(0, start - self._given)  # frames of leading silence still to be given
        self._unwanted = 0  # frames that are made, and dropped, before the first that is given
        self._waiting = np.empty((0, self.channels), np.float32)  # made, not given yet
        if self._given < self.frames:
            self._enter(max(0, self._given - start))

    def _enter(self, frame: int) -> None:
        """Go to a frame of the stem, or as far ahead of it as the resampler needs."""
        source, target = self._source_rate, self.sample_rate
        common = math.gcd(source, target)
        step_in, step_out = source // common, target // common
        steps = frame
        if self._stream is not None:
            ahead = math.ceil(RINGING * source / min(source, target))
            steps = max(0, frame * step_in // step_out - ahead) // step_in
            if max(step_in, step_out) > _LARGEST_TERM:
                steps = 0
        self._source_position = steps * step_in
        self._unwanted = frame - steps * step_out
        for sound in self._open:
            sound.skip(min(self._source_position, sound.left))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exception: object) -> None:
        self.close()

    def require_unchanged(self) -> None:
        """Raise `AudioError` when a file has been changed or removed since it was opened.

        A file that is read to its end is looked at there; one that is left before its end is looked at by
        this.
        """
        for source in self._open:
            source.require_unchanged()

    def close(self) -> None:
        """Close the files; may be called again."""
        for source in self._open:
            source.close()

    def read(self, frames: int) -> np.ndarray:
        """Read the next frames.

        Parameters
        ----------
        frames : int
            How many; the last block is shorter, and after it every block is empty.

        Returns
        -------
        np.ndarray, shape=(frames or fewer, channels), float32, C-contiguous
            The caller's own: it is not used again here.

        Raises
        ------
        AudioError
            A value is NaN or infinite (naming file, channel and time), or the file is damaged, ends
            early, or was changed or removed since it was opened.
        """
        block = np.empty((min(frames, self.frames - self._given), self.channels), np.float32)
        filled = min(self._silence, len(block))
        block[:filled] = 0.0
        self._silence -= filled
        while filled < len(block):
            if not len(self._waiting):
                self._waiting = self._next_block()
                dropped = min(self._unwanted, len(self._waiting))
                self._waiting = self._waiting[dropped:]
                self._unwanted -= dropped
            taken = min(len(self._waiting), len(block) - filled)
            block[filled : filled + taken] = self._waiting[:taken]
            self._waiting = self._waiting[taken:]
            filled += taken
        self._given += len(block)
        return block

    def _next_block(self) -> np.ndarray:
        """Return the next block at the stream's rate; empty while the resampler is still filling."""
        wanted = min(BLOCK_FRAMES, self._source_frames - self._source_position)
        if wanted == 0:
            # Rounded twice, the resampler's length could fall a frame short of the promised one.
            return np.zeros((1, self.channels), np.float32)
        block = self._read_sources(wanted)
        self._source_position += wanted
        if self._stream is None:
            return block
        last = self._source_position == self._source_frames
        if last:
            # What is left of a stream rounds otherwise than the whole: a little silence keeps its last frame.
            silence = math.ceil(self._source_rate / self.sample_rate)
            block = np.concatenate([block, np.zeros((silence, self.channels), np.float32)])
        return self._stream.resample_chunk(block, last=last)

    def _read_sources(self, frames: int) -> np.ndarray:
        """Read frames of one file, or join those of two; the shorter file of a pair ends in silence."""
        if len(self._open) == 1:
            block = np.empty((frames, self.channels), np.float32)
            self._open[0].read_into(block)
            return block
        block = np.zeros((frames, self.channels), np.float32)
        for channel, source in enumerate(self._open):
            part = np.empty((min(frames, source.left), 1), np.float32)
            if len(part):
                source.read_into(part)
                block[: len(part), channel] = part[:, 0]
        return block


def _require_pair(left: SoundInfo, right: SoundInfo) -> None:
    """Raise `AudioError` unless two files can be the left and right of one stem."""
    for name, mine, other in (
        ("channels", left.channels, right.channels),
        ("Hz", left.sample_rate, right.sample_rate),
    ):
        if mine != other:
            raise AudioError(
                left.path,
                f"cannot be joined with {right.path}: {mine} {name} against {other} {name}",
                remedy="a left and right pair needs two mono files of one sample rate",
            )
    if left.channels != 1:
        raise AudioError(
            left.path,
            f"cannot be joined with {right.path}: both have {left.channels} channels",
            remedy="a left and right pair needs two mono files; name a stereo file alone",
        )
