"""How far one signal is over another while it is heard: differences of short-term levels.

Conventions
-----------
Sums are Σ over channels of weighted squares per complete 20 ms hop (`hops.HopSums`, `algebra.BusPowers`),
both signals through the same weighting: K for the whole spectrum, `SpeechBandFilter` for the speech band.
Margins in dB, positive where `of` is above `over`.

A time is a 400 ms block of BS.1770 (one every 100 ms) in which `of` passes both gates. The margin at that
time is the difference of the two levels over the 3 s around its middle: one window for every such block.
Where these 3 s reach beyond the sound they are cut there, for both signals alike, which is the same as
silence outside.

Sources
-------
ITU-R BS.1770-5, Annex 1: blocks and gates. EBU Tech 3341: 3 s as the length of short-term loudness. Windows
about the blocks that pass, the 10th percentile and the limit of ±60 dB: this project's own. Percentiles are
nearest ranks, as in the loudness range.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from roomplan.frozen_classes import frozen_class
from roomplan.loudness.gating import passing_blocks
from roomplan.loudness.hops import HOPS_PER_SECOND

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["MARGIN_LIMIT_DB", "MarginFigure", "margin_of_hops", "passage_hops"]

# A margin beyond this is said as this, with a reason: what lies so far below is not heard beside the other,
# and digital silence would make it infinite.
MARGIN_LIMIT_DB = 60.0

_LOW_SHARE = 0.10
_STEP_HOPS = 5  # 100 ms, from block to block
_BLOCK_STEPS = 4  # 400 ms
_WINDOW_STEPS = 30  # 3 s
_SURPLUS_STEPS = (_WINDOW_STEPS - _BLOCK_STEPS) // 2  # a window begins so long before its block
_WINDOW_HOPS = _WINDOW_STEPS * _STEP_HOPS


@frozen_class
class MarginFigure:
    """How far one signal is over another.

    Attributes
    ----------
    margin_db : float or None
        Margin that is kept or exceeded nine tenths of the time: the 10th percentile.
    median_db : float or None
        Margin that is exceeded half the time.
    share_above : float or None
        Share of the time at which the margin is above 0 dB, from 0 to 1.
    windows : int
        Number of times that were counted, 100 ms apart.
    reason : str or None
        Why the figures are None; or, beside a margin or median of ±60 dB, that it is at least as large.
    """

    margin_db: float | None
    median_db: float | None
    share_above: float | None
    windows: int
    reason: str | None


def margin_of_hops(
    of_sums: NDArray[np.float64],
    over_sums: NDArray[np.float64],
    *,
    sample_rate: int,
    gate_sums: NDArray[np.float64] | None = None,
) -> MarginFigure:
    """Margin of one signal over another at the times when it is heard.

    Parameters
    ----------
    of_sums : ndarray, shape (hops,)
        Weighted squares per complete hop of the signal that is to stand out.
    over_sums : ndarray, shape (hops,)
        Those of the other, in the same band.
    sample_rate : int
        Hz.
    gate_sums : ndarray, shape (hops,), optional
        K-weighted squares of the first signal, by which its gates are judged; needed when the others are of
        another band, for the gates of BS.1770 are those of loudness.

    Raises
    ------
    ValueError
        When the signals differ in length.

    Notes
    -----
    Where `over` is silent for 3 s the margin is infinite and counts as that: it moves the percentile by its
    rank only. What cannot be said is None with its reason: less than 3 s, a silent signal, one that never
    passes its gates. Times at which neither has any power in the band are left out.

    The level of both changed by the same amount, or silence added at the end after 400 ms of silence, changes
    nothing, as long as no block crosses the absolute gate. (Without that silence the last blocks were not
    whole before, and count when they are.)

    Not done: masking. A margin says how the levels compare, not what a listener can make out.
    """
    gate_sums = of_sums if gate_sums is None else gate_sums
    if not of_sums.shape == over_sums.shape == gate_sums.shape:
        raise ValueError(
            f"{of_sums.size} hops over {over_sums.size} hops, gated by {gate_sums.size}: not of one length"
        )
    reason = _reason_for_none(of_sums, over_sums, gate_sums)
    if reason is not None:
        return MarginFigure(None, None, None, 0, reason)
    heard = passing_blocks(gate_sums, sample_rate=sample_rate)
    if not heard.any():
        return MarginFigure(None, None, None, 0, "`of` never passes the gates of BS.1770")
    of, over = _around_blocks(of_sums)[heard], _around_blocks(over_sums)[heard]
    either = (of > 0.0) | (over > 0.0)
    if not either.any():
        return MarginFigure(None, None, None, 0, "neither has any power in this band while `of` sounds")
    with np.errstate(divide="ignore"):
        margins = np.sort(10.0 * np.log10(of[either]) - 10.0 * np.log10(over[either]))
    low, middle = (float(margins[int((margins.size - 1) * share + 0.5)]) for share in (_LOW_SHARE, 0.5))
    return MarginFigure(
        margin_db=_limited(low),
        median_db=_limited(middle),
        share_above=float(np.mean(margins > 0.0)),
        windows=int(margins.size),
        reason=_reason_for_limit(low, middle),
    )


def passage_hops(start_s: float, end_s: float, hops: int) -> slice:
    """Hops of a passage: its figures are those of these hops as if they were the whole sound.

    Parameters
    ----------
    start_s, end_s : float
        Seconds from the start of the sound.
    hops : int
        Hops there are; what lies beyond is cut.

    Returns
    -------
    slice
        Of hop sums; empty when the passage begins beyond the sound or is shorter than a hop.

    Notes
    -----
    Both ends go to the nearest hop, so passages that meet share no hop and lose none. Blocks, 3 s windows and
    gates of a passage are made of its own hops: nothing before or after it has a part in its figures.
    """
    start, stop = (
        min(max(math.floor(moment * HOPS_PER_SECOND + 0.5), 0), hops) for moment in (start_s, end_s)
    )
    return slice(start, max(start, stop))


def _reason_for_none(
    of_sums: NDArray[np.float64], over_sums: NDArray[np.float64], gate_sums: NDArray[np.float64]
) -> str | None:
    bad = np.flatnonzero(~(np.isfinite(of_sums) & np.isfinite(over_sums) & np.isfinite(gate_sums)))
    if bad.size:
        return f"not a finite number from {bad[0] / HOPS_PER_SECOND:.2f} s on"
    if of_sums.size < _WINDOW_HOPS:
        have = of_sums.size / HOPS_PER_SECOND
        return f"a margin needs 3 s of sound, there are {have:.2f} s of whole 20 ms hops"
    if not gate_sums.any():
        return "`of` is digital silence"
    return None


def _around_blocks(sums: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sums over the 3 s around every whole 400 ms block, silence outside, shape (blocks,)."""
    blocks = len(sums) // _STEP_HOPS - _BLOCK_STEPS + 1
    rest = -len(sums) % _STEP_HOPS
    steps = np.pad(sums, (0, rest)).reshape(-1, _STEP_HOPS).sum(axis=1)
    padded = np.pad(steps, _SURPLUS_STEPS)
    return np.lib.stride_tricks.sliding_window_view(padded, _WINDOW_STEPS).sum(axis=1)[:blocks]


def _limited(margin_db: float) -> float:
    return min(max(margin_db, -MARGIN_LIMIT_DB), MARGIN_LIMIT_DB)


def _reason_for_limit(margin_db: float, median_db: float) -> str | None:
    if margin_db > MARGIN_LIMIT_DB:
        return f"{MARGIN_LIMIT_DB:.0f} dB or more: `over` is almost silent where `of` sounds"
    if margin_db < -MARGIN_LIMIT_DB:
        return f"{MARGIN_LIMIT_DB:.0f} dB or more below: `of` has almost nothing in this band"
    if median_db > MARGIN_LIMIT_DB:
        return f"the median is {MARGIN_LIMIT_DB:.0f} dB or more: `over` is almost silent half the time"
    return None
