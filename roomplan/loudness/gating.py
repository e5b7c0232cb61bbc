"""Loudness from hop sums: gated, momentary and short-term, and the blocks a gate lets pass.

Conventions
-----------
`sums` is Σ over channels of K-weighted squares per complete 20 ms hop, channel weights already in
(`hops.HopSums`, `algebra.BusPowers`). A block is 400 ms long and begins every 100 ms; only whole blocks
count. Loudness in LUFS, power relative to full scale squared. What cannot be said is None, with its reason
under the key of the figure.

Sources
-------
ITU-R BS.1770-5, Annex 1: blocks, gates, loudness. EBU Tech 3341: windows of momentary and short-term
loudness, which are not gated.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from roomplan.loudness.hops import HOPS_PER_SECOND, hop_starts

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

__all__ = ["Loudness", "loudness_level", "loudness_of_hops", "passing_blocks", "power_over_blocks"]

# BS.1770-5, Annex 1: makes a 997 Hz sine at 0 dBFS in one front channel read −3.01 LUFS.
_OFFSET_DB = -0.691
# BS.1770-5, Annex 1: absolute gate, and relative gate under the mean of what the absolute gate passes.
_ABSOLUTE_GATE_LUFS = -70.0
_RELATIVE_GATE_LU = -10.0

_BLOCK_HOPS = 20  # 400 ms; also the momentary window
_STEP_HOPS = 5  # 100 ms: 75 % overlap
_SHORT_TERM_HOPS = 150  # 3 s


@dataclass(frozen=True)
class Loudness:
    """Loudness of one signal; None where it cannot be said, and then `reasons` has the key of the field.

    Attributes
    ----------
    integrated_lufs : float or None
        Gated over the whole signal.
    momentary_max_lufs : float or None
        Loudest 400 ms, at a step of 20 ms.
    short_term_max_lufs : float or None
        Loudest 3 s, at a step of 20 ms.
    reasons : mapping of str to str
        Why a figure is None.
    """

    integrated_lufs: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None
    reasons: Mapping[str, str]


def loudness_level(power: float) -> float:
    """Loudness of a mean weighted power, in LUFS.

    Parameters
    ----------
    power : float
        Above 0.

    Returns
    -------
    float
    """
    return _OFFSET_DB + 10.0 * float(np.log10(power))


def loudness_of_hops(sums: NDArray[np.float64], *, sample_rate: int) -> Loudness:
    """Integrated loudness and the maxima of momentary and short-term loudness.

    Parameters
    ----------
    sums : ndarray, shape (hops,)
        K-weighted squares, summed over channels and over each complete hop.
    sample_rate : int
        Hz.

    Returns
    -------
    Loudness

    Notes
    -----
    Momentary and short-term windows lie wholly inside the signal; nothing is padded with silence. The maxima
    are not gated. Not done: loudness range.
    """
    every = ("integrated_lufs", "momentary_max_lufs", "short_term_max_lufs")
    bad = np.flatnonzero(~np.isfinite(sums))
    if bad.size:
        reason = f"not a finite number from {bad[0] / HOPS_PER_SECOND:.2f} s on"
        return Loudness(None, None, None, MappingProxyType(dict.fromkeys(every, reason)))
    reasons: dict[str, str] = {}
    momentary = _loudest(sums, _BLOCK_HOPS, sample_rate, "momentary_max_lufs", "momentary", reasons)
    short_term = _loudest(sums, _SHORT_TERM_HOPS, sample_rate, "short_term_max_lufs", "short-term", reasons)
    integrated = None
    if momentary is None:
        reasons["integrated_lufs"] = reasons["momentary_max_lufs"].replace("momentary", "integrated")
    else:
        blocks = _block_powers(sums, sample_rate)
        passing = _passing(blocks)
        if passing.any():
            integrated = loudness_level(float(blocks[passing].mean()))
        else:
            reasons["integrated_lufs"] = (
                f"no 400 ms block is above the gate at {_ABSOLUTE_GATE_LUFS:.0f} LUFS "
                f"(the loudest 400 ms are at {momentary:.1f} LUFS)"
            )
    return Loudness(integrated, momentary, short_term, MappingProxyType(reasons))


def passing_blocks(sums: NDArray[np.float64], *, sample_rate: int) -> NDArray[np.bool_]:
    """Which 400 ms blocks pass both gates.

    Parameters
    ----------
    sums : ndarray, shape (hops,)
        K-weighted squares per complete hop.
    sample_rate : int
        Hz.

    Returns
    -------
    ndarray of bool, shape (blocks,)
        One per whole block, 100 ms apart; empty when there is less than one block.
    """
    return _passing(_block_powers(sums, sample_rate))


def power_over_blocks(sums: NDArray[np.float64], passing: NDArray[np.bool_], *, sample_rate: int) -> float:
    """Mean power of one signal over the blocks in which another (or itself) passes its gates.

    Parameters
    ----------
    sums : ndarray, shape (hops,)
        K-weighted squares per complete hop.
    passing : ndarray of bool, shape (blocks,)
        From `passing_blocks` of a signal of the same length.
    sample_rate : int
        Hz.

    Returns
    -------
    float
        Mean of the blocks' powers, full scale squared. Blocks overlap, so a moment that lies in more passing
        blocks weighs more, exactly as in the gated mean of BS.1770.

    Raises
    ------
    ValueError
        When `passing` belongs to a signal of another length, or no block passes: there is no mean over
        nothing. Ask ``passing.any()`` first.
    """
    blocks = _block_powers(sums, sample_rate)
    if passing.shape != blocks.shape:
        raise ValueError(f"{passing.size} gate decisions for {blocks.size} blocks of 400 ms")
    if not passing.any():
        raise ValueError("no block passes the gates, so there is no mean over those that do")
    return float(blocks[passing].mean())


def _loudest(
    sums: NDArray[np.float64],
    hops: int,
    sample_rate: int,
    key: str,
    name: str,
    reasons: dict[str, str],
) -> float | None:
    """Loudest window of `hops` hops in LUFS; None with a reason under `key`."""
    if len(sums) < hops:
        whole = (
            f"{hops * 1000 // HOPS_PER_SECOND} ms"
            if hops < HOPS_PER_SECOND
            else f"{hops // HOPS_PER_SECOND} s"
        )
        have = len(sums) / HOPS_PER_SECOND
        reasons[key] = f"{name} loudness needs {whole} of sound, there are {have:.2f} s of whole 20 ms hops"
        return None
    power = float(_window_powers(sums, hops, sample_rate).max())
    if power <= 0.0:
        reasons[key] = "digital silence"
        return None
    return loudness_level(power)


def _passing(blocks: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Both gates of BS.1770-5, Annex 1, on block powers; what lies exactly on a gate does not pass."""
    above = blocks > _power_at(_ABSOLUTE_GATE_LUFS)
    if not above.any():
        return above
    relative = blocks[above].mean() * 10.0 ** (_RELATIVE_GATE_LU / 10.0)
    return above & (blocks > relative)


def _power_at(loudness_lufs: float) -> float:
    return 10.0 ** ((loudness_lufs - _OFFSET_DB) / 10.0)


def _block_powers(sums: NDArray[np.float64], sample_rate: int) -> NDArray[np.float64]:
    """Mean power of every whole 400 ms block, 100 ms apart."""
    return _window_powers(sums, _BLOCK_HOPS, sample_rate)[::_STEP_HOPS]


def _window_powers(sums: NDArray[np.float64], hops: int, sample_rate: int) -> NDArray[np.float64]:
    """Mean power of every whole window of `hops` hops, 20 ms apart."""
    count = len(sums) - hops + 1
    if count < 1:
        return np.empty(0)
    starts = hop_starts(len(sums), sample_rate)
    return _window_sums(sums, hops)[:count] / (starts[hops:] - starts[:count])


def _window_sums(values: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    """Sums of `width` neighbours.

    Built from sums of 1, 2, 4 … neighbours, as a number is from its bits: at most 2·log₂(width) additions of
    whole arrays. A difference of running totals would need fewer, and lose a quiet window after a loud hour.
    """
    total: NDArray[np.float64] | None = None
    covered, size, power_of_two = 0, 1, values
    while size <= width:
        if width & size:
            rest = power_of_two[covered:]
            total = rest.copy() if total is None else total[: len(rest)] + rest
            covered += size
        if 2 * size <= width:
            power_of_two = power_of_two[:-size] + power_of_two[size:]
        size *= 2
    assert total is not None  # noqa: S101 - width is at least 1, this tells the type checker
    return total
