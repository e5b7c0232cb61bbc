"""What is done to a response's samples: its direct sound, its tail, its cuts.

Conventions
-----------
Arrays are (frames, channels), float64; frame 0 is time 0 unless a function says otherwise. Fades are raised
cosines. Nothing here reads files or knows plans.

Sources
-------
Onset: first sample within 20 dB of the peak, ISO 3382-1:2009 (by `roomplan.acoustics`). Truncation at the
noise floor: Lundeby et al., Acustica 81 (1995) (by `roomplan.acoustics`).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.direct_sound import find_onset
from roomplan.acoustics.noise import find_truncation
from roomplan.butterworth import high_pass, low_pass
from roomplan.scipy_kernels import lfilter

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from roomplan.acoustics.direct_sound import DirectSound

    Array = NDArray[np.float64]

__all__ = [
    "apply_cuts",
    "fade",
    "find_knee",
    "is_emptied",
    "onset_s",
    "remove_direct",
    "ringing_frames",
    "trim_tail",
]

DIRECT_FADE_S = 0.001
TAIL_FADE_S = 0.02
TAIL_DB = -100.0
# Energy left after the direct sound is taken away, relative to before, under which nothing is left. At 0.3 m
# from a source in a hall of 20 000 m³ with T = 2 s the reflections are still at −26 dB (Barron's theory).
EMPTY_DB = -80.0
RING_OUT_DB = -120.0  # cuts ring until they are this far down, under the engine's float32 rounding
BUTTERWORTH_ORDER = 2


def fade(frames: int) -> Array:
    """Raised-cosine gain, shape (frames,), rising from above 0 to below 1."""
    return 0.5 - 0.5 * np.cos(math.pi * (np.arange(frames) + 0.5) / max(frames, 1))


def remove_direct(samples: Array, direct: DirectSound, *, sample_rate: int) -> Array:
    """Take the direct sound away and leave everything else where it is.

    Parameters
    ----------
    samples : ndarray, shape (frames, channels)
        In the frames `direct` counts in.
    sample_rate : int
        Hz.

    Returns
    -------
    ndarray, shape (frames, channels)
        Faded out within the millisecond before the onset, silent, and faded in within the last millisecond
        (at most half the time) before the first reflection, which is whole.
    """
    window = np.ones(len(samples))
    start, end = min(direct.onset, len(samples)), min(direct.end, len(samples))
    longest = round(DIRECT_FADE_S * sample_rate)
    before, back = min(longest, start), min(longest, (end - start) // 2)
    window[start - before : start] = fade(before)[::-1]
    window[start:end] = 0.0
    window[end - back : end] = fade(back)
    return samples * window[:, None]


def is_emptied(before: Array, after: Array) -> bool:
    """Tell whether taking the direct sound away left nothing."""
    return float(np.sum(after * after)) <= 10.0 ** (EMPTY_DB / 10.0) * float(np.sum(before * before))


def onset_s(samples: Array, *, sample_rate: int) -> float:
    """Time of the first sample within 20 dB of the peak, earliest over channels; 0.0 for silence."""
    return (find_onset(samples) or 0) / sample_rate


def find_knee(samples: Array, *, sample_rate: int) -> int | None:
    """Frame at which the decay meets a stationary noise floor; None where it does not."""
    found = find_truncation(np.sum(samples * samples, axis=1), sample_rate=sample_rate)
    return found.crosspoint if found.ends_in_noise else None


def trim_tail(samples: Array, *, sample_rate: int, knee: int | None) -> Array:
    """End a response at its noise floor or 100 dB down, whichever is first, with a fade.

    Parameters
    ----------
    samples : ndarray, shape (frames, channels)
    sample_rate : int
        Hz.
    knee : int or None
        From `find_knee`.

    Returns
    -------
    ndarray, shape (frames', channels)
        At most as long; a fade of 20 ms follows the cut.

    Notes
    -----
    100 dB down means that all that follows holds 10⁻¹⁰ of the response's energy, channels summed.
    """
    energy = np.sum(samples * samples, axis=1)
    following = np.cumsum(energy[::-1])[::-1]
    limit = 10.0 ** (TAIL_DB / 10.0) * following[0]
    end = int(np.count_nonzero(following > limit))
    if knee is not None:
        end = min(end, knee)
    end = max(end, 1)
    if end == len(samples):
        return samples
    # The fade is behind the cut: before it, it would eat the last sound of a short response.
    trimmed = samples[: end + round(TAIL_FADE_S * sample_rate)].copy()
    trimmed[end:] *= fade(len(trimmed) - end)[::-1, None]
    return trimmed


def apply_cuts(
    samples: Array, *, sample_rate: int, low_cut_hz: float | None, high_cut_hz: float | None
) -> Array:
    """Second-order Butterworth high-pass and low-pass, 12 dB per octave each.

    Parameters
    ----------
    samples : ndarray, shape (frames, channels)
    sample_rate : int
        Hz.
    low_cut_hz, high_cut_hz : float or None
        Frequencies at −3 dB; None or 0 leaves the cut out; so does a cut
        from half the sample rate on.

    Returns
    -------
    ndarray, shape (frames', channels), float64
        Longer by the time the filters ring, to −120 dB; the input itself when there is nothing to cut.

    Notes
    -----
    Bilinear, with the −3 dB frequency exact. Minimum phase: the onset stays where it is.
    """
    kinds = ((high_pass, low_cut_hz), (low_pass, high_cut_hz))
    cuts = [(design, cut) for design, cut in kinds if cut and cut < sample_rate / 2.0]
    if not cuts:
        return samples
    ring = ringing_frames(sample_rate=sample_rate, low_cut_hz=low_cut_hz, high_cut_hz=high_cut_hz)
    result = np.ascontiguousarray(np.pad(samples, ((0, ring), (0, 0))).T)
    for design, cut in cuts:
        (section,) = design(BUTTERWORTH_ORDER, cut, sample_rate=sample_rate)
        result, _memory = lfilter(section[:3], section[3:], result, zi=np.zeros((len(result), 2)))
    return np.ascontiguousarray(result.T)


def ringing_frames(*, sample_rate: int, low_cut_hz: float | None, high_cut_hz: float | None) -> int:
    """Frames by which `apply_cuts` makes a response longer."""
    cuts = [cut for cut in (low_cut_hz, high_cut_hz) if cut and cut < sample_rate / 2.0]
    if not cuts:
        return 0
    # Poles at ω/√2 from the imaginary axis: e^(−ωt/√2).
    slowest = 2.0 * math.pi * min(cuts) / math.sqrt(2.0)
    return math.ceil(-RING_OUT_DB / 20.0 * math.log(10.0) / slowest * sample_rate)
