"""What is wrong with a response as a recording: clipping, and a beginning that cannot be told.

Conventions
-----------
One channel, shape (frames,), float64, full scale 1.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["CLIPPED_RUN", "doubtful_beginning", "find_clipping"]

# An undistorted wave below half the sample rate does not stand still: three equal samples at full scale mean
# that the converter or the export ran out of numbers. 0.999 leaves room for formats that end at 1 - 2⁻¹⁵.
CLIPPED_RUN = 3
_CLIPPED_LEVEL = 0.999

_HALF = 10.0 ** (-6.0 / 20.0)  # an arrival within 6 dB of the loudest counts as the loud one
_WAIT_S = 0.02
_PULSE_S = 0.001
# common practice, no source: power between a first sound and the loud one, under the peak's; a diffuse field
# that builds up stays above it, a precursor, an echo or a noise in front of the response falls below
_EMPTY = 10.0 ** (-26.0 / 10.0)


def find_clipping(samples: NDArray[np.float64]) -> int | None:
    """First frame of a run of three or more equal samples at full scale, None without one."""
    if len(samples) < CLIPPED_RUN:
        return None
    full = np.abs(samples) >= _CLIPPED_LEVEL
    if not full.any():
        return None
    equal = full[1:] & (samples[1:] == samples[:-1])
    run = np.convolve(equal, np.ones(CLIPPED_RUN - 1), mode="valid") >= CLIPPED_RUN - 1
    found = np.flatnonzero(run)
    return int(found[0]) if len(found) else None


def doubtful_beginning(magnitude: NDArray[np.float64], *, sample_rate: float) -> str | None:
    """Why it is open whether the onset is the direct sound, or None.

    Parameters
    ----------
    magnitude : ndarray, shape (frames,)
        Absolute values from the onset on, which is the first frame within 20 dB of the peak.
    sample_rate : float

    Notes
    -----
    True where more than 20 ms of near silence lie between the onset and the first sample within 6 dB of the
    peak: what came first may be the direct sound with a louder reflection behind it, or a precursor, or the
    noise ahead of the response. ISO 3382-1 takes the first; nobody can tell from the file.
    """
    if magnitude.size == 0:
        return None
    peak = float(magnitude.max())
    if not 0.0 < peak < np.inf:
        return None
    magnitude = magnitude / peak
    loud = int(np.argmax(magnitude >= _HALF))
    if loud < _WAIT_S * sample_rate:
        return None
    pulse = max(1, round(_PULSE_S * sample_rate))
    between = magnitude[pulse : loud - pulse]
    if between.size == 0 or float(np.mean(between * between)) > _EMPTY:
        return None
    first_db = 20.0 * np.log10(float(magnitude[:pulse].max()))
    return (
        f"a sound {-first_db:.0f} dB under the loudest and {1000 * loud / sample_rate:.0f} ms ahead of it "
        "was taken for the direct sound"
    )
