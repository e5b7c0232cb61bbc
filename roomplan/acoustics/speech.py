"""Speech transmission index of a response by the indirect method: an estimate of word clarity for mixing.

Not for voice-alarm or building-code assessment: those need a calibrated talker at a listener's place, and the
limits a response must keep for them are not checked here.

Conventions
-----------
A *transfer* is the modulation transfer of the seven octave bands, shape (7, 14): rows in the order of
`SPEECH_BANDS_HZ`, columns in that of `MODULATION_HZ`, values 0 to 1. Energies are those of a decimated band
envelope, shape (frames,). Frame i counts with the phase of the time i / rate: a *sample* of the envelope
there, as the filters give it. Frames that are sums of neighbouring samples lie later by the same constant
everywhere, which changes no magnitude (what lies ahead must be on the same grid). The missing tail is summed
over the frames it would fill. An ideal jump at time 0 with an exponential behind it comes out as a geometric
sum, by about a / 2 rate beside the integral (a = 1 / τ); band signals have no jumps.

Symbols: m(F) modulation transfer at modulation frequency F, ω = 2πF, T reverberation time, τ = T / 13.8155
time constant of the energy, k octave band.

Sources
-------
IEC 60268-16:2020 (fifth edition) and :2011 (fourth), second-hand throughout (libraries and public
transcriptions that cite the clauses; the standard itself was not read): 6.1 transfer from a response
(Schroeder 1981, "Modulation transfer functions: definition and measurement", Acustica 49), 6.2 least
signal-to-noise ratio, A.2.2 modulation frequencies, A.5.3 noise, masking and threshold, A.5.4-A.5.6 index,
Tables A.1-A.4 (numbers of the fourth edition). The fifth edition changed the speech spectrum only (A.6.1) and
dropped the weights for female speech, which are left out here too.

Measured
--------
Within 6e-5 of the tabled values, within 1e-9 of pyrato on the same band signals. Its masking takes the masked
band's own level, the standard's Annex A the total level of the next lower band: the worked example of the
annex decides for ours. Noise in a single band can raise the index by up to 0.05, because redundancy falls
faster: so the standard.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from roomplan.errors import RoomplanError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from roomplan.acoustics.noise import Truncation

__all__ = [
    "MODULATION_HZ",
    "NORMAL_SPEECH_DB",
    "SPEECH_BANDS_HZ",
    "SpeechIndex",
    "SpeechSpectrum",
    "modulation_transfer",
    "qualify",
    "speech_transmission_index",
    "transfer_problem",
    "transfer_under_levels",
    "transfer_with_noise",
    "uncertainty_of_index",
]

SPEECH_BANDS_HZ = (125, 250, 500, 1000, 2000, 4000, 8000)
"""Nominal octave mid-band frequencies (IEC 60268-16:2011, A.5.1.2)."""

MODULATION_HZ = (0.63, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0, 10.0, 12.5)
"""Modulation frequencies, thirds of an octave (IEC 60268-16:2011, A.2.2)."""

BAND_WEIGHTS = (0.085, 0.127, 0.230, 0.233, 0.309, 0.224, 0.173)
"""Alpha, male speech, per band (IEC 60268-16:2011, Table A.3)."""

REDUNDANCY_WEIGHTS = (0.085, 0.078, 0.065, 0.011, 0.047, 0.095)
"""Beta, male speech, between band k and k + 1 (IEC 60268-16:2011, Table A.3)."""

RECEPTION_THRESHOLD_DB = (46.0, 27.0, 12.0, 6.5, 7.5, 8.0, 12.0)
"""Absolute speech reception threshold per band, dB SPL (IEC 60268-16:2011, Table A.2)."""

NORMAL_SPEECH_DB = (57.5, 60.5, 60.0, 54.0, 48.0, 42.0, 36.0)
"""Octave levels of male speech at 60 dB(A), dB SPL.

Shape: IEC 60268-16:2020, A.6.1 (second-hand, one source; the 2011 edition has 5.4 and 2.4 dB more at 125 and
250 Hz and 0.8 dB less elsewhere). 60 dB(A) at 1 m is normal vocal effort (ISO 9921:2003, from memory).
"""

# lower limits (IEC 60268-16:2003 and ISO 9921:2003, second-hand; later editions use letters instead)
_QUALIFICATIONS = ((0.75, "excellent"), (0.60, "good"), (0.45, "fair"), (0.30, "poor"), (-np.inf, "bad"))
_LEAST_RANGE_DB = 20.0  # IEC 60268-16:2011, 6.2 c
_NO_DECAY = "there is no decay but noise"
_NOTHING = 1e-9  # share of the energy: 90 dB down is the filter's own ringing, not sound
_LIMIT_DB = 15.0  # IEC 60268-16:2011, A.5.4: effective signal-to-noise ratios beyond ±15 dB count as these
_NEPER_60_DB = 6.0 * np.log(10.0)  # 13.8155: energy falls by 60 dB
_SHAPE = (len(SPEECH_BANDS_HZ), len(MODULATION_HZ))
_OMEGA = 2.0 * np.pi * np.array(MODULATION_HZ)
_ALPHA = np.array(BAND_WEIGHTS)
_BETA = np.array(REDUNDANCY_WEIGHTS)
# a Butterworth band-pass of order 2n is to noise what a rectangle 2n / (2n - 1) (π/2n) / sin(π/2n) times its
# width would be, (∫|H|²)² / ∫|H|⁴; n = 3, as the octave filters here
_STATISTICAL_WIDTH = 6.0 / 5.0 * (np.pi / 6.0) / np.sin(np.pi / 6.0)
# ∫|H_1 H_2|² / √(∫|H_1|⁴ ∫|H_2|⁴) of two neighbouring octave filters of this kind, by quadrature
_SHARED = 0.116


@dataclass(frozen=True, slots=True)
class SpeechSpectrum:
    """What reaches the listener's ear per octave band of `SPEECH_BANDS_HZ`.

    Attributes
    ----------
    speech_db : tuple of 7 float
        Level of the speech, dB SPL.
    noise_db : tuple of 7 float
        Level of the noise, dB SPL; -inf is no noise.
    """

    speech_db: tuple[float, ...] = NORMAL_SPEECH_DB
    noise_db: tuple[float, ...] = (-np.inf,) * len(SPEECH_BANDS_HZ)


@dataclass(frozen=True, slots=True)
class SpeechIndex:
    """Speech transmission index.

    Attributes
    ----------
    value : float
        0 (no word understood) to 1.
    modulation_transfer_index : tuple of 7 float
        The same per octave band, 0 to 1.
    qualification : str
        "bad", "poor", "fair", "good" or "excellent".
    """

    value: float
    modulation_transfer_index: tuple[float, ...]
    qualification: str


def modulation_transfer(
    energy: NDArray[np.float64],
    *,
    rate: float,
    truncation: Truncation,
    ahead: NDArray[np.float64],
    onset: int = 0,
) -> NDArray[np.float64]:
    """Modulation transfer of one octave band, |∫ h² e^(-jωt) dt| / ∫ h² dt.

    Parameters
    ----------
    energy : ndarray of float64, shape (frames,)
        |envelope|² of the band, summed over channels; frame 0 is time 0.
    rate : float
        Frames per second.
    truncation : Truncation
        Of `energy[onset:]`: the noise is subtracted, the decay cut at the crosspoint and the exponential that
        is missing there added.
    ahead : ndarray of float64, shape (n,)
        Energy at negative times, the last one just before time 0: what a filter run backwards rings ahead.
        It counts at its own times.
    onset : int
        Frame at which the decay was started.

    Returns
    -------
    ndarray of float64, shape (14,)
        0 to 1 at `MODULATION_HZ`; noise-subtracted sums that go beyond are clipped. 0 for silence: ask
        `transfer_problem` before a transfer is believed.

    Notes
    -----
    One decay of a narrow band is a random thing: on average its transfer is √(m² + 1 / (2 B τ)) rather than
    m, which makes the index of a decaying noise 0.001, 0.002 and 0.005 higher than the formula 1 / √(1 +
    (ωτ)²) says for T of 1, 2 and 4 s. Not done: neither that nor the smearing by the band filter (0.96 at
    12.5 Hz in the 125 Hz band, 0.99 in the next, 1.00 above: 0.0002 of the index) is taken out, and an echo
    behind the crosspoint is not counted.
    """
    end = onset + truncation.crosspoint
    used = energy[:end] - truncation.noise_power
    total = float(used.sum()) + float(ahead.sum()) + truncation.tail_energy
    if not total > 0.0:
        return np.zeros(_OMEGA.size)
    spectrum = _transform(np.concatenate([ahead, used]), rate, start=-ahead.size)
    if truncation.late_decay_time_s is not None:
        # frame by frame from the crosspoint on: Σ e^(-(p + jω/rate) i) over Σ e^(-p i)
        per_frame = _NEPER_60_DB / (truncation.late_decay_time_s * rate)
        turn = 1j * _OMEGA / rate
        share = np.expm1(-per_frame) / np.expm1(-(per_frame + turn))
        spectrum += truncation.tail_energy * share * np.exp(-turn * end)
    return np.clip(np.abs(spectrum) / total, 0.0, 1.0)


def transfer_problem(
    energy: NDArray[np.float64],
    *,
    truncation: Truncation,
    ahead: NDArray[np.float64],
    onset: int = 0,
) -> str | None:
    """Why the modulation transfer of a band cannot be known, or None.

    Parameters
    ----------
    energy, truncation, ahead, onset
        As in `modulation_transfer`.

    Returns
    -------
    str or None
        Silence, noise without a decay, or a decay that is seen over less than 20 dB (IEC 60268-16:2011, 6.2
        c), which leaves more than a hundredth of the energy to be guessed.

    Notes
    -----
    Not asked for: the 1.6 s that 6.2 b wants of a response. What is missing behind a shorter one is judged
    by its energy instead.
    """
    used = float((energy[: onset + truncation.crosspoint] - truncation.noise_power).sum())
    total = used + float(ahead.sum()) + truncation.tail_energy
    if not (energy.any() or ahead.any()):
        return "nothing sounds in the band"
    if not total > 0.0:
        return _NO_DECAY
    if used + truncation.tail_energy <= _NOTHING * total:
        return None
    if truncation.late_decay_time_s is None:
        return _NO_DECAY
    if truncation.tail_energy * 10.0 ** (_LEAST_RANGE_DB / 10.0) > total:
        seen = 10.0 * np.log10(total / truncation.tail_energy)
        what = "meets the noise" if truncation.ends_in_noise else "ends"
        return f"the decay {what} after {seen:.0f} dB: it takes {_LEAST_RANGE_DB:.0f} dB"
    return None


def transfer_with_noise(transfer: ArrayLike, snr_db: ArrayLike) -> NDArray[np.float64]:
    """Transfer with a stationary noise at the ear: m / (1 + 10^(-SNR/10)).

    Parameters
    ----------
    transfer : array_like, shape (7, 14)
    snr_db : array_like, shape () or (7,)
        Level of the speech over that of the noise, dB; inf is no noise.

    Returns
    -------
    ndarray of float64, shape (7, 14)

    Raises
    ------
    RoomplanError
        For a wrong shape, a transfer outside 0..1, or a ratio that is not a number.

    Notes
    -----
    Not done: neither masking nor threshold, which need levels (`transfer_under_levels`).
    """
    matrix = _validate_transfer(transfer)
    ratio = np.asarray(snr_db, dtype=np.float64)
    if ratio.shape not in {(), (_SHAPE[0],)} or np.isnan(ratio).any():
        raise RoomplanError(
            f"signal-to-noise ratios of shape {ratio.shape}, or not numbers",
            remedy=f"one number of dB, or one for each of {_SHAPE[0]} octave bands",
        )
    return matrix * np.broadcast_to(_noise_factor(ratio), _SHAPE[0])[:, None]


def transfer_under_levels(transfer: ArrayLike, spectrum: SpeechSpectrum) -> NDArray[np.float64]:
    """Transfer as heard at given levels: noise, masking by the next lower band, reception threshold.

    Parameters
    ----------
    transfer : array_like, shape (7, 14)
        Of the room alone.

    Returns
    -------
    ndarray of float64, shape (7, 14)

    Raises
    ------
    RoomplanError
        For a wrong shape, a transfer outside 0..1, or levels that are not numbers.

    Notes
    -----
    m I_s / (I_s + I_n + I_am + I_rt) with I_am = (I_s + I_n of the next lower band) times a factor that grows
    with that band's level *including* its noise (IEC 60268-16:2011, A.5.3, Table A.1 and the example of Annex
    M). Not done: noise that comes and goes, hearing loss, and voices as noise that carry words.
    """
    matrix = _validate_transfer(transfer)
    speech_db = _validate_levels(spectrum.speech_db, "speech")
    noise_db = _validate_levels(spectrum.noise_db, "noise")
    speech, noise = 10.0 ** (speech_db / 10.0), 10.0 ** (noise_db / 10.0)
    whole = speech + noise
    masking = np.zeros(whole.size)
    masking[1:] = whole[:-1] * 10.0 ** (_masking_db(10.0 * np.log10(whole[:-1])) / 10.0)
    threshold = 10.0 ** (np.array(RECEPTION_THRESHOLD_DB) / 10.0)
    return matrix * (speech / (whole + masking + threshold))[:, None]


def speech_transmission_index(transfer: ArrayLike, *, spectrum: SpeechSpectrum | None) -> SpeechIndex:
    """Speech transmission index of a room: an estimate of word clarity for mixing.

    Not for voice-alarm or building-code assessment.

    Parameters
    ----------
    transfer : array_like, shape (7, 14)
        Modulation transfer of all seven bands.
    spectrum : SpeechSpectrum or None
        Levels at the ear; None: no noise, no masking, no threshold, which is what the room does alone.

    Raises
    ------
    RoomplanError
        For a wrong shape, a transfer outside 0..1, or levels that are not numbers.

    Notes
    -----
    The index needs all seven bands: a sample rate under 22.5 kHz has no 8 kHz band and so no index. Since
    the redundancy of neighbouring bands is subtracted, noise in one band alone can raise the index, at worst
    by 0.05; noise never raises the `modulation_transfer_index` of a band (up to 100 dB SPL, where the
    standard's masking steps down by 0.2 dB). Not done: single echoes, which disturb more than the index
    tells; language, accent, and listeners who do not hear well.
    """
    matrix = _validate_transfer(transfer) if spectrum is None else transfer_under_levels(transfer, spectrum)
    index = _transmission_index(matrix).mean(axis=1)
    redundancy = _BETA * np.sqrt(index[:-1] * index[1:])
    # α and β are rounded so that they leave exactly 1, up to the last bit
    value = min(1.0, float((_ALPHA * index).sum() - redundancy.sum()))
    return SpeechIndex(value, tuple(float(band) for band in index), qualify(value))


def qualify(value: float) -> str:
    """Word for an index: bad (below 0.30), poor (0.45), fair (0.60), good (0.75), excellent."""
    return next(text for limit, text in _QUALIFICATIONS if value >= limit)


def uncertainty_of_index(
    transfer: ArrayLike, decay_time_s: Sequence[float], bandwidth_hz: Sequence[float]
) -> float:
    """Standard deviation expected of the index of one response because a decay is random.

    Parameters
    ----------
    transfer : array_like, shape (7, 14)
        As measured, with noise and masking if they count.
    decay_time_s : sequence of 7 float
        Reverberation time of each band (early decay time where they differ).
    bandwidth_hz : sequence of 7 float
        Width of each octave filter, distance of its edges.

    Returns
    -------
    float
        Of one channel; of n equally loud and independent ones it is √n smaller.

    Raises
    ------
    RoomplanError
        For a wrong shape or numbers that are not positive.

    Notes
    -----
    A decay is taken for Gaussian noise under an exponential: the energies at two times are independent but
    for 1 / B, B being the filter's statistical bandwidth (1.26 times its width). With a = 13.8155 / T and
    the normalised transform E(ω) = 1 / (a + jω), the covariance of two Fourier coefficients of the energy is
    1 / (B (2a + j(ω - ω'))), and the index is taken for linear in the logarithm of m = |E(ω)| / E(0). A
    coefficient that is smaller than its own scatter counts as Rice's distribution has it (right at both ends
    and within 7 % between): its logarithm does not scatter without limit. Neighbouring filters overlap, so
    their bands' scatter correlates (0.116).

    Against the scatter of 400 decaying noises in all bands: 6, 3 and 13 % too large for T of 0.3, 1 and 4 s
    (a standard deviation of 400 is known to 3.5 %). Not done: systematic errors, a strong direct sound (it
    lowers the scatter), decays that are bent, the differences between places.
    """
    matrix = _validate_transfer(transfer)
    decay_rate = _NEPER_60_DB / _validate_positive(decay_time_s, "a decay time")
    width = _STATISTICAL_WIDTH * _validate_positive(bandwidth_hz, "a bandwidth")
    sensitivity = _band_sensitivity(_transmission_index(matrix).mean(axis=1))
    omega = np.concatenate([_OMEGA, [0.0]])
    # of all bands at once, (bands, frequencies)
    slope = _slope_of_transmission_index(matrix) * sensitivity[:, None] / _SHAPE[1]
    weight = np.concatenate([slope, -slope.sum(axis=1, keepdims=True)], axis=1)
    inverse = decay_rate[:, None] + 1j * omega
    twice = 2.0 * decay_rate[:, None]
    # variance of the coefficient over its squared mean, without what it shares with the whole energy
    scatter = np.abs(inverse) ** 2 / (twice * width[:, None]) * omega**2 / (twice**2 + omega**2)
    # variance of the logarithm of a Rice variable, 1 / (2/s + 24/π² e^(-1/s)) with the scatter s
    held = 12.0 / np.pi**2 * scatter * np.exp(-1.0 / np.maximum(scatter, 1e-9))
    weighted = weight * inverse / np.sqrt(1.0 + held)
    # Re z Re w = Re(z w + z w*) / 2
    row, column, twice = weighted[:, :, None], weighted[:, None], twice[:, :, None]
    plus = row * column / (twice + 1j * (omega[:, None] + omega))
    minus = row * column.conj() / (twice + 1j * (omega[:, None] - omega))
    variance = 0.5 * (plus + minus).real.sum(axis=(1, 2)) / width
    deviation = np.sqrt(np.maximum(0.0, variance))
    shared = 2.0 * _SHARED * float((deviation[1:] * deviation[:-1]).sum())
    return float(np.sqrt((deviation**2).sum() + shared))


def _transform(energy: NDArray[np.float64], rate: float, *, start: int) -> NDArray[np.complex128]:
    """Σ e_i exp(-jω (start + i) / rate) at the modulation frequencies.

    In two steps, over rows and then over their starts: 14 exponentials per frame cost more than the sums.
    """
    width = 1 << (energy.size.bit_length() // 2)  # few widths, so that the exponentials are kept
    rows = -(-energy.size // width)
    grid = np.zeros((rows, width))
    grid.reshape(-1)[: energy.size] = energy
    cosine, sine, row_turns = _turns(width, rate)
    sums = np.einsum("rw,fw->rf", grid, cosine) - 1j * np.einsum("rw,fw->rf", grid, sine)
    turned = np.einsum("rf,rf->f", sums, row_turns[:rows])
    return turned * np.exp(-1j * _OMEGA * (start / rate))


@lru_cache(maxsize=32)
def _turns(width: int, rate: float) -> tuple[NDArray[np.float64], ...]:
    """Cosine and sine within a row, shape (14, width), and exp(-jωt) at the starts of 2 × width rows."""
    angle = _OMEGA[:, None] * (np.arange(width) / rate)
    starts = np.exp(-1j * _OMEGA * (width * np.arange(2 * width + 1)[:, None] / rate))
    return np.cos(angle), np.sin(angle), starts


def _noise_factor(snr_db: NDArray[np.float64]) -> NDArray[np.float64]:
    """1 / (1 + 10^(-SNR/10)), for infinite ratios too."""
    with np.errstate(over="ignore"):
        return 1.0 / (1.0 + 10.0 ** (-snr_db / 10.0))


def _masking_db(level_db: NDArray[np.float64]) -> NDArray[np.float64]:
    """Masking of a band by the next lower one, dB of the latter's level (IEC 60268-16:2011, Table A.1)."""
    slopes = [0.5 * level_db - 65.0, 1.8 * level_db - 146.9, 0.5 * level_db - 59.8]
    return np.select([level_db < 63.0, level_db < 67.0, level_db < 100.0], slopes, -10.0)


def _transmission_index(matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    """Effective signal-to-noise ratio 10 lg(m / (1 - m)), held within ±15 dB, as 0 to 1 (A.5.4, A.5.5)."""
    with np.errstate(divide="ignore"):
        ratio = 10.0 * (np.log10(matrix) - np.log10(1.0 - matrix))
    return (np.clip(ratio, -_LIMIT_DB, _LIMIT_DB) + _LIMIT_DB) / (2.0 * _LIMIT_DB)


def _slope_of_transmission_index(matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    """Derivative of the transmission index by ln m; 0 where it is held at a limit."""
    index = _transmission_index(matrix)
    free = (index > 0.0) & (index < 1.0)
    return np.where(free, 10.0 / np.log(10.0) / (2.0 * _LIMIT_DB) / np.where(free, 1.0 - matrix, 1.0), 0.0)


def _band_sensitivity(index: NDArray[np.float64]) -> NDArray[np.float64]:
    """Derivative of the speech transmission index by each band's; 0 for a band that transmits nothing."""
    safe = np.where(index > 0.0, index, 1.0)
    above = np.append(_BETA * np.sqrt(index[1:] / safe[:-1]), 0.0)
    below = np.insert(_BETA * np.sqrt(index[:-1] / safe[1:]), 0, 0.0)
    return np.where(index > 0.0, _ALPHA - 0.5 * (above + below), 0.0)


def _validate_transfer(transfer: ArrayLike) -> NDArray[np.float64]:
    matrix = np.asarray(transfer, dtype=np.float64)
    if matrix.shape != _SHAPE or not np.all((matrix >= 0.0) & (matrix <= 1.0)):
        raise RoomplanError(
            f"a modulation transfer of shape {matrix.shape}, or with values outside 0 to 1",
            remedy=f"{_SHAPE[0]} octave bands by {_SHAPE[1]} modulation frequencies, each 0 to 1",
        )
    return matrix


def _validate_levels(levels_db: Sequence[float], what: str) -> NDArray[np.float64]:
    levels = np.asarray(levels_db, dtype=np.float64)
    silent = (levels == -np.inf) & (what == "noise")
    if levels.shape != (_SHAPE[0],) or not np.all(np.isfinite(levels) | silent):
        raise RoomplanError(
            f"{what} levels of shape {levels.shape}, or not all numbers",
            remedy=f"one level in dB SPL for each of {_SHAPE[0]} octave bands",
        )
    return levels


def _validate_positive(values: Sequence[float], what: str) -> NDArray[np.float64]:
    array = np.asarray(values, dtype=np.float64)
    if array.shape != (_SHAPE[0],) or not np.all(np.isfinite(array) & (array > 0.0)):
        raise RoomplanError(
            f"{what} that is not above 0, or not one for each band (shape {array.shape})",
            remedy=f"one number above 0 for each of {_SHAPE[0]} octave bands",
        )
    return array
