"""Sounds that do not belong to a decay: where its level rises over what comes before and after.

Conventions
-----------
Energy per frame from the onset on, shape (frames,), float64, of one band. Times in seconds from the onset,
levels in dB.

A sum of decays over a steady noise is convex in dB: between two moments it lies under the line that joins
them. A stretch that lies over that line, by more than the blocks scatter, is a sound of its own: an echo, a
click, a slam of a door. Which of these it is, the file does not say.

Source of the scatter: the energy of a noise of bandwidth B over a time t has 2 B t degrees of freedom, so its
level scatters by 4.34 / √(B t) dB.

Measured
--------
Sure is what lies five scatters over the medians on both sides, or four in two octaves. Tried and left out: to
sum fainter rises over all octaves. Slams and clicks fell to 0.04 and 0 %, but plain decays lost 2 to 3 % of
their good figures, part of it to dents that levelling left; not tried again without those.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.noise import block_levels, block_powers, level_scatter, median
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from numpy.typing import NDArray

    from roomplan.acoustics.filters import Filter

__all__ = [
    "Bump",
    "carried_over",
    "find_bumps",
    "is_hidden",
    "seen_together",
    "unmistakable",
    "without_bumps",
]

_BLOCKS_PER_60_DB = 40.0  # 1.5 dB each
_FEWEST_FREEDOMS = 8.0  # B t of a block: 1.5 dB of scatter
_SHORTEST_BLOCK_S = 0.004
_FLANK = 4  # blocks on either side, their median: one odd block moves no line
_FEWEST_OF_A_FLANK = 2
_LENGTHS = (1, 2, 3, 5, 8, 12, 18)  # blocks
_LONGEST_S = 0.25
_LONGEST_GAP_S = 0.5
_ROUGH_BLOCKS = 40
_FADING_BLOCKS = 4.0
_FLANK_VARIANCE = 0.15  # of half the sum of two medians of four, in variances of a block
# common practice, no source: up to here a room's own reflections make a pattern that is no bump
_EARLY_S = 0.05
_LEAST_DB = 1.0
_TURNS = 3
_LIKELY = 4.0
_SURE = 5.0  # scatters: some 5,000 stretches of 18 bands are looked at in each response
_UNMISTAKABLE = 7.0  # the project's own limit


@frozen_class
class Bump:
    """A stretch over the decay around it.

    Attributes
    ----------
    before_db, after_db : float
        Level per frame that the decay has half a block ahead of the stretch and behind it.
    excess_db : float
        Mean level of the stretch over the line that joins the decay before and after.
    scatters : float
        The same in standard deviations of chance.
    """

    start_s: float
    end_s: float
    before_db: float
    after_db: float
    excess_db: float
    scatters: float


def find_bumps(
    decay: NDArray[np.float64],
    *,
    rate: float,
    bandwidth_hz: float,
    crosspoint: int,
) -> tuple[Bump, ...]:
    """Stretches of up to a quarter of a second that rise over the decay, the surest first.

    Parameters
    ----------
    decay : ndarray, shape (frames,)
        Energy per frame from the onset to where the record was edited or ends.
    rate : float
        Frames per second.
    crosspoint : int
        First frame behind the decay.

    Returns
    -------
    tuple of Bump
        Those that chance makes once in some hundred responses or less; `seen_together` says which count.

    Notes
    -----
    Looked for from 50 ms after the onset on, or from where the decay is 5 dB down if that is earlier. Where
    one is sure, all that are found are levelled down and looked behind: of two side by side each hides the
    other. Not found: what rises by less than the scatter of its band lets see, and what lasts longer.
    """
    lasting = _rough_time(decay[:crosspoint], rate)
    if lasting is None:
        return ()
    width = max(lasting / _BLOCKS_PER_60_DB, _FEWEST_FREEDOMS / bandwidth_hz, _SHORTEST_BLOCK_S)
    frames = max(1, round(width * rate))
    power = block_powers(decay, frames)
    level = block_levels(power)
    block_s = frames / rate
    start = _start(power, block_s)
    first = start + _first_searched(power[start:], block_s, lasting)
    scatter = max(10.0 / np.log(10.0) / np.sqrt(bandwidth_hz * block_s), level_scatter(level[start:]))
    bumps: list[Bump] = []
    for _ in range(_TURNS):
        found = _stretches(level, start, first, block_s, scatter)
        bumps.extend(found)
        if not any(bump.scatters >= _SURE for bump in found):
            break
        level = _levelled(level, found, block_s)
    return tuple(sorted(bumps, key=lambda each: -each.scatters))


def _stretches(
    level: NDArray[np.float64],
    start: int,
    first: int,
    block_s: float,
    scatter: float,
) -> list[Bump]:
    """Stretches of blocks over the line that joins their flanks, none of which touches another."""
    left, right = _flanks(level, start)
    found: list[tuple[float, float, int, int]] = []
    sums = np.concatenate([[0.0], np.cumsum(level)])
    place = np.arange(level.size + 1)
    ahead, behind = np.minimum(place - start, _FLANK), np.minimum(level.size - place, _FLANK)
    for length in _LENGTHS:
        if length > 1 and length * block_s > _LONGEST_S:
            break
        stop = level.size - length - _FEWEST_OF_A_FLANK + 1
        if stop <= first:
            break
        begin, end = slice(first, stop), slice(first + length, stop + length)
        before, after = 0.5 * (ahead[begin] + length), 0.5 * (behind[end] + length)  # flank to middle
        line = (left[begin] * after + right[end] * before) / (before + after)
        excess = (sums[end] - sums[begin]) / length - line
        likely = excess / (scatter * np.sqrt(1.0 / length + _FLANK_VARIANCE))
        found.extend(
            (float(likely[at]), float(excess[at]), first + int(at), length)
            for at in np.flatnonzero((likely >= _LIKELY) & (excess >= _LEAST_DB))
        )
    bumps: list[Bump] = []
    taken = np.zeros(level.size, dtype=bool)
    for likely, excess, begin, length in sorted(found, reverse=True):
        # what swells and ebbs is a little longer than the stretch that shows it best
        stretch = slice(begin - 1, begin + length + 1)
        if taken[stretch].any():
            continue
        taken[stretch] = True
        bumps.append(
            Bump(
                start_s=max(start, begin - 1) * block_s,
                end_s=(begin + length + 1) * block_s,
                before_db=float(left[begin]),
                after_db=float(right[begin + length]),
                excess_db=excess,
                scatters=likely,
            )
        )
    return bumps


def _levelled(level: NDArray[np.float64], bumps: Sequence[Bump], block_s: float) -> NDArray[np.float64]:
    """Block levels with stretches brought down to their line."""
    result = level.copy()
    for bump in bumps:
        begin, end = round(bump.start_s / block_s), min(level.size, round(bump.end_s / block_s))
        line = np.linspace(bump.before_db, bump.after_db, end - begin)
        result[begin:end] = np.minimum(result[begin:end], line)
    return result


def _rough_time(decay: NDArray[np.float64], rate: float) -> float | None:
    """Reverberation time that a bump moves little: the median fall over half the decay."""
    frames = max(1, decay.size // _ROUGH_BLOCKS)
    level = block_levels(block_powers(decay, frames))
    half = level.size // 2
    if half < _FEWEST_OF_A_FLANK:
        return None
    fall = median(level[:-half] - level[half:])
    return 60.0 * half * frames / rate / fall if fall > 0.0 else None


def _start(power: NDArray[np.float64], block_s: float) -> int:
    """Loudest block of the first 50 ms, or behind a gap; what rises and falls again ends no gap."""
    start = int(np.argmax(power[: max(1, int(_EARLY_S / block_s))]))
    span = power[start : start + 1 + round(_LONGEST_GAP_S / block_s)]
    risen = np.flatnonzero(span > 10.0 * np.minimum.accumulate(span))
    if risen.size == 0 or risen[0] < _FEWEST_OF_A_FLANK:
        return start
    rise = start + int(risen[0])
    later = power[min(power.size - 1, rise + round(_LONGEST_S / block_s))]
    if median(power[start + 1 : rise]) > 2.0 * float(later):
        return start
    return rise + int(np.argmax(power[rise : start + span.size]))


def _first_searched(power: NDArray[np.float64], block_s: float, lasting: float) -> int:
    """Block from which on a rise is none of the room's early reflections, with room for a flank before.

    A foreign sound keeps the energy up, a strong direct sound the time long: what falls by 5 dB first counts.
    """
    left = np.cumsum(power[::-1])[::-1]
    fallen = int(np.argmax(left <= left[0] * 10.0**-0.5))
    early = round(min(_EARLY_S, lasting * 5.0 / 60.0) / block_s)
    return max(_FEWEST_OF_A_FLANK, min(fallen, early))


def _flanks(level: NDArray[np.float64], start: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Median of up to four blocks ahead of each block, and from it on; NaN where there are too few."""
    left, right = np.full(level.size + 1, np.nan), np.full(level.size + 1, np.nan)
    if level.size >= _FLANK:
        # of four side by side, from four long rows: sums along short ones are slow
        one, two, three, four = (level[k : level.size - _FLANK + 1 + k] for k in range(_FLANK))
        highest = np.maximum(np.maximum(one, two), np.maximum(three, four))
        lowest = np.minimum(np.minimum(one, two), np.minimum(three, four))
        medians = 0.5 * (one + two + three + four - highest - lowest)
        left[_FLANK:] = medians
        right[: medians.size] = medians
    for few in range(_FEWEST_OF_A_FLANK, _FLANK):
        if start + few <= level.size:
            left[start + few] = median(level[start : start + few])
        if few <= level.size:
            right[level.size - few] = median(level[level.size - few :])
    left[: start + _FEWEST_OF_A_FLANK] = np.nan
    return left, right


def seen_together(
    bumps: Mapping[Filter, Sequence[Bump]], witnesses: Collection[Filter]
) -> dict[Filter, tuple[Bump, ...]]:
    """Those bumps that are no chance: sure ones, and likely ones at the same time.

    Parameters
    ----------
    bumps : mapping
        Filter → its bumps.
    witnesses : collection of Filter
        Bands that share nothing: octaves side by side. Sure is what one band shows by itself, or two of these
        together.
    """
    seen = {look: bumps.get(look, ()) for look in witnesses}
    sure = [
        bump
        for look, some in bumps.items()
        for bump in some
        if bump.scatters >= _SURE
        or (
            look in seen
            and any(
                _meet(bump, other) for witness, others in seen.items() if witness != look for other in others
            )
        )
    ]
    return {
        look: tuple(bump for bump in some if any(_meet(bump, other) for other in sure))
        for look, some in bumps.items()
    }


def unmistakable(bumps: Mapping[Filter, Sequence[Bump]]) -> tuple[Bump, ...]:
    """Foreign sounds that are there whatever a band shows of them: of each time the surest, the surest first.

    Where there is one, the sure ones beside it count too: clicks come in company.
    """
    found: list[Bump] = []
    sure = sorted(
        (bump for some in bumps.values() for bump in some if bump.scatters >= _SURE),
        key=lambda each: -each.scatters,
    )
    if not sure or sure[0].scatters < _UNMISTAKABLE:
        return ()
    for bump in sure:
        if not any(_meet(bump, other) for other in found):
            found.append(bump)
    return tuple(found)


def carried_over(
    bumps: Sequence[Bump], decay: NDArray[np.float64], *, rate: float, bandwidth_hz: float, crosspoint: int
) -> tuple[Bump, ...] | None:
    """The stretches of some bumps in another band, where they lie over its decay.

    Parameters
    ----------
    bumps : sequence of Bump
        Of any band.
    decay, rate, bandwidth_hz, crosspoint
        As for `find_bumps`.

    Returns
    -------
    tuple of Bump, or None
        None where over half of the decay the level does not fall: then the bump may be all that there is.
    """
    lasting = _rough_time(decay[:crosspoint], rate)
    if lasting is None:
        return None
    width = max(lasting / _BLOCKS_PER_60_DB, _FEWEST_FREEDOMS / bandwidth_hz, _SHORTEST_BLOCK_S)
    frames = max(1, round(width * rate))
    carried = (_carried(bump, decay, frames, rate, 1.0 / bandwidth_hz) for bump in bumps)
    return tuple(bump for bump in carried if bump is not None)


def _carried(bump: Bump, decay: NDArray[np.float64], frames: int, rate: float, ring_s: float) -> Bump | None:
    """One bump over the line between its flanks; None where it lies under it, or has none."""
    begin = max(0, round((bump.start_s - ring_s) * rate))
    end = min(decay.size, round((bump.end_s + ring_s) * rate))
    before = min(_FLANK, begin // frames)
    after = min(_FLANK, (decay.size - end) // frames)
    if min(before, after) < 1 or end <= begin:
        return None
    left = block_levels(block_powers(decay[begin - before * frames : begin], frames))
    right = block_levels(block_powers(decay[end : end + after * frames], frames))
    from_db, to_db = median(left), median(right)
    # these are the levels in the middle of the flanks; the line between them has others at the edges
    apart = end - begin + 0.5 * (before + after) * frames
    slope = (to_db - from_db) / apart
    before_db, after_db = from_db + 0.5 * before * frames * slope, to_db - 0.5 * after * frames * slope
    level = 10.0 * float(np.log10(max(float(decay[begin:end].mean()), 1e-300)))
    excess = level - 0.5 * (before_db + after_db)
    if excess <= 0.0:
        return None
    return replace(
        bump,
        start_s=begin / rate,
        end_s=end / rate,
        before_db=before_db,
        after_db=after_db,
        excess_db=excess,
    )


def _meet(one: Bump, other: Bump) -> bool:
    return one.start_s < other.end_s and other.start_s < one.end_s


def is_hidden(bump: Bump, *, bandwidth_hz: float) -> bool:
    """Whether a band is too narrow to show a bump: it comes before there is a flank, or may fade there.

    What lasts a block or little more has so few degrees of freedom that chance may leave it out. Of a short
    bump only the middle third is the sound itself.
    """
    block_s = _FEWEST_FREEDOMS / bandwidth_hz
    return (
        bump.end_s - bump.start_s < _FADING_BLOCKS * block_s
        or bump.start_s < (_FEWEST_OF_A_FLANK + 1) * block_s
    )


def without_bumps(decay: NDArray[np.float64], bumps: Sequence[Bump], *, rate: float) -> NDArray[np.float64]:
    """Decay with its bumps levelled down to the line that joins what comes before and after.

    Parameters
    ----------
    decay : ndarray, shape (frames,)
        Energy per frame from the onset on.
    rate : float
        Frames per second.
    """
    result = decay.copy()
    for bump in bumps:
        begin, end = round(bump.start_s * rate), min(decay.size, round(bump.end_s * rate))
        if end > begin:
            result[begin:end] = 10.0 ** (np.linspace(bump.before_db, bump.after_db, end - begin) / 10.0)
    return result
