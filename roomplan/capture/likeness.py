"""Two takes of one side against each other, and how the noise between sweeps moves.

Conventions
-----------
Responses are (channels, frames) on one time axis. Levels in decibels.

Sources
-------
Prawda, Schlecht and Välimäki, JASA 151(3) (2022), the "rule of two": what two takes do not share is neither
of the room nor of the chain. The limits are the project's own.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from roomplan.acoustics.bands import band_edges
from roomplan.capture.leftover import BLOCK_S
from roomplan.capture.takes import LEAD_S

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from roomplan.acoustics.filters import BandPass
    from roomplan.capture.sweep import Sweep

__all__ = ["OctaveLikeness", "gain_moved", "likeness", "noise_rise", "noise_suppressed", "takes_differ"]

_DIFFERENT_DB = -30.0
_OVER_NOISE_DB = 6.0
_GAIN_DB = 0.2
_GAIN_OVER_NOISE_DB = 25.0
_ONE_SOUND_DB = -15.0  # less alike, and a gain between them means nothing
_SHARE_BEHIND = 0.9  # a decay that goes on for longer is noise enough there
_RISE_DB = 1.5
_RISE_SCATTER_DB = 0.3
_QUARTERS = 4
_SUPPRESSED_DB = 20.0
_UNDER_FROM_HZ = 500.0  # as the leftover
_HIGHEST_ORDER = 8


class OctaveLikeness(NamedTuple):
    """One octave: gain of the second take, what differs besides, and what noise makes differ."""

    frequency_hz: float
    gain_db: float
    difference_db: float
    noise_db: float


def likeness(
    first: NDArray[np.float64],
    second: NDArray[np.float64],
    looks: Sequence[BandPass],
    *,
    rate: int,
    direct: int,
    tail: int,
) -> tuple[OctaveLikeness, ...]:
    """Compare two takes from the direct sound to the end of the decay; the noise is taken from behind it."""
    lead = round(0.005 * rate)
    sound = slice(max(0, direct - lead), tail)
    behind = slice(min(tail, int(_SHARE_BEHIND * first.shape[1])), None)
    length = sound.stop - sound.start
    one, two = (np.fft.rfft(each[:, sound]) for each in (first, second))
    noise = np.fft.rfft(second[:, behind] - first[:, behind])
    noise_frames = second[:, behind].shape[1]
    hertz, noise_hertz = (
        np.fft.rfftfreq(length, 1.0 / rate),
        np.fft.rfftfreq(max(1, noise_frames), 1.0 / rate),
    )
    found = []
    for look in looks:
        low, high = band_edges(look.centre_hz)
        band = (hertz > low) & (hertz < high)
        own = float(np.sum(np.abs(one[:, band]) ** 2))
        gain = float(np.sum((one[:, band].conj() * two[:, band]).real)) / max(own, 1e-300)
        power = float(np.sum(np.abs(two[:, band]) ** 2))
        if own <= 0.0 or power <= 0.0 or gain <= 0.0:
            continue
        left = float(np.sum(np.abs(two[:, band] - gain * one[:, band]) ** 2))
        there = (noise_hertz > low) & (noise_hertz < high)
        # energies of spectra of unequal lengths: by power per frame and hertz
        per_line = float(np.mean(np.sum(np.abs(noise[:, there]) ** 2, axis=0))) if there.any() else 0.0
        expected = per_line / max(1, noise_frames) * length * np.count_nonzero(band)
        found.append(
            OctaveLikeness(
                look.centre_hz, 20.0 * float(np.log10(gain)), _db(left / power), _db(expected / power)
            )
        )
    return tuple(found)


def gain_moved(octaves: Sequence[OctaveLikeness]) -> OctaveLikeness | None:
    """Octave whose gain moved most, where that is no noise."""
    moved = [
        each
        for each in octaves
        if abs(each.gain_db) > _GAIN_DB
        and each.noise_db < -_GAIN_OVER_NOISE_DB
        and each.difference_db < _ONE_SOUND_DB
    ]
    return max(moved, key=lambda each: abs(each.gain_db), default=None)


def takes_differ(octaves: Sequence[OctaveLikeness]) -> OctaveLikeness | None:
    """Octave that differs most beyond its noise."""
    different = [
        each for each in octaves if each.difference_db > max(_DIFFERENT_DB, each.noise_db + _OVER_NOISE_DB)
    ]
    return max(different, key=lambda each: each.difference_db, default=None)


def noise_rise(levels: Sequence[NDArray[np.float64]], sweep: Sweep, tails_s: Sequence[float]) -> float | None:
    """Decibels by which the noise rises in every gap behind the decay; None where it does not in one."""
    rises = []
    for own, tail_s in zip(levels, tails_s, strict=True):
        gap = _gap(own, sweep, tail_s)
        if gap.size < _QUARTERS * 10:
            return None
        quarters = [float(np.median(part)) for part in np.array_split(gap, _QUARTERS)]
        if any(later < earlier - _RISE_SCATTER_DB for earlier, later in pairwise(quarters)):
            return None
        rises.append(quarters[-1] - quarters[0])
    return min(rises) if len(rises) > 1 and min(rises) > _RISE_DB else None


def noise_suppressed(levels: NDArray[np.float64], sweep: Sweep, tail_s: float) -> float | None:
    """Decibels by which the noise of a gap is under that beneath the sweep's low notes; None where it is not.

    While those sound, the leftover above has neither the sweep nor its harmonics in it.
    """
    gap = _gap(levels, sweep, tail_s)
    first = round((LEAD_S + 0.5 * sweep.lead_in_seconds) / BLOCK_S)
    last = round((LEAD_S + sweep.played_at(_UNDER_FROM_HZ) - sweep.harmonic_lead(_HIGHEST_ORDER)) / BLOCK_S)
    if last - first < 10 or gap.size < 10:
        return None
    under = float(np.median(np.mean(levels[:, first:last], axis=0)))
    lower = under - float(np.median(gap))
    return lower if lower > _SUPPRESSED_DB else None


def _gap(levels: NDArray[np.float64], sweep: Sweep, tail_s: float) -> NDArray[np.float64]:
    """Mean level over channels of the blocks behind the decay, without the last."""
    first = round((LEAD_S + sweep.total_seconds + tail_s) / BLOCK_S)
    return np.mean(levels[:, first:-1], axis=0)


def _db(ratio: float) -> float:
    return float(10.0 * np.log10(max(ratio, 1e-30)))
