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

import math
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

__all__ = [
    "GapNoise",
    "OctaveLikeness",
    "gain_moved",
    "gap_noise",
    "likeness",
    "noise_raised",
    "noise_suppressed",
    "takes_differ",
]

_DIFFERENT_DB = -30.0
_OVER_NOISE_DB = 6.0
_GAIN_DB = 0.2
_DB_OF_A_SHARE = 20.0 / math.log(10.0)  # gain of adding a small share of a sound to it
_GAIN_OVER_NOISE_DB = 25.0
_ONE_SOUND_DB = -15.0  # less alike, and a gain between them means nothing
_SHARE_BEHIND = 0.9  # a decay that goes on for longer is noise enough there
_LAST_OF_GAP = 0.25
_FEWEST_BLOCKS = 8
_FEWEST_GAPS = 2
_FALLING_DB = 0.5  # over an eighth of a gap: a decay that is still 3 dB over the noise falls faster
_RAISED_DB = 3.0
_SUPPRESSED_DB = 15.0
_QUIET_DB = -90.0  # under the loudest of the sweep: what suppresses less does no harm
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
    # noise that happens to be like the sound can look like so much gain, and never like more
    moved = [
        each
        for each in octaves
        if abs(each.gain_db) > max(_GAIN_DB, _DB_OF_A_SHARE * 10.0 ** (each.noise_db / 20.0))
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


class GapNoise(NamedTuple):
    """Noise of the gap behind a take over that under the low notes of its sweep, in dB.

    Under low notes the leftover above them has neither the sweep nor its harmonics in it. `decayed` tells
    whether it falls no more.
    """

    over_db: float
    decayed: bool


def gap_noise(levels: NDArray[np.float64], sweep: Sweep) -> GapNoise | None:
    """Compare the noise of a gap with that under the sweep; None where either is too short or too quiet.

    Parameters
    ----------
    levels : ndarray, shape (channels, blocks)
        Of the leftover of a take.
    sweep : Sweep
        At the rate of the recording.
    """
    mean = np.mean(levels, axis=0)
    end = (LEAD_S + sweep.total_seconds) / BLOCK_S
    gap_s = (mean.size - end) * BLOCK_S
    gap = mean[round(end + (1.0 - _LAST_OF_GAP) * gap_s / BLOCK_S) : -1]
    first = round((LEAD_S + 0.5 * sweep.lead_in_seconds) / BLOCK_S)
    last = round((LEAD_S + sweep.played_at(_UNDER_FROM_HZ) - sweep.harmonic_lead(_HIGHEST_ORDER)) / BLOCK_S)
    if last - first < _FEWEST_BLOCKS or gap.size < _FEWEST_BLOCKS:
        return None
    earlier, later = (float(np.median(half)) for half in np.array_split(gap, 2))
    under = float(np.median(mean[first:last]))
    if under < _QUIET_DB:
        return None
    return GapNoise(float(np.median(gap)) - under, later > earlier - _FALLING_DB)


def noise_raised(gaps: Sequence[GapNoise | None]) -> float | None:
    """Decibels by which noise is louder in every gap than under the sweeps, as an automatic gain makes it."""
    known = [gap.over_db for gap in gaps if gap is not None and gap.decayed]
    if len(known) < _FEWEST_GAPS or len(known) < len(gaps):
        return None
    return min(known) if min(known) > _RAISED_DB else None


def noise_suppressed(gaps: Sequence[GapNoise | None]) -> float | None:
    """Decibels by which noise is quieter in every gap than under the sweeps, as its suppression makes it."""
    known = [-gap.over_db for gap in gaps if gap is not None]
    if not known or len(known) < len(gaps):
        return None
    return min(known) if min(known) > _SUPPRESSED_DB else None


def _db(ratio: float) -> float:
    return float(10.0 * np.log10(max(ratio, 1e-30)))
