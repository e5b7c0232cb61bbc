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
and Rindel (1987): B T > 4 for filters run backwards. T10 is an aid for short ranges, by the rule of the
others: 5 to 15 dB down, noise 15 dB under the range (common practice, no source).

Measured
--------
Lines are fitted between the points where the curve crosses the two levels, interpolated between frames: over
whole frames EDT moved by up to 0.9 % when silence was appended. EDT of decays that only just pass the range
reads 4 to 5 % short. A line over the gap behind a strong direct sound would rest on what is left and read ten
times too long.
"""

from __future__ import annotations

from dataclasses import field
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from roomplan.acoustics.doubt import time_uncertainty
from roomplan.acoustics.noise import Truncation, find_truncation
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import ArrayLike, NDArray

    from roomplan.acoustics.doubt import Verdict

__all__ = [
    "NEEDED_RANGE_DB",
    "SPANS_DB",
    "TIMES",
    "DecayTimes",
    "LineFit",
    "decay_range",
    "decay_times",
    "fit_decay",
    "schroeder_curve",
]

TIMES = {"edt_s": "EDT", "t10_s": "T10", "t20_s": "T20", "t30_s": "T30"}
"""Decay times, key to name."""

NEEDED_RANGE_DB = {"edt_s": 25.0, "t10_s": 25.0, "t20_s": 35.0, "t30_s": 45.0}
"""Least distance from the start of a decay to the noise or the record's end (ISO 3382-1:2009, 5.3.3)."""

SPANS_DB = {"edt_s": (0.0, -10.0), "t10_s": (-5.0, -15.0), "t20_s": (-5.0, -25.0), "t30_s": (-5.0, -35.0)}
"""Part of the decay curve each line is fitted to, in dB under its start."""

_STANDARD = ("edt_s", "t20_s", "t30_s")  # the ones a verdict asks for; T10 is an aid

LEAST_BT = 4.0
"""B T under which a filter run backwards shapes the decay (Jacobsen and Rindel 1987)."""

XI_LIMIT_PERMILLE = 10.0
# The first 10 dB hold so little energy that chance alone bends them: xi · B T of plain decays is under
# 11,200 to 13,700 in 99.5 of 100, B T from 90 to 3600 (600 to 1500 decays each). From xi 30 on, a step of
# 2 dB in mid-span, the line rests on single arrivals (the project's own limit).
EARLY_XI_PERMILLE = 30.0
_EARLY_XI_CHANCE = 13_500.0
CURVATURE_LIMIT_PERCENT = 10.0
# a decay that bends down bends as no sum of decays does: -5 % (ISO 3382-2:2008, Annex B: usual are 0 to 5 %,
# from memory) and three standard deviations of chance
_DOWNWARD_PERCENT = 5.0
_CHANCES = 3.0
_SHORT_BEND = 0.5  # the project's own limit
# common practice, no source: share by which the end may decay faster, and how often the scatter of T20
_LATE_SHARE = 0.12
_LATE_CHANCES = 4.0
_FEWEST_POINTS = 4
_RANGE_SCATTERS = 2.0
_MOST_POINTS = 500  # a line through more points is no better: neighbours on the curve are the same energy
_FIRST_LOOKED_AT = 2048  # frames
_STEP_EXCESS_DB = 1.0
# common practice, no source: of 10 dB of early decay, half must be decay, and a step of 3 dB is reported
_LONGEST_STEP_DB = 5.0
_TOLD_STEP_DB = 3.0
_LATER_STEP_SHARE = 0.5  # of the span of a later line, too, half must be decay
_PULSE_S = 0.001  # an unfiltered direct sound is over by then


class LineFit(NamedTuple):
    """A straight line through part of a decay curve: time of 60 dB, 1000 (1 - r²), and its middle point."""

    decay_time_s: float
    xi_permille: float
    middle_s: float
    middle_db: float


@frozen_class
class DecayTimes:
    """Decay times of one curve, with their doubt.

    Attributes
    ----------
    edt_s, t10_s, t20_s, t30_s : float or None
        Early decay time and reverberation times; None with a text in `reasons` under the same name.
    decay_range_db : float
        From the start of the curve to where the decay meets the noise or the end of the record.
    verdict : "good", "doubtful" or "unusable"
        Unusable: no decay time at all. Doubtful: EDT, T20 or T30 is missing or a flag is up, listed under
        "verdict" in `reasons`.
    uncertainties : mapping of str to float
        Standard deviation in seconds by chance of one position, of the times that are there; empty without a
        bandwidth.
    flags : mapping of str to tuple of str
        What speaks against each time that is there, and against the centre time behind an echo.
    xi_t20_permille, xi_t30_permille, curvature_percent : float or None
        Departure from a straight line.
    """

    edt_s: float | None
    t10_s: float | None
    t20_s: float | None
    t30_s: float | None
    decay_range_db: float
    verdict: Verdict
    uncertainties: Mapping[str, float] = field(default_factory=dict)
    flags: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
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
    The span lies between the points where the curve first comes down to each level, interpolated between
    frames. Not done: no check of the noise; `decay_times` gates it.
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
    begin = max(0, first - 1)
    stride = max(1, (last - begin) // _MOST_POINTS)
    chosen = values[begin : last + stride : stride]
    level = 10.0 * np.log10(np.maximum(chosen, 1e-300) / reference)
    # the line spans the stretch between the two crossings, wherever the frames happen to lie
    start = _crossing(level, upper_db) if first > 0 else 0.0
    end = _crossing(level, lower_db)
    position = np.arange(level.size, dtype=np.float64)
    step = (end - start) / (level.size - 1)
    middle_s = (begin + 0.5 * (start + end) * stride) / sample_rate
    even = np.interp(start + step * position, position, level)
    return _fit_line(even, step * stride / sample_rate, middle_s)


def _crossing(level: NDArray[np.float64], limit_db: float) -> float:
    """Position, between frames, at which a level first comes down to a limit; the last one without it."""
    under = level <= limit_db
    index = int(under.argmax())
    index = index if under[index] else level.size - 1
    if index == 0:
        return 0.0
    above, below = float(level[index - 1]), float(level[index])
    share = (above - limit_db) / (above - below) if above > below else 1.0
    return index - 1 + min(1.0, max(0.0, share))


def _first_under(values: NDArray[np.float64], limit: float) -> int | None:
    begin, length = 0, _FIRST_LOOKED_AT  # the beginning of a long curve is enough for most limits
    while begin < values.size:
        under = values[begin : begin + length] <= limit
        index = int(under.argmax())
        if under[index]:
            return begin + index
        begin, length = begin + length, 2 * length
    return None


def _fit_line(level_db: NDArray[np.float64], step_s: float, middle_s: float) -> LineFit | None:
    count = level_db.size
    position = np.arange(count, dtype=np.float64) - 0.5 * (count - 1)
    mean = float(level_db.sum()) / count
    about_mean = level_db - mean
    spread = count * (count * count - 1.0) / 12.0  # Σ position²
    slope = float(np.dot(position, about_mean)) / spread
    if not slope < 0.0:
        return None
    power = float(np.dot(about_mean, about_mean))
    explained = slope * slope * spread / power if power > 0.0 else 1.0
    return LineFit(-60.0 * step_s / slope, 1000.0 * max(0.0, 1.0 - explained), middle_s, mean)


def decay_times(
    curve: ArrayLike,
    *,
    sample_rate: float,
    decay_range_db: float,
    bandwidth_hz: float | None = None,
    total: float | None = None,
    lead_s: float = 0.0,
    late_decay_time_s: float | None = None,
    shortest_s: float = 0.0,
) -> DecayTimes:
    """EDT, T10, T20 and T30 of a decay curve, each None with a reason where the range is too short.

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
    late_decay_time_s : float, optional
        Of the last 20 dB before the decay ends (`Truncation`): much shorter than T20 it is a sign of a fade.
    shortest_s : float
        Times under this are the filter's own, and refused.

    Notes
    -----
    A direct sound much stronger than the decay that follows is a step at time 0. Of a filter run backwards
    the step is spread over `lead_s`, and the early decay time sees it so; a step of more than 5 dB leaves too
    little of the first 10 dB, and one of more than 3 dB makes the figure doubtful. Without such a step the
    line rests on the frames from the onset on, where an exponential is exact.

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
    steps: dict[str, str] = {}
    of_decay_db: dict[str, float] = {}
    for key, (upper, lower) in SPANS_DB.items():
        needed = NEEDED_RANGE_DB[key]
        fits[key] = None
        has = f"this decay has {np.floor(max(0.0, decay_range_db)):.0f} dB"
        if decay_range_db < needed:
            reasons[key] = f"{TIMES[key]} needs {needed:.0f} dB, {has}"
            continue
        if key == "edt_s":
            fit, reason, early_step = _fit_early(values, sample_rate, reference, lead_s)
            if early_step is not None:
                steps[key] = early_step
            chance = _RANGE_SCATTERS * _range_scatter(fit, bandwidth_hz)
            if decay_range_db < needed + chance:
                reasons[key] = f"EDT needs {needed:.0f} dB and {chance:.1f} dB for chance, {has}"
                continue
        else:
            fit = fit_decay(values, sample_rate=sample_rate, upper_db=upper, lower_db=lower, total=reference)
            reason = "the sound stops too abruptly for a line through its decay"
        if fit is None:
            reasons[key] = reason
        elif fit.decay_time_s < shortest_s:
            reasons[key] = f"a decay of {fit.decay_time_s:.3f} s is shorter than the filter can show"
        else:
            fits[key] = fit
            if key != "edt_s":
                step_db = _step_db(values, sample_rate, reference, lead_s, fit.decay_time_s)
                if step_db > -upper:
                    of_decay_db[key] = -lower - step_db
                if step_db > -upper + _LATER_STEP_SHARE * (upper - lower):
                    steps[key] = _too_little_decay(step_db, upper, lower)
    uncertainties = _uncertainties(fits, of_decay_db, bandwidth_hz)
    return _judge(fits, reasons, decay_range_db, bandwidth_hz, uncertainties, steps, late_decay_time_s)


def _uncertainties(
    fits: Mapping[str, LineFit | None], of_decay_db: Mapping[str, float], bandwidth_hz: float | None
) -> dict[str, float]:
    """Scatter of each decay time in seconds, more where a direct sound takes part of its span."""
    if bandwidth_hz is None:
        return {}
    found = {}
    for key, fit in fits.items():
        if fit is not None:
            found[key] = time_uncertainty(
                key, fit.decay_time_s, bandwidth_hz, of_decay_db=of_decay_db.get(key)
            )
    return found


def _step_db(
    values: NDArray[np.float64], sample_rate: float, reference: float, lead_s: float, decay_time_s: float
) -> float:
    """Fall of the curve over the direct sound, less what a decay falls by in that time."""
    at = min(values.size - 1, max(1, round(_PULSE_S * sample_rate)))
    if not values[at] > 0.0:
        return 0.0
    lasting = lead_s + at / sample_rate
    return float(10.0 * np.log10(reference / values[at])) - 60.0 * lasting / decay_time_s


def _too_little_decay(step_db: float, upper_db: float, lower_db: float) -> str:
    return (
        f"the direct sound makes a step of {step_db:.0f} dB: most of the span from {-upper_db:.0f} to "
        f"{-lower_db:.0f} dB down is not decay"
    )


def _range_scatter(fit: LineFit | None, bandwidth_hz: float | None) -> float:
    """Standard deviation in dB of the energy of a decaying noise: 4.34 √(3 ln 10 / B T) = 11.4 / √(B T).

    The relative variance of ∫p² is ∫p⁴ / B = τ / 2B over τ², with τ = T / 6 ln 10.
    """
    if fit is None or bandwidth_hz is None:
        return 0.0
    return float(11.4 / np.sqrt(bandwidth_hz * fit.decay_time_s))


def _fit_early(
    values: NDArray[np.float64], sample_rate: float, reference: float, lead_s: float
) -> tuple[LineFit | None, str, str | None]:
    """Line through the first 10 dB, why there is none, and what speaks against one."""
    none = "the sound stops too abruptly for a line through its early decay"
    if values.size == 0 or not values[0] > 0.0:
        return None, none, None
    step_db = 10.0 * np.log10(reference / values[0])
    plain = fit_decay(values, sample_rate=sample_rate, upper_db=0.0, lower_db=-10.0, total=reference)
    # a straight decay loses as much in `lead_s` as the fitted slope says; what exceeds it is a direct sound
    excess_db = step_db - (60.0 * lead_s / plain.decay_time_s if plain is not None else 0.0)
    if excess_db > _LONGEST_STEP_DB:
        step = f"the direct sound alone makes a step of {step_db:.0f} dB"
        return None, f"{step}: too little of the first 10 dB is decay", None
    flag = None
    if excess_db > _TOLD_STEP_DB:
        flag = f"the direct sound makes a step of {step_db:.0f} dB of the first 10 dB"
    if lead_s <= 0.0 or (plain is not None and excess_db < _STEP_EXCESS_DB):
        return plain, none, flag
    last = _first_under(values, reference * 0.1)
    if last is None:
        return None, none, None
    count = max(1, round(lead_s * sample_rate))
    rise = -step_db * np.arange(count) / count
    level = np.concatenate([rise, 10.0 * np.log10(values[:last] / reference)])
    if level.size < _FEWEST_POINTS:
        return None, none, None
    middle_s = (0.5 * (level.size - 1) - count) / sample_rate
    return _fit_line(level, 1.0 / sample_rate, middle_s), none, flag


def _judge(
    fits: dict[str, LineFit | None],
    reasons: dict[str, str],
    decay_range_db: float,
    bandwidth_hz: float | None,
    uncertainties: dict[str, float],
    steps: Mapping[str, str],
    late_decay_time_s: float | None,
) -> DecayTimes:
    t20, t30 = fits["t20_s"], fits["t30_s"]
    times = {key: fit.decay_time_s for key, fit in fits.items() if fit is not None}
    curvature = 100.0 * (t30.decay_time_s / t20.decay_time_s - 1.0) if t20 and t30 else None
    bent = _bends(times, uncertainties, curvature, late_decay_time_s)
    short_bend = _short_bend(fits, uncertainties)
    straightest = t30 or t20
    early_bend = _early_bend(fits["edt_s"], bandwidth_hz)
    whole = list(bent)
    if early_bend is not None:
        whole.append(early_bend)
    if straightest is not None and straightest.xi_permille > XI_LIMIT_PERMILLE:
        whole.append(_no_line(straightest))
    flags: dict[str, tuple[str, ...]] = {}
    for key, time in times.items():
        fit = fits[key]
        against = list(bent) if key in {"t20_s", "t30_s"} else []
        if key == "t10_s" and short_bend is not None:
            against.append(short_bend)
        if key in steps:
            against.append(steps[key])
        if key == "edt_s" and early_bend is not None:
            against.append(early_bend)
        if key != "edt_s" and fit is not None and fit.xi_permille > XI_LIMIT_PERMILLE:
            against.append(_no_line(fit))
        if bandwidth_hz is not None and bandwidth_hz * time < LEAST_BT:
            against.append(_too_short(time, bandwidth_hz))
        flags[key] = tuple(against)
    # an echo puts energy later than the decay does; a strong direct sound bends the decay the other way
    if early_bend is not None and times["edt_s"] > min(times.values()):
        flags["centre_time_s"] = (f"its scatter is that of a straight decay, but {early_bend}",)
    shortest = min((times[key] for key in _STANDARD if key in times), default=None)
    if bandwidth_hz is not None and shortest is not None and bandwidth_hz * shortest < LEAST_BT:
        whole.append(_too_short(shortest, bandwidth_hz))
    missing = [TIMES[key] for key in _STANDARD if fits[key] is None]
    if missing:
        whole.append(f"no {' and no '.join(missing)}")
    verdict: Verdict = "good" if not whole else "doubtful"
    if not times:
        verdict = "unusable"
    if whole:
        reasons["verdict"] = "; ".join(whole)
    return DecayTimes(
        edt_s=times.get("edt_s"),
        t10_s=times.get("t10_s"),
        t20_s=times.get("t20_s"),
        t30_s=times.get("t30_s"),
        decay_range_db=decay_range_db,
        verdict=verdict,
        uncertainties=uncertainties,
        flags=flags,
        xi_t20_permille=t20.xi_permille if t20 is not None else None,
        xi_t30_permille=t30.xi_permille if t30 is not None else None,
        curvature_percent=curvature,
        reasons=reasons,
    )


def _bends(
    times: Mapping[str, float],
    uncertainties: Mapping[str, float],
    curvature_percent: float | None,
    late_decay_time_s: float | None,
) -> list[str]:
    """What speaks against T20 and T30 as times of one straight decay."""
    bent: list[str] = []
    if curvature_percent is not None:
        shares = [uncertainties.get(key, 0.0) / times[key] for key in ("t20_s", "t30_s")]
        chance = 100.0 * float(np.hypot(shares[0], shares[1]))
        if curvature_percent < -max(_DOWNWARD_PERCENT, _CHANCES * chance):
            bent.append(f"the decay bends down by {-curvature_percent:.0f} %, as in no room: faded or gated?")
        elif abs(curvature_percent) > CURVATURE_LIMIT_PERCENT:
            signed = f"{curvature_percent:+.0f}".replace("-", "−")
            bent.append(f"the decay is bent: T30 and T20 differ by {signed} %")
    if "t20_s" in times and late_decay_time_s is not None:
        scatter = uncertainties.get("t20_s", 0.0) / times["t20_s"]
        least = 1.0 - max(_LATE_SHARE, _LATE_CHANCES * scatter)
        if late_decay_time_s < least * times["t20_s"]:
            bent.append(
                f"its end decays in {late_decay_time_s:.2f} s, faster than the rest, as in no room: faded?"
            )
    return bent


def _short_bend(fits: Mapping[str, LineFit | None], uncertainties: Mapping[str, float]) -> str | None:
    """What speaks against a T10 that is another decay than T20 or T30: what falls first may be a burst."""
    short = fits["t10_s"]
    if short is None:
        return None
    for key in ("t20_s", "t30_s"):
        fit = fits[key]
        if fit is None:
            continue
        apart = fit.decay_time_s / short.decay_time_s - 1.0
        chance = _CHANCES * uncertainties.get("t10_s", 0.0) / short.decay_time_s
        if abs(apart) > max(_SHORT_BEND, chance):
            signed = f"{100.0 * apart:+.0f}".replace("-", "−")
            return f"the decay is bent: {TIMES[key]} and T10 differ by {signed} %"
    return None


def _no_line(fit: LineFit) -> str:
    return f"the decay is not a straight line: xi is {fit.xi_permille:.0f} per mille"


def _early_bend(fit: LineFit | None, bandwidth_hz: float | None) -> str | None:
    """What speaks against a line through the first 10 dB that are more bent than chance bends them."""
    if fit is None:
        return None
    limit = EARLY_XI_PERMILLE
    if bandwidth_hz is not None:
        limit = max(limit, _EARLY_XI_CHANCE / (bandwidth_hz * fit.decay_time_s))
    if fit.xi_permille <= limit:
        return None
    return f"the first 10 dB are not a straight line: xi is {fit.xi_permille:.0f} per mille"


def _too_short(time: float, bandwidth_hz: float) -> str:
    return (
        f"a decay of {time:.2f} s is too short for this band: B·T is {bandwidth_hz * time:.1f}, "
        f"{LEAST_BT:.0f} are needed"
    )
