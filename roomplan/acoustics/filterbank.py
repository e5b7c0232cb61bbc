"""Decimated energy envelopes of a response in bands: the signal path of every band figure.

Conventions
-----------
Inside this module arrays are (channels, frames). A buffer holds the response from frame 0 on and silence
behind it; what a filter run backwards rings ahead of frame 0 wraps round to the buffer's end, so negative
times are its last part.

Symbols: N length of the transform, M length of a band's complex envelope, fs sample rate; the envelope runs
at fs M / N.

The envelope is that of the analytic signal: |y|²/2 has the energy of the band signal without its ripple at
twice the mid-band frequency, and needs a rate of four times mid-band only.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.transforms import inner, inverse
from roomplan.errors import RoomplanError
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from roomplan.acoustics.filters import BandPass, Filter

__all__ = [
    "BandEnvelope",
    "BandKernel",
    "band_envelopes",
    "band_kernel",
    "filter_power_gain",
    "inside_envelope",
    "power_sums",
    "statistical_bandwidth",
    "transform_length",
]


_KEPT_UP_TO = 1_000_000  # frames: kernels of longer transforms are not worth their memory
_STEPS_PER_OCTAVE = 8


@frozen_class
class BandKernel:
    """A band filter sampled for one transform length; arrays are read-only and shared.

    Attributes
    ----------
    gain : ndarray of complex128, shape (bins,)
        Of the filter, times the factor that makes the envelope's energy the band signal's.
    lead_s : ndarray of float64, shape (bins,)
        Time by which the filter is ahead, at each bin.
    mean_lead_s : float
        The same averaged over white noise in the band.
    length : int
        M, frames of the decimated envelope.
    rate : float
        Frames per second of the envelope.
    pulse : ndarray of complex128, shape (length,)
        Envelope of an impulse of height 1 at frame 0.
    edges : tuple of int or None
        First bin inside the band, first one above it.
    """

    gain: NDArray[np.complex128]
    lead_s: NDArray[np.float64]
    mean_lead_s: float
    length: int
    rate: float
    pulse: NDArray[np.complex128]
    edges: tuple[int, int] | None


@frozen_class
class BandEnvelope:
    """One band of a response.

    Attributes
    ----------
    envelope : ndarray of complex128, shape (channels, length)
        Scaled so that the sum of |envelope|² is the energy of the band signal.
    power : float
        Energy of the sound in the band, up to a factor that is the same for all sounds of one length.
    bandwidth_hz : float
        Of the filter, or the statistical one of the sound's own spectrum behind it.
    lead_s : float
        Time by which this sound's energy is ahead of the unfiltered sound's, on average.
    below, above : float
        Shares of the energy that come from beyond the lower and the upper band edge.
    """

    kernel: BandKernel
    envelope: NDArray[np.complex128]
    power: float
    bandwidth_hz: float
    lead_s: float
    below: float
    above: float


def transform_length(frames: int, *, sample_rate: float, filters: Sequence[Filter]) -> int:
    """Length of a transform that holds the response and the longest ringing.

    Eight lengths an octave, all fast ones, so that responses of about one length share their kernels.
    """
    ring = max(look.ring_s for look in filters)
    return coarse_length(frames + int(np.ceil(ring * sample_rate)) + 1)


def coarse_length(least: int) -> int:
    """Smallest m 2^k from `least` on, m from 8 to 15: at most an eighth longer, and fast."""
    step = 1 << max(0, int(least - 1).bit_length() - 4)
    return max(_STEPS_PER_OCTAVE, -(-least // step) * step)


@lru_cache(maxsize=48)  # thirds, speech bands and the whole range of one length
def _kernel(length: int, sample_rate: float, look: Filter) -> BandKernel:
    top = look.top_hz(sample_rate)
    if top is None:
        raise RoomplanError(
            f"the band at {look.label} reaches above half the sample rate of {sample_rate:g} Hz",
            remedy="leave it out",
        )
    spacing = sample_rate / length
    bins = min(length // 2, int(np.ceil(top / spacing))) + 1
    frequencies = np.arange(bins, dtype=np.float64) * spacing
    gain = look.gain(frequencies, sample_rate)
    lead = look.lead(frequencies)
    decimated = coarse_length(bins)
    # the inverse transform divides by M; one-sided spectrum doubled, half the squared envelope, N/M frames in
    # one: 2 M/N · √½ · √(N/M)
    gain *= np.sqrt(2.0 * decimated / length)
    pulse = inverse(gain.copy(), decimated)
    weight = gain.real**2 + gain.imag**2
    inside = look.inside(frequencies)
    edges = None
    if inside is not None:
        within = np.flatnonzero(inside)
        edges = (int(within[0]), int(within[-1]) + 1) if within.size else (0, 0)
    for array in (gain, lead, pulse):
        array.flags.writeable = False
    return BandKernel(
        gain=gain,
        lead_s=lead,
        mean_lead_s=inner(weight, lead) / float(weight.sum()),
        length=decimated,
        rate=sample_rate * decimated / length,
        pulse=pulse,
        edges=edges,
    )


def band_kernel(length: int, *, sample_rate: float, look: Filter) -> BandKernel:
    """Filter of one band for a transform length; arguments as for `band_envelopes`."""
    build = _kernel if length <= _KEPT_UP_TO else _kernel.__wrapped__
    return build(length, float(sample_rate), look)


def band_envelopes(
    spectrum: NDArray[np.complex128],
    *,
    length: int,
    sample_rate: float,
    look: Filter,
    workers: int = 1,
) -> BandEnvelope:
    """Envelope of one band from the response's spectrum.

    Parameters
    ----------
    spectrum : ndarray of complex128, shape (channels, length // 2 + 1)
        `rfft` of the response, padded to `length` (`transform_length`).
    length : int
        N.
    sample_rate : float
        In hertz.
    look : Filter
        It must fit under half the sample rate.
    workers : int
        Threads for the inverse transforms.
    """
    kernel = band_kernel(length, sample_rate=sample_rate, look=look)
    bins = min(kernel.gain.size, spectrum.shape[1])
    band = spectrum[:, :bins] * kernel.gain[:bins]
    power = power_sums(band)
    total = float(power.sum())
    lead = inner(power, kernel.lead_s[:bins]) / total if total > 0.0 else kernel.mean_lead_s
    width = look.bandwidth_hz
    if width is None:
        width = statistical_bandwidth(power, sample_rate / length)
    below = above = 0.0
    if kernel.edges is not None and total > 0.0:
        below, above = (float(power[part].sum()) / total for part in _beyond(*kernel.edges))
    envelope = inverse(band, kernel.length, workers=workers)
    return BandEnvelope(kernel, envelope, total, width, lead, below, above)


def _beyond(first: int, end: int) -> tuple[slice, slice]:
    return slice(0, first), slice(end, None)


def inside_envelope(
    spectrum: NDArray[np.complex128],
    *,
    length: int,
    sample_rate: float,
    look: BandPass,
    kernel: BandKernel,
    workers: int = 1,
) -> NDArray[np.complex128]:
    """Envelope of what lies between the edges of a band alone; arguments as for `band_envelopes`."""
    bins = min(kernel.gain.size, spectrum.shape[1])
    inside = look.inside(np.arange(bins, dtype=np.float64) * (sample_rate / length))
    return inverse(spectrum[:, :bins] * (kernel.gain[:bins] * inside), kernel.length, workers=workers)


def power_sums(values: NDArray[np.complex128], group: int = 1) -> NDArray[np.float64]:
    """Squared magnitude summed over channels and over groups of neighbours, from (channels, frames)."""
    if group == 1:  # sums of two are slow in one step
        squares = values.real * values.real
        squares += values.imag * values.imag
        return squares[0] if len(squares) == 1 else squares.sum(axis=0)
    parts = np.ascontiguousarray(values).view(np.float64).reshape(len(values), -1, 2 * group)
    return np.einsum("cgk,cgk->g", parts, parts)


def statistical_bandwidth(power: NDArray[np.float64], spacing: float) -> float:
    """(∫S)² / ∫S² of a power spectrum, its own scatter averaged out over sixths of an octave.

    It is to a coloured noise what the width of the band is to a white one: the variance of its energy is that
    of a white noise so wide (Bendat and Piersol, "Random Data", statistical bandwidth, from memory).
    """
    total = float(power.sum())
    if not total > 0.0:
        return float(power.size * spacing)
    starts, widths = _sixths(power.size)
    sums = np.add.reduceat(power, starts)
    return float(spacing * total * total / np.sum(sums * sums / widths))


@lru_cache(maxsize=16)
def _sixths(bins: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First bin and number of bins of each sixth of an octave, the constant first."""
    steps = np.round(2.0 ** np.arange(0.0, np.log2(bins) + 1e-9, 1.0 / 6.0)).astype(np.int64)
    edges = np.unique(np.concatenate([[0], steps, [bins]]))
    return edges[:-1], np.diff(edges)


@lru_cache(maxsize=8)
def filter_power_gain(length: int, sample_rate: float, filters: Sequence[Filter]) -> NDArray[np.float64]:
    """2 |H|² / N of each filter on the bins, shape (filters, bins): from squared spectra to energies."""
    frequencies = np.arange(length // 2 + 1, dtype=np.float64) * (sample_rate / length)
    gains = np.empty((len(filters), frequencies.size))
    for row, look in zip(gains, filters, strict=True):
        gain = look.gain(frequencies, sample_rate)
        row[:] = (gain.real**2 + gain.imag**2) * (2.0 / length)
    gains.flags.writeable = False
    return gains
