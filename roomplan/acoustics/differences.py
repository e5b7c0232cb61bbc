"""How far two measurements lie apart: in just-noticeable steps, and whether they can be of one room.

Conventions
-----------
A difference is *measured* minus *reference*: positive is longer, clearer or later. Times in seconds, levels
in dB, frequencies in hertz (nominal mid-band; None for the mean of 500 and 1000 Hz).

Symbols: x measured, r reference, u standard deviation by chance, s step.

A step is absolute for C80, D50 and the centre time: (x - r) / s. For decay times it is 5 % *of the value*,
and which value is the reader's choice. Here steps of times are ln(x/r) / ln 1.05: twice as many steps are
twice as many times 5 %, and an exchange of the two measurements changes the sign and nothing else. Up to 10 %
it differs from (x - r) / 0.05 r by less than 0.2 steps; 20 % longer is 3.7 steps, 20 % shorter -4.6.

Whether a difference is more than chance is another question: `chance` is it over √(u_x² + u_r²), and |2| or
more comes by chance once in twenty times.

Sources
-------
ISO 3382-1:2009, Table A.1, just-noticeable differences: EDT 5 %, C80 1 dB, D50 0.05, centre time 10 ms. T10,
T20, T30 and C50 are no rows of it; EDT's step stands in for the times and C80's for C50, and the result says
so.

Measured
--------
Whether two positions may be one room: 20 % longer is found out in 210 of 210, 10 % longer in 38 %.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from roomplan.acoustics.special_functions import chi_square_limit
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from roomplan.acoustics.figures import BandFigures, DecayFigures

__all__ = [
    "STEPS",
    "Difference",
    "NoticeableStep",
    "SameRoom",
    "describe",
    "differences",
    "same_room",
]


class NoticeableStep(NamedTuple):
    """A just-noticeable step of a figure: its size, whether it is a share of the value, and its row."""

    name: str
    size: float
    relative: bool
    stands_in: str | None
    more: str
    less: str


STEPS = {
    "edt_s": NoticeableStep("EDT", 0.05, True, None, "longer", "shorter"),
    "t10_s": NoticeableStep("T10", 0.05, True, "EDT", "longer", "shorter"),
    "t20_s": NoticeableStep("T20", 0.05, True, "EDT", "longer", "shorter"),
    "t30_s": NoticeableStep("T30", 0.05, True, "EDT", "longer", "shorter"),
    "c50_db": NoticeableStep("C50", 1.0, False, "C80", "clearer", "less clear"),
    "c80_db": NoticeableStep("C80", 1.0, False, None, "clearer", "less clear"),
    "d50": NoticeableStep("D50", 0.05, False, None, "higher", "lower"),
    "centre_time_s": NoticeableStep("the centre time", 0.010, False, None, "later", "earlier"),
}
"""Steps by figure (ISO 3382-1:2009, Table A.1); `stands_in` names the row used for a figure that has none."""

_LASTING = ("t30_s", "t20_s")  # what positions in one room share, best first
_FEWEST_BANDS = 3

SPATIAL_SHARE = 0.03
"""Standard deviation of a decay time over the places in a room beyond chance, as a share of it.

Coupled corners, near surfaces and single modes make it; common practice, no source.
"""

# this project's own: two places in one room are called "unlikely" once in a hundred times
_SIGNIFICANCE = 0.01
# this project's own: "likely" is said only where a room this much longer would rather be found out than not
_DETECTED_SHARE = 0.20


@frozen_class
class Difference:
    """Difference of one figure in one band.

    Attributes
    ----------
    centre_hz : float or None
        None for the mean of 500 and 1000 Hz.
    key : str
        One of `STEPS`.
    value, reference : float or None
        The two figures.
    difference : float or None
        `value` - `reference`; None, with a `reason`, unless both are there.
    steps : float or None
        In just-noticeable steps; positive is longer, clearer, higher, later.
    chance : float or None
        Difference over its standard deviation by chance; None where that is not known.
    in_table : bool
        Whether ISO 3382-1 gives a step for this very figure.
    reason : str or None
        Why there is no difference.
    """

    centre_hz: float | None
    key: str
    value: float | None
    reference: float | None
    difference: float | None
    steps: float | None
    chance: float | None
    in_table: bool
    reason: str | None = None


@frozen_class
class SameRoom:
    """Whether two measurements can be two positions in one room.

    Attributes
    ----------
    verdict : "likely", "unlikely" or "unknown"
        "likely" says that the decay times do not speak against it: another room may have the same.
    largest_z : float or None
        The difference of one band that stands out most, over its standard deviation in one room, signed.
    """

    verdict: Literal["likely", "unlikely", "unknown"]
    bands_compared: int
    largest_z: float | None
    reason: str


def differences(measured: DecayFigures, reference: DecayFigures) -> tuple[Difference, ...]:
    """Differences of every figure in the bands that both measurements have, then of their means.

    Parameters
    ----------
    measured, reference : DecayFigures
        Two channels, positions or states of a room.

    Returns
    -------
    tuple of Difference
        Band by band in the order of `measured`, the figures in the order of `STEPS`; last the mean of 500 and
        1000 Hz.

    Notes
    -----
    Bands are matched by their nominal mid-band frequency, and a band that only one measurement has is left
    out; so is a figure over the whole range, which has none. Not done: whether a difference is within chance
    is stated (`chance`) and not judged.
    """
    others = {band.centre_hz: band for band in reference.bands if band.centre_hz is not None}
    pairs = [(band, others[band.centre_hz]) for band in measured.bands if band.centre_hz in others]
    pairs.append((measured.mid, reference.mid))
    return tuple(_difference(key, band, other) for band, other in pairs for key in STEPS)


def describe(difference: Difference) -> str:
    """Say a difference in words, such as "EDT at 500 Hz is 3.1 JND longer".

    A figure that is no row of the standard's table names the row whose just-noticeable difference (JND) was
    used. What rounds to no tenth of one is "the same".
    """
    step = STEPS[difference.key]
    what = f"{step.name} at {_place(difference.centre_hz)}"
    if difference.steps is None:
        return f"{what} cannot be compared: {difference.reason}"
    amount = f"{abs(difference.steps):.1f}"
    if amount == "0.0":
        return f"{what} is the same"
    source = "" if step.stands_in is None else f" (by the JND of {step.stands_in})"
    return f"{what} is {amount} JND {step.more if difference.steps > 0 else step.less}{source}"


def same_room(measured: DecayFigures, reference: DecayFigures) -> SameRoom:
    """Whether the late decay times of two measurements allow them to be two positions in one room.

    Parameters
    ----------
    measured, reference : DecayFigures
        Figures in octave bands, or in thirds of an octave, both the same.

    Notes
    -----
    Per band T30 of both, or T20 of both where either lacks T30. The squared differences over their variance
    in one room, u_x² + u_r² + 2 (0.03 T)², T the mean of both, add up to a chi-square with as many degrees of
    freedom as bands: "unlikely" below a probability of 1 %. The 3 % stand for what decay times scatter from
    seat to seat beyond chance (common practice, no source). "unknown" with fewer than three bands, and where
    the doubt is so large that a room with decay times 20 % longer would rather pass than not.

    Not done: equal decay times do not make one room; EDT and clarity, which change from seat to seat, are not
    looked at; systematic errors, such as another filter or a source that is no impulse, are not known here.
    """
    others = {band.centre_hz: band for band in reference.bands if band.centre_hz is not None}
    scores, shifts = [], []
    for band in measured.bands:
        pair = _lasting_pair(band, others[band.centre_hz]) if band.centre_hz in others else None
        if pair is None:
            continue
        value, other, scatter = pair
        mean = 0.5 * (value + other)
        deviation = np.hypot(scatter, np.sqrt(2.0) * SPATIAL_SHARE * mean)
        scores.append((value - other) / deviation)
        shifts.append(_DETECTED_SHARE * mean / deviation)
    count = len(scores)
    largest = float(max(scores, key=abs)) if scores else None
    if count < _FEWEST_BANDS:
        return SameRoom(
            "unknown",
            count,
            largest,
            f"{count} bands have a T30 or T20 with an uncertainty in both: {_FEWEST_BANDS} are needed",
        )
    total = float(np.sum(np.square(scores)))
    limit = chi_square_limit(count, _SIGNIFICANCE)
    if total > limit:
        reason = (
            f"decay times of {count} bands differ by more than chance and position in one room explain "
            f"(chi-square {total:.0f}, limit {limit:.0f})"
        )
        return SameRoom("unlikely", count, largest, reason)
    # the mean of the sum for such a room: that of a chi-square plus its shift
    if float(np.sum(np.square(shifts))) + count < limit:
        reason = f"too uncertain to recognise a room whose decay is {100 * _DETECTED_SHARE:.0f} % longer"
        return SameRoom("unknown", count, largest, reason)
    return SameRoom(
        "likely",
        count,
        largest,
        f"decay times of {count} bands agree as in two positions of one room (chi-square {total:.1f}, limit "
        f"{limit:.0f})",
    )


def _difference(key: str, band: BandFigures, other: BandFigures) -> Difference:
    step = STEPS[key]
    value, reference = _value(band, key), _value(other, key)
    in_table = step.stands_in is None
    if value is None or reference is None:
        return Difference(
            band.centre_hz,
            key,
            value,
            reference,
            None,
            None,
            None,
            in_table,
            _why(key, band, other),
        )
    difference = value - reference
    if step.relative:
        steps = float(np.log(value / reference) / np.log1p(step.size))
    else:
        steps = difference / step.size
    scatter = _scatter(key, band, other)
    chance = difference / scatter if scatter is not None and scatter > 0.0 else None
    return Difference(band.centre_hz, key, value, reference, difference, steps, chance, in_table)


def _why(key: str, band: BandFigures, other: BandFigures) -> str:
    """Name the side that lacks the figure, and why."""
    missing = []
    for side, figures in (("measured", band), ("reference", other)):
        if _value(figures, key) is None:
            missing.append(f"{side}: {figures.reasons.get(key, 'not measured')}")
    return "; ".join(missing)


def _lasting_pair(band: BandFigures, other: BandFigures) -> tuple[float, float, float] | None:
    """T30 of both with the standard deviation of their difference, or T20 of both, or None."""
    for key in _LASTING:
        value, reference, scatter = _value(band, key), _value(other, key), _scatter(key, band, other)
        if value is not None and reference is not None and scatter is not None:
            return value, reference, scatter
    return None


def _scatter(key: str, band: BandFigures, other: BandFigures) -> float | None:
    """Standard deviation of a difference by chance; the two measurements are independent."""
    one, two = _uncertainty(band, key), _uncertainty(other, key)
    return None if one is None or two is None else float(np.hypot(one, two))


def _value(band: BandFigures, key: str) -> float | None:
    """Figure of a band; a time or level that is no finite number, or a decay time of nothing, is none."""
    value: float | None = getattr(band, key)
    if value is None or not np.isfinite(value) or (STEPS[key].relative and not value > 0.0):
        return None
    return float(value)


def _uncertainty(band: BandFigures, key: str) -> float | None:
    """Where a figure's standard deviation is kept."""
    doubt = band.doubt.get(key)
    return None if doubt is None else doubt.uncertainty


def _place(centre_hz: float | None) -> str:
    if centre_hz is None:
        return "mid frequencies"
    return f"{centre_hz / 1000:g} kHz" if centre_hz >= 1000 else f"{centre_hz:g} Hz"
