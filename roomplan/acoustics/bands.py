"""Octave and third-octave bands: mid-band frequencies, filters that look backwards, and an exact split.

Conventions
-----------
Arrays are (frames, channels). Frequencies in hertz. `centre_hz` is always the *nominal* mid-band
frequency (125, 250, …); the filters stand at the exact one (`exact_mid_band`).

Symbols: G = 10^(3/10), f_m exact mid-band frequency, b bands per octave (`fraction`),
x = (f/f_m - f_m/f) / (G^(1/2b) - G^(-1/2b)) the frequency of the low-pass prototype.

Sources
-------
IEC 61260-1:2014 (exact base-10 mid-bands, 5.3-5.5; class 1 limits, Table 1).
Jacobsen and Rindel (1987), "Time reversed decay measurements": a filter run backwards in time rings before
an event instead of after it and so does not lengthen a decay.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.checks import validate_rate, validate_response
from roomplan.acoustics.transforms import fast_length, inverse_real
from roomplan.acoustics.transforms import spectrum as to_spectrum
from roomplan.errors import RoomplanError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "ALL_OCTAVE_CENTRES_HZ",
    "ALL_THIRD_CENTRES_HZ",
    "OCTAVE_CENTRES_HZ",
    "band_edges",
    "band_filter",
    "band_group_delay",
    "band_response",
    "band_too_high",
    "bandwidth",
    "exact_mid_band",
    "ring_time",
    "split_bands",
    "top_frequency",
]

OCTAVE_CENTRES_HZ = (125, 250, 500, 1000, 2000, 4000)
"""The six octave bands every figure of a room is given in (ISO 3382-1: at least 125 Hz to 4 kHz)."""

ALL_OCTAVE_CENTRES_HZ = (31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)
"""Nominal octave mid-band frequencies of IEC 61260-1 inside the audible range."""

ALL_THIRD_CENTRES_HZ = (
    *(25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630),
    *(800, 1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000, 12500, 16000, 20000),
)
"""Nominal third-octave mid-band frequencies of IEC 61260-1 inside the audible range."""

_G = 10.0**0.3  # IEC 61260-1:2014, 5.2.1: the octave ratio of the base-10 system

# Nominal values are rounded by at most 1.0 % (160 Hz stands for 158.49 Hz): beyond is another frequency.
_NOMINAL_TOLERANCE = 0.015

# The sixth-order octave filter (third-order prototype) is the lowest Butterworth inside class 1: a second
# order reaches -13 dB at G^±1 where -16.6 dB is asked. Thirds need a fourth-order prototype: the third order
# reaches -37 dB at G^±2/3 where -40.5 dB is asked.
_TOP_OVER_MID = 4.0  # nothing above two octaves over mid-band: the octave skirt is at -43 dB there already
_TAPER_FROM = 0.75  # of the top: the skirt is faded to nothing between three and four times mid-band


def exact_mid_band(nominal_hz: float) -> float:
    """Exact mid-band frequency of a nominal octave or third-octave frequency.

    Parameters
    ----------
    nominal_hz : float
        Nominal mid-band frequency in hertz, such as 31.5, 125, 160 or 1000.

    Returns
    -------
    float
        10^(n/10) Hz with n whole, for instance 125.89 for 125 (IEC 61260-1:2014, 5.4, base ten).

    Raises
    ------
    RoomplanError
        When no octave or third-octave band carries this name.
    """
    if not (np.isfinite(nominal_hz) and nominal_hz > 0):
        raise RoomplanError(
            f"{nominal_hz} Hz is no mid-band frequency", remedy="use a positive frequency such as 125 or 1000"
        )
    exact = 10.0 ** (round(10.0 * np.log10(nominal_hz)) / 10.0)
    if abs(nominal_hz / exact - 1.0) > _NOMINAL_TOLERANCE:
        raise RoomplanError(
            f"{nominal_hz:g} Hz is no nominal octave or third-octave frequency",
            remedy=f"the nearest band is at {exact:.4g} Hz",
        )
    return float(exact)


def band_edges(centre_hz: float, *, fraction: int = 1) -> tuple[float, float]:
    """Lower and upper band-edge frequency in hertz (IEC 61260-1:2014, 5.6).

    Parameters
    ----------
    centre_hz : float
        Nominal mid-band frequency in hertz.
    fraction : int
        Bands per octave: 1 or 3.

    Returns
    -------
    tuple of float
        f_m G^(-1/2b), f_m G^(+1/2b).
    """
    _validate_fraction(fraction)
    exact = exact_mid_band(centre_hz)
    half = _G ** (0.5 / fraction)
    return exact / half, exact * half


def bandwidth(centre_hz: float, *, fraction: int = 1) -> float:
    """Width of the band in hertz: 0.705 f_m for an octave, 0.231 f_m for a third."""
    low, high = band_edges(centre_hz, fraction=fraction)
    return high - low


def ring_time(centre_hz: float, *, fraction: int = 1) -> float:
    """Time in seconds after which the band filter's kernel is more than 120 dB down.

    The slowest pole pair of the octave filter decays as exp(-0.78 f_m t) (0.25 f_m for a third): 120 dB
    take 18 / f_m (56 / f_m).
    """
    _validate_fraction(fraction)
    return (18.0 if fraction == 1 else 62.0) / exact_mid_band(centre_hz)


def top_frequency(centre_hz: float, *, sample_rate: float, fraction: int = 1) -> float | None:
    """Frequency above which the band filter passes nothing; None when the band exceeds half the rate."""
    if band_edges(centre_hz, fraction=fraction)[1] > 0.5 * sample_rate:
        return None
    return min(_TOP_OVER_MID * exact_mid_band(centre_hz), 0.5 * sample_rate)


def band_too_high(centre_hz: float, *, sample_rate: float, fraction: int = 1) -> RoomplanError:
    """Error to raise for a band that reaches above half the sample rate."""
    _, high = band_edges(centre_hz, fraction=fraction)
    return RoomplanError(
        f"the band at {centre_hz:g} Hz reaches up to {high:.0f} Hz, above half the sample rate of "
        f"{sample_rate:g} Hz",
        remedy=f"a sample rate of at least {np.ceil(2 * high):.0f} Hz is needed",
    )


def band_response(
    frequencies_hz: ArrayLike, *, centre_hz: float, sample_rate: float, fraction: int = 1
) -> NDArray[np.complex128]:
    """Complex gain of the time-reversed band filter.

    A Butterworth band-pass (order 6 for octaves, 8 for thirds) with its phase turned round, evaluated
    without the warping of a bilinear transform, and faded to zero well above the band where it is below -34
    dB, or, for a band that ends near half the sample rate, between the band edge and that frequency.

    Parameters
    ----------
    frequencies_hz : array_like, shape (n,)
        Frequencies >= 0 in hertz.
    centre_hz : float
        Nominal mid-band frequency in hertz.
    sample_rate : float
        In hertz.
    fraction : int
        Bands per octave, 1 or 3.

    Returns
    -------
    ndarray of complex, shape (n,)

    Raises
    ------
    RoomplanError
        When the band reaches above half the sample rate.

    Notes
    -----
    Magnitude within class 1 of IEC 61260-1:2014, Table 1. Not done: no correction of the effective
    bandwidth (the noise bandwidth of the octave filter is 1.047 of the nominal one, of the third 1.026).
    """
    top = top_frequency(centre_hz, sample_rate=sample_rate, fraction=fraction)
    if top is None:
        raise band_too_high(centre_hz, sample_rate=sample_rate, fraction=fraction)
    frequencies = np.asarray(frequencies_hz, dtype=np.float64)
    _, high = band_edges(centre_hz, fraction=fraction)
    x = _prototype_frequency(frequencies, centre_hz, fraction)
    x2 = x * x
    if fraction == 1:
        real = 1.0 - 2.0 * x2
        imaginary = x * (2.0 - x2)
        squared = 1.0 + x2 * x2 * x2
    else:
        real = x2 * x2 - (2.0 + np.sqrt(2.0)) * x2 + 1.0
        imaginary = _BUTTERWORTH_4 * x * (1.0 - x2)
        squared = 1.0 + (x2 * x2) ** 2
    response = np.empty(frequencies.shape, dtype=np.complex128)
    scale = 1.0 / squared
    start = max(high, _TAPER_FROM * top)
    above = frequencies > start
    if above.any():
        position = np.clip((frequencies[above] - start) / max(top - start, 1e-9), 0.0, 1.0)
        scale[above] *= np.cos(0.5 * np.pi * position) ** 2
    response.real = real * scale  # 1 / conj(D) = D / |D|²: the phase of a filter run backwards
    response.imag = imaginary * scale
    return response


# coefficient of s and s³ of the fourth-order polynomial
_BUTTERWORTH_4 = 2.0 * (np.cos(np.pi / 8) + np.sin(np.pi / 8))


def band_group_delay(
    frequencies_hz: ArrayLike, *, centre_hz: float, fraction: int = 1
) -> NDArray[np.float64]:
    """Time in seconds by which the time-reversed band filter is *ahead* at each frequency, shape (n,).

    The derivative of the prototype's phase: (2 + x² + 2x⁴) / (1 + x⁶) for the third order,
    d (1 + (c-3)(x² + x⁴) + x⁶) / (1 + x⁸) for the fourth (c = 2 + √2, d = 2.613), times dx/dω.
    """
    frequencies = np.asarray(frequencies_hz, dtype=np.float64)
    exact = exact_mid_band(centre_hz)
    x = _prototype_frequency(frequencies, centre_hz, fraction)
    x2 = x * x
    if fraction == 1:
        delay = (2.0 + x2 + 2.0 * x2 * x2) / (1.0 + x2 * x2 * x2)
    else:
        c = 2.0 + np.sqrt(2.0)
        delay = _BUTTERWORTH_4 * (1.0 + (c - 3.0) * (x2 + x2 * x2) + x2**3) / (1.0 + x2**4)
    floor = np.maximum(frequencies, 1e-3 * exact)
    width = _G ** (0.5 / fraction) - _G ** (-0.5 / fraction)
    return delay * (1.0 / exact + exact / floor**2) / (2.0 * np.pi * width)


def band_filter(
    samples: ArrayLike, *, sample_rate: float, centre_hz: float, fraction: int = 1
) -> NDArray[np.float64]:
    """Filter every channel with a class 1 octave or third-octave filter run backwards in time.

    Parameters
    ----------
    samples : array_like, shape (frames, channels)
        Finite samples.
    sample_rate : float
        In hertz.
    centre_hz : float
        Nominal mid-band frequency in hertz.
    fraction : int
        Bands per octave, 1 or 3.

    Returns
    -------
    ndarray of float64, shape (frames, channels)

    Raises
    ------
    RoomplanError
        For a wrong shape or rate, an unknown band, or a band above half the sample rate.

    Notes
    -----
    The output at a time depends on the input from that time on only, so an exponential decay keeps its rate
    from its very first sample. What rings ahead of the first frame is cut off: pad the start with
    `ring_time` seconds of silence to keep it. DC is removed by the filter's zeros; not done: no mean is
    subtracted first.
    """
    planar = validate_response(samples).T
    validate_rate(sample_rate)
    frames = planar.shape[1]
    length = fast_length(frames + int(np.ceil(ring_time(centre_hz, fraction=fraction) * sample_rate)))
    frequencies = np.arange(length // 2 + 1) * (sample_rate / length)
    gain = band_response(frequencies, centre_hz=centre_hz, sample_rate=sample_rate, fraction=fraction)
    spectrum = to_spectrum(planar, length)
    spectrum *= gain
    return np.ascontiguousarray(inverse_real(spectrum, length)[:, :frames].T)


def split_bands(
    samples: ArrayLike, *, sample_rate: float, centres_hz: Sequence[float] = OCTAVE_CENTRES_HZ
) -> NDArray[np.float64]:
    """Split into zero-phase bands that add up to the input exactly, for shaping the decay band by band.

    Parameters
    ----------
    samples : array_like, shape (frames, channels)
        Finite samples.
    sample_rate : float
        In hertz.
    centres_hz : sequence of float
        Nominal mid-band frequencies, rising. The lowest band keeps everything below it, the highest
        everything above.

    Returns
    -------
    ndarray of float64, shape (bands, frames, channels)
        `result.sum(axis=0)` is the input, to rounding.

    Raises
    ------
    RoomplanError
        For a wrong shape or rate, no band, bands that do not rise, or one above half the sample rate.

    Notes
    -----
    Neighbours cross over in a raised cosine over the logarithm of frequency from one mid-band to the next:
    the widest overlap there is, hence the shortest ringing (on either side -45 dB after 3 periods of the
    mid-band, -68 dB after 8). Ringing ahead of the first frame or after the last is cut off; the cut parts
    cancel in the sum, so the sum stays exact. Append silence first if shaped bands shall ring out. Not done:
    these are no measuring filters (use `band_filter`).
    """
    planar = validate_response(samples).T
    validate_rate(sample_rate)
    mids = [exact_mid_band(centre) for centre in centres_hz]
    if not mids or any(later <= earlier for earlier, later in pairwise(mids)):
        raise RoomplanError(
            f"bands {tuple(centres_hz)} do not rise", remedy="name at least one band, lowest first, each once"
        )
    if mids[-1] >= 0.5 * sample_rate:
        raise RoomplanError(
            f"the band at {centres_hz[-1]:g} Hz lies above half the sample rate of {sample_rate:g} Hz",
            remedy=f"leave it out, or use a sample rate above {2 * mids[-1]:.0f} Hz",
        )
    frames = planar.shape[1]
    bands = np.zeros((len(mids), frames, planar.shape[0]))
    length = fast_length(frames + int(np.ceil(8.0 / mids[0] * sample_rate)))
    frequencies = np.arange(length // 2 + 1) * (sample_rate / length)
    spectrum = to_spectrum(planar, length)
    octave = np.log2(np.maximum(frequencies, 1e-9))
    rest = planar.T.copy()
    lower = np.ones(frequencies.size)
    for index in range(len(mids) - 1):
        low, high = np.log2(mids[index]), np.log2(mids[index + 1])
        upper = np.sin(0.5 * np.pi * np.clip((octave - low) / (high - low), 0.0, 1.0)) ** 2
        bands[index] = inverse_real(spectrum * (lower * (1.0 - upper)), length)[:, :frames].T
        rest -= bands[index]
        lower = upper
    bands[-1] = rest  # what is left: the sum is exact by construction
    return bands


def _prototype_frequency(
    frequencies: NDArray[np.float64], centre_hz: float, fraction: int
) -> NDArray[np.float64]:
    """Low-pass prototype frequency x; a millionth of mid-band stands in for DC, where the gain is nil."""
    _validate_fraction(fraction)
    exact = exact_mid_band(centre_hz)
    ratio = np.maximum(frequencies / exact, 1e-6)
    return (ratio - 1.0 / ratio) / (_G ** (0.5 / fraction) - _G ** (-0.5 / fraction))


def _validate_fraction(fraction: int) -> None:
    if fraction not in {1, 3}:
        raise RoomplanError(f"{fraction} bands per octave", remedy="use 1 (octaves) or 3 (third octaves)")
