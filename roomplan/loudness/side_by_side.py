"""A meter of many channels: one for each, fed side by side."""

from __future__ import annotations

from typing import TYPE_CHECKING, Generic, Protocol, TypeVar

import numpy as np

from roomplan.errors import RoomplanError
from roomplan.loudness.lanes import Lanes

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = ["SideBySide"]


class _ChannelMeter(Protocol):
    def feed(self, samples: NDArray[np.floating]) -> None:
        """Add one block, shape (frames, channels)."""
        ...


_OfChannel = TypeVar("_OfChannel", bound=_ChannelMeter)


class SideBySide(Generic[_OfChannel]):
    """Meters of the channels of one stream of sound.

    Parameters
    ----------
    workers : int
        Threads; channels are worked on side by side.
    """

    def __init__(self, channels: Sequence[_OfChannel], workers: int) -> None:
        self._channels = channels
        self._lanes = Lanes(min(workers, len(channels)))
        self._frames = 0

    def feed(self, samples: NDArray[np.floating]) -> None:
        """Add the next block of the stream.

        Parameters
        ----------
        samples : ndarray, shape (frames, channels)
            Floating point, full scale 1.0; may be empty. Large blocks (a second and more) are fastest.

        Raises
        ------
        RoomplanError
            When the block does not fit the meter.
        """
        _validate_block(samples, len(self._channels))
        lanes = self._lanes.worth(samples.size)
        lanes.map(lambda channel: channel.feed(samples), self._channels)
        self._frames += len(samples)


def _validate_block(samples: NDArray[np.floating], channels: int) -> None:
    """Refuse a block that is no sound of so many channels; whether it is finite is not checked."""
    if samples.ndim != 2 or samples.shape[1] != channels:
        raise RoomplanError(
            f"a block of shape {samples.shape} was fed to a meter of {channels} channels",
            remedy=f"feed arrays of shape (frames, {channels})",
        )
    if not np.issubdtype(samples.dtype, np.floating):
        raise RoomplanError(
            f"a block of {samples.dtype} samples has no known full scale",
            remedy="feed floating-point samples with full scale 1.0",
        )
