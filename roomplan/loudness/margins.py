"""How far one sound stands over another while it sounds, from the power of both per 20 ms hop.

Conventions
-----------
Hop sums are those of `hops`, both in the same weighting, shape (hops,). Levels in dB; positive: the first is
louder.

Sources
-------
EBU Tech 3341 (short-term windows of 3 s), ITU-R BS.1770-5, Annex 1 (gates of 400 ms blocks). What counts as a
margin is this project's own: the 10th percentile of the difference of the short-term levels, over the windows
in whose middle the first sound passes its gates. It is kept in nine tenths of the time in which one hears it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from roomplan.loudness.gating import passing_blocks
from roomplan.loudness.hops import HOPS_PER_SECOND

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["MarginFigure", "margin_of_hops", "passage_hops"]

_WINDOW_HOPS = 150  # 3 s
_BLOCK_HOPS = 20  # 400 ms
_STEP_HOPS = 5  # 100 ms, the step of the gates' blocks
_SHARE = 0.10


@dataclass(frozen=True, slots=True)
class MarginFigure:
    """Margin of one sound over another.

    Attributes
    ----------
    margin_db : float or None
        10th percentile of the short-term difference; None with a reason.
    median_db : float or None
        Its median; None where the second sound is silent at least half of the time.
    share_above : float or None
        Share of the time in which the first is louder, 0 to 1.
    windows : int
        Windows that count, 50 a second.
    reason : str or None
    """

    margin_db: float | None
    median_db: float | None
    share_above: float | None
    windows: int
    reason: str | None = None


def passage_hops(start_s: float, end_s: float, hops: int) -> slice:
    """Hops that lie within a passage, of a sound of `hops`; windows of a passage do not reach beyond them."""
    first = int(np.ceil(start_s * HOPS_PER_SECOND - 1e-9))
    last = int(np.floor(end_s * HOPS_PER_SECOND + 1e-9))
    return slice(min(first, hops), max(min(first, hops), min(last, hops)))


def margin_of_hops(
    of_sums: NDArray[np.float64],
    over_sums: NDArray[np.float64],
    *,
    sample_rate: int,
    gate_sums: NDArray[np.float64],
) -> MarginFigure:
    """Margin of one sound over another.

    Parameters
    ----------
    of_sums, over_sums : ndarray, shape (hops,)
        Power of the two sounds per hop, in the band the margin is about.
    sample_rate : int
        Hz.
    gate_sums : ndarray, shape (hops,)
        K-weighted power of the first sound: what its gates are judged on.

    Returns
    -------
    MarginFigure

    Notes
    -----
    Where the second sound is silent the difference has no end; such windows count as above any margin. Not
    done: no masking in frequency, no direction.
    """
    if of_sums.size < _WINDOW_HOPS:
        return MarginFigure(None, None, None, 0, "shorter than the 3 s of a short-term window")
    sounding = _sounding(gate_sums, sample_rate)
    middle = _WINDOW_HOPS // 2
    chosen = np.flatnonzero(sounding[middle : middle + of_sums.size - _WINDOW_HOPS + 1])
    if chosen.size == 0:
        return MarginFigure(None, None, None, 0, "the first sound never passes the gates of BS.1770")
    of_power, over_power = _windows(of_sums)[chosen], _windows(over_sums)[chosen]
    if not np.isfinite(of_power).all() or not np.isfinite(over_power).all():
        return MarginFigure(None, None, None, 0, "a sound holds values that are not numbers")
    if not of_power.all():
        return MarginFigure(None, None, None, 0, "the first sound has nothing in this band at times")
    with np.errstate(divide="ignore"):
        difference = np.sort(10.0 * (np.log10(of_power) - np.log10(over_power)))
    margin, median = _percentile(difference, _SHARE), _percentile(difference, 0.5)
    return MarginFigure(
        margin_db=margin,
        median_db=median,
        share_above=float(np.mean(difference > 0.0)),
        windows=int(chosen.size),
        reason=None if margin is not None else "the second sound is silent whenever the first sounds",
    )


def _sounding(sums: NDArray[np.float64], sample_rate: int) -> NDArray[np.bool_]:
    """Hops that lie in a block which passes the gates, shape (hops,)."""
    result = np.zeros(sums.size, dtype=bool)
    for block in np.flatnonzero(passing_blocks(sums, sample_rate=sample_rate)):
        result[block * _STEP_HOPS : block * _STEP_HOPS + _BLOCK_HOPS] = True
    return result


def _windows(sums: NDArray[np.float64]) -> NDArray[np.float64]:
    """Power of every window of 3 s; running sums would leave rounding where there is silence."""
    pieces = np.lib.stride_tricks.sliding_window_view(sums, _WINDOW_HOPS)
    return pieces.sum(axis=1)


def _percentile(ordered: NDArray[np.float64], share: float) -> float | None:
    """Percentile between two ranks; None where it lies among windows without an end."""
    place = share * (ordered.size - 1)
    below, above = ordered[int(np.floor(place))], ordered[int(np.ceil(place))]
    if not np.isfinite(below):
        return None
    if not np.isfinite(above):
        return float(below)
    return float(below + (place - np.floor(place)) * (above - below))
