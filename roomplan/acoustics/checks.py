"""Checks at the edge of the package: shape and rate of what is handed in.

Conventions: an array that is *legal* (two axes, numbers) is never refused; silence, NaN or a single frame
give figures of None with a reason. Only what cannot be a sound at all raises.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomplan.errors import RoomplanError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["validate_rate", "validate_response", "validate_vector"]


def validate_response(samples: ArrayLike) -> NDArray[np.float64]:
    """Return `samples` as float64 of shape (frames, channels), or raise `RoomplanError`."""
    try:
        array = np.asarray(samples, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise RoomplanError(
            "a response must hold real numbers", remedy="hand in (frames, channels)"
        ) from error
    if array.ndim != 2:
        raise RoomplanError(
            f"a response of shape {array.shape} has {array.ndim} axes, not two",
            remedy="hand in (frames, channels); a mono sound is (frames, 1)",
        )
    return array


def validate_rate(sample_rate: float) -> None:
    """Raise `RoomplanError` unless the rate is a positive number of hertz."""
    if not (np.isfinite(sample_rate) and sample_rate > 0):
        raise RoomplanError(
            f"a sample rate of {sample_rate} Hz", remedy="it must be above 0 Hz, such as 48000"
        )


def validate_vector(values: ArrayLike | None, channels: int, name: str) -> NDArray[np.float64] | None:
    """Return one finite number per channel as float64, None unchanged, or raise `RoomplanError`."""
    if values is None:
        return None
    vector = np.asarray(values, dtype=np.float64)
    if vector.shape != (channels,) or not np.isfinite(vector).all():
        raise RoomplanError(
            f"{name} has shape {vector.shape} or holds no finite numbers",
            remedy=f"one number for each of {channels} channels",
        )
    return vector
