"""How far a response goes: the range over the noise in every octave, and where to cut.

Conventions
-----------
Responses are (channels, frames). The noise and the end of a decay are found as `measure` finds them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from roomplan.acoustics.band_decay import decay_of_band
from roomplan.acoustics.bands import band_edges
from roomplan.acoustics.energies import channel_energies
from roomplan.acoustics.filters import octaves

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from roomplan.acoustics.filters import BandPass
    from roomplan.capture.sweep import Sweep

__all__ = ["OctaveTail", "octave_tails", "swept_octaves", "tail_frames"]

# Noise kept behind a decay, so that whoever measures it finds the noise (the project's own limits).
_KEPT_SHARE = 0.25
_KEPT_S = 0.1


@dataclass(frozen=True, slots=True)
class OctaveTail:
    """Decay of one octave of one channel: its range, and the seconds from the onset to its end."""

    channel: int
    frequency_hz: float
    range_db: float
    seconds: float
    decay_time_s: float | None


def swept_octaves(sweep: Sweep) -> tuple[BandPass, ...]:
    """Octaves that lie within a sweep, to their edges."""
    found = []
    for look in octaves():
        low, high = band_edges(look.centre_hz)
        if low >= sweep.start_frequency * 0.999 and high <= sweep.end_frequency * 1.13:
            found.append(look)
    return tuple(found)


def octave_tails(responses: NDArray[np.float64], sweep: Sweep) -> tuple[OctaveTail, ...]:
    """Every octave of every channel."""
    looks = swept_octaves(sweep)
    found = []
    for channel, response in enumerate(responses):
        sound = channel_energies(response, sample_rate=sweep.rate, filters=looks)
        for look in looks:
            if look not in sound.bands:
                continue
            band = decay_of_band(sound, look)
            found.append(
                OctaveTail(
                    channel,
                    look.centre_hz,
                    band.decay_range_db,
                    band.truncation.crosspoint / band.rate,
                    band.truncation.late_decay_time_s,
                )
            )
    return tuple(found)


def tail_frames(tails: tuple[OctaveTail, ...], rate: int) -> int:
    """Frames from the onset on to keep: the longest decay, and some of the noise behind it."""
    longest = max((tail.seconds for tail in tails), default=0.0)
    return round((longest * (1.0 + _KEPT_SHARE) + _KEPT_S) * rate)
