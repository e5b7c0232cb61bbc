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

from roomplan.acoustics.band_decay import decay_of_band, energies_of_band, figures_of_band
from roomplan.acoustics.bands import OCTAVE_CENTRES_HZ, band_edges, exact_mid_band
from roomplan.acoustics.checks import validate_rate, validate_response, validate_vector
from roomplan.acoustics.decay import schroeder_curve
from roomplan.acoustics.energies import (
    SILENT,
    SoundEnergies,
    add_energies,
    broadband_energies,
    channel_energies,
    energies_of,
)
from roomplan.acoustics.figures import (
    FIGURES,
    MID_OCTAVES_HZ,
    BandFigures,
    DecayFigures,
    MeanFigure,
    dry_alone,
    mean_over_bands,
    no_band,
    nothing_measured,
    summarise,
)
from roomplan.acoustics.filters import BandPass
from roomplan.acoustics.noise import find_truncation
from roomplan.errors import RoomplanError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from roomplan.acoustics.filters import Filter

__all__ = [
    "BandFigures",
    "DecayFigures",
    "SoundEnergies",
    "add_energies",
    "composite_energies",
    "decay_of_energies",
    "level_time_of_energies",
    "measure_composite",
    "measure_response",
    "time_to_level",
]

_LEAST_S = 0.01  # a response shorter than this holds no decay of any room


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
    offset that outweighs the tail is removed; 60 s from the onset on are looked at. Not done: clipping is
    not looked for; A-weighting and third octaves are not offered here.
    """
    samples = validate_response(response)
    validate_rate(sample_rate)
    filters = octave_filters(centres_hz)
    figures = []
    for channel in range(samples.shape[1]):
        sound = channel_energies(samples[:, channel], sample_rate=float(sample_rate), filters=filters)
        figures.append(decay_of_energies(sound, centres_hz=centres_hz, with_dry=False))
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
    sound = composite_energies(wet, dry=dry, sample_rate=sample_rate, weights=weights, centres_hz=centres_hz)
    return decay_of_energies(sound, centres_hz=centres_hz, with_dry=dry is not None)


def composite_energies(
    wet: ArrayLike,
    *,
    dry: ArrayLike | None,
    sample_rate: float,
    weights: ArrayLike | None = None,
    centres_hz: Sequence[float] = OCTAVE_CENTRES_HZ,
    frames: int | None = None,
) -> SoundEnergies:
    """Energies of a composite, for `add_energies`, `decay_of_energies` and `level_time_of_energies`.

    Parameters
    ----------
    wet, dry, sample_rate, weights, centres_hz
        As in `measure_composite`.
    frames : int, optional
        Length to count the sound as; sounds that are to be added need the same.
    """
    samples = validate_response(wet)
    validate_rate(sample_rate)
    filters = octave_filters(centres_hz)
    planar, heights = _weighted(samples, validate_vector(dry, samples.shape[1], "dry"), weights)
    return energies_of(planar, heights, sample_rate=float(sample_rate), filters=filters, frames=frames)


def decay_of_energies(
    sound: SoundEnergies, *, centres_hz: Sequence[float] = OCTAVE_CENTRES_HZ, with_dry: bool
) -> DecayFigures:
    """Figures of a composite from its energies; `with_dry` counts the impulse in C80, D50 and centre time."""
    filters = octave_filters(centres_hz)
    if sound.problem is not None:
        if sound.problem == SILENT and with_dry and sound.has_dry:
            return dry_alone(filters, sound.problem)
        absent = frozenset(FIGURES) if sound.problem == SILENT else frozenset()
        return nothing_measured(filters, sound.problem, absent=absent)
    return summarise(figures_of_filters(sound, filters, with_dry=with_dry))


def mid_energy_figure(sound: SoundEnergies, key: str, *, with_dry: bool) -> MeanFigure:
    """C50, C80, D50 or centre time of the mid octaves alone, as `decay_of_energies` finds it.

    Parameters
    ----------
    sound : SoundEnergies
        Without a `problem`, and with the octaves 500 and 1000 Hz unless the rate is too low for them.
    key : str
        Such as `c80_db`.
    """
    filters = octave_filters(MID_OCTAVES_HZ)
    return mean_over_bands(
        key,
        [
            (
                look.centre_hz,
                energies_of_band(sound, look, with_dry=with_dry)
                if look in sound.bands
                else no_band(look.centre_hz, rate_too_low(look), label=look.label),
            )
            for look in filters
        ],
    )


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
    planar, heights = _weighted(samples, validate_vector(dry, samples.shape[1], "dry"), weights)
    sound = broadband_energies(planar, heights, sample_rate=float(sample_rate))
    return level_time_of_energies(sound, with_dry=heights is not None, level_db=level_db)


def level_time_of_energies(
    sound: SoundEnergies, *, with_dry: bool, level_db: float = -40.0
) -> tuple[float | None, str | None]:
    """As `time_to_level`, from energies."""
    if not level_db < 0.0:
        raise RoomplanError(f"a level of {level_db} dB", remedy="name a level below 0 dB, such as -40")
    impulse = sound.impulse if with_dry else 0.0
    energy, onset, sample_rate = sound.broadband, sound.onset, sound.sample_rate
    if not energy.any():
        if sound.problem is not None and sound.problem != SILENT:
            return None, sound.problem
        return (0.0, None) if impulse > 0.0 else (None, SILENT)
    found = find_truncation(energy[onset:], sample_rate=sample_rate)
    curve = schroeder_curve(energy[onset:], sample_rate=sample_rate, truncation=found)
    if curve.size == 0:
        return None, SILENT
    # what precedes the onset is 20 dB under the peak: it counts, without a correction for noise
    ahead = energy[:onset]
    total = float(curve[0]) + float(ahead.sum()) + impulse
    if with_dry:
        total += sound.meeting
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
            f"when {level_db:.0f} dB are reached cannot be determined"
        )
    whole = np.concatenate([float(curve[0]) + np.cumsum(ahead[::-1])[::-1], curve])
    under = whole <= limit
    index = int(np.argmax(under)) if under.any() else whole.size
    if index in {0, whole.size}:
        return index / sample_rate, None
    before, after = whole[index - 1], max(whole[index], 1e-300)
    share = np.log(before / limit) / np.log(before / after) if before > after else 1.0
    return float((index - 1 + min(1.0, share)) / sample_rate), None


def octave_filters(centres_hz: Sequence[float]) -> tuple[BandPass, ...]:
    """Octave filters at nominal mid-band frequencies; raises for an unknown one."""
    for centre in centres_hz:
        exact_mid_band(centre)
    return tuple(BandPass(float(centre)) for centre in centres_hz)


def figures_of_filters(
    sound: SoundEnergies, filters: Sequence[Filter], *, with_dry: bool
) -> tuple[BandFigures, ...]:
    """Figures of a sound that can be measured, one for each filter."""
    return tuple(
        figures_of_band(decay_of_band(sound, look), with_dry=with_dry)
        if look in sound.bands
        else no_band(look.centre_hz, rate_too_low(look), label=look.label)
        for look in filters
    )


def rate_too_low(look: Filter) -> str:
    """Why a filter shows nothing of a sound: its band reaches above half the sample rate."""
    least = (look.centre_hz or 0.0) * 2.0
    if isinstance(look, BandPass):
        least = 2.0 * band_edges(look.centre_hz, fraction=look.fraction)[1]
    return f"the band at {look.label} reaches above half the sample rate: it takes {least:.0f} Hz"


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
