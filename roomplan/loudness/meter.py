"""Loudness meter for a stream of sound.

Conventions
-----------
Blocks are ``(frames, channels)``, floating point, full scale 1.0. Sources: see `weighting`, `hops`, `gating`.

What is not a finite number is not refused block by block: it poisons the running sums and the peak, and the
reading then holds None and says so, with the first frame it met. That costs nothing and cannot be missed.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from roomplan.frozen_classes import frozen_class
from roomplan.loudness.gating import (
    Loudness,
    loudness_level,
    loudness_of_hops,
    passing_blocks,
    power_over_blocks,
    why_nothing_passes,
)
from roomplan.loudness.hops import HopSums
from roomplan.loudness.side_by_side import SideBySide
from roomplan.loudness.weighting import KFilter, validate_channel_weights, validate_sample_rate

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "BadSample",
    "Loudness",
    "Meter",
    "MeterReading",
    "loudness_level",
    "loudness_of_hops",
    "passing_blocks",
    "power_over_blocks",
    "why_nothing_passes",
]

# Frames filtered at a time: 8 kB per thousand stay in a core's own cache from the conversion to the sums.
_SLICE_FRAMES = 32_768


@dataclass(frozen=True, slots=True, order=True)
class BadSample:
    """A sample that is not a finite number.

    Attributes
    ----------
    frame, channel : int
        Counted from 0.
    """

    frame: int
    channel: int


@frozen_class
class MeterReading:
    """What a meter has seen so far.

    Attributes
    ----------
    loudness : Loudness
        Of the complete 20 ms hops.
    sample_peak_dbfs : float or None
        Largest absolute sample of any channel, the last incomplete hop included; not the true peak.
    frames : int
        Frames fed.
    reasons : mapping of str to str
        Why a figure is None: those of `loudness`, and ``"sample_peak_dbfs"``.
    bad_sample : BadSample or None
        The first that is not finite; of several in one frame, that of the first channel.
    """

    loudness: Loudness
    sample_peak_dbfs: float | None
    frames: int
    reasons: Mapping[str, str]
    bad_sample: BadSample | None = None


class Meter(SideBySide["_ChannelMeter"]):
    """Loudness and sample peak of one stream of sound.

    Parameters
    ----------
    sample_rate : int
        Hz; 8,000 to 192,000.
    channels : int
        1 (mono, counted once) or 2 (left, right); any number with `weights`.
    weights : array_like, shape (channels,), optional
        Power weight of every channel; see `validate_channel_weights`.
    workers : int
        Threads; channels are filtered side by side.

    Raises
    ------
    RoomplanError
        When the rate or the weights do not fit.

    Notes
    -----
    How the stream is split into blocks never changes the reading. Not done: true peak (`TruePeakMeter`; both
    together are `SoundMeter`).
    """

    def __init__(
        self, *, sample_rate: int, channels: int, weights: ArrayLike | None = None, workers: int = 2
    ) -> None:
        validate_sample_rate(sample_rate)
        self._sample_rate = sample_rate
        self._weights = validate_channel_weights(channels, weights)
        super().__init__([_ChannelMeter(sample_rate, index) for index in range(channels)], workers)

    def hop_sums(self) -> NDArray[np.float64]:
        """Weighted sums of squares of the complete 20 ms hops so far.

        Returns
        -------
        ndarray, shape (hops,)
            For `loudness_over_time` and `loudness_of_hops`.
        """
        # Channel after channel, not as a matrix product, whose rounding depends on the number of hops.
        sums = np.stack([channel.sums.sums for channel in self._channels])
        return (self._weights[:, None] * sums).sum(axis=0)

    def result(self) -> MeterReading:
        """Return the reading so far; the stream may go on afterwards."""
        loudness = loudness_of_hops(self.hop_sums(), sample_rate=self._sample_rate)
        reasons = dict(loudness.reasons)
        # numpy's maximum keeps NaN; Python's would depend on the order.
        peak = float(np.max([channel.peak for channel in self._channels]))
        peak_db = None
        if not np.isfinite(peak):
            reasons["sample_peak_dbfs"] = "not a finite number"
        elif peak == 0.0:
            reasons["sample_peak_dbfs"] = "digital silence" if self._frames else "no sound"
        else:
            peak_db = 20.0 * float(np.log10(peak))
        bad = min((channel.bad for channel in self._channels if channel.bad is not None), default=None)
        return MeterReading(loudness, peak_db, self._frames, MappingProxyType(reasons), bad)


class _ChannelMeter:
    """Filter, sums and peak of one channel."""

    def __init__(self, sample_rate: int, index: int) -> None:
        self._index = index
        self._filter = KFilter(sample_rate, 1)
        self.sums = HopSums(sample_rate, 1)
        self.peak = 0.0
        self.bad: BadSample | None = None
        self._frames = 0

    def feed(self, samples: NDArray[np.floating]) -> None:
        """Add one block, shape (frames, channels)."""
        for start in range(0, len(samples), _SLICE_FRAMES):
            row = np.array(samples[start : start + _SLICE_FRAMES, self._index], dtype=np.float64)[None]
            self.peak = float(np.maximum(self.peak, np.maximum(row.max(), -row.min())))
            if self.bad is None and not np.isfinite(self.peak):
                frame = self._frames + start + int(np.flatnonzero(~np.isfinite(row[0]))[0])
                self.bad = BadSample(frame, self._index)
            self.sums.feed(self._filter(row))
        self._frames += len(samples)
