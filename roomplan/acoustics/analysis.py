"""The figures of a response or of a composite: what the rest of the program calls.

Conventions
-----------
Responses are (frames, channels), float64 inside. Times in seconds, levels in dB, frequencies in hertz
(nominal). Band figures are ISO 3382-1 room acoustic quantities for music production: not for voice-alarm or
building-code assessment, and no figure here knows how a response was recorded (source directivity,
calibration).

A *composite* is what one listener gets: a dry impulse at frame 0 and everything wet after it. Its decay
times are those of the wet alone: with the impulse in, the step at time 0 would be taken for a decay.

Strength G and lateral fractions cannot come from an ordinary sound file: they need a calibrated source and
a figure-of-eight microphone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.bands import OCTAVE_CENTRES_HZ, band_edges, bandwidth, exact_mid_band, top_frequency
from roomplan.acoustics.checks import validate_rate, validate_response, validate_vector
from roomplan.acoustics.decay import decay_range, decay_times, schroeder_curve
from roomplan.acoustics.direct_sound import find_onset
from roomplan.acoustics.energy import energy_figures, split_energies
from roomplan.acoustics.figures import (
    BandFigures,
    DecayFigures,
    band_figures,
    dry_alone,
    no_band,
    nothing_measured,
    summarise,
)
from roomplan.acoustics.filterbank import band_envelopes, transform_length
from roomplan.acoustics.noise import find_truncation
from roomplan.acoustics.transforms import spectrum as to_spectrum
from roomplan.errors import RoomplanError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

__all__ = ["BandFigures", "DecayFigures", "measure_composite", "measure_response", "time_to_level"]

_SILENT = "the response is silent"
_LEAST_S = 0.01  # a response shorter than this holds no decay of any room
_LEAST_OFFSET_S = 0.01  # per half: shorter than this a constant is a part of the sound
_STEADY = 0.05
_FILTER_END = 3.0  # the filter looks ahead: within 3 / B of the record's end it sees less and less
_THREADS_FROM = 100_000  # frames × channels: below, starting threads costs more than they save


def measure_response(
    response: ArrayLike, *, sample_rate: float, centres_hz: Sequence[float] = OCTAVE_CENTRES_HZ
) -> tuple[DecayFigures, ...]:
    """Decay and energy figures of every channel by itself; time 0 is the channel's own onset.

    Parameters
    ----------
    response : array_like, shape (frames, channels)
        Impulse response.
    sample_rate : float
        In hertz.
    centres_hz : sequence of float
        Nominal octave mid-band frequencies.

    Returns
    -------
    tuple of DecayFigures
        One per channel.

    Raises
    ------
    RoomplanError
        For a wrong shape or rate, or an unknown band. Silence, NaN or too few frames give None with a
        reason.

    Notes
    -----
    What comes before the onset (ISO 3382-1: first sample within 20 dB of the peak) is dropped; a constant
    offset that outweighs the tail is removed. Not done: clipping is not looked for; A-weighting and third
    octaves are not offered here.
    """
    samples = validate_response(response)
    validate_rate(sample_rate)
    centres = _validate_centres(centres_hz)
    figures = []
    for channel in range(samples.shape[1]):
        column = np.ascontiguousarray(samples[:, channel])
        problem = _unusable(column[None], sample_rate)
        if problem is not None:
            figures.append(nothing_measured(centres, problem))
            continue
        column = _without_offset(column[None], sample_rate)
        onset = find_onset(column.T)
        if onset is None:
            figures.append(nothing_measured(centres, "the channel holds a constant only"))
            continue
        figures.append(_measure(column[:, onset:], None, float(sample_rate), centres, 0))
    return tuple(figures)


def measure_composite(
    wet: ArrayLike,
    *,
    dry: ArrayLike | None,
    sample_rate: float,
    weights: ArrayLike | None = None,
    centres_hz: Sequence[float] = OCTAVE_CENTRES_HZ,
) -> DecayFigures:
    """Figures of a dry impulse at frame 0 together with everything wet, energies summed over channels.

    Parameters
    ----------
    wet : array_like, shape (frames, channels)
        Sum of the responses as sent, frame 0 = arrival of the dry sound.
    dry : array_like, shape (channels,), or None
        Height of the dry impulse in each channel; None: wet alone, times still count from frame 0.
    sample_rate : float
        In hertz.
    weights : array_like, shape (channels,), optional
        Power weights >= 0 of the channels, 1 by default.
    centres_hz : sequence of float
        Nominal octave mid-band frequencies.

    Returns
    -------
    DecayFigures
        EDT, T20, T30 of the wet alone from its own onset; C80, D50, C50, centre time with the impulse in.

    Raises
    ------
    RoomplanError
        For a wrong shape, rate, band, dry or weights.

    Notes
    -----
    Not done: an early decay time with the impulse in (see the module), use `time_to_level` for that
    question.
    """
    samples = validate_response(wet)
    validate_rate(sample_rate)
    centres = _validate_centres(centres_hz)
    heights = validate_vector(dry, samples.shape[1], "dry")
    planar, heights = _weighted(samples, heights, weights)
    problem = _unusable(planar, sample_rate)
    if problem == _SILENT and heights is not None and heights.any():
        return dry_alone(centres, problem)
    if problem is not None:
        return nothing_measured(centres, problem)
    planar = _without_offset(planar, sample_rate)
    onset = find_onset(planar.T)
    if onset is None:
        return nothing_measured(centres, "the response holds a constant only")
    return _measure(planar, heights, float(sample_rate), centres, onset)


def time_to_level(
    wet: ArrayLike,
    *,
    dry: ArrayLike | None,
    sample_rate: float,
    weights: ArrayLike | None = None,
    level_db: float = -40.0,
) -> tuple[float | None, str | None]:
    """Time after frame 0 at which the broadband decay curve, dry impulse included, has fallen by a level.

    Parameters
    ----------
    wet, dry, sample_rate, weights
        As in `measure_composite`.
    level_db : float
        Below 0, such as -40.

    Returns
    -------
    tuple of (float or None, str or None)
        Time in seconds and None, or None and the reason.

    Notes
    -----
    Noise is subtracted and the energy missing after the end of the response is added as an exponential with
    the late slope; where the level lies so low that this exponential is more than half of the energy left,
    the time is not given. Interpolated between frames. Not done: no weighting by frequency.
    """
    samples = validate_response(wet)
    validate_rate(sample_rate)
    heights = validate_vector(dry, samples.shape[1], "dry")
    if not level_db < 0.0:
        raise RoomplanError(f"a level of {level_db} dB", remedy="name a level below 0 dB, such as -40")
    planar, heights = _weighted(samples, heights, weights)
    impulse = float(np.sum(heights**2)) if heights is not None else 0.0
    if planar.size and not np.isfinite(planar).all():
        return None, "the response holds values that are not numbers"
    if not planar.any():
        return (0.0, None) if impulse > 0.0 else (None, _SILENT)
    planar = _without_offset(planar, sample_rate)
    energy = np.einsum("cf,cf->f", planar, planar)
    onset = find_onset(planar.T) or 0
    found = find_truncation(energy[onset:], sample_rate=sample_rate)
    curve = schroeder_curve(energy[onset:], sample_rate=sample_rate, truncation=found)
    if curve.size == 0:
        return None, _SILENT
    # what precedes the onset is 20 dB under the peak: it counts, without a correction for noise
    ahead = energy[:onset]
    total = float(curve[0]) + float(ahead.sum()) + impulse
    if heights is not None:
        total += 2.0 * float(np.dot(heights, planar[:, 0]))  # amplitudes add at frame 0
    limit = total * 10.0 ** (level_db / 10.0)
    # a click with silence behind it falls by any level at once; anything else must be seen to decay
    click = found.content_end < _LEAST_S * sample_rate < energy.size - onset - found.content_end
    if found.late_decay_time_s is None and not click and total - impulse > limit:
        return None, f"no decay of {-level_db:.0f} dB can be seen in the response"
    if limit < 2.0 * found.tail_energy:
        reached = 10.0 * np.log10(found.tail_energy / total)
        what = "meets the noise" if found.ends_in_noise else "ends"
        return None, (
            f"the response {what} where the decay curve is {reached:.0f} dB down: "
            f"when {level_db:.0f} dB are reached cannot be known"
        )
    whole = np.concatenate([float(curve[0]) + np.cumsum(ahead[::-1])[::-1], curve])
    under = whole <= limit
    index = int(np.argmax(under)) if under.any() else whole.size
    if index in {0, whole.size}:
        return index / sample_rate, None
    before, after = whole[index - 1], max(whole[index], 1e-300)
    share = np.log(before / limit) / np.log(before / after) if before > after else 1.0
    return float((index - 1 + min(1.0, share)) / sample_rate), None


def _measure(
    planar: NDArray[np.float64],
    dry: NDArray[np.float64] | None,
    sample_rate: float,
    centres: tuple[float, ...],
    onset: int,
) -> DecayFigures:
    """Figures of finite, sounding samples (channels, frames); time 0 is frame 0, decays start at `onset`."""
    usable = tuple(c for c in centres if top_frequency(c, sample_rate=sample_rate) is not None)
    frames = planar.shape[1]
    results: dict[float, BandFigures] = {}
    if usable:
        workers = 2 if planar.shape[0] > 1 and planar.size >= _THREADS_FROM else 1
        length = transform_length(frames, sample_rate=sample_rate, lowest_hz=min(usable))
        spectrum = to_spectrum(planar, length, workers=workers)
        bands = [
            band_envelopes(
                spectrum, length=length, sample_rate=sample_rate, centre_hz=centre, workers=workers
            )
            for centre in usable
        ]
        energies = [
            np.einsum("cf,cf->f", b.envelope.real, b.envelope.real)
            + np.einsum("cf,cf->f", b.envelope.imag, b.envelope.imag)
            for b in bands
        ]
        split = split_energies(
            planar,
            dry=dry,
            sample_rate=sample_rate,
            centres_hz=usable,
            totals=np.array([energy.sum() for energy in energies]),
        )
        for index, (centre, band, energy) in enumerate(zip(usable, bands, energies, strict=True)):
            kernel = band.kernel
            width = bandwidth(centre)
            start = int(np.ceil(onset / sample_rate * kernel.rate - 1e-9))
            content = min(kernel.length, int(np.ceil(frames / sample_rate * kernel.rate)))
            blind = round(_FILTER_END / width * kernel.rate)
            seen = max(start + 1, content - blind)
            decay = energy[start:seen]
            truncation = find_truncation(decay, sample_rate=kernel.rate)
            curve = schroeder_curve(decay, sample_rate=kernel.rate, truncation=truncation)
            ahead = float(energy[content:].sum() + energy[:start].sum())
            total = (float(curve[0]) if curve.size else 0.0) + ahead
            span = decay_range(curve, tail_energy=truncation.tail_energy, total=total)
            times = decay_times(
                curve,
                sample_rate=kernel.rate,
                decay_range_db=span,
                bandwidth_hz=width,
                total=total,
                lead_s=band.lead_s,
            )
            figures = energy_figures(
                band,
                energy,
                dry=dry,
                truncation=truncation,
                onset=start,
                content=content,
                early=split.early_with_dry[:, index],
                late=split.late[:, index],
            )
            results[centre] = band_figures(centre, times, figures)
    for centre in centres:
        if centre not in results:
            _, high = band_edges(centre)
            results[centre] = no_band(
                centre,
                f"the band at {centre:g} Hz reaches above half the sample rate: it takes {2 * high:.0f} Hz",
            )
    return summarise(tuple(results[centre] for centre in centres))


def _validate_centres(centres_hz: Sequence[float]) -> tuple[float, ...]:
    for centre in centres_hz:
        exact_mid_band(centre)
    return tuple(float(centre) for centre in centres_hz)


def _weighted(
    samples: NDArray[np.float64], dry: NDArray[np.float64] | None, weights: ArrayLike | None
) -> tuple[NDArray[np.float64], NDArray[np.float64] | None]:
    """Planar samples and dry heights with the power weights in."""
    factors = validate_vector(weights, samples.shape[1], "weights")
    if factors is None:
        return np.ascontiguousarray(samples.T), dry
    if (factors < 0.0).any():
        raise RoomplanError(f"a channel weight of {factors.min():g}", remedy="power weights are 0 or more")
    root = np.sqrt(factors)
    return np.ascontiguousarray(samples.T) * root[:, None], None if dry is None else dry * root


def _unusable(planar: NDArray[np.float64], sample_rate: float) -> str | None:
    """Why nothing can be measured, or None."""
    if planar.shape[0] == 0:
        return "the response has no channel"
    if planar.size and not np.isfinite(planar).all():
        return "the response holds values that are not numbers"
    if not planar.any():
        return _SILENT
    if planar.shape[1] < _LEAST_S * sample_rate:
        return f"the response is only {1000 * planar.shape[1] / sample_rate:.1f} ms long"
    return None


def _without_offset(planar: NDArray[np.float64], sample_rate: float) -> NDArray[np.float64]:
    """Remove a constant that makes up more than a quarter of the power of the sound's last quarter.

    It must be as strong in both halves of that quarter: a decay without a carrier is no offset.
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
