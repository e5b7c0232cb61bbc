"""Where a response begins, where its direct sound ends, and whether there is one at all.

Conventions
-----------
Arrays are (frames, channels); onsets and ends are frame numbers, an end is exclusive.

Sources
-------
ISO 3382-1:2009, 5.3.2 (in practice, from memory of its wording): a response starts where it first comes
within 20 dB of its maximum. The window of 5 ms and the prominence thresholds are this project's own, see
`find_direct_sound`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.checks import validate_rate, validate_response
from roomplan.acoustics.transforms import inner
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["DirectSound", "find_direct_sound", "find_onset"]

_ONSET_BELOW_PEAK = 10.0 ** (-20.0 / 20.0)  # ISO 3382-1: 20 dB under the maximum
# a channel this far under the loudest holds leakage or noise: it sets no onset
_QUIET_CHANNEL = 10.0 ** (-30.0 / 20.0)
_LONGEST_S = 0.005  # a direct sound and its ringing; a reflection within it is cut along with it
_PULSE_S = 0.001  # from the first sample within 20 dB to the crest of a band-limited pulse
# a reflection lifts the envelope by 10 dB from the valley behind the direct sound …
_RISE = 10.0 ** (10.0 / 20.0)
_REFLECTION_FLOOR = 10.0 ** (-20.0 / 20.0)  # … to within 20 dB of the direct sound
_SMOOTH_S = 0.00025
_FIELD_S = 2.0  # the part of the response taken as its reverberant field

PROMINENT_DB = 13.0
"""Crest of the direct sound over the reverberant field's mean power at its start that counts by itself."""

PROMINENT_WITH_GAP_DB = 6.0
"""The same where a gap follows the arrival."""

GAP_DB = 10.0
"""Depth of that gap under the reverberant field."""

_GAP_WINDOW_S = 0.003
_GAP_SEARCH_S = 0.02


@frozen_class
class DirectSound:
    """The direct sound of a response.

    Attributes
    ----------
    onset : int
        First frame within 20 dB of the peak, the earliest over the channels.
    end : int
        Frame at which the first reflection starts, at most 5 ms after `onset`.
    stands_out : bool
        Whether the arrival is prominent enough to be called a direct sound.
    prominence_db : float
        Crest of the arrival over the mean power with which the reverberant field starts, in dB.
    """

    onset: int
    end: int
    stands_out: bool
    prominence_db: float


def find_onset(response: ArrayLike) -> int | None:
    """First frame within 20 dB of its channel's peak, the earliest over channels; None for silence.

    Parameters
    ----------
    response : array_like, shape (frames, channels)
        Samples. Polarity does not matter.

    Notes
    -----
    Channels whose peak is more than 30 dB under the loudest channel's are passed over. A precursor or a
    noise more than 20 dB under the peak is not taken for the onset; one within 20 dB is, as the standard
    says. Not done: no interpolation between samples.
    """
    onsets = _channel_onsets(np.abs(validate_response(response)))
    return int(onsets.min(initial=_NEVER)) if (onsets < _NEVER).any() else None


def find_direct_sound(response: ArrayLike, *, sample_rate: float) -> DirectSound:
    """Find the direct sound: where it starts, where it ends, and whether it stands out.

    Parameters
    ----------
    response : array_like, shape (frames, channels)
        Samples.
    sample_rate : float
        In hertz.

    Returns
    -------
    DirectSound
        For silence or NaN: onset and end 0, `stands_out` false, prominence -inf.

    Raises
    ------
    RoomplanError
        For a wrong shape or rate.

    Notes
    -----
    The end is the first reflection in any channel, but not before the direct sound has reached every channel
    whose own onset lies within 5 ms of the first: the arrival at a spaced second microphone is part of the
    direct sound. It is never more than 5 ms after `onset`. A reflection starts where the envelope, having
    fallen, rises by 10 dB to within 20 dB of the direct sound's crest.

    Prominence compares the crest of the first millisecond with p0 = E / Ts, the power at which an ideal
    exponential decay of the later sound's energy and centre time starts. It stands out from 13 dB (the
    crest of Gaussian noise over 1 ms at 48 kHz is 8 dB ± 2 dB over its mean power), or from 6 dB if within
    20 ms a gap of at least 3 ms lies 10 dB under p0, which a diffuse field does not have. Of a response
    with T = 2 s at 48 kHz that is a single impulse 25 dB under the reverberant energy.

    Not done: a direct sound weaker than the noise ahead of it, or one more than 20 dB under a later
    reflection, is not found.
    """
    samples = validate_response(response)
    validate_rate(sample_rate)
    magnitude = np.abs(samples)
    onsets = _channel_onsets(magnitude)
    if not (onsets < _NEVER).any():
        return DirectSound(0, 0, False, -np.inf)
    onset = int(onsets.min())
    longest = max(1, round(_LONGEST_S * sample_rate))
    limit = min(onset + longest, samples.shape[0])
    first_reflection, arrived = limit, onset + 1
    prominence = -np.inf
    stands_out = False
    for channel in np.flatnonzero(onsets < limit):
        start = int(onsets[channel])
        reflection = start + _first_reflection(magnitude[start:limit, channel], sample_rate)
        first_reflection = min(first_reflection, reflection)
        arrived = max(arrived, min(reflection, start + max(1, round(_PULSE_S * sample_rate))))
        crest_db, gap_db = _prominence(samples[start:, channel], sample_rate)
        prominence = max(prominence, crest_db)
        stands_out |= crest_db >= PROMINENT_DB or (crest_db >= PROMINENT_WITH_GAP_DB and gap_db >= GAP_DB)
    end = min(max(first_reflection, arrived), limit)
    return DirectSound(onset, end, bool(stands_out), float(prominence))


_NEVER = np.iinfo(np.int64).max


def _channel_onsets(magnitude: NDArray[np.float64]) -> NDArray[np.int64]:
    """Onset of each channel, `_NEVER` for channels that are silent, not finite or far under the loudest."""
    frames, channels = magnitude.shape
    onsets = np.full(channels, _NEVER, dtype=np.int64)
    if frames == 0 or channels == 0:
        return onsets
    peaks = magnitude.max(axis=0)
    if not np.isfinite(peaks).all():
        return onsets
    for channel in np.flatnonzero((peaks > 0.0) & (peaks >= _QUIET_CHANNEL * peaks.max())):
        onsets[channel] = int(np.argmax(magnitude[:, channel] >= _ONSET_BELOW_PEAK * peaks[channel]))
    return onsets


def _first_reflection(magnitude: NDArray[np.float64], sample_rate: float) -> int:
    """Frames from the onset to the first reflection, or the length of `magnitude` without one."""
    frames = magnitude.size
    crest = int(np.argmax(magnitude[: max(1, round(_PULSE_S * sample_rate))]))
    width = max(1, round(_SMOOTH_S * sample_rate))
    padded = np.concatenate([magnitude, np.zeros(width - 1)])
    envelope = np.lib.stride_tricks.sliding_window_view(padded, width).max(axis=1)  # looks ahead by `width`
    after = envelope[crest + 1 :]
    if after.size == 0:
        return frames
    floor = _REFLECTION_FLOOR * magnitude[crest]
    valley = np.minimum.accumulate(after)
    risen = np.flatnonzero((after >= _RISE * valley) & (after >= floor))
    # the envelope looks ahead: it rises `width - 1` frames before the reflection's first strong sample
    return min(frames, crest + 1 + int(risen[0]) + width - 1) if risen.size else frames


def _prominence(samples: NDArray[np.float64], sample_rate: float) -> tuple[float, float]:
    """Crest of the first millisecond over the field's starting power, and depth of an early gap, in dB."""
    energy = samples[: round(_FIELD_S * sample_rate)] ** 2
    skip = min(round(_LONGEST_S * sample_rate), energy.size)
    later = energy[skip:]
    total = float(later.sum())
    crest = float(energy[: max(1, round(_PULSE_S * sample_rate))].max())
    if total <= 0.0:
        return np.inf, np.inf
    centre = inner(np.arange(later.size, dtype=np.float64), later) / total + 0.5
    # E / Ts is the power an exponential starts with; brought back over the 5 ms left out (less for tiny Ts)
    field = total / centre * np.exp(min(1.0, skip / centre))
    window = max(1, round(_GAP_WINDOW_S * sample_rate))
    early = energy[round(_PULSE_S * sample_rate) : round((_GAP_SEARCH_S + _GAP_WINDOW_S) * sample_rate)]
    gap = np.inf
    if early.size >= window:
        sums = np.concatenate([[0.0], np.cumsum(early)])
        power = (sums[window:] - sums[:-window]) / window
        # against the field of that moment, not of its start: a fast decay is no gap
        gap = float((power * np.exp(np.arange(power.size) / centre)).min())
    return _db(crest / field), -_db(gap / field) if np.isfinite(gap) else 0.0


def _db(ratio: float) -> float:
    return float(10.0 * np.log10(ratio)) if ratio > 0.0 else -np.inf
