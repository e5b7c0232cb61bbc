"""Everything that can be said of one impulse response: what `roomplan measure` prints, as a library call.

Conventions
-----------
Responses are (frames, channels). Each channel is measured by itself, its own onset is time 0. Figures are for
music production: not for voice-alarm or building-code assessment.

Not done, because no ordinary sound file can give it: strength G and lateral fractions need a calibrated
source and a figure-of-eight microphone beside the omnidirectional one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.analysis import rate_too_low
from roomplan.acoustics.band_decay import decay_of_band, figures_of_band
from roomplan.acoustics.checks import validate_rate, validate_response
from roomplan.acoustics.correlation import inter_channel_correlation
from roomplan.acoustics.curves import decay_curve, no_curve
from roomplan.acoustics.decay import fit_decay
from roomplan.acoustics.defects import doubtful_beginning, find_clipping
from roomplan.acoustics.double_slope import find_double_slope
from roomplan.acoustics.energies import channel_energies
from roomplan.acoustics.figures import (
    MID_OCTAVES_HZ,
    MID_THIRDS_HZ,
    mark,
    no_band,
    nothing_measured,
    summarise,
)
from roomplan.acoustics.filters import A_WEIGHTED, BROADBAND, BandPass, octaves
from roomplan.acoustics.speech import (
    SPEECH_BANDS_HZ,
    modulation_transfer,
    speech_transmission_index,
    transfer_problem,
    transfer_under_levels,
    uncertainty_of_index,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import ArrayLike, NDArray

    from roomplan.acoustics.band_decay import BandDecay
    from roomplan.acoustics.correlation import BandCorrelation
    from roomplan.acoustics.curves import DecayCurve
    from roomplan.acoustics.doubt import Verdict
    from roomplan.acoustics.figures import BandFigures, DecayFigures
    from roomplan.acoustics.filters import Filter
    from roomplan.acoustics.speech import SpeechSpectrum

__all__ = [
    "ChannelFigures",
    "ResponseFigures",
    "SpeechEstimate",
    "analyse_response",
    "response_curves",
]

_SPEECH_OCTAVES = tuple(BandPass(float(centre)) for centre in SPEECH_BANDS_HZ)
_EARLY = ("edt_s", "c50_db", "c80_db", "d50", "centre_time_s")  # what hangs on where time 0 is
_LIKE_FROM_HZ, _LIKE_TO_HZ = 125.0, 4000.0  # ISO 3382-1:2009, Annex B: octaves from 125 Hz to 4 kHz
_LARGEST_SCATTER = 0.06  # two just-noticeable differences of 0.03 (Bradley et al. 1999, from memory)


@dataclass(frozen=True, slots=True)
class SpeechEstimate:
    """Speech transmission index (IEC 60268-16, indirect method) as an estimate of word clarity for mixing.

    Attributes
    ----------
    value : float or None
        0 to 1.
    uncertainty : float or None
        One standard deviation by chance.
    qualification : str or None
        "bad" to "excellent".
    verdict : "good", "doubtful" or "unusable"
    reason : str or None
    """

    value: float | None
    uncertainty: float | None
    qualification: str | None
    verdict: Verdict
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class ChannelFigures:
    """Figures of one channel: per band, over the whole range, A-weighted, and the speech index."""

    decay: DecayFigures
    broadband: BandFigures
    a_weighted: BandFigures
    speech: SpeechEstimate


@dataclass(frozen=True, slots=True)
class ResponseFigures:
    """Figures of a response.

    Attributes
    ----------
    channels : tuple of ChannelFigures
    correlation : tuple of BandCorrelation
        Early and late inter-channel correlation of a two-channel response per band from 125 Hz to 4 kHz, else
        empty. Its magnitude is IACC only where the response is binaural.
    """

    channels: tuple[ChannelFigures, ...]
    correlation: tuple[BandCorrelation, ...]


def analyse_response(
    response: ArrayLike,
    *,
    sample_rate: float,
    filters: Sequence[BandPass] | None = None,
    spectrum: SpeechSpectrum | None = None,
) -> ResponseFigures:
    """Measure every channel of a response, and the likeness of two.

    Parameters
    ----------
    response : array_like, shape (frames, channels)
        Impulse response, full scale 1.
    sample_rate : float
        In hertz.
    filters : sequence of BandPass, optional
        Bands to measure, all octaves or all thirds; octaves from 31.5 Hz to 16 kHz by default.
    spectrum : SpeechSpectrum, optional
        Levels of speech and noise for the speech index; without one neither noise nor masking count.

    Returns
    -------
    ResponseFigures

    Raises
    ------
    RoomplanError
        For a wrong shape or rate, or a band that does not exist.

    Notes
    -----
    Nothing legal raises: silence, NaN or too few frames give figures of None with a reason. What comes before
    the onset is dropped, and 60 s from it on are looked at. Clipping, and a beginning that may not be the
    direct sound, make figures doubtful.
    """
    samples = validate_response(response)
    validate_rate(sample_rate)
    wanted = octaves() if filters is None else tuple(filters)
    channels = tuple(
        _channel(samples[:, index], float(sample_rate), wanted, spectrum) for index in range(samples.shape[1])
    )
    correlation = ()
    if samples.shape[1] == 2 and wanted:
        correlation = inter_channel_correlation(
            samples,
            sample_rate=sample_rate,
            centres_hz=[c for c in (look.centre_hz for look in wanted) if _LIKE_FROM_HZ <= c <= _LIKE_TO_HZ],
            fraction=wanted[0].fraction,
        )
    return ResponseFigures(channels, correlation)


def response_curves(
    response: ArrayLike, *, sample_rate: float, filters: Sequence[BandPass] | None = None
) -> tuple[tuple[DecayCurve, ...], ...]:
    """Decay curves of every channel and band, as a picture needs them.

    Parameters
    ----------
    response, sample_rate, filters
        As in `analyse_response`.

    Returns
    -------
    tuple of tuple of DecayCurve
        One for each channel and filter; empty ones where nothing can be measured.
    """
    samples = validate_response(response)
    validate_rate(sample_rate)
    wanted = octaves() if filters is None else tuple(filters)
    result = []
    for index in range(samples.shape[1]):
        sound = channel_energies(samples[:, index], sample_rate=float(sample_rate), filters=wanted)
        result.append(
            tuple(
                decay_curve(decay_of_band(sound, look)) if look in sound.bands else no_curve(look)
                for look in wanted
            )
        )
    return tuple(result)


def _channel(
    column: NDArray[np.float64],
    sample_rate: float,
    filters: tuple[BandPass, ...],
    spectrum: SpeechSpectrum | None,
) -> ChannelFigures:
    looks: tuple[Filter, ...] = tuple(dict.fromkeys([*filters, *_SPEECH_OCTAVES, BROADBAND, A_WEIGHTED]))
    sound = channel_energies(column, sample_rate=sample_rate, filters=looks)
    if sound.problem is not None:
        reason = sound.problem
        return ChannelFigures(
            nothing_measured(filters, reason),
            no_band(None, reason, label=BROADBAND.label),
            no_band(None, reason, label=A_WEIGHTED.label),
            SpeechEstimate(None, None, None, "unusable", reason),
        )
    clipped = find_clipping(column)
    beginning = doubtful_beginning(np.sqrt(sound.broadband), sample_rate=sample_rate)
    decays = {look: decay_of_band(sound, look) for look in sound.bands}

    def figures(look: Filter) -> BandFigures:
        if look not in decays:
            return no_band(look.centre_hz, rate_too_low(look), label=look.label)
        found = decays[look]
        result = figures_of_band(found, with_dry=False)
        if isinstance(look, BandPass):  # over a wide range decay times differ: that is no double slope
            slope = find_double_slope(
                found.decay,
                sample_rate=found.rate,
                truncation=found.truncation,
                bandwidth_hz=found.band.bandwidth_hz,
            )
            result = replace(result, double_slope=slope)
        if clipped is not None:
            result = mark(result, f"clipped from frame {clipped} on")
        if beginning is not None:
            result = mark(result, beginning, _EARLY)
        return result

    thirds = any(look.fraction == 3 for look in filters)
    mid = MID_THIRDS_HZ if thirds else MID_OCTAVES_HZ
    return ChannelFigures(
        summarise(tuple(figures(look) for look in filters), mid_centres_hz=mid),
        figures(BROADBAND),
        figures(A_WEIGHTED),
        _speech(decays, spectrum, clipped=clipped is not None),
    )


def _speech(
    decays: Mapping[Filter, BandDecay], spectrum: SpeechSpectrum | None, *, clipped: bool
) -> SpeechEstimate:
    transfer, times = [], []
    for look in _SPEECH_OCTAVES:
        if look not in decays:
            return SpeechEstimate(None, None, None, "unusable", rate_too_low(look))
        found = decays[look]
        parts = {"truncation": found.truncation, "ahead": found.band.ahead, "onset": found.start}
        problem = transfer_problem(found.band.envelope, **parts)
        if problem is not None:
            return SpeechEstimate(None, None, None, "unusable", f"{look.label}: {problem}")
        transfer.append(modulation_transfer(found.band.envelope, rate=found.rate, **parts))
        early = fit_decay(
            found.curve, sample_rate=found.rate, upper_db=0.0, lower_db=-10.0, total=found.total
        )
        times.append(early.decay_time_s if early else found.truncation.late_decay_time_s)
    index = speech_transmission_index(transfer, spectrum=spectrum)
    heard = transfer if spectrum is None else transfer_under_levels(transfer, spectrum)
    uncertainty = None
    if None not in times:
        uncertainty = uncertainty_of_index(heard, times, [look.bandwidth_hz for look in _SPEECH_OCTAVES])
    reasons = []
    if clipped:
        reasons.append("the response is clipped")
    if uncertainty is not None and uncertainty > _LARGEST_SCATTER:
        reasons.append("chance alone moves it by more than two just-noticeable steps")
    return SpeechEstimate(
        index.value,
        uncertainty,
        index.qualification,
        "doubtful" if reasons else "good",
        "; ".join(reasons) or None,
    )
