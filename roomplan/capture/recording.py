"""A recording as its analysis needs it: any stretch of it, when it is asked for.

Conventions
-----------
Samples are (frames, channels), float64, full scale 1. A recording may last hours: nobody holds all of it.
Who scans it reads forwards; who looks closer reads a stretch again.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["ArrayRecording", "Recording", "stretch"]


class Recording(Protocol):
    """What is asked of a recording."""

    @property
    def sample_rate(self) -> int:
        """Hertz."""
        ...

    @property
    def channels(self) -> int:
        """How many there are."""
        ...

    @property
    def frames(self) -> int:
        """Length."""
        ...

    def read(self, first: int, frames: int) -> NDArray[np.float64]:
        """Frames from `first` on, (frames, channels); fewer where the recording ends."""
        ...


class ArrayRecording:
    """A recording that is in memory.

    Parameters
    ----------
    samples : ndarray, shape (frames, channels)
        Finite.
    sample_rate : int
        Hertz.
    """

    def __init__(self, samples: NDArray[np.floating], sample_rate: int) -> None:
        self._samples = samples
        self.sample_rate = sample_rate
        self.frames, self.channels = samples.shape

    def read(self, first: int, frames: int) -> NDArray[np.float64]:
        """Frames from `first` on, (frames, channels); fewer where the recording ends."""
        return self._samples[first : first + frames].astype(float)


def stretch(recording: Recording, first: int, frames: int) -> NDArray[np.float64]:
    """Frames from `first` on, (frames, channels); silence where there is no recording yet, or no more."""
    found = np.zeros((frames, recording.channels))
    begin, end = max(0, first), min(recording.frames, first + frames)
    if begin < end:
        found[begin - first : end - first] = recording.read(begin, end - begin)
    return found
