"""Decay curves and decay times, refused where the data do not reach.

Conventions
-----------
Curves are backward-integrated energies (Schroeder), shape (frames,), float64, linear; index 0 is the onset.
Times in seconds, levels in dB under the total energy. xi in per mille, curvature in per cent.

Sources
-------
ISO 3382-1:2009, 5.3.3: backward integration, missing tail, ranges (EDT 0..-10, T20 -5..-25, T30 -5..-35
dB), noise at least 15 dB under the range: 25, 35, 45 dB. ISO 3382-2:2008, Annex B: non-linearity xi = 1000
(1 - r²), curvature C = 100 (T30/T20 - 1); 10 per mille and 10 % flag a decay that is not straight. Jacobsen
and Rindel (1987): B T > 4 for filters run backwards. ISO 3382-1:2009, 7 (random error; an integrated
impulse response counts as n = 10 decays, second-hand): s(T20) = 0.88 T √((1 + 1.90/n) / B T), s(T30) = 0.55
T √((1 + 1.52/n) / B T).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from roomplan.acoustics.noise import Truncation, find_truncation

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "NEEDED_RANGE_DB",
    "DecayTimes",
    "LineFit",
    "Verdict",
    "decay_range",
    "decay_times",
    "fit_decay",
    "schroeder_curve",
]

Verdict = Literal["good", "doubtful", "unusable"]

NEEDED_RANGE_DB = {"edt_s": 25.0, "t20_s": 35.0, "t30_s": 45.0}
"""Least distance from the start of a decay to the noise or the record's end (ISO 3382-1:2009, 5.3.3)."""

_SPANS_DB = {"edt_s": (0.0, -10.0), "t20_s": (-5.0, -25.0), "t30_s": (-5.0, -35.0)}
_NAMES = {"edt_s": "EDT", "t20_s": "T20", "t30_s": "T30"}

LEAST_BT = 4.0
"""B T under which a filter run backwards shapes the decay (Jacobsen and Rindel 1987)."""

# common practice, no source: below one period of the bandwidth the filter is all one sees
_REFUSED_BT = 1.0
XI_LIMIT_PERMILLE = 10.0
CURVATURE_LIMIT_PERCENT = 10.0
_FEWEST_POINTS = 4
_RANGE_SCATTERS = 2.0
_MOST_POINTS = 2000  # a line through more points is no better: neighbours on the curve are the same energy
_STEP_EXCESS_DB = 1.0
_LONGEST_STEP_DB = 10.0


class LineFit(NamedTuple):
    """A straight line through part of a decay curve: decay time of 60 dB and 1000 (1 - r²)."""

    decay_time_s: float
    xi_permille: float


@dataclass(frozen=True, slots=True)
class DecayTimes:
    """Decay times of one curve, with their doubt.

    Attributes
    ----------
    edt_s, t20_s, t30_s : float or None
        Early decay time and reverberation times; None with a text in `reasons` under the same name.
    decay_range_db : float
        From the start of the curve to where the decay meets the noise or the end of the record.
    verdict : "good", "doubtful" or "unusable"
        Unusable: no decay time at all. Doubtful: one is missing or a flag is up, told under "verdict" in
        `reasons`.
    t20_uncertainty_s, t30_uncertainty_s : float or None
        Standard deviation expected of one position (formula of ISO 3382-1, B T from the band), without
        systematic errors.
    xi_t20_permille, xi_t30_permille, curvature_percent : float or None
        Departure from a straight line.
    reasons : mapping of str to str
    """

    edt_s: float | None
    t20_s: float | None
    t30_s: float | None
    decay_range_db: float
    verdict: Verdict
    t20_uncertainty_s: float | None = None
    t30_uncertainty_s: float | None = None
    xi_t20_permille: float | None = None
    xi_t30_permille: float | None = None
    curvature_percent: float | None = None
    reasons: Mapping[str, str] = field(default_factory=dict)


def schroeder_curve(
    energy: ArrayLike, *, sample_rate: float, truncation: Truncation | None = None
) -> NDArray[np.float64]:
    """Backward-integrated energy, noise subtracted, cut at the crosspoint, the missing tail added.

    Parameters
    ----------
    energy : array_like, shape (frames,)
        Squared samples from the onset on, summed over channels.
    sample_rate : float
        Frames per second.
    truncation : Truncation, optional
        Found here when not given.

    Returns
    -------
    ndarray of float64, shape (crosspoint,)
        Energy from each frame on, linear, not normalised. Empty for silence. Where the noise is louder than
        expected the curve may rise a little just ahead of the crosspoint.

    Notes
    -----
    Not done: no smoothing, no level adjustment; band filtering is the caller's.
    """
    values = np.asarray(energy, dtype=np.float64)
    found = find_truncation(values, sample_rate=sample_rate) if truncation is None else truncation
    used = values[: found.crosspoint]
    if found.noise_power > 0.0:
        used = used - found.noise_power
    curve = np.cumsum(used[::-1])[::-1]
    curve += found.tail_energy
    return curve


def decay_range(curve: ArrayLike, *, tail_energy: float, total: float | None = None) -> float:
    """Level of the curve's start over its value at the crosspoint, in dB.

    For a single exponential over stationary noise this is the peak-to-noise ratio. Infinite energies ahead
    of the decay (a strong direct sound) count as start, as they do in the curve; 0 when there is no tail to
    compare with.
    """
    values = np.asarray(curve, dtype=np.float64)
    start = total if total is not None else (float(values[0]) if values.size else 0.0)
    return float(10.0 * np.log10(start / tail_energy)) if start > tail_energy > 0.0 else 0.0


def fit_decay(
    curve: ArrayLike, *, sample_rate: float, upper_db: float, lower_db: float, total: float | None = None
) -> LineFit | None:
    """Least-squares line through the part of a decay curve between two levels.

    Parameters
    ----------
    curve : array_like, shape (frames,)
        Backward-integrated energy, linear.
    sample_rate : float
        Frames per second.
    upper_db, lower_db : float
        Levels relative to `total`, such as -5 and -35.
    total : float, optional
        Energy of 0 dB; the curve's first value by default.

    Returns
    -------
    LineFit or None
        None when the curve does not reach `lower_db`, has fewer than 4 frames in the span, or does not
        fall.

    Notes
    -----
    The span ends where the curve first falls below each level. Not done: no check of the noise;
    `decay_times` gates it.
    """
    values = np.asarray(curve, dtype=np.float64)
    if values.size == 0:
        return None
    reference = float(values[0]) if total is None else total
    if not reference > 0.0:
        return None
    # first frame not above the upper level, first frame under the lower one
    first = _first_under(values, reference * 10.0 ** (upper_db / 10.0) * (1.0 + 1e-12))
    last = _first_under(values, reference * 10.0 ** (lower_db / 10.0) * (1.0 - 1e-12))
    if last is None or first is None or last - first < _FEWEST_POINTS:
        return None
    stride = max(1, (last - first) // _MOST_POINTS)
    chosen = values[first:last:stride]
    return _fit_line(10.0 * np.log10(chosen), stride / sample_rate)


def _first_under(values: NDArray[np.float64], limit: float) -> int | None:
    under = values <= limit
    index = int(np.argmax(under))
    return index if under[index] else None


def _fit_line(level_db: NDArray[np.float64], step_s: float) -> LineFit | None:
    position = np.arange(level_db.size) - 0.5 * (level_db.size - 1)
    about_mean = level_db - level_db.mean()
    spread = float(np.dot(position, position))
    slope = float(np.dot(position, about_mean)) / spread
    if not slope < 0.0:
        return None
    power = float(np.dot(about_mean, about_mean))
    explained = slope * slope * spread / power if power > 0.0 else 1.0
    return LineFit(-60.0 * step_s / slope, 1000.0 * max(0.0, 1.0 - explained))


def decay_times(
    curve: ArrayLike,
    *,
    sample_rate: float,
    decay_range_db: float,
    bandwidth_hz: float | None = None,
    total: float | None = None,
    lead_s: float = 0.0,
) -> DecayTimes:
    """EDT, T20 and T30 of a decay curve, each None with a reason where the range is too short.

    Parameters
    ----------
    curve : array_like, shape (frames,)
        Backward-integrated energy from the onset on (`schroeder_curve`), linear.
    sample_rate : float
        Frames per second.
    decay_range_db : float
        Usable range (`decay_range`).
    bandwidth_hz : float, optional
        Width of the band, for the B T check and the uncertainty; None for broadband: neither is given.
    total : float, optional
        Energy of 0 dB when the curve itself does not hold all of it: what a filter run backwards puts ahead
        of the onset.
    lead_s : float
        How far ahead of the onset that energy lies on average, in seconds.

    Returns
    -------
    DecayTimes

    Notes
    -----
    A direct sound much stronger than the decay that follows is a step at time 0. Of a filter run backwards
    the step is spread over `lead_s`, and the early decay time sees it so; a step of 10 dB or more leaves no
    early decay to measure. Without such a step the line rests on the frames from the onset on, where an
    exponential is exact.

    The early decay time asks for twice the scatter of the range on top: a strong first 10 dB makes the range
    long and the early decay short at once, so those that just pass would be biased (by -4 to -5 %
    for B T from 90 to 700, measured).

    Not done: no shorter range under the same name, no double-slope fit, no correction of the random error.
    """
    values = np.asarray(curve, dtype=np.float64)
    reasons: dict[str, str] = {}
    start = float(values[0]) if values.size else 0.0
    reference = start if total is None else total
    fits: dict[str, LineFit | None] = {}
    for key, (upper, lower) in _SPANS_DB.items():
        needed = NEEDED_RANGE_DB[key]
        fits[key] = None
        has = f"this decay has {np.floor(max(0.0, decay_range_db)):.0f} dB"
        if decay_range_db < needed:
            reasons[key] = f"{_NAMES[key]} needs {needed:.0f} dB, {has}"
            continue
        if key == "edt_s":
            fit, reason = _fit_early(values, sample_rate, reference, lead_s)
            chance = _RANGE_SCATTERS * _range_scatter(fit, bandwidth_hz)
            if decay_range_db < needed + chance:
                reasons[key] = f"EDT needs {needed:.0f} dB and {chance:.1f} dB for chance, {has}"
                continue
        else:
            fit = fit_decay(values, sample_rate=sample_rate, upper_db=upper, lower_db=lower, total=reference)
            reason = "the sound stops too abruptly for a line through its decay"
        if fit is None:
            reasons[key] = reason
        elif bandwidth_hz is not None and bandwidth_hz * fit.decay_time_s < _REFUSED_BT:
            reasons[key] = f"a decay of {fit.decay_time_s:.3f} s is shorter than the band filter can show"
        else:
            fits[key] = fit
    return _judge(fits, reasons, decay_range_db, bandwidth_hz)


def _range_scatter(fit: LineFit | None, bandwidth_hz: float | None) -> float:
    """Standard deviation in dB of the energy of a decaying noise: 4.34 √(3 ln 10 / B T) = 11.4 / √(B T).

    The relative variance of ∫p² is ∫p⁴ / B = τ / 2B over τ², with τ = T / 6 ln 10.
    """
    if fit is None or bandwidth_hz is None:
        return 0.0
    return float(11.4 / np.sqrt(bandwidth_hz * fit.decay_time_s))


def _fit_early(
    values: NDArray[np.float64], sample_rate: float, reference: float, lead_s: float
) -> tuple[LineFit | None, str]:
    none = "the sound stops too abruptly for a line through its early decay"
    if values.size == 0 or not values[0] > 0.0:
        return None, none
    step_db = 10.0 * np.log10(reference / values[0])
    if step_db >= _LONGEST_STEP_DB:
        return (
            None,
            f"the direct sound alone makes a step of {step_db:.0f} dB: there is no early decay of 10 dB",
        )
    plain = fit_decay(values, sample_rate=sample_rate, upper_db=0.0, lower_db=-10.0, total=reference)
    if lead_s <= 0.0:
        return plain, none
    # a straight decay loses as much in `lead_s` as the fitted slope says; what exceeds it is a direct sound
    expected_db = 60.0 * lead_s / plain.decay_time_s if plain is not None else 0.0
    if plain is not None and step_db - expected_db < _STEP_EXCESS_DB:
        return plain, none
    last = _first_under(values, reference * 0.1)
    if last is None:
        return None, none
    count = max(1, round(lead_s * sample_rate))
    rise = -step_db * np.arange(count) / count
    level = np.concatenate([rise, 10.0 * np.log10(values[:last] / reference)])
    return (_fit_line(level, 1.0 / sample_rate) if level.size >= _FEWEST_POINTS else None), none


def _judge(
    fits: dict[str, LineFit | None],
    reasons: dict[str, str],
    decay_range_db: float,
    bandwidth_hz: float | None,
) -> DecayTimes:
    edt, t20, t30 = (fits[key] for key in ("edt_s", "t20_s", "t30_s"))
    flags: list[str] = []
    curvature = None
    if t20 is not None and t30 is not None:
        curvature = 100.0 * (t30.decay_time_s / t20.decay_time_s - 1.0)
        if abs(curvature) > CURVATURE_LIMIT_PERCENT:
            flags.append(f"the decay is bent: T30 and T20 differ by {curvature:+.0f} %")
    straightest = t30 or t20
    if straightest is not None and straightest.xi_permille > XI_LIMIT_PERMILLE:
        flags.append(f"the decay is no straight line: xi is {straightest.xi_permille:.0f} per mille")
    shortest = min((fit.decay_time_s for fit in (edt, t20, t30) if fit is not None), default=None)
    if bandwidth_hz is not None and shortest is not None and bandwidth_hz * shortest < LEAST_BT:
        flags.append(
            f"a decay of {shortest:.2f} s is too short for this band: B·T is {bandwidth_hz * shortest:.1f}, "
            f"{LEAST_BT:.0f} are needed"
        )
    missing = [_NAMES[key] for key in _SPANS_DB if fits[key] is None]
    if missing:
        flags.append(f"no {' and no '.join(missing)}")
    verdict: Verdict = "good" if not flags else "doubtful"
    if len(missing) == len(_SPANS_DB):
        verdict = "unusable"
    if flags:
        reasons["verdict"] = "; ".join(flags)
    return DecayTimes(
        edt_s=_time(edt),
        t20_s=_time(t20),
        t30_s=_time(t30),
        decay_range_db=decay_range_db,
        verdict=verdict,
        t20_uncertainty_s=_uncertainty(t20, bandwidth_hz, 0.88, 1.90),
        t30_uncertainty_s=_uncertainty(t30, bandwidth_hz, 0.55, 1.52),
        xi_t20_permille=t20.xi_permille if t20 is not None else None,
        xi_t30_permille=t30.xi_permille if t30 is not None else None,
        curvature_percent=curvature,
        reasons=reasons,
    )


def _time(fit: LineFit | None) -> float | None:
    return fit.decay_time_s if fit is not None else None


def _uncertainty(
    fit: LineFit | None, bandwidth_hz: float | None, factor: float, spread: float
) -> float | None:
    if fit is None or bandwidth_hz is None:
        return None
    decays = 10.0  # ISO 3382-1: an integrated impulse response is worth ten interrupted decays
    return (
        factor
        * fit.decay_time_s
        * float(np.sqrt((1.0 + spread / decays) / (bandwidth_hz * fit.decay_time_s)))
    )
