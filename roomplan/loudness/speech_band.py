"""The speech band, 1 to 4 kHz: its filter, its power response, and the filter over a stream.

Conventions
-----------
Sound inside this module is planar, ``(channels, frames)``. Rates and frequencies are in Hz. A design is two
stages in a row, each of fourth order, `b` and `a` the polynomials in z⁻¹ of scipy's `lfilter`. The levels
of this band are decibels of mean square, channel weights in, not loudness: the K-weighting is not applied.

Sources
-------
The band is common practice, no source: the consonants and the formants that tell vowels apart lie there for
the most part. Band edges and order are this project's own: a Butterworth band-pass of fourth order on either
side, −3 dB at 1 kHz and 4 kHz, 0 dB between. Bilinear transform, pre-warped at both edges.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from roomplan.butterworth import band_pass, high_pass
from roomplan.loudness.stream_filter import StreamFilter
from roomplan.loudness.weighting import validate_sample_rate

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Stage = tuple[NDArray[np.float64], NDArray[np.float64]]

__all__ = ["SPEECH_BAND_HZ", "SpeechBandFilter", "speech_weighting"]

SPEECH_BAND_HZ = (1_000.0, 4_000.0)
_ORDER = 4  # 18 dB down at 700 Hz and at 5.6 kHz, 57 dB at 250 Hz

# Upper edges beyond this share of the sample rate lie at half the rate for all purposes: the band-pass has
# become a high-pass, which is what its design tends to, with poles that run into each other on the way.
_HIGHEST_EDGE = 0.495


@lru_cache(maxsize=32)
def speech_weighting(sample_rate: int) -> tuple[Stage, ...]:
    """Design the band-pass as stages of fourth order.

    Parameters
    ----------
    sample_rate : int
        Hz; 8,000 to 192,000.

    Returns
    -------
    tuple of (b, a), each ndarray, shape (5,)
        To be run one after the other; ``a[0] == 1``. Two stages; one, a high-pass, from 8,000 to 8,080 Hz,
        where half the sample rate is the upper edge. Read-only.

    Raises
    ------
    RoomplanError
        When the rate is outside the range.

    Notes
    -----
    Within ±0.1 dB from 1.35 to 3.1 kHz at 16 kHz and above. Below, the bilinear transform draws the upper
    edge away from the lower one, whose shoulder then rounds into that of a high-pass: −0.16 dB at 1.3 kHz
    at 11,025 Hz, −0.37 dB at 8 kHz.

    Not done: one recursion of eighth order. It is a third faster and errs by 7e-5 of its output at 192 kHz.
    """
    validate_sample_rate(sample_rate)
    low, high = SPEECH_BAND_HZ
    if high > _HIGHEST_EDGE * sample_rate:
        sections = high_pass(_ORDER, low, sample_rate=sample_rate)
    else:
        sections = band_pass(_ORDER, (low, high), sample_rate=sample_rate)
    stages: list[Stage] = []
    for first, second in zip(sections[::2], sections[1::2], strict=True):
        b, a = np.convolve(first[:3], second[:3]), np.convolve(first[3:], second[3:])
        b.flags.writeable = False
        a.flags.writeable = False
        stages.append((b, a))
    return tuple(stages)


class SpeechBandFilter(StreamFilter):
    """The speech band over a stream of planar blocks, in place of `weighting.KFilter`.

    Parameters
    ----------
    sample_rate : int
        Hz; 8,000 to 192,000.
    channels : int
        Rows of every block.
    """

    def __init__(self, sample_rate: int, channels: int) -> None:
        super().__init__(speech_weighting(sample_rate), sample_rate=sample_rate, channels=channels)
