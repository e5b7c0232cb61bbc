"""Results per band and their summary.

Conventions: every figure is a number or None with a text in `reasons` under the figure's name; "verdict"
carries the doubt about the whole. Times in seconds, levels in dB, nominal mid-band frequencies in hertz.

Sources: ISO 3382-1:2009, Table A.1 and clause 9.1 (mid frequencies: the mean of the 500 and 1000 Hz octaves).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from roomplan.acoustics.decay import DecayTimes, Verdict
    from roomplan.acoustics.energy import EnergyFigures

__all__ = [
    "BandFigures",
    "DecayFigures",
    "band_figures",
    "dry_alone",
    "no_band",
    "nothing_measured",
    "summarise",
]

_MID_CENTRES_HZ = (500.0, 1000.0)
_FIGURES = ("edt_s", "t20_s", "t30_s", "c80_db", "d50", "centre_time_s", "c50_db")
_DOUBTS = ("t20_uncertainty_s", "t30_uncertainty_s", "xi_permille", "curvature_percent")


@dataclass(frozen=True, slots=True)
class BandFigures:
    """Figures of one octave band, or of the mean of two (`centre_hz` None); None with a text in `reasons`.

    `reasons` uses the attribute names as keys, and "verdict" for the doubt about the band as a whole.
    """

    centre_hz: float | None
    edt_s: float | None
    t20_s: float | None
    t30_s: float | None
    c80_db: float | None
    d50: float | None
    centre_time_s: float | None
    decay_range_db: float
    verdict: Verdict
    reasons: Mapping[str, str] = field(default_factory=dict)
    c50_db: float | None = None
    t20_uncertainty_s: float | None = None
    t30_uncertainty_s: float | None = None
    xi_permille: float | None = None
    curvature_percent: float | None = None


@dataclass(frozen=True, slots=True)
class DecayFigures:
    """Figures per band and their mean over 500 and 1000 Hz; the verdict is the worse of those two bands."""

    bands: tuple[BandFigures, ...]
    mid: BandFigures
    verdict: Verdict
    reasons: Mapping[str, str] = field(default_factory=dict)


def band_figures(centre_hz: float, times: DecayTimes, energy: EnergyFigures) -> BandFigures:
    """Figures of one band from its decay times and its energies."""
    return BandFigures(
        centre_hz=centre_hz,
        edt_s=times.edt_s,
        t20_s=times.t20_s,
        t30_s=times.t30_s,
        c80_db=energy.c80_db,
        d50=energy.d50,
        centre_time_s=energy.centre_time_s,
        decay_range_db=times.decay_range_db,
        verdict=times.verdict,
        reasons={**times.reasons, **energy.reasons},
        c50_db=energy.c50_db,
        t20_uncertainty_s=times.t20_uncertainty_s,
        t30_uncertainty_s=times.t30_uncertainty_s,
        xi_permille=times.xi_t30_permille,
        curvature_percent=times.curvature_percent,
    )


def no_band(centre_hz: float | None, reason: str) -> BandFigures:
    """Return a band without any figure, for one reason."""
    return BandFigures(
        centre_hz=centre_hz,
        edt_s=None,
        t20_s=None,
        t30_s=None,
        c80_db=None,
        d50=None,
        centre_time_s=None,
        decay_range_db=0.0,
        verdict="unusable",
        reasons=dict.fromkeys((*_FIGURES, "verdict"), reason),
    )


def nothing_measured(centres_hz: Sequence[float], reason: str) -> DecayFigures:
    """Return no figure in any band, for one reason."""
    bands = tuple(no_band(centre, reason) for centre in centres_hz)
    return DecayFigures(bands, no_band(None, reason), "unusable", {"verdict": reason})


def dry_alone(centres_hz: Sequence[float], reason: str) -> DecayFigures:
    """Figures of a dry impulse with nothing after it: all energy at time 0, no decay (for `reason`)."""

    def impulse(centre_hz: float | None) -> BandFigures:
        band = no_band(centre_hz, reason)
        reasons = {key: text for key, text in band.reasons.items() if key not in {"d50", "centre_time_s"}}
        reasons |= {"c80_db": "nothing arrives after 80 ms", "c50_db": "nothing arrives after 50 ms"}
        return replace(band, d50=1.0, centre_time_s=0.0, reasons=reasons)

    bands = tuple(impulse(centre) for centre in centres_hz)
    return DecayFigures(bands, impulse(None), "unusable", {"verdict": reason})


def summarise(bands: tuple[BandFigures, ...]) -> DecayFigures:
    """Bands, the mean of 500 and 1000 Hz, and that mean's verdict (without either: the best band's)."""
    mid = _mid(bands)
    judged = mid
    if bands and not any(band.centre_hz in _MID_CENTRES_HZ for band in bands):
        judged = min(bands, key=_badness)
    reasons = {"verdict": judged.reasons["verdict"]} if "verdict" in judged.reasons else {}
    return DecayFigures(bands, mid, judged.verdict, reasons)


def _badness(band: BandFigures) -> int:
    return ("good", "doubtful", "unusable").index(band.verdict)


def _mid(bands: tuple[BandFigures, ...]) -> BandFigures:
    """Arithmetic mean of the 500 and 1000 Hz bands (ISO 3382-1:2009, Table A.1)."""
    pair = [band for band in bands if band.centre_hz in _MID_CENTRES_HZ]
    if len(pair) != len(_MID_CENTRES_HZ):
        return no_band(None, "the mean needs both the 500 and the 1000 Hz band")
    reasons: dict[str, str] = {}
    means: dict[str, float | None] = {}
    for key in (*_FIGURES, *_DOUBTS):
        values = [getattr(band, key) for band in pair]
        means[key] = None if None in values else sum(values) / len(values)
        for band, value in zip(pair, values, strict=True):
            if value is None and key in band.reasons and key not in reasons:
                reasons[key] = f"{band.centre_hz:g} Hz: {band.reasons[key]}"
    worst = max(pair, key=_badness)
    if "verdict" in worst.reasons:
        reasons["verdict"] = f"{worst.centre_hz:g} Hz: {worst.reasons['verdict']}"
    return replace(
        worst,
        centre_hz=None,
        decay_range_db=min(band.decay_range_db for band in pair),
        reasons=reasons,
        **means,
    )
