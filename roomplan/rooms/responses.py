"""Response files read and judged: mono, stereo or true stereo, from one file or a left and a right one.

Conventions
-----------
Samples are (frames, channels), float64, at the file's own rate and level. Four channels are the paths LL,
LR, RL, RR (input, output) of true stereo. A pair of mono files is one stereo response; a pair of stereo
files is true stereo, the left file holding LL and LR (the left source at both microphones).

What cannot be a response is refused with an `AudioError` that names the file; what can be used but looks
wrong comes back as a warning in words.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.defects import CLIPPED_RUN, find_clipping
from roomplan.acoustics.recognition import recognise_other_sound
from roomplan.audio.info import inspect_sound, read_sound
from roomplan.errors import AudioError
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from roomplan.audio.info import SoundInfo

    Array = NDArray[np.float64]

__all__ = ["LONGEST_RESPONSE_S", "ResponseSound", "read_for_measuring", "read_response"]

# No room answers longer: the longest natural decays on record are some tens of seconds (from memory). A file
# beyond this is a stem or a sweep taken for a response.
LONGEST_RESPONSE_S = 60.0
HIGHEST_RATE_HZ = 192_000  # the lowest, 8000 Hz, is checked with every sound file
LARGEST = 1e100  # squares of squares, and their sums, stay in the range of float64
SILENCE = 1e-9  # peak under which a file counts as silent: −180 dB, below any converter and any dither

# A constant offset shows in the last tenth, where a response has ended: both halves of it have the same mean,
# and that mean stands clear of their noise.
OFFSET_LEAST = 1e-5  # of the peak, −100 dB: below, the trim at −100 dB removes it
OFFSET_OVER_NOISE = 3.0
OFFSET_AGREEMENT = 0.1
SHORTEST_JUDGED = 64  # frames; shorter files are too short for means

# what is no response, and what to do about it
_OTHER_SOUNDS = {
    "sweep": (
        "is a sweep: its frequency runs one way through three octaves or more",
        "make a response of it with roomplan capture and the sweep that was played, and give that",
    ),
    "steady": (
        "does not decay: it stays as loud for seconds, as noise and music do",
        "give an impulse response, which begins once and falls",
    ),
    "late": (
        "has half of its energy seconds after its beginning, as music does",
        "give an impulse response, which begins once and falls",
    ),
    "repeated": (
        "begins again and again, as music does",
        "give an impulse response, which begins once and falls",
    ),
}


@frozen_class
class ResponseSound:
    """One response as read.

    Attributes
    ----------
    samples : ndarray, shape (frames, 1 | 2 | 4), float64
        Finite, not silent, free of a constant offset.
    sample_rate : int
        Hz.
    files : tuple of Path
        One file, or left and right.
    warnings : tuple of str
        What looks wrong, each beginning with the file.
    """

    samples: Array
    sample_rate: int
    files: tuple[Path, ...]
    warnings: tuple[str, ...]


def read_response(files: tuple[Path, ...]) -> ResponseSound:
    """Read a response from one file or from a left and a right file.

    Parameters
    ----------
    files : tuple of Path
        One file of 1, 2 or 4 channels, or two files of 1 or 2 channels each.

    Returns
    -------
    ResponseSound
        The shorter file of a pair is filled up with silence.

    Raises
    ------
    AudioError
        A file is missing, unreadable, of 3 or more than 4 channels, above 192 kHz, longer than 60 s, silent,
        only a constant, or holds NaN or samples too large to square; is a sweep, noise or music; or
        the two files of a pair differ in rate or channels.

    Notes
    -----
    A constant offset is taken off, with a warning. Clipping is warned of, not mended. Nothing is trimmed.
    """
    infos = [_inspect(path, paired=len(files) > 1) for path in files]
    if len(infos) > 1:
        _require_match(infos)
    parts: list[Array] = []
    warnings: list[str] = []
    for info in infos:
        samples, _info = read_sound(info.path, max_frames=info.frames)
        samples, found = _judge(samples, info.path)
        other = recognise_other_sound(samples, sample_rate=info.sample_rate)
        if other is not None:
            what, remedy = _OTHER_SOUNDS[other]
            raise AudioError(info.path, what, remedy=remedy)
        parts.append(samples)
        warnings.extend(found)
    longest = max(len(part) for part in parts)
    joined = np.concatenate([np.pad(part, ((0, longest - len(part)), (0, 0))) for part in parts], axis=1)
    return ResponseSound(joined, infos[0].sample_rate, files, tuple(warnings))


def _inspect(path: Path, *, paired: bool) -> SoundInfo:
    """Header of a file that can be a response; everything cheap is refused before any sound is read."""
    info = inspect_sound(path)
    allowed = (1, 2) if paired else (1, 2, 4)
    if info.channels not in allowed:
        where = "in a left and right pair" if paired else "in a response"
        remedy = (
            "give mono files (one stereo response) or stereo files (true stereo)"
            if paired
            else "give 1 (mono), 2 (stereo) or 4 channels (true stereo: LL, LR, RL, RR)"
        )
        raise AudioError(path, f"has {info.channels} channels, which cannot be used {where}", remedy=remedy)
    if info.sample_rate > HIGHEST_RATE_HZ:
        raise AudioError(
            path, f"has a sample rate of {info.sample_rate} Hz", remedy=f"use 8000 to {HIGHEST_RATE_HZ} Hz"
        )
    _require_length(info)
    return info


def _require_length(info: SoundInfo) -> None:
    duration_s = info.frames / info.sample_rate
    if duration_s > LONGEST_RESPONSE_S:
        length = f"{duration_s / 60.0:.1f} min" if duration_s > 120.0 else f"{duration_s:.1f} s"
        raise AudioError(
            info.path,
            f"is {length} long: a response lasts at most {LONGEST_RESPONSE_S:g} s",
            remedy="is this a stem, or a recorded sweep (roomplan capture)? Otherwise cut the silence off",
        )


def _require_match(infos: list[SoundInfo]) -> None:
    left, right = infos
    if left.sample_rate != right.sample_rate:
        raise AudioError(
            right.path,
            f"is at {right.sample_rate} Hz, its left partner {left.path.name} at {left.sample_rate} Hz",
            remedy="both files of a pair need one sample rate",
        )
    if left.channels != right.channels:
        raise AudioError(
            right.path,
            f"has {right.channels} channel(s), its left partner {left.path.name} has {left.channels}",
            remedy="give two mono files (one stereo response) or two stereo files (true stereo)",
        )


def read_for_measuring(path: Path, *, force: bool = False) -> ResponseSound:
    """Read a response to measure it channel by channel: any number of channels, up to 384 kHz.

    Parameters
    ----------
    force : bool
        Warn of what is no response instead of refusing it.

    Returns
    -------
    ResponseSound
        `samples` as the file has them, a constant offset taken off.

    Raises
    ------
    AudioError
        The file is missing, unreadable, longer than 60 s, silent, only a constant, holds NaN or
        samples too large to square, or is a sweep, noise or music.
    """
    info = inspect_sound(path)
    _require_length(info)
    samples, _info = read_sound(path, max_frames=info.frames)
    samples, warnings = _judge(samples, path)
    other = recognise_other_sound(samples, sample_rate=info.sample_rate)
    if other is not None:
        what, remedy = _OTHER_SOUNDS[other]
        if not force:
            raise AudioError(path, what, remedy=f"{remedy}, or measure it as it is with --force")
        warnings.append(f"{path}: {what}; its figures say nothing about a room")
    return ResponseSound(samples, info.sample_rate, (path,), tuple(warnings))


def _judge(samples: Array, path: Path) -> tuple[Array, list[str]]:
    """Samples without a constant offset, and what looks wrong; raises for what is no response."""
    peaks = np.max(np.abs(samples), axis=0)
    if np.max(peaks) < SILENCE:
        raise AudioError(path, "is silent", remedy="give the recorded or exported response")
    if np.max(peaks) > LARGEST:
        raise AudioError(
            path,
            f"contains samples of up to {np.max(peaks):.2g}, too large to square",
            remedy="export it with full scale at 1",
        )
    constant = np.ptp(samples, axis=0) <= 1e-6 * peaks
    if len(samples) > 1 and np.any(constant & (peaks >= SILENCE)):
        raise AudioError(
            path, "contains only a constant (DC)", remedy="give the recorded or exported response"
        )
    warnings = [f"{path}: channel {channel + 1} is silent" for channel in np.flatnonzero(peaks < SILENCE)]
    for channel in range(samples.shape[1]):
        frame = find_clipping(samples[:, channel])
        if frame is not None:
            warnings.append(
                f"{path}: channel {channel + 1} looks clipped: {CLIPPED_RUN} or more equal samples at full "
                f"scale from frame {frame}; its level and decay may be wrong"
            )
    offsets = np.array([_offset(samples[:, channel]) for channel in range(samples.shape[1])])
    warnings.extend(
        f"{path}: channel {channel + 1} has a constant offset of {offsets[channel]:.2g}; it is removed"
        for channel in np.flatnonzero(offsets)
    )
    return samples - offsets, warnings


def _offset(channel: Array) -> float:
    """Constant offset of a response, 0.0 when none is sure."""
    end = channel[-max(len(channel) // 10, 1) :]
    if len(channel) < SHORTEST_JUDGED or np.ptp(channel) == 0.0:
        return 0.0
    first, second = np.array_split(end, 2)
    mean, noise = float(np.mean(end)), float(np.std(end))
    steady = abs(np.mean(first) - np.mean(second)) <= OFFSET_AGREEMENT * abs(mean)
    clear = abs(mean) > OFFSET_OVER_NOISE * noise and abs(mean) > OFFSET_LEAST * np.max(np.abs(channel))
    return mean if steady and clear else 0.0
