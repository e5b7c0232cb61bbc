"""How alike the two channels of a response are, early and late, per band: inter-channel correlation.

Conventions
-----------
The response is (frames, 2); arrays inside are (2, frames). Time 0 is the onset, the earliest over the
channels; a channel 30 dB under the other sets none. Times in seconds, frequencies in hertz (nominal
mid-band). A positive lag means that the second channel is later. Coefficients are signed: -1 is the same
sound with its polarity turned round.

Of a recording made with a head's two ears the *magnitude* of the coefficient is the inter-aural
cross-correlation coefficient IACC. A file does not tell what recorded it, so nothing here bears that name:
the caller may use it where the recording is declared binaural.

Symbols: p₁, p₂ band signals, t₁..t₂ the part of the response, τ lag, R(τ) = ∫ p₁(t) p₂(t + τ) dt, E₁, E₂
energies of the part without noise, ρ = R / √(E₁E₂) coefficient, B statistical bandwidth of the filter
(∫|H|²)² / ∫|H|⁴, P₁, P₂ energy envelopes, T_eff effective length of the part.

The response is split in time *first* and each part filtered with its full ringing, as in `energy`: a direct
sound counts as early however long its filter rings. The filter's phase cancels in R.

Doubt. For two Gaussian sounds with nothing in common the variance of R is ∫P₁P₂ dt / 2B, so that of ρ is 1 /
(2 B T_eff) with T_eff = ∫P₁ ∫P₂ / ∫P₁P₂: 2τ for a decay exp(-t/τ), the length of the window for a steady
sound. With a coefficient ρ in truth the standard deviation is (1 - ρ²) / √(2 B T_eff). The *largest* value
within ±1 ms is biased upwards by it: of n independent values of the envelope of R, n = ¾ + 2 ms · B, the root
mean square of the largest is √(2 H_n / (2 B T_eff)), H_n the n-th harmonic number (ψ(n + 1) + γ between whole
n), less where a period is longer than 4 ms. That is `by_chance`: what channels with nothing in common would
give.

Sources
-------
ISO 3382-1:2009, Annex B (from memory): IACF(τ) = ∫ p_l(t) p_r(t + τ) dt / √(∫p_l² dt ∫p_r² dt), IACC = max
|IACF| for -1 ms ≤ τ ≤ +1 ms; early 0 to 80 ms, late from 80 ms on; octaves from 125 to 4000 Hz, most often
500, 1000, 2000 Hz. Variance of a correlation estimate of Gaussian noise 1 / 2BT and (1 - ρ²)²: Bendat and
Piersol, "Random Data" (from memory); the energy-weighted length follows from it as above and
`tests/acoustics/test_correlation.py` repeats it on decaying noise. The ¾ in n is this project's own, fitted
there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from roomplan.acoustics.bands import (
    band_edges,
    band_response,
    exact_mid_band,
    ring_time,
    top_frequency,
)
from roomplan.acoustics.checks import validate_rate, validate_response
from roomplan.acoustics.direct_sound import find_onset
from roomplan.acoustics.energies import without_offset
from roomplan.acoustics.noise import find_truncation
from roomplan.acoustics.special_functions import digamma
from roomplan.acoustics.transforms import fast_length, inner, inverse
from roomplan.acoustics.transforms import spectrum as to_spectrum
from roomplan.errors import RoomplanError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from roomplan.acoustics.doubt import Verdict
    from roomplan.acoustics.noise import Truncation

__all__ = [
    "CORRELATION_CENTRES_HZ",
    "EARLY_LIMIT_S",
    "LARGEST_LAG_S",
    "BandCorrelation",
    "Correlation",
    "inter_channel_correlation",
]

CORRELATION_CENTRES_HZ = (500, 1000, 2000)
"""The octaves inter-aural correlation is most often given in (ISO 3382-1:2009, Annex B, from memory)."""

EARLY_LIMIT_S = 0.08
"""Boundary between early and late (ISO 3382-1:2009, Annex B, from memory)."""

LARGEST_LAG_S = 0.001
"""Lags looked at, either way (ISO 3382-1:2009, Annex B, from memory)."""

# This project's own: under 4 the standard deviation of a coefficient is over 0.35, a third of all there is
_LEAST_BT = 4.0
# This project's own: between two and three steps of the 0.075 Annex B calls just noticeable (from memory)
_LARGEST_CHANCE = 0.2
_LARGEST_NOISE = 0.5  # share of a channel's energy: more than this subtracted, and noise is what is measured
_SOUND_END = 1e-3  # 60 dB under the peak a sound is over, be it a click or a decay
_STEADY_DB = 10.0  # this project's own: what scatters in blocks without falling stays within it
_CROSSFADE_S = 0.002  # as in `energy`
_FILTER_END = 3.0  # as in `analysis`: within 3 / B of the record's end the filter sees less and less
_LONGEST_S = 60.0  # as in `analysis`
_NOTHING = 1e-12  # 120 dB under the channel's energy counts as silence, as in `noise`
_LAGS_PER_CYCLE = 16.0  # of the mid-band frequency: eleven points to a cycle of the upper band edge
_GROUP_HZ = 20.0  # bins this wide turn by less than 4° against their middle over 1 ms
_RIVAL = 0.85  # a local maximum this near the largest on the grid may be the largest between its points
_EULER = float(np.euler_gamma)
_NEPER_60_DB = 6.0 * np.log(10.0)
_NAMES = ("first", "second")


@dataclass(frozen=True, slots=True)
class Correlation:
    """Correlation of the two channels in one part of a response.

    Attributes
    ----------
    coefficient : float or None
        The value of largest magnitude for lags within ±1 ms, with its sign, -1 to 1.
    lag_s : float or None
        Its lag; positive when the second channel is later.
    at_lag_zero : float or None
        The value at lag 0, signed.
    uncertainty : float or None
        Standard deviation of the coefficient by chance, (1 - ρ²) / √(2 B T_eff).
    by_chance : float or None
        What channels with nothing in common would give as largest magnitude within ±1 ms (root mean square).
    verdict : "good", "doubtful" or "unusable"
        Doubtful: chance alone, (1 - ρ²) · `by_chance`, exceeds 0.2. Unusable: no figure.
    reason : str or None
        None when good.
    """

    coefficient: float | None
    lag_s: float | None
    at_lag_zero: float | None
    uncertainty: float | None
    by_chance: float | None
    verdict: Verdict
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class BandCorrelation:
    """Correlation of one band: 0 to 80 ms, and from 80 ms to where the decay ends."""

    centre_hz: float
    early: Correlation
    late: Correlation


def inter_channel_correlation(
    response: ArrayLike,
    *,
    sample_rate: float,
    centres_hz: Sequence[float] = CORRELATION_CENTRES_HZ,
    fraction: int = 1,
) -> tuple[BandCorrelation, ...]:
    """Early and late correlation of the two channels of a response in each band.

    Parameters
    ----------
    response : array_like, shape (frames, 2)
        Impulse response.
    sample_rate : float
        In hertz.
    centres_hz : sequence of float
        Nominal mid-band frequencies in hertz.
    fraction : int
        Bands per octave, 1 or 3.

    Returns
    -------
    tuple of BandCorrelation
        One per band, in the order asked for.

    Raises
    ------
    RoomplanError
        For a wrong shape or rate, other than two channels, or an unknown band. Silence, NaN, a band above
        half the sample rate or too few frames give None with a reason.

    Notes
    -----
    What comes before the onset is dropped, and so is what comes after 60 s. The late part ends where the
    decay of either channel first meets its noise or its record ends. The stationary noise found there is
    subtracted from both energies, in both parts; the noises of the two channels are taken to be uncorrelated,
    so nothing is subtracted from R: a hum or a wind noise common to both channels counts as sound. Where the
    noise is more than half of a part's energy there is no figure. What the subtraction makes exceed 1 is
    given as 1.

    The boundaries of the part are moved by half the lag in either channel, opposite ways: a mere delay has
    the coefficient 1, and none can exceed it. The standard's windows stand still; the difference is of the
    order of the lag over the length of the part. Between samples R is exact, for it is a sum over
    frequencies.

    Not done: lags beyond 1 ms are not looked at (at spaced microphones 0.34 m of path); a level difference
    between the channels does not show; the uncertainty takes the sound of the band for white, so a few strong
    tones are less certain than it says; the deviation of real ears or microphones is the caller's matter.
    """
    samples = validate_response(response)
    validate_rate(sample_rate)
    if samples.shape[1] != 2:
        raise RoomplanError(
            f"a response of {samples.shape[1]} channels has no inter-channel correlation",
            remedy="hand in the two channels that are to be compared",
        )
    edges = [band_edges(centre, fraction=fraction) for centre in centres_hz]
    sound = _prepare(samples, float(sample_rate))
    results = []
    for centre, (_, high) in zip(centres_hz, edges, strict=True):
        if isinstance(sound, str):
            early = late = _refused(sound)
        elif high > 0.5 * sample_rate:
            early = late = _refused(
                f"the band at {centre:g} Hz reaches above half the sample rate: it takes {2 * high:.0f} Hz"
            )
        else:
            early, late = _measure_band(sound, _band(float(centre), fraction, float(sample_rate)))
        results.append(BandCorrelation(float(centre), early, late))
    return tuple(results)


class _Sound(NamedTuple):
    """Both channels from the onset on, each scaled to a peak of 1."""

    planar: NDArray[np.float64]
    energy: NDArray[np.float64]
    sample_rate: float


class _Band(NamedTuple):
    centre_hz: float
    fraction: int
    sample_rate: float
    ring: int
    top_hz: float
    bandwidth_hz: float


class _Look(NamedTuple):
    """Spectra of two sounds behind the band filter, up to its top; energies are sums of their products."""

    bands: NDArray[np.complex128]
    spacing_hz: float

    @property
    def energy(self) -> NDArray[np.float64]:
        return np.sum(self.bands.real**2 + self.bands.imag**2, axis=1)

    @property
    def cross(self) -> NDArray[np.complex128]:
        return np.conj(self.bands[0]) * self.bands[1]

    @property
    def envelopes(self) -> tuple[NDArray[np.complex128], float]:
        """Analytic band signals, decimated, and their rate; the sum of |z|² is the energy."""
        length = fast_length(self.bands.shape[1])
        scale = np.sqrt(length)
        return inverse(self.bands.copy(), length) * scale, length * self.spacing_hz


class _Part(NamedTuple):
    """A part of the response: frames from `first` (0: no ramp) to `last`, and the noise per frame."""

    first: int
    last: int
    noise: NDArray[np.float64]


def _refused(reason: str) -> Correlation:
    return Correlation(None, None, None, None, None, "unusable", reason)


def _prepare(samples: NDArray[np.float64], sample_rate: float) -> _Sound | str:
    """Sound from the onset on, or why there is none."""
    if not np.isfinite(samples).all():
        return "the response contains values that are not finite numbers"
    peaks = np.abs(samples).max(axis=0, initial=0.0)
    if not peaks.any():
        return "the response is silent"
    if not peaks.all():
        return _silent(int(np.argmin(peaks)))
    # the onset rests on the true levels: a quiet channel sets none
    levels = peaks / peaks.max()
    planar = without_offset(np.ascontiguousarray((samples / peaks).T), sample_rate)
    rest = np.abs(planar).max(axis=1)
    for channel in range(2):
        if rest[channel] <= _NOTHING:
            return f"the {_NAMES[channel]} channel contains only a constant (DC)"
    onset = find_onset((planar * levels[:, None]).T) or 0
    planar = planar[:, onset : onset + round(_LONGEST_S * sample_rate)]
    energy = np.sum(planar * planar, axis=1)
    for channel in range(2):
        if not energy[channel] > 0.0:
            return _silent(channel)
    return _Sound(planar, energy, sample_rate)


def _silent(channel: int) -> str:
    return f"the {_NAMES[channel]} channel is silent"


def _band(centre_hz: float, fraction: int, sample_rate: float) -> _Band:
    top = top_frequency(centre_hz, sample_rate=sample_rate, fraction=fraction)
    top = 0.5 * sample_rate if top is None else top
    spacing = exact_mid_band(centre_hz) / 500.0
    gain = band_response(
        np.arange(0.0, top, spacing), centre_hz=centre_hz, sample_rate=sample_rate, fraction=fraction
    )
    power = gain.real**2 + gain.imag**2
    return _Band(
        centre_hz=centre_hz,
        fraction=fraction,
        sample_rate=sample_rate,
        ring=int(np.ceil((ring_time(centre_hz, fraction=fraction) + 2.0 * LARGEST_LAG_S) * sample_rate)),
        top_hz=top,
        bandwidth_hz=float(spacing * power.sum() ** 2 / inner(power, power)),
    )


def _look(planar: NDArray[np.float64], band: _Band) -> _Look:
    """Spectra behind the filter, scaled to the energy of the band signals."""
    length = fast_length(planar.shape[1] + band.ring)
    spacing = band.sample_rate / length
    bins = min(length // 2, int(np.ceil(band.top_hz / spacing))) + 1
    gain = band_response(
        np.arange(bins) * spacing,
        centre_hz=band.centre_hz,
        sample_rate=band.sample_rate,
        fraction=band.fraction,
    )
    bands = to_spectrum(planar, length)[:, :bins] * gain
    bands *= np.sqrt(2.0 / length)  # one-sided
    return _Look(bands, spacing)


def _measure_band(sound: _Sound, band: _Band) -> tuple[Correlation, Correlation]:
    frames = sound.planar.shape[1]
    whole = _look(sound.planar, band)
    for channel, energy in enumerate(whole.energy):
        if energy <= _NOTHING * sound.energy[channel]:
            nothing = _refused(f"the {_NAMES[channel]} channel has nothing in this band")
            return nothing, nothing
    envelopes, rate = whole.envelopes
    content = int(np.ceil(frames / sound.sample_rate * rate))
    blind = round(_FILTER_END / band.bandwidth_hz * rate)
    decay = envelopes[:, : max(1, content - blind)]
    found = [find_truncation(row, sample_rate=rate) for row in decay.real**2 + decay.imag**2]
    boundary = round(EARLY_LIMIT_S * sound.sample_rate)
    noise = np.array([one.noise_power for one in found]) * rate / sound.sample_rate
    for one in found:
        if one.late_decay_time_s is None and one.content_end / rate > EARLY_LIMIT_S:
            steady = one.peak_to_noise_db < _STEADY_DB
            what = "there is no decay but noise" if steady else "where the decay ends cannot be found"
            return _refused(what), _refused(what)

    peaks = np.abs(sound.planar).max(axis=1)
    sounding = [
        (np.flatnonzero(np.abs(row) > _SOUND_END * peak)[-1] + 1) / sound.sample_rate
        for row, peak in zip(sound.planar, peaks, strict=True)
    ]

    def plain(length_s: float) -> float:
        """Effective length in seconds of a plain decay cut off after `length_s`."""
        return min(_plain_length(*pair, length_s) for pair in zip(found, sounding, strict=True))

    first = _Part(0, min(boundary, frames), noise)
    early = _measure_part(sound, band, first, plain(first.last / sound.sample_rate))
    end = min(_end(one, decay.shape[1], rate, sound) for one in found)
    last = round(end * sound.sample_rate)
    later = np.sum(sound.planar[:, boundary:] ** 2, axis=1)
    for channel, energy in enumerate(later):
        if energy <= _NOTHING * sound.energy[channel]:
            return early, _refused(f"nothing arrives after 80 ms in the {_NAMES[channel]} channel")
    if end < EARLY_LIMIT_S + _CROSSFADE_S:
        shorter = min(found, key=lambda one: _end(one, decay.shape[1], rate, sound))
        what = "the decay meets the noise" if shorter.ends_in_noise else "the response ends"
        return early, _refused(f"{what} at {1000 * end:.0f} ms: too early to know what comes after 80 ms")
    return early, _measure_part(sound, band, _Part(boundary, last, noise), plain(end - EARLY_LIMIT_S))


def _plain_length(found: Truncation, sounding_s: float, length_s: float) -> float:
    """2τ tanh(length / 2τ), but no more than the sound itself lasts, which of a click is nothing."""
    length = min(length_s, sounding_s)
    if found.late_decay_time_s is None:
        return length
    constant = 2.0 * found.late_decay_time_s / _NEPER_60_DB
    return min(length, float(constant * np.tanh(length_s / constant)))


def _end(found: Truncation, looked_at: int, rate: float, sound: _Sound) -> float:
    """Time in seconds at which a channel's decay is over; the record's end where nothing ends it before."""
    whole = sound.planar.shape[1] / sound.sample_rate
    return whole if found.crosspoint >= looked_at else found.crosspoint / rate


def _measure_part(sound: _Sound, band: _Band, part: _Part, plain_s: float) -> Correlation:
    what = "within 80 ms" if part.first == 0 else "after 80 ms"
    planar, weight = _cut(sound, part, 0)
    look = _look(planar, band)
    energy = look.energy
    if (energy <= _NOTHING * sound.energy).any():
        channel = int(np.argmin(energy / sound.energy))
        return _refused(f"nothing arrives {what} in the {_NAMES[channel]} channel")
    noise = part.noise * weight
    if (noise > _LARGEST_NOISE * energy).any():
        channel = int(np.argmax(noise / energy))
        return _refused(f"more than half of what arrives {what} in the {_NAMES[channel]} channel is noise")
    # the gate asks for the length a plain decay would have: a strong direct sound makes T_eff short, yet its
    # own likeness in both channels is well known
    if band.bandwidth_hz * plain_s < _LEAST_BT:
        return _refused(
            f"{1000 * plain_s:.0f} ms of sound are too short for a band of {band.bandwidth_hz:.0f} Hz: "
            "any two channels would seem correlated"
        )
    lag = _largest(look.cross, look.spacing_hz, exact_mid_band(band.centre_hz))
    zero = float(look.cross.real.sum()) / _norm(energy - noise)
    shift = round(lag * sound.sample_rate)
    if shift:
        planar, weight = _cut(sound, part, shift)
        look = _look(planar, band)
        energy, noise = look.energy, part.noise * weight
        if (noise > _LARGEST_NOISE * energy).any() or not (energy > 0.0).all():
            return _refused(f"too little arrives {what} to compare the channels 1 ms apart")
        lag = _climb(look.cross, look.spacing_hz, lag, 0.5 / (_LAGS_PER_CYCLE * band.centre_hz))
    turned = look.cross * np.exp(2j * np.pi * look.spacing_hz * lag * np.arange(look.cross.size))
    total = complex(turned.sum())
    effective = _effective_length(look, lag, min(1.0, abs(total) / _norm(energy)))
    return _judged(
        Correlation(
            coefficient=_limited(total.real / _norm(energy - noise)),
            lag_s=lag,
            at_lag_zero=_limited(zero),
            uncertainty=None,
            by_chance=None,
            verdict="good",
        ),
        scatter=float(1.0 / np.sqrt(2.0 * band.bandwidth_hz * effective)),
        seen=total.real / _norm(energy),
        scale=_norm(energy) / _norm(energy - noise),
        band=band,
    )


def _judged(found: Correlation, *, scatter: float, seen: float, scale: float, band: _Band) -> Correlation:
    """Add the doubt: `seen` holds the noise, `scale` is what subtracting it multiplies a coefficient by."""
    largest = min(0.99, scatter * _largest_of_several(band))
    # chance has its part in the coefficient seen: 1 - ρ² is taken of what is left of it
    true = max(0.0, seen * seen - largest * largest) / (1.0 - largest * largest)
    remaining = max(0.0, 1.0 - true)
    by_chance = min(1.0, scale * largest)
    chance = by_chance * remaining
    doubtful = chance > _LARGEST_CHANCE
    return replace(
        found,
        uncertainty=scale * scatter * remaining,
        by_chance=by_chance,
        verdict="doubtful" if doubtful else "good",
        reason=f"unrelated channels would show {chance:.2f} here" if doubtful else None,
    )


def _largest_of_several(band: _Band) -> float:
    """Root mean square of the largest magnitude within ±1 ms over that at one lag, for unrelated channels."""
    count = 0.75 + 2.0 * LARGEST_LAG_S * band.bandwidth_hz
    harmonic = digamma(count + 1.0) + _EULER
    # mean of cos² at the nearest point to a crest, phases equally likely: 1 from half a cycle of lags on
    reach = min(0.5 * np.pi, 2.0 * np.pi * exact_mid_band(band.centre_hz) * LARGEST_LAG_S)
    away = 0.5 * np.pi - reach
    crest = (reach + 0.5 * away + 0.25 * np.sin(2.0 * away)) * 2.0 / np.pi
    return float(np.sqrt(2.0 * harmonic * crest))


def _effective_length(look: _Look, lag: float, likeness: float) -> float:
    """∫P₁ ∫P₂ / ∫P₁P₂ in seconds, the second channel moved back by the lag.

    The squared envelopes are estimates of P₁ and P₂ whose errors go together as far as the channels do: of
    Gaussian sounds their mean product is P₁P₂ (1 + γ²), γ the magnitude of the complex coefficient.
    """
    moved = look.bands.copy()
    moved[1] *= np.exp(2j * np.pi * look.spacing_hz * lag * np.arange(moved.shape[1]))
    envelopes, rate = _Look(moved, look.spacing_hz).envelopes
    power = envelopes.real**2 + envelopes.imag**2
    together = inner(power[0], power[1]) / (1.0 + likeness * likeness)
    totals = float(power[0].sum()) * float(power[1].sum())
    # sounds that never overlap have no R to scatter
    return totals / (together * rate) if together > 1e-12 * totals else float(1e12 / rate)


def _cut(sound: _Sound, part: _Part, shift: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Part of both channels with power-complementary ramps, and the sum of the squared window of each.

    The first channel's boundaries are moved back by half of `shift` frames, the second's forward.
    """
    half = max(1, round(0.5 * _CROSSFADE_S * sound.sample_rate))
    moves = (-(shift // 2), shift - shift // 2)
    frames = sound.planar.shape[1]
    reach = half + max(abs(move) for move in moves)
    start = max(0, part.first - reach) if part.first else 0
    stop = min(frames, part.last + reach)
    position = np.arange(start, stop) + 0.5
    windows = np.ones((2, position.size))
    for channel, move in enumerate(moves):
        if part.first:
            rise = (position - (part.first + move - half)) / (2 * half)
            windows[channel] *= np.sin(0.5 * np.pi * np.clip(rise, 0.0, 1.0))
        if part.last < frames:
            fall = (position - (part.last + move - half)) / (2 * half)
            windows[channel] *= np.cos(0.5 * np.pi * np.clip(fall, 0.0, 1.0))
    return sound.planar[:, start:stop] * windows, np.sum(windows * windows, axis=1)


def _norm(energy: NDArray[np.float64]) -> float:
    return float(np.sqrt(energy[0]) * np.sqrt(energy[1]))


def _limited(coefficient: float) -> float:
    return float(np.clip(coefficient, -1.0, 1.0))


def _largest(cross: NDArray[np.complex128], spacing_hz: float, mid_hz: float) -> float:
    """Lag within ±1 ms at which the correlation is largest in magnitude, in seconds."""
    width = max(1, round(_GROUP_HZ / spacing_hz))
    starts = np.arange(0, cross.size, width)
    middles = 0.5 * (starts + np.minimum(starts + width, cross.size) - 1) * spacing_hz
    sums = np.add.reduceat(cross, starts)
    steps = int(np.ceil(LARGEST_LAG_S * _LAGS_PER_CYCLE * mid_hz))
    lags = np.linspace(-LARGEST_LAG_S, LARGEST_LAG_S, 2 * steps + 1)
    turns = np.exp(2j * np.pi * lags[:, None] * middles)
    coarse = np.abs(np.einsum("lf,f->l", turns, sums).real)
    padded = np.concatenate([[0.0], coarse, [0.0]])
    crests = (coarse >= padded[:-2]) & (coarse >= padded[2:]) & (coarse >= _RIVAL * coarse.max())
    best, largest = 0.0, -1.0
    for lag in sorted(lags[crests], key=abs):  # among equals the shortest lag
        climbed = _climb(cross, spacing_hz, float(lag), LARGEST_LAG_S / steps)
        value = abs(_derivatives(cross, spacing_hz, climbed)[0])
        if value > largest * (1.0 + 1e-9):
            best, largest = climbed, value
    return best


def _climb(cross: NDArray[np.complex128], spacing_hz: float, lag: float, step: float) -> float:
    """Extremum of the correlation next to a lag, by Newton's method; the lag itself where none is larger."""
    low, high = max(-LARGEST_LAG_S, lag - step), min(LARGEST_LAG_S, lag + step)
    position = lag
    begun = None
    value = 0.0
    for _ in range(5):
        value, slope, bend = _derivatives(cross, spacing_hz, position)
        if begun is None:
            begun = value
        if not value * bend < 0.0:  # no crest here: the way up leads to an end of the stretch
            break
        moved = float(np.clip(position - slope / bend, low, high))
        settled = abs(moved - position) < 1e-6 * step
        position = moved
        if settled:
            break
    value = _derivatives(cross, spacing_hz, position)[0]
    return position if begun is not None and abs(value) >= abs(begun) else lag


def _derivatives(cross: NDArray[np.complex128], spacing_hz: float, lag: float) -> tuple[float, float, float]:
    """Correlation at a lag in seconds, and its first and second derivative."""
    omega = np.arange(cross.size, dtype=np.float64)
    omega *= 2.0 * np.pi * spacing_hz
    turned = cross * np.exp(1j * omega * lag)
    return (
        float(turned.real.sum()),
        -inner(omega, turned.imag),
        -inner(omega * omega, turned.real),
    )
