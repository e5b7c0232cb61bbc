"""Decay curves as a picture needs them: level over time, the lines fitted to it, and where it ends.

Conventions
-----------
Times in seconds from the onset, levels in dB relative to the curve's start, shape (points,).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.decay import SPANS_DB, fit_decay

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from roomplan.acoustics.band_decay import BandDecay
    from roomplan.acoustics.filters import Filter

__all__ = ["DecayCurve", "FittedLine", "decay_curve", "no_curve"]

_POINTS = 400
_BLOCKS = 240
_NEPER_60_DB = 6.0 * np.log(10.0)


@dataclass(frozen=True, slots=True)
class FittedLine:
    """A line through part of a decay curve, between two points (time in seconds, level in dB)."""

    start_s: float
    start_db: float
    end_s: float
    end_db: float


@dataclass(frozen=True, slots=True)
class DecayCurve:
    """The decay of one band.

    Attributes
    ----------
    label : str
        "1 kHz", "broadband".
    centre_hz : float or None
        Nominal mid-band frequency; None for broadband and A-weighted.
    times_s, level_db : ndarray, shape (points,)
        Backward-integrated energy, noise subtracted and missing tail added, up to the truncation point; 0 dB
        at the start. A few hundred points, empty when nothing decays.
    sound_times_s, sound_db : ndarray, shape (blocks,)
        Mean level of the band signal in short blocks over the whole record, on a scale on which an
        exponential decay lies on its own backward-integrated curve: what the noise floor shows on.
    truncation_s, truncation_db : float or None
        Where the decay meets the noise or the record ends, and the curve's level there.
    fits : mapping of str to FittedLine
        "edt_s", "t10_s", "t20_s", "t30_s" where the figure is given.
    """

    label: str
    centre_hz: float | None
    times_s: NDArray
    level_db: NDArray
    sound_times_s: NDArray
    sound_db: NDArray
    truncation_s: float | None
    truncation_db: float | None
    ends_in_noise: bool
    fits: Mapping[str, FittedLine] = field(default_factory=dict)


def decay_curve(found: BandDecay) -> DecayCurve:
    """Curve, lines and block levels of one band."""
    curve, rate, total = found.curve, found.rate, found.total
    truncation = found.truncation
    if curve.size == 0 or not total > 0.0 or truncation.late_decay_time_s is None:
        return no_curve(found.look)
    picked = np.unique(np.linspace(0, curve.size - 1, _POINTS).round().astype(np.int64))
    level = _level(curve[picked] / total)
    fits = {}
    for key, (upper, lower) in SPANS_DB.items():
        line = fit_decay(curve, sample_rate=rate, upper_db=upper, lower_db=lower, total=total)
        if line is not None:
            slope = -60.0 / line.decay_time_s
            start, end = (line.middle_s + (limit - line.middle_db) / slope for limit in (upper, lower))
            fits[key] = FittedLine(start, upper, end, lower)
    width = max(1, found.decay.size // _BLOCKS)
    count = found.decay.size // width
    power = found.decay[: count * width].reshape(count, width).mean(axis=1)
    # ∫ from t on of an exponential is its power at t times τ: on this scale it lies on its own curve
    constant = truncation.late_decay_time_s / _NEPER_60_DB * rate
    return DecayCurve(
        label=found.look.label,
        centre_hz=found.look.centre_hz,
        times_s=picked / rate,
        level_db=level,
        sound_times_s=(np.arange(count) + 0.5) * width / rate,
        sound_db=_level(power * constant / total),
        truncation_s=truncation.crosspoint / rate,
        truncation_db=float(level[-1]),
        ends_in_noise=truncation.ends_in_noise,
        fits=fits,
    )


def no_curve(look: Filter) -> DecayCurve:
    """Curve of a band in which nothing decays."""
    none = np.zeros(0)
    return DecayCurve(look.label, look.centre_hz, none, none, none, none, None, None, False)


def _level(ratio: NDArray[np.float64]) -> NDArray[np.float64]:
    return 10.0 * np.log10(np.maximum(ratio, 1e-30))
