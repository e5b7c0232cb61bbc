"""K-weighting of ITU-R BS.1770: the filter, its power response, and a filter that runs over a stream.

Conventions
-----------
Sound inside this module is planar, ``(channels, frames)``: a recursive filter runs along contiguous rows.
Rates and frequencies are in Hz. `b` and `a` are the polynomials in z⁻¹ of scipy's `lfilter`, ``a[0] == 1``.

Sources
-------
ITU-R BS.1770-5, Annex 1, Tables 1 and 2 print both stages at 48 kHz. For other rates the analogue
prototype behind the tables is transformed anew (bilinear, pre-warped at each stage's own frequency); its
parameters are those that reproduce the tables; the tests hold the filter to pyloudnorm's of the ``DeMan``
type, which is built on the same ones.

Measured
--------
The numerator 1, -2, 1 is kept at every rate, as libebur128 does, so the pass band moves against that at 48
kHz: +0.004 dB at 44.1 kHz, -0.021 at 96, -0.032 at 192, +0.21 at 8 kHz. Agreement with libebur128 was
preferred.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from roomplan.errors import RoomplanError
from roomplan.loudness.stream_filter import StreamFilter

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "HIGHEST_SAMPLE_RATE",
    "LOWEST_SAMPLE_RATE",
    "KFilter",
    "k_weighting",
    "k_weighting_power",
    "validate_channel_weights",
    "validate_sample_rate",
]

LOWEST_SAMPLE_RATE = 8_000
HIGHEST_SAMPLE_RATE = 192_000

# The analogue prototype of Tables 1 and 2 (see Sources); frequencies in Hz, gain in dB.
_SHELF_FREQUENCY_HZ = 1681.974450955533
_SHELF_GAIN_DB = 3.999843853973347
_SHELF_Q = 0.7071752369554196
_SHELF_MIDDLE = 0.499666774155  # gain at its frequency as a power of the shelf's: half of it, nearly
_HIGH_PASS_FREQUENCY_HZ = 38.13547087602444
_HIGH_PASS_Q = 0.5003270373238773


def validate_sample_rate(sample_rate: int) -> None:
    """Refuse a sample rate the K-weighting is not made for.

    Parameters
    ----------
    sample_rate : int
        Hz; 8,000 to 192,000.

    Raises
    ------
    RoomplanError
        When the rate is not a whole number in that range.
    """
    if int(sample_rate) != sample_rate or not LOWEST_SAMPLE_RATE <= sample_rate <= HIGHEST_SAMPLE_RATE:
        raise RoomplanError(
            f"loudness cannot be measured at a sample rate of {sample_rate} Hz",
            remedy=f"use a whole number from {LOWEST_SAMPLE_RATE} to {HIGHEST_SAMPLE_RATE} Hz",
        )


def validate_channel_weights(channels: int, weights: ArrayLike | None) -> NDArray[np.float64]:
    """Return the power weight of every channel, refusing to guess roles from a count.

    Parameters
    ----------
    channels : int
        Number of channels.
    weights : array_like, shape (channels,), or None
        Power weights: 1.0 left, right, centre, 1.41 surrounds, 0.0 low-frequency effects (BS.1770-5,
        Annex 1). None means 1.0 each and is understood for one channel (mono, counted once)
        and two (left, right).

    Returns
    -------
    ndarray, shape (channels,)

    Raises
    ------
    RoomplanError
        When more than two channels come without weights, or the weights do not fit.
    """
    if weights is None:
        if channels not in (1, 2):
            raise RoomplanError(
                f"the roles of {channels} channels are unknown",
                remedy="give one weight per channel: 1 for left, right, centre, 1.41 for a surround, 0 for "
                "low-frequency effects",
            )
        return np.ones(channels)
    array = np.array(weights, dtype=np.float64)
    if array.shape != (channels,) or not np.all(np.isfinite(array)) or np.any(array < 0):
        raise RoomplanError(
            f"channel weights {array.tolist()} do not fit {channels} channels",
            remedy=f"give {channels} finite numbers, 0 or above",
        )
    return array


@lru_cache(maxsize=32)
def k_weighting(sample_rate: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Design both stages of the K-weighting as one fourth-order filter.

    Parameters
    ----------
    sample_rate : int
        Hz.

    Returns
    -------
    b : ndarray, shape (5,)
        Numerator, in powers of z⁻¹. Read-only.
    a : ndarray, shape (5,)
        Denominator, ``a[0] == 1``. Read-only.

    Notes
    -----
    The two stages are multiplied out: one recursion per sample takes less time than two, and float64 keeps
    the result within 1e-7 of the cascade up to 192 kHz.

    Not done: rescaling. The high-pass numerator stays (1, −2, 1) at every rate, as printed in Table 2 for
    48 kHz and as other meters have it. The pass band of a bilinear design then moves a little with the rate:
    against 48 kHz +0.004 dB at 44.1 kHz, −0.021 at 96 and −0.032 at 192, but +0.09 at 16 kHz and +0.21 at
    8 kHz (below the shelf).
    """
    warped = np.tan(np.pi * _SHELF_FREQUENCY_HZ / sample_rate)
    high = np.power(10.0, _SHELF_GAIN_DB / 20.0)
    middle = np.power(high, _SHELF_MIDDLE) * warped / _SHELF_Q
    square, damped = warped * warped, warped / _SHELF_Q
    shelf_a = np.array([1.0 + damped + square, 2.0 * (square - 1.0), 1.0 - damped + square])
    shelf_b = np.array([high + middle + square, 2.0 * (square - high), high - middle + square])
    warped = np.tan(np.pi * _HIGH_PASS_FREQUENCY_HZ / sample_rate)
    square, damped = warped * warped, warped / _HIGH_PASS_Q
    high_pass_a = np.array([1.0 + damped + square, 2.0 * (square - 1.0), 1.0 - damped + square])
    b = np.convolve(shelf_b / shelf_a[0], [1.0, -2.0, 1.0])
    a = np.convolve(shelf_a / shelf_a[0], high_pass_a / high_pass_a[0])
    b.flags.writeable = False
    a.flags.writeable = False
    return b, a


def k_weighting_power(frequencies_hz: ArrayLike, sample_rate: int) -> NDArray[np.float64]:
    """Power response |K(f)|² of the K-weighting.

    Parameters
    ----------
    frequencies_hz : array_like
        Frequencies from 0 to half the sample rate.
    sample_rate : int
        Hz.

    Returns
    -------
    ndarray
        |K(f)|², same shape as `frequencies_hz`; 1.17 (+0.691 dB) at 997 Hz and 48 kHz.
    """
    b, a = k_weighting(sample_rate)
    delay = np.exp(-2j * np.pi * np.asarray(frequencies_hz, dtype=np.float64) / sample_rate)
    return np.abs(np.polyval(b[::-1], delay) / np.polyval(a[::-1], delay)) ** 2


class KFilter(StreamFilter):
    """K-weighting over a stream of planar blocks.

    Parameters
    ----------
    sample_rate : int
        Hz.
    channels : int
        Rows of every block.
    """

    def __init__(self, sample_rate: int, channels: int) -> None:
        super().__init__((k_weighting(sample_rate),), sample_rate=sample_rate, channels=channels)
