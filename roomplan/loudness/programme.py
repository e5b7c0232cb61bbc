"""Every loudness figure of a whole sound, from one reading of it.

Conventions
-----------
Blocks are ``(frames, channels)``, floating point, full scale 1.0. Memory: 8 bytes per channel and 20 ms hop,
and a few megabytes that do not grow. A figure that cannot be said is None, with its reason under its own
name.

Sources: see `weighting`, `hops`, `gating`, `true_peak`, `roles`. The peak-to-loudness ratio is true peak
minus integrated loudness (common practice, no source).
"""

from __future__ import annotations

from dataclasses import field
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from roomplan.errors import RoomplanError
from roomplan.frozen_classes import frozen_class
from roomplan.loudness.gating import LoudnessOverTime, loudness_over_time
from roomplan.loudness.meter import Meter
from roomplan.loudness.roles import channel_roles, role_weights
from roomplan.loudness.true_peak import TruePeakMeter

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from roomplan.loudness.meter import BadSample, MeterReading
    from roomplan.loudness.roles import ChannelRole

__all__ = ["ProgrammeLoudness", "SoundMeter", "programme_loudness"]

_LOUDEST_DBFS = 600.0  # float files may hold more, but nothing that was ever meant as sound

_FIGURES: tuple[str, ...] = (
    "integrated_lufs",
    "momentary_max_lufs",
    "short_term_max_lufs",
    "loudness_range_lu",
    "true_peak_dbtp",
    "sample_peak_dbfs",
    "peak_to_loudness_db",
)


@frozen_class
class ProgrammeLoudness:
    """Loudness and peaks of one sound; None where one cannot be said, and then `reasons` has its name.

    Attributes
    ----------
    integrated_lufs : float or None
        Gated over the whole sound.
    momentary_max_lufs, short_term_max_lufs : float or None
        Loudest 400 ms and 3 s, at a step of 20 ms.
    loudness_range_lu : float or None
        Loudness range, from 3 s windows at a step of 1 s.
    true_peak_dbtp, sample_peak_dbfs : float or None
        Of the channel that has the largest; those without a weight count too.
    peak_to_loudness_db : float or None
        True peak minus integrated loudness.
    roles : tuple of ChannelRole
        What the channels were taken for.
    frames : int
        Frames measured.
    reasons : mapping of str to str
        Why a figure is None.
    over_time : LoudnessOverTime
        Momentary and short-term loudness every 20 ms. Not compared by ``==``.
    """

    integrated_lufs: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None
    loudness_range_lu: float | None
    true_peak_dbtp: float | None
    sample_peak_dbfs: float | None
    peak_to_loudness_db: float | None
    roles: tuple[ChannelRole, ...]
    frames: int
    reasons: Mapping[str, str]
    over_time: LoudnessOverTime = field(compare=False, repr=False)


class SoundMeter:
    """All figures of one stream of sound.

    Parameters
    ----------
    sample_rate : int
        Hz; 8,000 to 192,000.
    channels : int
        Channels of every block.
    roles : sequence of ChannelRole, optional
        One per channel; needed for more than two. See `parse_roles`.
    workers : int
        Threads; channels are worked on side by side.

    Raises
    ------
    RoomplanError
        When the rate or the roles do not fit.

    Notes
    -----
    How the stream is split into blocks never changes the loudness, and the true peak by no more than
    rounding. One sample that is not finite leaves no figure at all: what surrounds it cannot be trusted. Not
    done: several sounds as one programme; feed them one after the other for that.
    """

    def __init__(
        self,
        *,
        sample_rate: int,
        channels: int,
        roles: Sequence[ChannelRole] | None = None,
        workers: int = 2,
    ) -> None:
        self._roles = channel_roles(channels, roles)
        self._sample_rate = sample_rate
        weights = role_weights(self._roles)
        self._meter = Meter(sample_rate=sample_rate, channels=channels, weights=weights, workers=workers)
        self._true_peak = TruePeakMeter(sample_rate=sample_rate, channels=channels, workers=workers)

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
        # samples beyond any sound overflow when squared: what comes of it is refused in `result`
        with np.errstate(over="ignore", invalid="ignore"):
            self._meter.feed(samples)
            self._true_peak.feed(samples)

    def result(self) -> ProgrammeLoudness:
        """Return the figures as if the sound ended here; the stream may go on afterwards."""
        reading = self._meter.result()
        over_time = loudness_over_time(self._meter.hop_sums(), sample_rate=self._sample_rate)
        if reading.bad_sample is not None:
            reasons = dict.fromkeys(_FIGURES, self._complaint(reading.bad_sample))
            return self._programme(dict.fromkeys(_FIGURES), reading, reasons, over_time)
        if reading.sample_peak_dbfs is not None and reading.sample_peak_dbfs > _LOUDEST_DBFS:
            reasons = dict.fromkeys(_FIGURES, f"samples above {_LOUDEST_DBFS:+.0f} dBFS are not sound")
            return self._programme(dict.fromkeys(_FIGURES), reading, reasons, over_time)
        reasons = dict(reading.reasons)
        true_peak = None
        if reading.sample_peak_dbfs is None:
            reasons["true_peak_dbtp"] = reasons["sample_peak_dbfs"]
        else:
            true_peak = 20.0 * float(np.log10(self._true_peak.peaks().max()))
        integrated = reading.loudness.integrated_lufs
        ratio = None
        if integrated is None:
            reasons["peak_to_loudness_db"] = reasons["integrated_lufs"]
        elif true_peak is not None:
            ratio = true_peak - integrated
        figures = {
            "integrated_lufs": integrated,
            "momentary_max_lufs": reading.loudness.momentary_max_lufs,
            "short_term_max_lufs": reading.loudness.short_term_max_lufs,
            "loudness_range_lu": reading.loudness.loudness_range_lu,
            "true_peak_dbtp": true_peak,
            "sample_peak_dbfs": reading.sample_peak_dbfs,
            "peak_to_loudness_db": ratio,
        }
        return self._programme(figures, reading, reasons, over_time)

    def _programme(
        self,
        figures: Mapping[str, float | None],
        reading: MeterReading,
        reasons: Mapping[str, str],
        over_time: LoudnessOverTime,
    ) -> ProgrammeLoudness:
        return ProgrammeLoudness(
            **figures,
            roles=self._roles,
            frames=reading.frames,
            reasons=MappingProxyType(dict(reasons)),
            over_time=over_time,
        )

    def _complaint(self, bad: BadSample) -> str:
        channel = f"channel {bad.channel + 1} ({self._roles[bad.channel]})"
        seconds = bad.frame / self._sample_rate
        return f"not a finite number at frame {bad.frame} ({seconds:.3f} s) of {channel}"


def programme_loudness(
    samples: NDArray[np.floating], *, sample_rate: int, roles: Sequence[ChannelRole] | None = None
) -> ProgrammeLoudness:
    """All figures of one sound that is in memory.

    Parameters
    ----------
    samples : ndarray, shape (frames, channels)
        Floating point, full scale 1.0.
    sample_rate : int
        Hz; 8,000 to 192,000.
    roles : sequence of ChannelRole, optional
        One per channel; needed for more than two.

    Raises
    ------
    RoomplanError
        When the array, the rate or the roles do not fit.
    """
    if samples.ndim != 2:
        raise RoomplanError(
            f"a sound of shape {samples.shape} has {samples.ndim} axes, not two",
            remedy="hand in (frames, channels); a mono sound is (frames, 1)",
        )
    meter = SoundMeter(sample_rate=sample_rate, channels=samples.shape[1], roles=roles)
    meter.feed(samples)
    return meter.result()
