"""Results per band and their summary.

Conventions: every figure is a number or None with a text in `reasons` under the figure's name; "verdict"
carries the doubt about the whole. Times in seconds, levels in dB, nominal mid-band frequencies in hertz.

Sources: ISO 3382-1:2009, Table A.1 and clause 9.1 (mid frequencies: the mean of the 500 and 1000 Hz octaves).
"""

from __future__ import annotations

from dataclasses import field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from roomplan.acoustics.doubt import (
    CHANCE,
    LARGEST_OF_A_SHARE_DB,
    Doubt,
    centre_time_uncertainty,
    clarity_uncertainty,
    definition_uncertainty,
    judge,
)
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from roomplan.acoustics.decay import DecayTimes
    from roomplan.acoustics.double_slope import DoubleSlope
    from roomplan.acoustics.doubt import Verdict
    from roomplan.acoustics.energy import EnergyFigures
    from roomplan.acoustics.filters import Filter

__all__ = [
    "FIGURES",
    "MID_OCTAVES_HZ",
    "MID_THIRDS_HZ",
    "BandFigures",
    "DecayFigures",
    "MeanFigure",
    "band_figures",
    "doubtful_figures",
    "dry_alone",
    "mark",
    "mean_over_bands",
    "no_band",
    "nothing_measured",
    "summarise",
]

FIGURES = ("edt_s", "t10_s", "t20_s", "t30_s", "c50_db", "c80_db", "d50", "centre_time_s")
"""Keys of the figures that carry a doubt."""

MID_OCTAVES_HZ = (500.0, 1000.0)
"""Octaves whose mean is the mid figure (ISO 3382-1:2009, 9.1 and Table A.1)."""

MID_THIRDS_HZ = (400.0, 500.0, 630.0, 800.0, 1000.0, 1250.0)
"""Third octaves whose mean is the mid figure (ISO 3382-1:2009, 9.1)."""

_NAMES = {
    "edt_s": "EDT",
    "t20_s": "T20",
    "t30_s": "T30",
    "c50_db": "C50",
    "c80_db": "C80",
    "d50": "D50",
    "centre_time_s": "Ts",
}
_LIMITS_S = {"c50_db": 0.05, "c80_db": 0.08}
# half a just-noticeable difference (ISO 3382-1:2009, Table A.1; C50 as C80): less scatter does not matter.
# D50 goes by the ratio that it comes from: near 0 and 1 its own scatter is small whatever that does
_SCATTER_MATTERS_DB = 0.5
_SCATTER_OF = {"c50_db": "c50_db", "c80_db": "c80_db", "d50": "c50_db"}
# A decay seen over less may as well be noise, or go on otherwise: 15 dB is how far under the range of a line
# ISO 3382-1:2009, 5.3.3, wants the noise (for energies the project's own limit)
_LEAST_RANGE_DB = 15.0
_OF_ENERGIES = ("c50_db", "c80_db", "d50", "centre_time_s")
_SHAPE = ("xi_permille", "curvature_percent")


@frozen_class
class BandFigures:
    """Figures of one band, or of the mean of some (`centre_hz` None); None with a text in `reasons`.

    `reasons` uses the attribute names as keys, and "verdict" for the doubt about the band as a whole, which
    is that of its decay: good figures of a good band may stand beside doubtful ones;
    `absent` are the figures that are None because there is no such sound (silence, or nothing late), not
    because it cannot be measured. `doubt` holds what each of `FIGURES` is worth. `label` names the band.
    `double_slope` is there when two decays were looked for and the data support them.
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
    t10_s: float | None = None
    xi_permille: float | None = None
    curvature_percent: float | None = None
    doubt: Mapping[str, Doubt] = field(default_factory=dict)
    label: str = "mid"
    double_slope: DoubleSlope | None = None
    absent: frozenset[str] = frozenset()


@frozen_class
class DecayFigures:
    """Figures per band and the mean of the mid ones; the verdict is the worst of those."""

    bands: tuple[BandFigures, ...]
    mid: BandFigures
    verdict: Verdict
    reasons: Mapping[str, str] = field(default_factory=dict)


def band_figures(
    look: Filter,
    times: DecayTimes,
    energy: EnergyFigures,
    *,
    bandwidth_hz: float,
    late_decay_time_s: float | None,
) -> BandFigures:
    """Figures of one band from its decay times and its energies, with the doubt about each.

    `late_decay_time_s` stands in for the decay time where none is there, in the scatter of energies.
    """
    reasons = {**times.reasons, **energy.reasons}
    values: dict[str, Any] = {
        "edt_s": times.edt_s,
        "t10_s": times.t10_s,
        "t20_s": times.t20_s,
        "t30_s": times.t30_s,
        "c50_db": energy.c50_db,
        "c80_db": energy.c80_db,
        "d50": energy.d50,
        "centre_time_s": energy.centre_time_s,
    }
    uncertainties: dict[str, float] = dict(times.uncertainties)
    lasting = times.t20_s or times.t30_s or times.t10_s or times.edt_s or late_decay_time_s
    if lasting is not None:
        decay = {"decay_time_s": lasting, "bandwidth_hz": bandwidth_hz}
        for key, limit in _LIMITS_S.items():
            uncertainties[key] = clarity_uncertainty(limit, **decay)
        if energy.d50 is not None:
            uncertainties["d50"] = definition_uncertainty(energy.d50, 0.05, **decay)
        uncertainties["centre_time_s"] = centre_time_uncertainty(**decay)
    flags = dict(times.flags)
    for key, ratio in _SCATTER_OF.items():  # their scatter, too, is that of a straight decay
        if "centre_time_s" in flags and uncertainties.get(ratio, 0.0) > _SCATTER_MATTERS_DB:
            flags[key] = flags["centre_time_s"]
    if uncertainties.get("c50_db", 0.0) > LARGEST_OF_A_SHARE_DB:
        flags["d50"] = (*flags.get("d50", ()), CHANCE)
    if times.decay_range_db < _LEAST_RANGE_DB:
        seen = f"no more than {max(0.0, times.decay_range_db):.0f} dB of decay are there to judge by"
        flags |= {key: (*flags.get(key, ()), seen) for key in _OF_ENERGIES}
    doubt = {
        key: judge(
            key,
            value,
            uncertainty=uncertainties.get(key),
            decay_range_db=times.decay_range_db,
            missing=reasons.get(key),
            flags=flags.get(key, ()),
        )
        for key, value in values.items()
    }
    lasting_verdicts = {doubt[key].verdict for key in ("t20_s", "t30_s")}
    verdict: Verdict = times.verdict
    if verdict == "good" and "good" not in lasting_verdicts and "doubtful" in lasting_verdicts:
        verdict, reasons["verdict"] = "doubtful", doubtful_figures(doubt) or ""
    return BandFigures(
        centre_hz=look.centre_hz,
        label=look.label,
        **values,
        decay_range_db=times.decay_range_db,
        verdict=verdict,
        reasons=reasons,
        xi_permille=times.xi_t30_permille,
        curvature_percent=times.curvature_percent,
        doubt=doubt,
        absent=energy.absent,
    )


def doubtful_figures(doubt: Mapping[str, Doubt]) -> str | None:
    """Say which figures of a band are doubtful, and why; None where none is. T10, an aid, is left out."""
    names: dict[str, list[str]] = {}
    for key, name in _NAMES.items():
        if doubt[key].verdict == "doubtful":
            names.setdefault(doubt[key].reason or "", []).append(name)
    return "; ".join(f"{', '.join(named)}: {reason}" for reason, named in names.items()) or None


def no_band(centre_hz: float | None, reason: str, *, label: str = "mid") -> BandFigures:
    """Return a band without any figure, for one reason."""
    return BandFigures(
        centre_hz=centre_hz,
        label=label,
        edt_s=None,
        t20_s=None,
        t30_s=None,
        c80_db=None,
        d50=None,
        centre_time_s=None,
        decay_range_db=0.0,
        verdict="unusable",
        reasons=dict.fromkeys((*FIGURES, "verdict"), reason),
        doubt=dict.fromkeys(FIGURES, Doubt(None, 0.0, "unusable", reason)),
    )


def nothing_measured(
    filters: Sequence[Filter], reason: str, *, absent: frozenset[str] = frozenset()
) -> DecayFigures:
    """Return no figure in any band, for one reason; `absent` as in `BandFigures`."""
    bands = tuple(
        replace(no_band(look.centre_hz, reason, label=look.label), absent=absent) for look in filters
    )
    mid = replace(no_band(None, reason), absent=absent)
    return DecayFigures(bands, mid, "unusable", {"verdict": reason})


def dry_alone(filters: Sequence[Filter], reason: str) -> DecayFigures:
    """Figures of a dry impulse with nothing after it: all energy at time 0, no decay (for `reason`)."""

    def impulse(centre_hz: float | None, label: str) -> BandFigures:
        band = no_band(centre_hz, reason, label=label)
        reasons = {key: text for key, text in band.reasons.items() if key not in {"d50", "centre_time_s"}}
        reasons |= {"c80_db": "nothing arrives after 80 ms", "c50_db": "nothing arrives after 50 ms"}
        doubt = {
            key: Doubt(None, 0.0, "unusable", reasons[key]) if key in reasons else Doubt(0.0, 0.0, "good")
            for key in FIGURES
        }
        absent = frozenset(key for key in FIGURES if key in reasons)
        return replace(band, d50=1.0, centre_time_s=0.0, reasons=reasons, doubt=doubt, absent=absent)

    bands = tuple(impulse(look.centre_hz, look.label) for look in filters)
    return DecayFigures(bands, impulse(None, "mid"), "unusable", {"verdict": reason})


def mark(figures: BandFigures, reason: str, keys: Sequence[str] = FIGURES) -> BandFigures:
    """Make good figures doubtful for a reason that lies outside their band, such as clipping."""
    doubt = dict(figures.doubt)
    for key in keys:
        before = doubt[key]
        if before.verdict != "unusable":
            text = f"{before.reason}; {reason}" if before.reason else reason
            doubt[key] = replace(before, verdict="doubtful", reason=text)
    reasons = dict(figures.reasons)
    if any(doubt[key].verdict != "unusable" for key in keys):
        reasons["verdict"] = f"{reasons['verdict']}; {reason}" if "verdict" in reasons else reason
        verdict = "doubtful" if figures.verdict == "good" else figures.verdict
        return replace(figures, doubt=doubt, reasons=reasons, verdict=verdict)
    return figures


def summarise(
    bands: tuple[BandFigures, ...], *, mid_centres_hz: Sequence[float] = MID_OCTAVES_HZ
) -> DecayFigures:
    """Bands, the mean of the mid ones, and that mean's verdict (without any of them: the best band's)."""
    mid = _mid(bands, mid_centres_hz)
    judged = mid
    if bands and not any(band.centre_hz in mid_centres_hz for band in bands):
        judged = min(bands, key=_badness)
    reasons = {"verdict": judged.reasons["verdict"]} if "verdict" in judged.reasons else {}
    return DecayFigures(bands, mid, judged.verdict, reasons)


def _badness(judged: BandFigures | Doubt) -> int:
    return ("good", "doubtful", "unusable").index(judged.verdict)


def _mid(bands: tuple[BandFigures, ...], centres_hz: Sequence[float]) -> BandFigures:
    """Arithmetic mean of the mid bands (ISO 3382-1:2009, 9.1 and Table A.1)."""
    group = [band for band in bands if band.centre_hz in centres_hz]
    if len(group) != len(centres_hz):
        octaves = centres_hz == MID_OCTAVES_HZ
        which = "both the 500 and the 1000 Hz band" if octaves else "all thirds from 400 to 1250 Hz"
        return no_band(None, f"the mean needs {which}")
    reasons: dict[str, str] = {}
    means: dict[str, float | None] = {}
    labelled = [(band.centre_hz or 0.0, band) for band in group]
    absent = set()
    for key in (*FIGURES, *_SHAPE):
        mean = mean_over_bands(key, labelled)
        means[key] = mean.value
        if mean.reason is not None:
            reasons[key] = mean.reason
        if mean.absent:
            absent.add(key)
    worst = max(group, key=_badness)
    if "verdict" in worst.reasons:
        reasons["verdict"] = f"{worst.centre_hz:g} Hz: {worst.reasons['verdict']}"
    return replace(
        worst,
        centre_hz=None,
        label="mid",
        decay_range_db=min(band.decay_range_db for band in group),
        reasons=reasons,
        doubt={key: _mean_doubt(key, group) for key in FIGURES},
        double_slope=None,
        absent=frozenset(absent),
        **means,
    )


@frozen_class
class MeanFigure:
    """Mean of a figure over bands; None with the reason of the first band without one.

    `absent`: no band without one has anything to measure.
    """

    value: float | None
    reason: str | None
    absent: bool


def mean_over_bands(key: str, bands: Sequence[tuple[float, BandFigures | EnergyFigures]]) -> MeanFigure:
    """Arithmetic mean of a figure, of bands with their centres in hertz."""
    values = [getattr(band, key) for _centre_hz, band in bands]
    if None not in values:
        return MeanFigure(sum(values) / len(values), None, absent=False)
    without = [one for one, value in zip(bands, values, strict=True) if value is None]
    reasons = (f"{centre_hz:g} Hz: {band.reasons[key]}" for centre_hz, band in without if key in band.reasons)
    return MeanFigure(
        None, next(reasons, None), absent=all(key in band.absent for _centre_hz, band in without)
    )


def _mean_doubt(key: str, group: Sequence[BandFigures]) -> Doubt:
    """Doubt of a mean of bands, whose scatters are independent: the worse verdict and its reason."""
    doubts = [band.doubt[key] for band in group]
    worse = max(range(len(group)), key=lambda index: _badness(doubts[index]))
    scatters = [doubt.uncertainty for doubt in doubts if doubt.uncertainty is not None]
    whole = len(scatters) == len(doubts) and doubts[worse].verdict != "unusable"
    reason = doubts[worse].reason
    return Doubt(
        float(np.sqrt(np.sum(np.square(scatters)))) / len(doubts) if whole else None,
        min(doubt.decay_range_db for doubt in doubts),
        doubts[worse].verdict,
        None if reason is None else f"{group[worse].centre_hz:g} Hz: {reason}",
    )
