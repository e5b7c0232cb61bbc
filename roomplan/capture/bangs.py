"""The bangs of a recording: claps, balloons and pistols found, judged and ranked.

Conventions
-----------
Samples are (frames, channels), full scale 1; times are seconds from the start of the recording. Limits
without a source are the project's own.

A bang begins where the energy of a millisecond, summed over channels, is 20 dB over the running median and
6 dB over every one of the 50 before it. It lasts until the next begins. Beginnings more than 30 dB under the
loudest are knocks: they end a bang and are none.

Sources
-------
ISO 3382-1:2009, 5.3.3: noise lies 45 dB under the start of a decay from which T30 is read (from memory).

Notes
-----
Not found: a second bang less than 50 ms after the first (a flam), whose rise its first hides.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.band_decay import decay_of_band
from roomplan.acoustics.defects import find_clipping, find_flat_tops
from roomplan.acoustics.direct_sound import find_onset
from roomplan.acoustics.energies import channel_energies
from roomplan.acoustics.filters import BandPass
from roomplan.acoustics.noise import find_truncation

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from roomplan.acoustics.noise import Truncation
    from roomplan.capture.recording import Recording

__all__ = ["RANKED_OCTAVES_HZ", "Bang", "BangFault", "bang_response", "find_bangs", "ranked"]

RANKED_OCTAVES_HZ = (250.0, 500.0, 1000.0, 2000.0, 4000.0)
"""Octaves whose smallest range over the noise ranks a bang."""

LEAD_S = 0.005
"""What a response has ahead of its onset."""

_STEPS_PER_S = 1000  # a step is a millisecond
_OVER_MEDIAN = 10.0 ** (20.0 / 10.0)
_OVER_BEFORE = 10.0 ** (6.0 / 10.0)
_BEFORE_STEPS = 50
_MEDIAN_STEPS = 10_000  # long enough that a long decay does not fill half of it
_MEDIAN_HOP = 1000
_BLOCK_FRAMES = 262_144
_SILENT = 1e-12  # power against the loudest millisecond: below is digital silence, not a background
_DOUBLE_S = 0.5
_DOUBLE_BELOW = 10.0 ** (-20.0 / 10.0)
_ECHO_STEPS = 3  # an echo comes equally late after every bang
_KNOCK_BELOW = 10.0 ** (-30.0 / 10.0)
_LONGEST_S = 30.0
_ENOUGH_RANGE_DB = 45.0
_OVER_OTHERS = 10.0 ** (10.0 / 10.0)  # more than the noise of a room changes between two bangs
_CLIPPED_WITHIN_S = 0.1
_QUIET_CHANNEL = 10.0 ** (-30.0 / 20.0)  # leakage or a dead microphone: it judges no bang
_NOISE_KEPT_S = 0.25  # behind the last octave's end, so that the noise can be measured there


class BangFault(enum.StrEnum):
    """What makes a bang useless."""

    CLIPPED = "clipped"
    DOUBLE = "double"
    CUT_SHORT = "cut_short"


@dataclass(frozen=True, slots=True)
class Bang:
    """One bang of a recording.

    Attributes
    ----------
    first_frame, end_frame : int
        Its stretch of the recording: a little ahead of its onset, to just before the next beginning.
    time_s : float
        Of the onset.
    peak_dbfs : float
        Over all channels.
    range_db : mapping
        Octave in hertz → decay range over the noise in dB, the smallest over the channels that have sound;
        octaves above half the rate are missing.
    faults : frozenset of BangFault
    """

    first_frame: int
    end_frame: int
    time_s: float
    peak_dbfs: float
    range_db: Mapping[float, float]
    faults: frozenset[BangFault]

    @property
    def least_range_db(self) -> float:
        """Smallest range of the octaves by which bangs are ranked."""
        return min(self.range_db.values(), default=0.0)


@dataclass(frozen=True, slots=True)
class _Beginning:
    """First millisecond of a bang, that of a second one shortly after, and the first of the next."""

    step: int
    second: int | None
    end: int


def find_bangs(recording: Recording) -> tuple[Bang, ...]:
    """Find the bangs of a recording, in the order of time, and judge each.

    Notes
    -----
    Held are eight bytes for each millisecond and one bang at a time.
    """
    power = _powers(recording)
    beginnings = _beginnings(power)
    echo = _echo(beginnings)
    judged = [_judged(recording, power, each, echo) for each in beginnings]
    noises = [found.noise_power for bang, found in judged if found.ends_in_noise and not bang.faults]
    noise = min(noises, default=np.inf)
    return tuple(
        replace(bang, faults=bang.faults | {BangFault.CUT_SHORT}) if _ends_over(found, noise) else bang
        for bang, found in judged
    )


def ranked(bangs: Sequence[Bang]) -> tuple[Bang, ...]:
    """Those without a fault, the one with the largest `least_range_db` first."""
    return tuple(sorted((bang for bang in bangs if not bang.faults), key=lambda bang: -bang.least_range_db))


def bang_response(recording: Recording, bang: Bang) -> NDArray[np.float64]:
    """A bang as a response: from `LEAD_S` ahead of its onset to where its last octave ends in the noise.

    Returns
    -------
    ndarray, shape (frames, channels), float64
        At the level of the recording.
    """
    samples = recording.read(bang.first_frame, bang.end_frame - bang.first_frame)
    onset = find_onset(samples) or 0
    lead = round(LEAD_S * recording.sample_rate)
    ahead = np.zeros((max(0, lead - onset), samples.shape[1]))
    return np.concatenate(
        [ahead, samples[max(0, onset - lead) : _noise_begins(samples, recording.sample_rate)]]
    )


def _powers(recording: Recording) -> NDArray[np.float64]:
    """Energy of each whole millisecond, summed over channels."""
    rate = recording.sample_rate
    sums = np.zeros(recording.frames * _STEPS_PER_S // rate + 1)
    for first in range(0, recording.frames, _BLOCK_FRAMES):
        block = recording.read(first, _BLOCK_FRAMES)
        steps = np.arange(first, first + len(block)) * _STEPS_PER_S // rate
        energies = np.bincount(steps - steps[0], np.einsum("fc,fc->f", block, block))
        sums[steps[0] : steps[0] + energies.size] += energies
    return sums


def _beginnings(power: NDArray[np.float64]) -> list[_Beginning]:
    """Where bangs begin, in milliseconds."""
    loudest = float(power.max(initial=0.0))
    if loudest == 0.0:
        return []
    background = np.maximum(_running_median(power), _SILENT * loudest)
    found = (power >= _OVER_MEDIAN * background) & (power >= _OVER_BEFORE * _largest_before(power))
    steps: list[int] = []
    for step in np.flatnonzero(found).tolist():
        if not steps or step - steps[-1] > _BEFORE_STEPS:
            steps.append(step)
    strength = {step: float(power[step : step + _BEFORE_STEPS].max()) for step in steps}
    knock = _KNOCK_BELOW * max(strength.values(), default=0.0)
    result: list[_Beginning] = []
    for place, step in enumerate(steps):
        if result and step < result[-1].end:  # the second beginning of a double one
            continue
        later = steps[place + 1 :]
        near = [other for other in later if other - step <= _DOUBLE_S * _STEPS_PER_S]
        second = next((o for o in near if strength[o] >= _DOUBLE_BELOW * strength[step]), None)
        end = later[len(near)] if len(near) < len(later) else power.size
        if strength[step] >= knock:
            result.append(_Beginning(step, second, end))
    return result


def _running_median(power: NDArray[np.float64]) -> NDArray[np.float64]:
    """Median around each millisecond."""
    half = _MEDIAN_STEPS // 2
    middles = np.arange(0, power.size, _MEDIAN_HOP)
    medians = [float(np.median(power[max(0, middle - half) : middle + half])) for middle in middles]
    return np.interp(np.arange(power.size), middles, medians)


def _largest_before(power: NDArray[np.float64]) -> NDArray[np.float64]:
    """Largest of the `_BEFORE_STEPS` milliseconds before each."""
    padded = np.concatenate([np.zeros(_BEFORE_STEPS), power])
    width = 1
    while width < _BEFORE_STEPS:
        step = min(width, _BEFORE_STEPS - width)
        padded = np.maximum(padded[:-step], padded[step:])
        width += step
    return padded[: power.size]


def _echo(beginnings: Sequence[_Beginning]) -> int | None:
    """Milliseconds after which a second beginning follows all of several bangs: the room's own echo."""
    delays = [each.second - each.step for each in beginnings if each.second is not None]
    if len(beginnings) < 2 or len(delays) < len(beginnings) or max(delays) - min(delays) > _ECHO_STEPS:
        return None
    return round(sum(delays) / len(delays))


def _ends_over(found: Truncation, noise_power: float) -> bool:
    """Whether a bang ends far over the noise that others end in: what it was taken to end in is its decay."""
    return found.noise_power > _OVER_OTHERS * noise_power and found.peak_to_noise_db < _ENOUGH_RANGE_DB


def _judged(
    recording: Recording, power: NDArray[np.float64], beginning: _Beginning, echo: int | None
) -> tuple[Bang, Truncation]:
    rate = recording.sample_rate
    lead = round(2.0 * LEAD_S * rate)
    first = max(0, beginning.step * rate // _STEPS_PER_S - lead)
    end = beginning.end if beginning.end == power.size else beginning.end - 1
    end_frame = min(recording.frames, end * rate // _STEPS_PER_S, first + round(_LONGEST_S * rate))
    samples = recording.read(first, end_frame - first)
    faults = set()
    if beginning.second is not None and echo is None:
        faults.add(BangFault.DOUBLE)
    onset = find_onset(samples) or 0
    loud = samples[: onset + round(_CLIPPED_WITHIN_S * rate)]
    if any(_is_clipped(loud[:, channel]) for channel in range(loud.shape[1])):
        faults.add(BangFault.CLIPPED)
    decay = power[beginning.step : end]
    truncation = find_truncation(decay, sample_rate=float(_STEPS_PER_S))
    if not truncation.ends_in_noise and truncation.peak_to_noise_db < _ENOUGH_RANGE_DB:
        faults.add(BangFault.CUT_SHORT)
    peak = float(np.abs(samples).max(initial=0.0))
    bang = Bang(
        first_frame=first,
        end_frame=end_frame,
        time_s=(first + onset) / rate,
        peak_dbfs=20.0 * float(np.log10(max(peak, 1e-12))),
        range_db=_ranges(samples, rate),
        faults=frozenset(faults),
    )
    return bang, truncation


def _is_clipped(column: NDArray[np.float64]) -> bool:
    return find_clipping(column) is not None or find_flat_tops(column) is not None


def _sounding(samples: NDArray[np.float64]) -> list[int]:
    """Channels that are not far under the loudest."""
    peaks = np.abs(samples).max(axis=0, initial=0.0)
    return np.flatnonzero((peaks > 0.0) & (peaks >= _QUIET_CHANNEL * peaks.max(initial=0.0))).tolist()


def _ranges(samples: NDArray[np.float64], rate: int) -> dict[float, float]:
    octaves = tuple(BandPass(centre) for centre in RANKED_OCTAVES_HZ)
    found: dict[float, float] = {}
    for channel in _sounding(samples):
        sound = channel_energies(samples[:, channel], sample_rate=float(rate), filters=octaves)
        for look in octaves:
            if look in sound.bands:
                reached = decay_of_band(sound, look).decay_range_db
                found[look.centre_hz] = min(reached, found.get(look.centre_hz, reached))
    return found


def _noise_begins(samples: NDArray[np.float64], rate: int) -> int:
    """Frame at which the noise has been reached in every octave, and a little more."""
    octaves = tuple(BandPass(centre) for centre in RANKED_OCTAVES_HZ)
    latest = 0.0
    for channel in _sounding(samples):
        onset = find_onset(samples[:, channel : channel + 1]) or 0
        sound = channel_energies(samples[:, channel], sample_rate=float(rate), filters=octaves)
        for look in sound.bands:
            decay = decay_of_band(sound, look)
            latest = max(latest, onset / rate + decay.truncation.crosspoint / decay.rate)
    return min(len(samples), round((latest + _NOISE_KEPT_S) * rate))
