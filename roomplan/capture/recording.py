"""A recording as its analysis needs it: block by block from its start, and any stretch again.

Conventions
-----------
Samples are (frames, channels), float32, full scale 1. A recording may last hours: nobody holds all of it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

__all__ = ["ArrayRecording", "Recording"]

_BLOCK_FRAMES = 65_536


class Recording(Protocol):
    """What is asked of a recording."""

    @property
    def rate(self) -> int:
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

    def blocks(self) -> Iterator[NDArray[np.float32]]:
        """All of it in blocks of some frames each, from the start."""
        ...

    def read(self, first: int, frames: int) -> NDArray[np.float32]:
        """Frames from `first` on; what lies before the start or behind the end is missing."""
        ...


class ArrayRecording:
    """A recording that is in memory.

    Parameters
    ----------
    samples : ndarray, shape (frames, channels)
        Finite.
    rate : int
        Hertz.
    """

    def __init__(self, samples: NDArray[np.floating], rate: int) -> None:
        self._samples = samples.astype(np.float32, copy=False)
        self.rate = rate
        self.frames, self.channels = samples.shape

    def blocks(self) -> Iterator[NDArray[np.float32]]:
        """All of it in blocks, from the start."""
        for first in range(0, self.frames, _BLOCK_FRAMES):
            yield self._samples[first : first + _BLOCK_FRAMES]

    def read(self, first: int, frames: int) -> NDArray[np.float32]:
        """Frames from `first` on; what lies before the start or behind the end is missing."""
        return self._samples[max(0, first) : max(0, first + frames)]
