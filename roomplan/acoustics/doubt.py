"""How far a figure can be trusted: its scatter by chance, the range it rests on, and a verdict with a reason.

Conventions
-----------
A figure is `good`, `doubtful` (a number with a reason to look twice) or `unusable` (no number, and why).
`uncertainty` is one standard deviation, in the unit of the figure, of a single position by chance alone:
that of an ideal diffuse decay, a Gaussian noise that decays exponentially. It holds no systematic error: not
the room's difference from seat to seat, not the source, not the microphone.

Symbols: B bandwidth, T reverberation time, τ = T / 6 ln 10 time constant of the energy, x = t/τ for a
boundary t between early and late.

Sources
-------
ISO 3382-1:2009, clause 7 (an integrated impulse response counts as n = 10 decays, second-hand): s(T20) =
0.88 T √((1 + 1.90/n) / B T), s(T30) = 0.55 T √((1 + 1.52/n) / B T). T10 and EDT are not in the standard:
their factors are this project's own, fitted to decaying noise (the tests repeat the fit). Energies: the
variance of ∫p² over a stretch is ∫⟨p²⟩² / B; early and late part of a decay do not depend on one another.
ISO 3382-1:2009, Table A.1 (just-noticeable differences).

Notes
-----
B is the nominal bandwidth; the statistical one of the band filters is 1.26 (octaves) and 1.17 (thirds)
times that. Seen over stated in 1000 decays each, B T from 27 to 3600: T20 and T30 0.79 to 0.90, C50, C80,
D50 and Ts 0.77 to 0.97, EDT and T10 0.97 to 1.04. A time is the inverse of a slope, so its mean over many
positions is long, for B T up to 350 by about 3 / B T (EDT), 2 to 4 / B T (T10), 1.1 to 1.7 / B T (T20), 0.7
to 1.2 / B T (T30): 3 % for EDT at 125 Hz and T = 1 s.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from roomplan.frozen_classes import frozen_class

__all__ = [
    "CHANCE",
    "LARGEST_OF_A_SHARE_DB",
    "TIME_SCATTER",
    "Doubt",
    "Verdict",
    "centre_time_uncertainty",
    "clarity_uncertainty",
    "definition_uncertainty",
    "energy_scatter",
    "judge",
    "time_uncertainty",
]

Verdict = Literal["good", "doubtful", "unusable"]

TIME_SCATTER = {
    "edt_s": 1.6,
    "t10_s": 1.6,
    "t20_s": 0.88 * np.sqrt(1.0 + 1.90 / 10.0),
    "t30_s": 0.55 * np.sqrt(1.0 + 1.52 / 10.0),
}
"""Standard deviation of a decay time as a multiple of T / √(B T)."""

LARGEST_OF_A_SHARE_DB = 3.5
"""Scatter of early over late energy from which D50 says little, however small D (1 - D) makes its own.

Near 0 and 1 a D50 off by five of its uncertainties was called good. Of all good figures of plain decays this
makes 0.5 % doubtful; from 2.5 dB on it would be 0.9 %, and 1.3 % of shorter ones.
"""

CHANCE = "chance alone moves it by more than two just-noticeable differences"
"""What is said of a figure that scatters too much."""

# Two just-noticeable differences by chance alone (ISO 3382-1:2009, Table A.1: EDT 5 %, C80 1 dB, D50 0.05,
# Ts 10 ms): a single such figure says little. The factor of two is common practice, no source.
_LARGEST_SHARE = 0.10
_LARGEST = {"c50_db": 2.0, "c80_db": 2.0, "d50": 0.10, "centre_time_s": 0.020}
_NEPER_60_DB = 6.0 * np.log(10.0)
_TOWARDS_USUAL = 2.0  # the project's own limit


@frozen_class
class Doubt:
    """What a figure is worth.

    Attributes
    ----------
    uncertainty : float or None
        One standard deviation by chance, in the figure's unit; None without a figure or a bandwidth.
    decay_range_db : float
        Range of the decay it was taken from, peak to noise or to the end of the record.
    verdict : "good", "doubtful" or "unusable"
    reason : str or None
        None when good.
    """

    uncertainty: float | None
    decay_range_db: float
    verdict: Verdict
    reason: str | None = None


def time_uncertainty(
    key: str, decay_time_s: float, bandwidth_hz: float, *, of_decay_db: float | None = None
) -> float:
    """Standard deviation of a decay time in seconds, `key` one of `TIME_SCATTER`.

    `of_decay_db` is what a direct sound leaves of the span, in dB of decay; all of it when None. Lines over
    the first 5, 7.5, 10, 15 and 20 dB of 3000 decays scatter by 3.05, 2.2, 1.7, 1.2 and 0.9 times T / √(B T).
    """
    factor = TIME_SCATTER[key]
    if of_decay_db is not None:
        factor = max(factor, TIME_SCATTER["edt_s"] * (10.0 / max(1.0, of_decay_db)) ** 0.9)
    return float(factor * decay_time_s / np.sqrt(bandwidth_hz * decay_time_s))


def energy_scatter(limit_s: float, *, decay_time_s: float, bandwidth_hz: float) -> float:
    """Relative standard deviation of early over late energy, boundary at `limit_s`.

    √((1 - e⁻²ˣ) / 2Bτ(1 - e⁻ˣ)² + 1 / 2Bτ).
    """
    constant = decay_time_s / _NEPER_60_DB
    x = limit_s / constant
    early = -np.expm1(-2.0 * x) / np.expm1(-x) ** 2
    return float(np.sqrt((early + 1.0) / (2.0 * bandwidth_hz * constant)))


def clarity_uncertainty(limit_s: float, *, decay_time_s: float, bandwidth_hz: float) -> float:
    """Standard deviation of C50 or C80 in dB."""
    scatter = energy_scatter(limit_s, decay_time_s=decay_time_s, bandwidth_hz=bandwidth_hz)
    return 10.0 / float(np.log(10.0)) * scatter


def definition_uncertainty(
    definition: float, limit_s: float, *, decay_time_s: float, bandwidth_hz: float
) -> float:
    """Standard deviation of D50, D (1 - D) times the scatter of early over late.

    The scatter belongs to the true D. Near 0 and 1 a measured one has come there by chance as well, and would
    claim too little: D is taken nearer to that of a straight decay, by up to twice the scatter.
    """
    scatter = energy_scatter(limit_s, decay_time_s=decay_time_s, bandwidth_hz=bandwidth_hz)
    if not 0.0 < definition < 1.0:
        return 0.0
    x = limit_s * _NEPER_60_DB / decay_time_s
    usual = x + np.log(-np.expm1(-x))  # early over late, as its logarithm: ln (eˣ - 1)
    measured = np.log(definition / (1.0 - definition))
    likely = np.clip(usual, measured - _TOWARDS_USUAL * scatter, measured + _TOWARDS_USUAL * scatter)
    true = 1.0 / (1.0 + np.exp(-likely))
    return float(true * (1.0 - true) * scatter)


def centre_time_uncertainty(*, decay_time_s: float, bandwidth_hz: float) -> float:
    """Standard deviation of the centre time in seconds, ½ √(τ/B)."""
    return float(0.5 * np.sqrt(decay_time_s / _NEPER_60_DB / bandwidth_hz))


def judge(
    key: str,
    value: float | None,
    *,
    uncertainty: float | None,
    decay_range_db: float,
    missing: str | None,
    flags: tuple[str, ...],
) -> Doubt:
    """Verdict of one figure.

    Parameters
    ----------
    key : str
        Name of the figure, which decides how much scatter is too much.
    missing : str or None
        Why there is no value.
    flags : tuple of str
        What speaks against a value that is there.
    """
    if value is None:
        return Doubt(None, decay_range_db, "unusable", missing or "cannot be known")
    largest = _LARGEST.get(key, _LARGEST_SHARE * abs(value))
    if uncertainty is not None and uncertainty > largest:
        flags = tuple(dict.fromkeys((*flags, CHANCE)))
    return Doubt(uncertainty, decay_range_db, "doubtful" if flags else "good", "; ".join(flags) or None)
