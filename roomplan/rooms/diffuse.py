"""Even noise for a diffuse field: as many channels as are heard, as alike as its microphones are.

Conventions
-----------
Bands go by their nominal centre in Hz; filters use the exact mid-bands of IEC 61260-1:2014 (base 10). Noise
is given by its spectral lines, one every 1/duration, which do not depend on the sample rate: a room is the
same at every rate. Multiplied by a gain g over time, its expected energy at every frequency is ∫ g² dt.

How
---
- A band is Gaussian noise drawn line by line.
- Its power is evened out over some 50 ms. A raw draw scatters a T30 by 0.55 T √(1.15/BT) (ISO 3382-2 form
  for one impulse response, B the band's width): 4 % at 125 Hz and 2 s.
- The lowest bands are evened out again as an octave filter hears them, leakage from both sides included.
- Then they are added up. Nothing is left of the bands: how the sum decays is `roomplan.rooms.late_field`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.bands import exact_mid_band
from roomplan.rooms.walls import ALL_CENTRES_HZ as CENTRES_HZ
from roomplan.scipy_kernels import next_fast_len

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Matrices = NDArray[np.complex128]
    Lines = NDArray[np.complex128]

__all__ = ["TOP_HZ", "high_pass", "noise_duration", "noise_lines", "octave_magnitude", "without_ends"]

# Bands cross over with equal power within this many octaves about their edges: narrow, so that little of a
# neighbour's decay leaks into a band; at the 89 Hz edge it is 10 Hz, which noise without onsets bears.
CROSSOVER_OCTAVES = 1.0 / 6.0
LOWEST_HZ = (20.0, 30.0)  # the first band fades in here: no DC

# Power is evened out over 5 periods of the band's width, at least 40 ms: longer than the fine structure that
# makes it noise, shorter than the fluctuation that bends a decay (a T30 spans T/2).
EVEN_PERIODS = 5.0
EVEN_LEAST_S = 0.04
EVEN_ROUNDS = 2  # measured: leaves 0.5 % of scatter at 125 Hz and 2 s; more rounds gain little
EVEN_LIMIT = 4.0  # most that one round may change a power: a hole in the noise is not to become a hump
COUPLED_BANDS = 3  # 63, 125, 250 Hz; above, an octave holds enough noise
LOW_BANDS = 4  # the coupled ones and their upper neighbour: of one rate

# Rate each band is drawn and evened at, in Hz: half of it leaves room above the band (edge and crossover: 1.5
# mid-bands) for the sidebands of the evening.
BAND_RATES_HZ: dict[int, int] = dict.fromkeys(CENTRES_HZ[:LOW_BANDS], 4_000) | {
    1000: 8_000,
    2000: 8_000,
    4000: 16_000,
    8000: 32_000,
    16_000: 48_000,
}
TOP_HZ = 24_000.0  # there is no noise above it

MIXING_NODES = 512  # of the channels' matrices in a band

FILTER_ORDER = 4  # of the octave filter that bands are judged behind: see `roomplan.rooms.late_field`

TOP_TAPER = 0.08  # of the spectrum, faded to nothing at half the sample rate: 22.1 to 24 kHz at 48 kHz

GRID_S = 0.04  # a whole number of samples at every usual rate and every band's

_EDGE = 10.0**0.15  # from mid-band to edge
_WIDTH = _EDGE - 1.0 / _EDGE  # of an octave, in mid-bands: 0.7046


def noise_duration(length_s: float) -> float:
    """Duration of the noise for a response of `length_s`: no less, and fast to transform at every rate."""
    steps = next_fast_len(math.ceil(length_s / GRID_S))
    return steps * GRID_S


def noise_lines(
    duration_s: float,
    generator: Callable[[int], np.random.Generator],
    mixing: Callable[[Array], Matrices],
    *,
    below_hz: float,
) -> Lines:
    """Draw noise for several channels that are partly alike.

    Parameters
    ----------
    duration_s : float
        From `noise_duration`.
    generator : callable
        Gives the random generator of a band by its centre.
    mixing : callable
        Gives, for frequencies in Hz, matrices (frequencies, channels, channels) that make the channels out of
        independent noises of variance 1.
    below_hz : float
        Half the sample rate of the response: bands that start above it are left out.

    Returns
    -------
    ndarray, shape (channels, lines), complex
        Line k is at k / duration_s. Periodic.
    """
    low = {centre: _draw(duration_s, centre, generator(centre), mixing) for centre in CENTRES_HZ[:LOW_BANDS]}
    _even_coupled(duration_s, low)
    noises = {centre: drawn.noise for centre, drawn in low.items()}
    for centre in CENTRES_HZ[LOW_BANDS:]:
        if _lower_end(centre) < below_hz:
            noises[centre] = _draw(duration_s, centre, generator(centre), mixing).noise
    channels = len(next(iter(noises.values())))
    top_hz = max(BAND_RATES_HZ[centre] for centre in noises) / 2.0
    lines = np.zeros((channels, round(top_hz * duration_s) + 1), dtype=complex)
    for centre, noise in noises.items():
        part = np.fft.rfft(noise, axis=1)
        lines[:, : part.shape[1]] += part / math.sqrt(BAND_RATES_HZ[centre])
    return lines


def without_ends(samples: Array, *, sample_rate: int) -> Array:
    """Samples (channels, frames) without DC and without a hard end of their band at half the rate.

    The edge of an envelope multiplied by low noise makes a little DC: a second-order Butterworth high-pass at
    20 Hz takes it off.
    """
    frames = samples.shape[1]
    spectrum = np.fft.rfft(samples, axis=1)
    spectrum *= high_pass(np.arange(spectrum.shape[1]) * (sample_rate / frames))
    # A band that is cut hard at half the rate would ring there for as long as the response lasts.
    top = round(TOP_TAPER * spectrum.shape[1])
    spectrum[:, -top:] *= 0.5 + 0.5 * np.cos(np.linspace(0.0, math.pi, top))
    return np.fft.irfft(spectrum, frames, axis=1)


def high_pass(frequencies_hz: Array) -> Matrices:
    """Gain of a second-order Butterworth high-pass at 20 Hz: a response has no DC."""
    ratio = 1j * frequencies_hz / LOWEST_HZ[0]
    return ratio**2 / (ratio**2 + math.sqrt(2.0) * ratio + 1.0)


@dataclass(frozen=True, slots=True)
class _Drawn:
    """Noise of one band, (channels, frames), the powers it was drawn with and the first of their lines.

    `powers` is (channels, lines): expected power of each spectral line.
    """

    noise: Array
    powers: Array
    first: int


def _draw(
    duration_s: float,
    centre: int,
    generator: np.random.Generator,
    mixing: Callable[[Array], Matrices],
) -> _Drawn:
    """Draw the noise of one band, mix its channels and even them out."""
    frames = round(duration_s * BAND_RATES_HZ[centre])
    first = int(_lower_end(centre) * duration_s)
    last = math.ceil(exact_mid_band(centre) * _EDGE * 2.0 ** (CROSSOVER_OCTAVES / 2.0) * duration_s)
    frequencies = np.arange(first, last + 1) / duration_s
    weights = _weights(frequencies, centre)
    # Matrices change slowly over frequency: every few lines are enough, straight lines between.
    nodes = np.linspace(frequencies[0], frequencies[-1], min(len(frequencies), MIXING_NODES))
    matrices = mixing(nodes)
    channels = matrices.shape[1]
    drawn = generator.standard_normal((channels, last + 1 - first, 2)).view(complex)[:, :, 0]
    drawn *= weights
    spectrum = np.zeros((channels, frames // 2 + 1), dtype=complex)
    powers = np.zeros((channels, last + 1 - first))
    for output in range(channels):
        for source in range(channels):
            gains = matrices[:, output, source]
            if not np.any(gains):
                continue
            between = np.interp(frequencies, nodes, gains.real) + 1j * np.interp(
                frequencies, nodes, gains.imag
            )
            spectrum[output, first : last + 1] += between * drawn[source]
            powers[output] += (between.real**2 + between.imag**2) * weights**2
    noise = np.fft.irfft(spectrum, frames)
    shares = 2.0 * np.sum(powers, axis=1) / frames
    _even(noise, noise, shares, _even_frames(centre), math.inf)
    return _Drawn(noise, powers, first)


def _lower_end(centre: int) -> float:
    if centre == CENTRES_HZ[0]:
        return LOWEST_HZ[0]
    return exact_mid_band(centre) / _EDGE * 2.0 ** (-CROSSOVER_OCTAVES / 2.0)


def _weights(frequencies: Array, centre: int) -> Array:
    """Amplitude of a band over frequency; squares of neighbours add up to 1."""

    def passed(edge: float) -> Array:  # 0 below the crossover, 1 above
        octaves = np.log2(np.maximum(frequencies, 1e-3) / edge)
        return np.clip(octaves / CROSSOVER_OCTAVES + 0.5, 0.0, 1.0)

    upper = np.cos(passed(exact_mid_band(centre) * _EDGE) * (math.pi / 2.0))
    if centre == CENTRES_HZ[0]:
        low, high = LOWEST_HZ
        return upper * np.clip((frequencies - low) / (high - low), 0.0, 1.0)
    return upper * np.sin(passed(exact_mid_band(centre) / _EDGE) * (math.pi / 2.0))


def _even_frames(centre: int) -> int:
    """Length of each of the two boxes that smooth a power, odd."""
    seconds = max(EVEN_LEAST_S, EVEN_PERIODS / (_WIDTH * exact_mid_band(centre)))
    return max(1, round(seconds * BAND_RATES_HZ[centre] / 2.0)) | 1


def _even(noise: Array, heard: Array, powers: Array, frames: int, limit: float) -> None:
    """Bring the power of each channel heard, smoothed by a triangle of two boxes, to `powers`."""
    for channel, power in enumerate(powers):
        smooth = _moving_mean(_moving_mean(heard[channel] * heard[channel], frames), frames)
        change = power / np.maximum(smooth, 1e-12 * power)
        if math.isfinite(limit):
            change = np.clip(change, 1.0 / limit, limit)
        noise[channel] *= np.sqrt(change)


def _moving_mean(values: Array, frames: int) -> Array:
    """Mean of an odd number of values around each, the last being the first one's neighbour.

    The running sum of scipy's `uniform_filter1d`, to the last bit.
    """
    around = np.pad(values, frames // 2, mode="wrap")
    sums = np.empty(len(values))
    sums[0] = np.cumsum(around[:frames])[-1]
    np.subtract(around[frames:], around[: len(values) - 1], out=sums[1:])
    return np.cumsum(sums, out=sums) / frames


def _even_coupled(duration_s: float, low: dict[int, _Drawn]) -> None:
    """Even the lowest bands out again as octave filters hear them among their neighbours."""
    frames = round(duration_s * BAND_RATES_HZ[CENTRES_HZ[0]])
    frequencies = np.arange(frames // 2 + 1) / duration_s
    for _round in range(EVEN_ROUNDS):
        for index, centre in enumerate(CENTRES_HZ[:COUPLED_BANDS]):
            near = [low[other] for other in CENTRES_HZ[max(0, index - 1) : index + 2]]
            passed = octave_magnitude(frequencies, centre)
            together = np.sum([drawn.noise for drawn in near], axis=0)
            heard = np.fft.irfft(np.fft.rfft(together) * passed, frames)
            powers = np.sum([_power_behind(drawn, passed) for drawn in near], axis=0)
            _even(low[centre].noise, heard, 2.0 * powers / frames, _even_frames(centre), EVEN_LIMIT)


def _power_behind(drawn: _Drawn, passed: Array) -> Array:
    """Sum of a band's expected powers behind a filter's magnitudes, (channels,)."""
    lines = slice(drawn.first, drawn.first + drawn.powers.shape[1])
    return np.sum(drawn.powers * passed[lines] ** 2, axis=1)


def octave_magnitude(frequencies: Array, centre: int) -> Array:
    """Magnitude of a Butterworth octave filter at frequencies in Hz."""
    mid = exact_mid_band(centre)
    ratio = np.maximum(frequencies, 1e-3) / mid
    return 1.0 / np.sqrt(1.0 + ((ratio - 1.0 / ratio) / _WIDTH) ** (2 * FILTER_ORDER))
