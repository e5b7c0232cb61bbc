"""The colour that a source gives to a response which was recorded with an even one, or with who knows what.

Conventions
-----------
Samples are (frames, channels), float64. Where early and late sound cannot be told apart by direction, all of
it takes the colour of the power that the source radiates, relative to forwards.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from roomplan.rooms.minimum_phase import minimum_phase
from roomplan.rooms.wiring import normalising_gain
from roomplan.scipy_kernels import next_fast_len

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from roomplan.plan.model import Normalise
    from roomplan.rooms.directivity import Directivity

    Array = NDArray[np.float64]

__all__ = ["coloured_by_power", "level_gains"]

# The colour rings on: after this it is 120 dB down, for every kind in the table (measured).
RING_S = 0.05
LOWEST_HZ = 1.0  # the colour is at DC what it is here


def coloured_by_power(samples: Array, directivity: Directivity, *, sample_rate: int) -> Array:
    """Filter a response by the power of a source, in minimum phase: the onset stays where it is.

    Parameters
    ----------
    sample_rate : int
        Hz.

    Returns
    -------
    ndarray, shape (frames', channels)
        Longer by the 50 ms in which the filter rings.
    """
    frames = len(samples) + math.ceil(RING_S * sample_rate)
    size = next_fast_len(frames + math.ceil(RING_S * sample_rate))
    lines = np.arange(size // 2 + 1) * (sample_rate / size)
    gain = directivity.power_gain_at(np.maximum(lines, LOWEST_HZ))
    filtering = np.exp(minimum_phase(np.log(gain)[None, :], size)[0])
    coloured = np.fft.irfft(np.fft.rfft(samples, size, axis=0) * filtering[:, None], size, axis=0)
    return np.ascontiguousarray(coloured[:frames])


def level_gains(
    for_gain: Array, directivities: Sequence[Directivity], *, sample_rate: int, normalise: Normalise
) -> list[float]:
    """Linear gains that make up for the level which the colour of each source takes off a room.

    Parameters
    ----------
    for_gain : ndarray, shape (frames, channels)
        The response that the room's gain is found with.
    sample_rate : int
        Hz.
    normalise : str
        As of the room: what it keeps, this keeps; `none` keeps nothing.
    """
    if not directivities:
        return []
    even = normalising_gain(for_gain, sample_rate=sample_rate, normalise=normalise)
    coloured = [
        normalising_gain(
            coloured_by_power(for_gain, one, sample_rate=sample_rate),
            sample_rate=sample_rate,
            normalise=normalise,
        )
        for one in directivities
    ]
    return [1.0 if even is None or gain is None else gain / even for gain in coloured]
