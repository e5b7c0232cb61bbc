"""What pink noise, as the ear weighs it, becomes in a room response: analytically, without a sample of noise.

Conventions
-----------
Pink noise has a power density proportional to 1/f from 20 Hz to 20 kHz (or half the sample rate, if that is
lower) and none outside. Responses are ``(frames, channels)``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomplan.loudness.weighting import k_weighting_power, validate_sample_rate
from roomplan.scipy_kernels import next_fast_len, rfft

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["PINK_HIGHEST_HZ", "PINK_LOWEST_HZ", "pink_power"]

PINK_LOWEST_HZ = 20.0
PINK_HIGHEST_HZ = 20_000.0

# Longest step of the integral at the low end, where 1/f and the K-weighting are steepest: a quarter of a
# hertz against 20 Hz. Halving it moves a flat response by less than 1e-6 dB.
_FINEST_STEP_HZ = 0.25


def pink_power(response: NDArray[np.floating], *, sample_rate: int) -> NDArray[np.float64]:
    """K-weighted power of stationary pink noise after every channel of a response, relative to before.

    Parameters
    ----------
    response : ndarray, shape (frames, channels)
        Finite; one impulse response per channel.
    sample_rate : int
        Hz; 8,000 to 192,000.

    Returns
    -------
    ndarray, shape (channels,)
        ∫ |H|²·|K|²/f df / ∫ |K|²/f df over the band; 1 for a unit impulse, 0 for silence.

    Raises
    ------
    RoomplanError
        When the sample rate does not fit.

    Notes
    -----
    Not done: adding inputs or outputs. Powers of independent inputs add; correlated ones do not.
    """
    validate_sample_rate(sample_rate)
    # |H|² is the spectrum of the response's autocorrelation, twice as long as the response: with that many
    # points every wiggle of it is sampled.
    least = max(2 * len(response), int(sample_rate / _FINEST_STEP_HZ))
    size = next_fast_len(least)
    step = sample_rate / size
    frequencies = np.arange(size // 2 + 1) * step
    top = min(PINK_HIGHEST_HZ, sample_rate / 2)
    # ∫ df/f over each bin's own stretch of the band, in closed form; bins outside get none.
    lower = np.clip(frequencies - step / 2, PINK_LOWEST_HZ, top)
    upper = np.clip(frequencies + step / 2, PINK_LOWEST_HZ, top)
    density = np.log(upper / lower) * k_weighting_power(frequencies, sample_rate)
    powers = np.empty(response.shape[1])
    for channel in range(response.shape[1]):
        spectrum = rfft(np.asarray(response[:, channel], dtype=np.float64), size)
        powers[channel] = density @ np.abs(spectrum) ** 2
    return powers / density.sum()
