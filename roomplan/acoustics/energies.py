"""Energies of a sound per band, ready to be added: what composites of several sources are made of.

Conventions
-----------
Energies of independent sources add, so everything a figure needs is kept as a sum over channels: the decay
envelope of each octave band, the energy on either side of 50 and 80 ms, and the broadband energy per frame.
Sounds that are to be added are given the same length (`frames`), so that their envelopes share one grid.

Arrays given are (frames, channels); inside, (channels, frames). Time 0 is frame 0.
"""

from __future__ import annotations

from dataclasses import field, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from roomplan.acoustics.direct_sound import find_onset
from roomplan.acoustics.early_and_late import split_energies
from roomplan.acoustics.filterbank import (
    band_envelopes,
    inside_envelope,
    power_sums,
    statistical_bandwidth,
    transform_length,
)
from roomplan.acoustics.filters import BROADBAND, BandPass
from roomplan.acoustics.transforms import spectrum as to_spectrum
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from roomplan.acoustics.filterbank import BandKernel
    from roomplan.acoustics.filters import Filter

__all__ = [
    "SILENT",
    "BandEnergies",
    "SoundEnergies",
    "add_energies",
    "broadband_energies",
    "channel_energies",
    "energies_of",
    "frames_added",
    "leaking_bands",
    "without_offset",
]

SILENT = "the response is silent"
_LONGEST_S = 60.0  # more of a record holds no more of a decay: 45 dB of T = 80 s
_LEAST_S = 0.01  # a response shorter than this holds no decay of any room
_LEAST_OFFSET_S = 0.01  # per half: shorter than this a constant is a part of the sound
_STEADY = 0.05
_LEAST_RATE = 6000.0  # frames per second that even the decay of a cupboard leaves dozens of
_NONE = np.zeros(0)
# white noise has 0.14 from outside an octave, pink noise 0.16; thirds have 0.10
_LEAK_LOOKED_AT = 0.2
_LEAK_SHIFT = 0.06  # of the energy left: a quarter of a decibel
_LEAK_LEVELS = 10.0 ** (-np.array([0.0, 10.0, 20.0, 30.0]) / 10.0)  # where in the decay it is asked for
_THREADS_FROM = 100_000  # frames × channels: below, starting threads costs more than they save


@frozen_class
class BandEnergies:
    """One band, summed over channels.

    Attributes
    ----------
    rate : float
        Frames per second.
    middle_s : float
        Where within a frame its energy lies on average, from the frame's start on.
    mean_lead_s : float
        Time by which the filter is ahead, averaged over white noise.
    envelope : ndarray, shape (frames,)
        Energy of the wet per frame; from `content` on, frames stand for negative times.
    content : int
        Frame behind the last sample of the sound.
    ahead, ahead_with_dry : ndarray, shape (frames - content,)
        Energy at negative times, without and with the dry impulse.
    power, lead : float
        Weight of the sound in the band, and that weight times the time its filtered energy is ahead.
    bandwidth_hz : float
        Of the filter, or the statistical one of the (first) sound.
    early, early_with_dry, late : ndarray, shape (limits,)
        Energies on either side of `EARLY_LIMITS_S`.
    outside : float
        Share of the energy that comes from beyond the band edges.
    inside : ndarray, shape (frames,)
        The envelope of what lies between them; empty where little comes from outside.
    """

    rate: float
    middle_s: float
    mean_lead_s: float
    envelope: NDArray[np.float64]
    content: int
    ahead: NDArray[np.float64]
    ahead_with_dry: NDArray[np.float64]
    power: float
    lead: float
    bandwidth_hz: float
    early: NDArray[np.float64]
    early_with_dry: NDArray[np.float64]
    late: NDArray[np.float64]
    outside: float = 0.0
    inside: NDArray[np.float64] = field(default_factory=lambda: _NONE)


@frozen_class
class SoundEnergies:
    """A sound, or a weighted sum of independent sounds, as energies.

    Attributes
    ----------
    onset : int
        First frame within 20 dB of the peak, the earliest over the parts.
    broadband : ndarray, shape (frames,)
        Energy of the wet per frame.
    impulse, meeting : float
        Energy of the dry impulse, and what it adds where it meets the wet in frame 0 (amplitudes add there).
    bands : mapping
        Filter → energies; bands above half the sample rate are missing.
    dropped : ndarray, shape (frames,)
        Energy per frame of what was dropped ahead of the onset.
    problem : str or None
        Why nothing can be measured.
    """

    sample_rate: float
    onset: int
    broadband: NDArray[np.float64]
    impulse: float
    meeting: float
    bands: Mapping[Filter, BandEnergies] = field(default_factory=dict)
    problem: str | None = None
    dropped: NDArray[np.float64] = field(default_factory=lambda: _NONE)

    @property
    def has_dry(self) -> bool:
        """Whether a dry impulse is in."""
        return self.impulse > 0.0


def broadband_energies(
    planar: NDArray[np.float64], heights: NDArray[np.float64] | None, *, sample_rate: float
) -> SoundEnergies:
    """Energies of a sound (channels, frames) without bands: enough for its broadband decay curve."""
    impulse = float(np.sum(heights**2)) if heights is not None else 0.0
    problem = _unusable(planar, sample_rate)
    if problem is not None and not (planar.size and np.isfinite(planar).all()):
        return SoundEnergies(sample_rate, 0, np.zeros(planar.shape[1]), impulse, 0.0, problem=problem)
    planar = without_offset(planar, sample_rate)
    onset = find_onset(planar.T)
    if problem is None and onset is None:
        problem = "the response contains only a constant (DC)"
    meeting = 2.0 * float(np.dot(heights, planar[:, 0])) if heights is not None and planar.size else 0.0
    energy = np.einsum("cf,cf->f", planar, planar)
    return SoundEnergies(sample_rate, onset or 0, energy, impulse, meeting, problem=problem)


def energies_of(
    planar: NDArray[np.float64],
    heights: NDArray[np.float64] | None,
    *,
    sample_rate: float,
    filters: Sequence[Filter],
    frames: int | None = None,
) -> SoundEnergies:
    """Energies of a sound per band.

    Parameters
    ----------
    planar : ndarray, shape (channels, frames)
    heights : ndarray, shape (channels,), or None
        Dry impulse in frame 0 of each channel.
    frames : int, optional
        Length to count the sound as; sounds that are to be added need the same.
    """
    if frames is not None and frames > planar.shape[1]:
        planar = np.pad(planar, ((0, 0), (0, frames - planar.shape[1])))
    sound = broadband_energies(planar, heights, sample_rate=sample_rate)
    # a dry impulse with nothing wet behind it still counts in a sum
    impulse_only = sound.problem == SILENT and sound.has_dry and planar.shape[1] > 0
    if sound.problem is not None and not impulse_only:
        return sound
    return _with_bands(sound, without_offset(planar, sample_rate), heights, filters)


def channel_energies(
    samples: NDArray[np.float64], *, sample_rate: float, filters: Sequence[Filter]
) -> SoundEnergies:
    """Energies of one channel, shape (frames,), from its own onset on; what comes before is dropped."""
    column = np.ascontiguousarray(samples)[None]
    peak = float(np.max(np.abs(column), initial=0.0))
    if 0.0 < peak < np.inf:  # by a power of two, which changes no figure and keeps squares in range
        column = np.ldexp(column, -int(np.frexp(peak)[1]))
    whole = broadband_energies(column, None, sample_rate=sample_rate)
    if whole.problem is not None:
        return whole
    end = whole.onset + round(_LONGEST_S * sample_rate)
    column = without_offset(column, sample_rate)[:, whole.onset : end]
    problem = _unusable(column, sample_rate)
    sound = SoundEnergies(
        sample_rate,
        0,
        whole.broadband[whole.onset : end],
        0.0,
        0.0,
        problem=problem,
        dropped=whole.broadband[: whole.onset],
    )
    return sound if problem is not None else _with_bands(sound, column, None, filters)


def _with_bands(
    sound: SoundEnergies,
    planar: NDArray[np.float64],
    heights: NDArray[np.float64] | None,
    filters: Sequence[Filter],
) -> SoundEnergies:
    """Add the bands to a sound that can be measured."""
    sample_rate = sound.sample_rate
    usable = tuple(look for look in filters if look.top_hz(sample_rate) is not None)
    if not usable:
        return sound
    count = planar.shape[1]
    workers = 2 if planar.shape[0] > 1 and planar.size >= _THREADS_FROM else 1
    length = transform_length(count, sample_rate=sample_rate, filters=usable)
    transform = _Transform(to_spectrum(planar, length, workers=workers), length, sample_rate, workers)
    filtered = {
        look: _filtered(transform, look, heights=heights, count=count) for look in usable if look != BROADBAND
    }
    bands = {look: each.band for look, each in filtered.items()}
    if BROADBAND in usable:
        width = statistical_bandwidth(power_sums(transform.spectrum), sample_rate / length)
        bands[BROADBAND] = _unfiltered(sound, width)
    shares = {look: each.shares for look, each in filtered.items()}
    for look in leaking_bands(bands, shares, onset_s=sound.onset / sample_rate):
        each = filtered[look]
        within = inside_envelope(
            transform.spectrum,
            length=length,
            sample_rate=sample_rate,
            look=look,
            kernel=each.kernel,
            workers=workers,
        )
        bands[look] = replace(bands[look], inside=power_sums(within, each.group))
    del transform
    split = split_energies(
        planar,
        dry=heights,
        sample_rate=sample_rate,
        filters=usable,
        totals=np.array([bands[look].envelope.sum() for look in usable]),
    )
    bands = {
        look: replace(
            bands[look],
            early=split.early[:, index],
            early_with_dry=split.early_with_dry[:, index],
            late=split.late[:, index],
        )
        for index, look in enumerate(usable)
    }
    return replace(sound, bands=bands)


class _Transform(NamedTuple):
    """A sound's spectrum, and what was transformed."""

    spectrum: NDArray[np.complex128]
    length: int
    sample_rate: float
    workers: int


class _Filtered(NamedTuple):
    """A band with its kernel, kernel frames in one of the envelope, and shares from below and above."""

    band: BandEnergies
    kernel: BandKernel
    group: int
    shares: tuple[float, float]


def _filtered(
    transform: _Transform, look: Filter, *, heights: NDArray[np.float64] | None, count: int
) -> _Filtered:
    """One band of a sound of `count` frames, early and late not split yet."""
    rate = transform.sample_rate
    band = band_envelopes(
        transform.spectrum,
        length=transform.length,
        sample_rate=rate,
        look=look,
        workers=transform.workers,
    )
    kernel = band.kernel
    group = frames_added(kernel.rate, kernel.length)
    content = min(kernel.length // group, int(np.ceil(count / rate * kernel.rate / group)))
    envelope = power_sums(band.envelope, group)
    ahead = ahead_with_dry = envelope[content:]
    if heights is not None:
        first = content * group
        ahead_with_dry = power_sums(band.envelope[:, first:] + heights[:, None] * kernel.pulse[first:], group)
    energies = BandEnergies(
        rate=kernel.rate / group,
        middle_s=0.5 * (group - 1) / kernel.rate,
        mean_lead_s=kernel.mean_lead_s,
        envelope=envelope,
        content=content,
        ahead=ahead,
        ahead_with_dry=ahead_with_dry,
        power=band.power,
        lead=band.power * band.lead_s,
        bandwidth_hz=band.bandwidth_hz,
        early=_NONE,
        early_with_dry=_NONE,
        late=_NONE,
        outside=band.below + band.above,
    )
    return _Filtered(energies, kernel, group, (band.below, band.above))


def leaking_bands(
    bands: Mapping[Filter, BandEnergies], shares: Mapping[Filter, tuple[float, float]], *, onset_s: float
) -> list[BandPass]:
    """Bands in which neighbours count: by their share, or by what they do to the curve as they decay."""
    passes = sorted(
        (look for look in shares if isinstance(look, BandPass)),
        key=lambda look: (look.fraction, look.centre_hz),
    )
    curves = {look: _left_over(bands[look], onset_s) for look in passes}
    found: list[BandPass] = []
    for place, look in enumerate(passes):
        own, rate = curves[look], bands[look].rate
        if not own.size:
            continue
        frames = np.array([int(np.argmax(own < level)) for level in _LEAK_LEVELS])
        level = own[frames]
        shift = np.zeros(frames.size)
        for share, neighbour in zip(shares[look], (place - 1, place + 1), strict=True):
            beside = passes[neighbour] if 0 <= neighbour < len(passes) else None
            if beside is None or beside.fraction != look.fraction or not curves[beside].size:
                continue
            other = curves[beside]
            at = np.round(frames / rate * bands[beside].rate).astype(np.int64)
            shift += share * (other[np.minimum(at, other.size - 1)] / level - 1.0)
        if sum(shares[look]) > _LEAK_LOOKED_AT or float(np.abs(shift).max()) > _LEAK_SHIFT:
            found.append(look)
    return found


def _left_over(band: BandEnergies, onset_s: float) -> NDArray[np.float64]:
    """Share of the energy from the onset on that is still to come, noise and all; empty for silence."""
    energy = band.envelope[round(onset_s * band.rate) : band.content]
    left = np.cumsum(energy[::-1])[::-1]
    return left / left[0] if left.size and left[0] > 0.0 else _NONE


def _unfiltered(sound: SoundEnergies, bandwidth_hz: float) -> BandEnergies:
    """Band of everything: no filter, so nothing ahead of the sound."""
    group = frames_added(sound.sample_rate, 0)
    frames = sound.broadband
    padded = np.concatenate([frames, np.zeros(-frames.size % group)])
    return BandEnergies(
        rate=sound.sample_rate / group,
        middle_s=0.5 * (group - 1) / sound.sample_rate,
        mean_lead_s=0.0,
        envelope=padded.reshape(-1, group).sum(axis=1),
        content=padded.size // group,
        ahead=_NONE,
        ahead_with_dry=_NONE,
        power=float(frames.sum()),
        lead=0.0,
        bandwidth_hz=bandwidth_hz,
        early=_NONE,
        early_with_dry=_NONE,
        late=_NONE,
    )


def frames_added(rate: float, length: int) -> int:
    """Neighbouring frames to add up: that loses nothing but time resolution no figure needs."""
    group = 1
    while rate >= 2.0 * group * _LEAST_RATE and length % (2 * group) == 0:
        group *= 2
    return group


def add_energies(parts: Sequence[tuple[SoundEnergies, float]]) -> SoundEnergies:
    """Sum of independent sounds with power weights; all of one length and rate, at least one.

    Sounds that cannot be measured are left out as long as one can; of a silent one the dry impulse counts.
    """
    sounding = [(sound, weight) for sound, weight in parts if sound.problem is None] or list(parts[:1])
    dry_only = [(s, w) for s, w in parts if s.problem == SILENT and s.has_dry and s is not sounding[0][0]]
    counted = sounding + dry_only
    first, first_weight = counted[0]
    if len(counted) == 1 and first_weight == 1.0:
        return first

    def total(values: Sequence[tuple[NDArray[np.float64], float]]) -> NDArray[np.float64]:
        result = values[0][0] * values[0][1]
        for value, weight in values[1:]:
            result += weight * value
        return result

    bands = {
        look: BandEnergies(
            rate=band.rate,
            middle_s=band.middle_s,
            mean_lead_s=band.mean_lead_s,
            content=band.content,
            power=sum(w * s.bands[look].power for s, w in counted),
            lead=sum(w * s.bands[look].lead for s, w in counted),
            bandwidth_hz=band.bandwidth_hz,
            outside=_mean_outside([(s.bands[look], w) for s, w in counted]),
            inside=_total_inside([(s.bands[look], w) for s, w in counted]),
            **{
                name: total([(getattr(s.bands[look], name), w) for s, w in counted])
                for name in ("envelope", "ahead", "ahead_with_dry", "early", "early_with_dry", "late")
            },
        )
        for look, band in first.bands.items()
    }
    return SoundEnergies(
        sample_rate=first.sample_rate,
        onset=min(sound.onset for sound, _weight in sounding),
        broadband=total([(sound.broadband, weight) for sound, weight in counted]),
        impulse=sum(weight * sound.impulse for sound, weight in counted),
        meeting=sum(weight * sound.meeting for sound, weight in counted),
        bands=bands,
        problem=first.problem,
    )


def _mean_outside(parts: Sequence[tuple[BandEnergies, float]]) -> float:
    """Share from outside of a sum."""
    whole = sum(weight * band.power for band, weight in parts)
    return sum(weight * band.power * band.outside for band, weight in parts) / whole if whole > 0.0 else 0.0


def _total_inside(parts: Sequence[tuple[BandEnergies, float]]) -> NDArray[np.float64]:
    """Sum of what lies inside; of a part whose inside was not looked at, its envelope's share."""
    if not any(band.inside.size for band, _weight in parts):
        return _NONE
    return sum(
        (weight * (band.inside if band.inside.size else (1.0 - band.outside) * band.envelope))
        for band, weight in parts
    ) + np.zeros(parts[0][0].envelope.size)


def _unusable(planar: NDArray[np.float64], sample_rate: float) -> str | None:
    """Why nothing can be measured, or None."""
    if planar.shape[0] == 0:
        return "the response has no channel"
    if planar.size and not np.isfinite(planar).all():
        return "the response contains values that are not numbers"
    if not planar.any():
        return SILENT
    if planar.shape[1] < _LEAST_S * sample_rate:
        return f"the response is only {1000 * planar.shape[1] / sample_rate:.1f} ms long"
    return None


def without_offset(planar: NDArray[np.float64], sample_rate: float) -> NDArray[np.float64]:
    """Remove a constant that makes up more than a quarter of the power of the sound's last quarter.

    It must be as strong in both halves of that quarter: a decay without a carrier is no offset. Not done: an
    offset that wanders is taken for its mean, and what is left shapes the figures of bands below 125 Hz.
    """
    result = planar
    for channel in range(planar.shape[0]):
        sounding = planar[channel] != 0.0
        first, last = int(np.argmax(sounding)), sounding.size - int(np.argmax(sounding[::-1]))
        half = (last - first) // 8
        if half < _LEAST_OFFSET_S * sample_rate:
            continue
        earlier, later = planar[channel, last - 2 * half : last - half], planar[channel, last - half : last]
        mean = 0.5 * float(earlier.mean() + later.mean())
        steady = abs(float(earlier.mean()) - mean) < _STEADY * abs(mean)
        if steady and mean * mean > 0.25 * float(np.mean(later * later)):
            result = planar.copy() if result is planar else result
            result[channel, first:last] -= mean
    return result
