"""Decimated energy envelopes of a response in octave bands: the signal path of every band figure.

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

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.bands import band_group_delay, band_response, band_too_high, ring_time, top_frequency
from roomplan.acoustics.transforms import fast_length, inner, inverse

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = ["BandEnvelope", "BandKernel", "band_envelopes", "band_power_gain", "transform_length"]


_KEPT_UP_TO = 1_000_000  # frames: kernels of longer transforms are not worth their memory


@dataclass(frozen=True, slots=True)
class BandKernel:
    """A band filter sampled for one transform length; arrays are read-only and shared.

    Attributes
    ----------
    gain : ndarray of complex128, shape (bins,)
    lead_s : ndarray of float64, shape (bins,)
        Time by which the filter is ahead, at each bin.
    mean_lead_s : float
        The same averaged over white noise in the band.
    length : int
        M, frames of the decimated envelope.
    rate : float
        Frames per second of the envelope.
    scale : float
        Factor that makes the envelope's energy the band signal's.
    pulse : ndarray of complex128, shape (length,)
        Envelope of an impulse of height 1 at frame 0.
    """

    gain: NDArray[np.complex128]
    lead_s: NDArray[np.float64]
    mean_lead_s: float
    length: int
    rate: float
    scale: float
    pulse: NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class BandEnvelope:
    """One band of a response.

    Attributes
    ----------
    kernel : BandKernel
    envelope : ndarray of complex128, shape (channels, length)
        Scaled so that the sum of |envelope|² is the energy of the band signal.
    power : float
        Energy of the sound in the band, up to a factor that is the same for all sounds of one length.
    lead_s : float
        Time by which this sound's energy is ahead of the unfiltered sound's, on average.
    """

    kernel: BandKernel
    envelope: NDArray[np.complex128]
    power: float
    lead_s: float


def transform_length(frames: int, *, sample_rate: float, lowest_hz: float, fraction: int = 1) -> int:
    """Length of a transform that holds the response and the ringing of its lowest band."""
    return fast_length(frames + int(np.ceil(ring_time(lowest_hz, fraction=fraction) * sample_rate)) + 1)


@lru_cache(maxsize=24)  # six bands of four lengths; 8 MB for the six of a response of 6 s
def _kernel(length: int, sample_rate: float, centre_hz: float, fraction: int) -> BandKernel:
    top = top_frequency(centre_hz, sample_rate=sample_rate, fraction=fraction)
    if top is None:
        raise band_too_high(centre_hz, sample_rate=sample_rate, fraction=fraction)
    spacing = sample_rate / length
    bins = int(np.ceil(top / spacing)) + 1
    frequencies = np.arange(bins) * spacing
    gain = band_response(frequencies, centre_hz=centre_hz, sample_rate=sample_rate, fraction=fraction)
    lead = band_group_delay(frequencies, centre_hz=centre_hz, fraction=fraction)
    decimated = fast_length(bins)
    # the inverse transform divides by M; one-sided spectrum doubled, half the squared envelope, N/M frames in
    # one: 2 M/N · √½ · √(N/M)
    scale = float(np.sqrt(2.0 * decimated / length))
    pulse = inverse(gain.copy(), decimated) * scale
    weight = gain.real**2 + gain.imag**2
    for array in (gain, lead, pulse):
        array.flags.writeable = False
    return BandKernel(
        gain=gain,
        lead_s=lead,
        mean_lead_s=inner(weight, lead) / float(weight.sum()),
        length=decimated,
        rate=sample_rate * decimated / length,
        scale=scale,
        pulse=pulse,
    )


def band_envelopes(
    spectrum: NDArray[np.complex128],
    *,
    length: int,
    sample_rate: float,
    centre_hz: float,
    fraction: int = 1,
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
    centre_hz : float
        Nominal mid-band frequency; the band must fit under half the sample rate.
    fraction : int
        Bands per octave.
    workers : int
        Threads for the inverse transforms.

    Returns
    -------
    BandEnvelope
    """
    build = _kernel if length <= _KEPT_UP_TO else _kernel.__wrapped__
    kernel = build(length, float(sample_rate), float(centre_hz), fraction)
    bins = min(kernel.gain.size, spectrum.shape[1])
    band = spectrum[:, :bins] * kernel.gain[:bins]
    power = np.einsum("cf,cf->f", band.real, band.real) + np.einsum("cf,cf->f", band.imag, band.imag)
    total = float(power.sum())
    lead = inner(power, kernel.lead_s[:bins]) / total if total > 0.0 else kernel.mean_lead_s
    envelope = inverse(band, kernel.length, workers=workers)
    envelope *= kernel.scale
    return BandEnvelope(kernel, envelope, total, lead)


@lru_cache(maxsize=8)
def band_power_gain(
    length: int, sample_rate: float, centres_hz: Sequence[float], fraction: int = 1
) -> NDArray[np.float64]:
    """2 |H|² / N of each band on the bins of a transform, shape (bands, bins): squared spectra to energy."""
    frequencies = np.arange(length // 2 + 1) * (sample_rate / length)
    gains = np.empty((len(centres_hz), frequencies.size))
    for row, centre in zip(gains, centres_hz, strict=True):
        gain = band_response(frequencies, centre_hz=centre, sample_rate=sample_rate, fraction=fraction)
        row[:] = (gain.real**2 + gain.imag**2) * (2.0 / length)
    gains.flags.writeable = False
    return gains
