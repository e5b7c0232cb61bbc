"""Everything that can be said of one impulse response: what `roomplan measure` prints, as a library call.

Conventions
-----------
Responses are (frames, channels). Each channel is measured by itself, its own onset is time 0. Figures are for
music production: not for voice-alarm or building-code assessment.

Not done, because no ordinary sound file can give it: strength G and lateral fractions need a calibrated
source and a figure-of-eight microphone beside the omnidirectional one.

Measured
--------
Not found: a fade over the whole record (a linear one of 2 s reads 15 to 18 % short), gradual gates, a
wandering offset, noise that itself decays (it shows as a bent end of the curve in the picture).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from roomplan.acoustics.analysis import rate_too_low
from roomplan.acoustics.band_decay import (
    bumps_of_band,
    decay_of_band,
    figures_moved_by,
    figures_of_band,
)
from roomplan.acoustics.bumps import is_hidden, seen_together, unmistakable
from roomplan.acoustics.checks import validate_rate, validate_response
from roomplan.acoustics.correlation import inter_channel_correlation
from roomplan.acoustics.curves import decay_curve, no_curve
from roomplan.acoustics.decay import fit_decay
from roomplan.acoustics.defects import (
    doubtful_beginning,
    find_clipping,
    find_drop_out,
    find_flat_tops,
    share_ahead,
    swelling_beginning,
)
from roomplan.acoustics.double_slope import DecayToJudge, find_double_slopes
from roomplan.acoustics.energies import channel_energies
from roomplan.acoustics.figures import (
    FIGURES,
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
    from roomplan.acoustics.double_slope import DoubleSlope
    from roomplan.acoustics.doubt import Verdict
    from roomplan.acoustics.energies import SoundEnergies
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
_LARGEST_AHEAD = (
    0.05  # of the energy; more moves C80 by up to a quarter of a decibel (the project's own limit)
)
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

    Raises
    ------
    RoomplanError
        For a wrong shape or rate, or a band that does not exist.

    Notes
    -----
    Nothing legal raises: silence, NaN or too few frames give figures of None with a reason. What comes before
    the onset is dropped, and 60 s from it on are looked at. Clipping, a drop-out, sounds that rise over the
    decay, and a beginning that may not be the direct sound, make figures doubtful.
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
    decays = {look: decay_of_band(sound, look) for look in sound.bands}
    defects = _defects(column, sound, decays[BROADBAND])
    measured = {look: figures_of_band(found, with_dry=False) for look, found in decays.items()}
    foreign = _foreign_sounds(decays, measured)
    slopes = _double_slopes(decays, filters)

    def figures(look: Filter) -> BandFigures:
        if look not in decays:
            return no_band(look.centre_hz, rate_too_low(look), label=look.label)
        result = measured[look]
        if look in slopes:
            result = replace(result, double_slope=slopes[look])
        for defect in (*defects, *foreign[look]):
            result = mark(result, defect.what, defect.keys)
        return result

    thirds = any(look.fraction == 3 for look in filters)
    mid = MID_THIRDS_HZ if thirds else MID_OCTAVES_HZ
    return ChannelFigures(
        summarise(tuple(figures(look) for look in filters), mid_centres_hz=mid),
        figures(BROADBAND),
        figures(A_WEIGHTED),
        _speech(decays, spectrum, [defect.what for defect in defects if defect.keys == FIGURES]),
    )


def _double_slopes(
    decays: Mapping[Filter, BandDecay], filters: Sequence[BandPass]
) -> dict[Filter, DoubleSlope | None]:
    """Double slopes of bands: over a wide range decay times differ, which makes none."""
    there: list[Filter] = [look for look in filters if look in decays]
    found = [decays[look] for look in there]
    slopes = find_double_slopes(
        [DecayToJudge(each.decay, each.rate, each.truncation, each.band.bandwidth_hz) for each in found]
    )
    return dict(zip(there, slopes, strict=True))


class _Defect(NamedTuple):
    """What is wrong with a channel as a recording, and the figures that hang on it."""

    what: str
    keys: tuple[str, ...]


def _defects(column: NDArray[np.float64], sound: SoundEnergies, whole: BandDecay) -> tuple[_Defect, ...]:
    """What is wrong with a channel beyond its bands."""
    found: list[_Defect] = []
    clipped = find_clipping(column)
    if clipped is not None:
        found.append(_Defect(f"clipped from frame {clipped} on", FIGURES))
    elif (flat := find_flat_tops(column)) is not None:
        found.append(_Defect(f"flat tops from frame {flat} on: clipped, then turned down?", FIGURES))
    onset = sound.dropped.size
    missing = find_drop_out(column[onset : onset + sound.broadband.size], sample_rate=sound.sample_rate)
    if missing is not None:
        at_s, length_s = missing
        found.append(
            _Defect(
                f"a drop-out: {1000.0 * length_s:.0f} ms of sound are missing {at_s:.2f} s after the onset",
                FIGURES,
            )
        )
    noise_power = whole.truncation.noise_power * whole.rate / sound.sample_rate
    ahead = share_ahead(sound.dropped, sound.broadband, noise_power=noise_power)
    if ahead >= _LARGEST_AHEAD:
        what = (
            f"{100.0 * ahead:.0f} % of the energy comes before the sound taken as the onset: "
            "is it the direct sound?"
        )
        found.append(_Defect(what, _EARLY))
    beginning = doubtful_beginning(np.sqrt(sound.broadband), sample_rate=sound.sample_rate)
    if beginning is not None:
        found.append(_Defect(beginning, _EARLY))
    elif (swell := swelling_beginning(sound.broadband, sample_rate=sound.sample_rate)) is not None:
        found.append(_Defect(swell, _EARLY))
    return tuple(found)


def _foreign_sounds(
    decays: Mapping[Filter, BandDecay], measured: Mapping[Filter, BandFigures]
) -> dict[Filter, tuple[_Defect, ...]]:
    """Of each band, the sound over its decay without which some of its figures would be others.

    A band too narrow to show the sound shares the doubt of two octaves that do.
    """
    octave_bands = [look for look in decays if isinstance(look, BandPass) and look.fraction == 1]
    bumps = seen_together({look: bumps_of_band(found) for look, found in decays.items()}, octave_bands)
    clear = unmistakable(bumps)
    moved = {
        look: figures_moved_by(some, clear, decays[look], measured[look]) for look, some in bumps.items()
    }
    largest = {
        look: max(some or clear, key=lambda each: each.excess_db)
        for look, some in bumps.items()
        if some or clear
    }
    witnesses = [look for look in _SPEECH_OCTAVES if moved.get(look)]
    result: dict[Filter, tuple[_Defect, ...]] = {}
    for look, found in decays.items():
        width = found.band.bandwidth_hz
        others = [each for each in witnesses if is_hidden(largest[each], bandwidth_hz=width)]
        shared = [key for key in FIGURES if sum(key in moved[each] for each in others) > 1]
        keys = tuple(key for key in FIGURES if key in moved[look] or key in shared)
        if not keys:
            result[look] = ()
            continue
        bump = largest[look] if moved[look] else largest[others[0]]
        what = (
            f"a sound {1000.0 * bump.start_s:.0f} ms after the onset rises {bump.excess_db:.0f} dB over the "
            "decay: an echo, a click, a slam?"
        )
        result[look] = (_Defect(what, keys),)
    return result


def _speech(
    decays: Mapping[Filter, BandDecay], spectrum: SpeechSpectrum | None, defects: Sequence[str]
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
    reasons = list(defects)
    if uncertainty is not None and uncertainty > _LARGEST_SCATTER:
        reasons.append("chance alone moves it by more than two just-noticeable differences")
    return SpeechEstimate(
        index.value,
        uncertainty,
        index.qualification,
        "doubtful" if reasons else "good",
        "; ".join(reasons) or None,
    )
