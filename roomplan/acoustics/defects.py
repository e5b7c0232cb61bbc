"""What is wrong with a response as a recording: clipping, drop-outs, and a doubtful beginning.

Conventions
-----------
One channel, shape (frames,), float64, full scale 1.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.noise import block_powers, median

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = [
    "CLIPPED_RUN",
    "doubtful_beginning",
    "find_clipping",
    "find_drop_out",
    "find_flat_tops",
    "share_ahead",
    "swelling_beginning",
]

# An undistorted wave below half the sample rate does not stand still: three equal samples at full scale mean
# that the converter or the export ran out of numbers. 0.999 leaves room for formats that end at 1 - 2⁻¹⁵.
CLIPPED_RUN = 3
_CLIPPED_LEVEL = 0.999

_FINE = 2048.0  # steps to full scale of 12 bits
_STEEP = 0.01  # of the peak: a crest falls by less within a sample, the side of a flat top by more

_HALF = 10.0 ** (-6.0 / 20.0)  # an arrival within 6 dB of the loudest counts as the loud one
_WAIT_S = 0.02
_PULSE_S = 0.001
# common practice, no source: power between a first sound and the loud one, under the peak's; a diffuse field
# that builds up stays above it, a precursor, an echo or a noise in front of the response falls below
_EMPTY = 10.0 ** (-26.0 / 10.0)

# the project's own limits: no 10 ms of early reflections are four times as strong as the direct sound's
_SWELL_BLOCK_S = 0.01
_SWELL_LONGEST_S = 0.2
_SWELL = 4.0

# What is around it makes a drop-out another thing than a gap between early reflections: 8 ms of dense sound
# on either side, 26 dB over all of it, and edges of a millisecond (the project's own limits).
_BLOCK_S = 0.001
_DENSE_BLOCKS = 8
_FEWEST_BLOCKS = 3
_DROPPED = 10.0 ** (-26.0 / 10.0)
_STEPS = 4.0  # the sound around moves by this many of its own smallest steps: not the last bits of a decay
_FAR_DOWN = 1e-7  # power: what is 70 dB down shapes no figure


def find_clipping(samples: NDArray[np.float64]) -> int | None:
    """First frame of a run of three or more equal samples at full scale, None without one."""
    if len(samples) < CLIPPED_RUN:
        return None
    full = np.abs(samples) >= _CLIPPED_LEVEL
    if not full.any():
        return None
    equal = full[1:] & (samples[1:] == samples[:-1])
    run = np.convolve(equal, np.ones(CLIPPED_RUN - 1), mode="valid") >= CLIPPED_RUN - 1
    found = np.flatnonzero(run)
    return int(found[0]) if len(found) else None


def find_flat_tops(samples: NDArray[np.float64]) -> int | None:
    """First of three or more samples that share the highest or the lowest value, None without them.

    Notes
    -----
    A decay comes to its highest value once: where it does so again, it was clipped, whatever its level now.
    A crest that rounding makes flat is left alone: it is one run with slopes beside it. Samples of fewer than
    12 bits are not judged.
    """
    peak = float(np.max(np.abs(samples), initial=0.0))
    if not 0.0 < peak < np.inf:
        return None
    if float(np.min(np.abs(samples), where=samples != 0.0, initial=np.inf)) > peak / _FINE:
        return None
    found = []
    for limit in (float(samples.max()), float(samples.min())):
        if abs(limit) < 0.5 * peak:
            continue
        at = np.flatnonzero(samples == limit)
        if at.size < CLIPPED_RUN:
            continue
        beside = samples[[max(0, at[0] - 1), min(len(samples) - 1, at[-1] + 1)]]
        if at[-1] - at[0] >= at.size or np.min(np.abs(beside - limit)) > _STEEP * peak:
            found.append(int(at[0]))
    return min(found, default=None)


def doubtful_beginning(magnitude: NDArray[np.float64], *, sample_rate: float) -> str | None:
    """Why it is open whether the onset is the direct sound, or None.

    Parameters
    ----------
    magnitude : ndarray, shape (frames,)
        Absolute values from the onset on, which is the first frame within 20 dB of the peak.

    Notes
    -----
    True where more than 20 ms of near silence lie between the onset and the first sample within 6 dB of the
    peak: what came first may be the direct sound with a louder reflection behind it, or a precursor, or the
    noise ahead of the response. ISO 3382-1 takes the first; nobody can tell from the file.
    """
    if magnitude.size == 0:
        return None
    peak = float(magnitude.max())
    if not 0.0 < peak < np.inf:
        return None
    magnitude = magnitude / peak
    loud = int(np.argmax(magnitude >= _HALF))
    if loud < _WAIT_S * sample_rate:
        return None
    pulse = max(1, round(_PULSE_S * sample_rate))
    between = magnitude[pulse : loud - pulse]
    if between.size == 0 or float(np.mean(between * between)) > _EMPTY:
        return None
    first_db = 20.0 * np.log10(float(magnitude[:pulse].max()))
    return (
        f"a sound {-first_db:.0f} dB under the loudest and {1000 * loud / sample_rate:.0f} ms ahead of it "
        "was taken as the direct sound"
    )


def swelling_beginning(energy: NDArray[np.float64], *, sample_rate: float) -> str | None:
    """Why it is open whether a sound that swells begins with the direct sound, or None.

    Parameters
    ----------
    energy : ndarray, shape (frames,)
        Energy per frame from the onset on.

    Notes
    -----
    A direct sound is there at once. Where 10 ms out of the next 20 to 200 ms are 6 dB over the first 10 ms,
    what came first is a precursor, or what is loud is no part of the response.
    """
    width = max(1, round(_SWELL_BLOCK_S * sample_rate))
    count = min(energy.size, round(_SWELL_LONGEST_S * sample_rate)) // width
    first = round(_WAIT_S / _SWELL_BLOCK_S)
    if count <= first:
        return None
    power = block_powers(energy[: count * width], width)
    loudest = first + int(np.argmax(power[first:]))
    before = float(power[0])
    if not power[loudest] > _SWELL * before > 0.0:
        return None
    rise_db = 10.0 * np.log10(float(power[loudest]) / before)
    at_ms = 1000.0 * loudest * _SWELL_BLOCK_S
    return (
        f"the sound swells by {rise_db:.0f} dB within {at_ms:.0f} ms of its onset: is that the direct sound?"
    )


def find_drop_out(samples: NDArray[np.float64], *, sample_rate: float) -> tuple[float, float] | None:
    """Time and length in seconds of the first stretch in which the sound is missing, None without one.

    Parameters
    ----------
    samples : ndarray, shape (frames,)
        From the onset on.

    Notes
    -----
    A sample that is held is missing sound as well as a run of zeros, and so is what a converter leaves of
    zeros: what counts is that the wave hardly moves, 26 dB under its steps on both sides. Not found: less
    than 4 ms, a stretch within 9 ms of the onset, and one that fades in or out.
    """
    width = max(8, round(_BLOCK_S * sample_rate))
    steps = np.diff(samples)
    count = steps.size // width
    if count < 2 * _DENSE_BLOCKS + _FEWEST_BLOCKS + 2:
        return None
    power = block_powers(steps * steps, width)
    loudest = float(power.max())
    if not 0.0 < loudest < np.inf:
        return None
    dense = np.lib.stride_tricks.sliding_window_view(power, _DENSE_BLOCKS).min(axis=1)  # of blocks i to i + 7
    # from block i to i + 7, then one that may be cut in two, then the first that is empty
    first = np.arange(_DENSE_BLOCKS + 1, count)
    before = dense[first - _DENSE_BLOCKS - 1]
    silent = (power[first] < _DROPPED * before) & (before > _FAR_DOWN * loudest)
    for begin, level in zip(first[silent], before[silent], strict=True):
        sounding = np.flatnonzero(power[begin:] >= _DROPPED * level)
        if sounding.size == 0 or sounding[0] < _FEWEST_BLOCKS:
            continue
        end = begin + int(sounding[0])
        # the last empty block may hold the edge
        # the median: what a converter leaves of the sound falls as that does
        if end + 1 >= dense.size or median(power[begin : end - 1]) >= _DROPPED * dense[end + 1]:
            continue
        around = steps[(begin - _DENSE_BLOCKS - 1) * width : (end + 1 + _DENSE_BLOCKS) * width]
        smallest = float(np.min(np.abs(around), where=around != 0.0, initial=np.inf))
        if min(level, float(dense[end + 1])) > (_STEPS * smallest) ** 2:
            return float(begin * width / sample_rate), float((end - begin) * width / sample_rate)
    return None


def share_ahead(dropped: NDArray[np.float64], kept: NDArray[np.float64], *, noise_power: float) -> float:
    """Share of a sound's energy that lies ahead of what was taken for its onset, 0 to 1.

    Parameters
    ----------
    dropped, kept : ndarray, shape (frames,)
        Energy per frame ahead of the onset and from it on.
    noise_power : float
        Steady noise per frame, which is no part of the sound.
    """
    ahead = float(dropped.sum()) - noise_power * dropped.size
    behind = float(kept.sum()) - noise_power * kept.size
    return ahead / (ahead + behind) if ahead > 0.0 and behind > 0.0 else 0.0
