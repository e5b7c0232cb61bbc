"""Early and late energy of a response per band: C50, C80, D50 and centre time.

Conventions
-----------
Levels in dB, times in seconds from the onset. Early and late are split by `early_and_late`.

Sources
-------
ISO 3382-1:2009, A.2.2 (clarity, definition), A.2.3 (centre time).
"""

from __future__ import annotations

from dataclasses import field
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.early_and_late import EARLY_LIMITS_S
from roomplan.acoustics.transforms import inner
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from roomplan.acoustics.energies import BandEnergies
    from roomplan.acoustics.noise import Truncation

__all__ = ["EnergyFigures", "energy_figures"]

_LARGEST_TAIL = 0.5  # share of a late energy that may be extrapolated
_LARGEST_MOMENT_TAIL = 0.3  # share of a centre time that may be extrapolated …
# … unless it is less than a tenth of a millisecond, a hundredth of what can be heard (10 ms)
_LEAST_MOMENT_S = 1e-4
# Down to here a decay hides no late part that would matter, though it ends before 50 ms: the range that T20
# needs (ISO 3382-1:2009, 5.3.3), taken for a centre time by the project itself
_HIDES_NOTHING_DB = 35.0


@frozen_class
class EnergyFigures:
    """Energy figures of one band; None with a text in `reasons` under the same name."""

    c80_db: float | None
    d50: float | None
    centre_time_s: float | None
    c50_db: float | None
    reasons: Mapping[str, str] = field(default_factory=dict)
    absent: frozenset[str] = frozenset()


def energy_figures(
    band: BandEnergies, *, with_dry: bool, lead_s: float, truncation: Truncation, onset: int
) -> EnergyFigures:
    """Clarity, definition and centre time of one band, noise subtracted and the missing tail added.

    Parameters
    ----------
    band : BandEnergies
        Energy per frame, and the energies on either side of `EARLY_LIMITS_S`.
    with_dry : bool
        Whether the dry impulse counts.
    lead_s : float
        Time by which the filtered wet is ahead.
    truncation : Truncation
        Of the frames from `onset` on.
    onset : int
        Frame at which the decay was started.

    Notes
    -----
    Refused where the decay meets the noise or ends before the boundary, and where more than half of a late
    energy (0.3 of the centre time) would be extrapolated; a centre time also where energies before and after
    50 ms are refused, unless the decay was seen far down. Not done: no figure is corrected for a source that
    is not an impulse.
    """
    energy, content = band.envelope, band.content
    early = band.early_with_dry if with_dry else band.early
    ahead = band.ahead_with_dry if with_dry else band.ahead
    end = onset + truncation.crosspoint
    end_s = end / band.rate
    noise = truncation.noise_power * band.rate  # energy per second
    tail = truncation.tail_energy
    beyond = float(energy[end:content].sum())
    reasons: dict[str, str] = {}
    absent: set[str] = set()
    values: list[tuple[float, float] | None] = []
    for limit, before, after in zip(EARLY_LIMITS_S, early, band.late, strict=True):
        clear = max(0.0, before - noise * limit)
        if after <= _NOTHING * before:
            values.append((clear, 0.0))
        elif end_s < limit or truncation.late_decay_time_s is None:
            values.append(None)
        else:
            behind = after - beyond - noise * (end_s - limit) + tail
            values.append((clear, behind) if behind > 0.0 and tail <= _LARGEST_TAIL * behind else None)
    what = "the decay meets the noise" if truncation.ends_in_noise else "the response ends"
    if truncation.late_decay_time_s is None:
        what = "there is no decay but noise"

    def clarity(index: int, key: str) -> float | None:
        pair = values[index]
        milliseconds = round(1000 * EARLY_LIMITS_S[index])
        if pair is None:
            reasons[key] = _too_early(what, end_s, milliseconds, truncation)
            return None
        if pair[1] <= 0.0:
            reasons[key] = f"nothing arrives after {milliseconds} ms"
            absent.add(key)
            return None
        if pair[0] <= 0.0:
            reasons[key] = f"nothing arrives within {milliseconds} ms"
            return None
        return float(10.0 * np.log10(pair[0] / pair[1]))

    pair = values[0]
    d50 = None
    if pair is None or pair[0] + pair[1] <= 0.0:
        reasons["d50"] = _too_early(what, end_s, 50, truncation)
    else:
        d50 = pair[0] / (pair[0] + pair[1])
    unknown = _may_hide_more(values, truncation)
    centre = (
        None if unknown else _centre_time(band, ahead=ahead, lead_s=lead_s, truncation=truncation, end=end)
    )
    if centre is None:
        reasons["centre_time_s"] = (
            _too_early(what, end_s, 50, truncation)
            if unknown
            else f"{what} too early: the missing part would change the centre time"
        )
    c80_db, c50_db = clarity(1, "c80_db"), clarity(0, "c50_db")
    return EnergyFigures(c80_db, d50, centre, c50_db, reasons, frozenset(absent))


_NOTHING = 1e-9  # a late energy 90 dB under the early one is the filter's own ringing, not sound


def _may_hide_more(early_and_late: Sequence[tuple[float, float] | None], truncation: Truncation) -> bool:
    """Whether what comes late is neither known nor known to be little."""
    if truncation.late_decay_time_s is None:
        return None in early_and_late
    return early_and_late[0] is None and truncation.peak_to_noise_db < _HIDES_NOTHING_DB


def _too_early(what: str, end_s: float, milliseconds: int, truncation: Truncation) -> str:
    if truncation.late_decay_time_s is None:
        return what
    return f"{what} at {1000 * end_s:.0f} ms: too early to know what comes after {milliseconds} ms"


def _centre_time(
    band: BandEnergies,
    *,
    ahead: NDArray[np.float64],
    lead_s: float,
    truncation: Truncation,
    end: int,
) -> float | None:
    """First moment of the energy over time 0, moved back by the time the filter is ahead."""
    used = band.envelope[:end] - truncation.noise_power
    seen, before, tail = float(used.sum()), float(ahead.sum()), truncation.tail_energy
    total = seen + before + tail
    if not total > 0.0:
        return None
    wet_moment = inner(np.arange(end, dtype=np.float64), used) / band.rate + seen * band.middle_s
    ahead_moment = -inner(np.arange(ahead.size, 0, -1, dtype=np.float64), ahead) / band.rate
    ahead_moment += before * band.middle_s
    tail_moment = 0.0
    if truncation.late_decay_time_s is not None:
        tail_moment = tail * (end / band.rate + truncation.late_decay_time_s / (6.0 * np.log(10.0)))
    if tail_moment > max(_LARGEST_MOMENT_TAIL * (wet_moment + tail_moment), _LEAST_MOMENT_S * total):
        return None
    centre = (wet_moment + ahead_moment + tail_moment) / total
    # the dry impulse is white: its share of the energy is ahead by the filter's mean delay
    wet = float(band.envelope.sum())
    impulse = max(0.0, before - float(band.ahead.sum()))
    lead = (lead_s * wet + band.mean_lead_s * impulse) / max(wet + impulse, 1e-300)
    return float(max(0.0, centre + lead))
