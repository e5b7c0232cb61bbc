"""Arrays at the door: what is sound, and what only looks like it; and out again, as a file.

Conventions
-----------
Sound is (frames, channels), floating point, full scale ±1.0. One axis is one channel, as other libraries
give mono sound.
"""

from __future__ import annotations

import operator
from typing import TYPE_CHECKING, Any

import numpy as np

from roomplan.audio.writers import OutputFormat, SoundWriter
from roomplan.errors import RoomplanError

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import ArrayLike, NDArray

__all__ = ["sound_array", "sound_rate", "write_float_file"]

_MOST_CHANNELS = 64  # beyond any sound file in use: an array with more has its axes exchanged


def sound_array(samples: ArrayLike, what: str) -> NDArray[np.float64]:
    """Samples as float64 of shape (frames, channels).

    Parameters
    ----------
    samples : array_like, shape (frames,) or (frames, channels)
    what : str
        What it is, for the message.

    Raises
    ------
    RoomplanError
        No numbers, integers, another number of axes, no frames, or more channels than any sound has.

    Notes
    -----
    Not done: whether every value is finite is the business of whoever works on them.
    """
    try:
        array = np.asarray(samples)
    except ValueError as error:  # rows of different lengths
        raise RoomplanError(f"{what} is not an array", remedy="hand in (frames, channels)") from error
    if array.dtype.kind in "iu":
        raise RoomplanError(
            f"{what} holds integers ({array.dtype}), whose full scale cannot be seen",
            remedy="divide by it: 32768 for 16 bit, 8388608 for 24",
        )
    if array.dtype.kind != "f":
        raise RoomplanError(
            f"{what} holds {array.dtype} and no real numbers", remedy="hand in floating point numbers"
        )
    if array.ndim not in {1, 2}:
        raise RoomplanError(
            f"{what} has the shape {array.shape}", remedy="hand in (frames, channels), or (frames,) for mono"
        )
    if array.ndim == 1:
        array = array[:, None]
    frames, channels = array.shape
    if frames == 0 or channels == 0:
        raise RoomplanError(f"{what} is empty", remedy="hand in (frames, channels)")
    if channels > _MOST_CHANNELS:
        raise RoomplanError(
            f"{what} has the shape {array.shape}, which is {channels} channels",
            remedy="hand in (frames, channels): are its axes exchanged?",
        )
    return array.astype(np.float64, copy=False)


def sound_rate(sample_rate: Any) -> int:
    """Sample rate as an integer; 48000.0 is one too.

    Raises
    ------
    RoomplanError
        None, or no whole number of hertz above 0.
    """
    if sample_rate is None:
        raise RoomplanError("an array does not say its sample rate", remedy="add sample_rate=48000")
    try:
        rate = operator.index(int(sample_rate) if float(sample_rate).is_integer() else sample_rate)
    except (TypeError, ValueError, OverflowError) as error:
        raise RoomplanError(
            f"a sample rate of {sample_rate!r}", remedy="give a whole number of hertz, such as 48000"
        ) from error
    if rate <= 0:
        raise RoomplanError(f"a sample rate of {rate} Hz", remedy="it must be above 0 Hz, such as 48000")
    return rate


def write_float_file(path: Path, samples: NDArray[np.floating], sample_rate: int) -> float:
    """Write sound as WAV of 32-bit float, and say its peak.

    Parameters
    ----------
    path : Path
        Must be free.
    samples : ndarray, shape (frames, channels)
    sample_rate : int
        Hertz.

    Returns
    -------
    float
        Largest magnitude, full scale 1.

    Raises
    ------
    AudioError
        A value that is not finite, a place that cannot be written, a full disk.
    """
    writer = SoundWriter(
        path,
        sample_rate=sample_rate,
        channels=samples.shape[1],
        frames_expected=len(samples),
        format=OutputFormat("wav", "32f"),
        dither_seed="",
    )
    with writer:
        writer.write(samples.astype(np.float32))
    return writer.peak
