"""A recording in a file, read by stretches: what `capture` works on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

import numpy as np

from roomplan.audio.info import SoundSource

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

__all__ = ["FileRecording"]


class FileRecording:
    """A recording that stays in its file; a context manager.

    Raises
    ------
    AudioError
        As `inspect_sound`; when it is read, also what `SoundSource.read_into` raises.

    Notes
    -----
    PCM, float and FLAC files are sought, others decoded from the start again for a stretch that lies before
    the last one.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._source = SoundSource(path)
        info = self._source.info
        self.sample_rate = info.sample_rate
        self.channels = info.channels
        self.frames = info.frames

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exception: object) -> None:
        self._source.close()

    def read(self, first: int, frames: int) -> NDArray[np.float64]:
        """Frames from `first` on, (frames, channels); fewer where the recording ends."""
        count = max(0, min(frames, self.frames - first))
        if first < self._source.position:
            self._source.close()
            self._source = SoundSource(self._path)
        self._source.skip(first - self._source.position)
        samples = np.empty((count, self.channels))
        if count:
            self._source.read_into(samples)
        return samples
