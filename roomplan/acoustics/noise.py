"""Where a decay ends: in noise, at the end of the record, or where somebody cut or faded it.

Conventions
-----------
Energies are squared samples summed over channels, shape (frames,), float64. Positions are frame numbers.
"Power" is energy per frame. The rate may be that of a decimated band signal, any positive number.

Sources
-------
Lundeby, Vigran, Bietz and Vorländer (1995), "Uncertainties of measurements in room acoustics", Acustica 81:
blocks of 10-50 ms, noise from the last tenth, a regression down to 5-10 dB over the noise, a block length
that follows the slope (3-10 blocks per 10 dB), repeated until the crosspoint of slope and noise stays. ISO
3382-1:2009, 5.3.3: the energy missing beyond the crosspoint is that of an exponential with the late slope.

The last step differs from the paper: late slope and noise are fitted together, by maximum likelihood for
the block energies of a decaying noise over a stationary one. Estimating them one after the other leaves the
decay in the noise and the noise in the slope.

Measured
--------
A cut or fade with dither behind it is sought down to the foot of its fall; the flat end of the floor hid it
before, and a cut 33 dB down read T30 9 % short as good. At 125 Hz, where blocks scatter, a third of cuts 33
dB down stays unseen.

Bent down means faded or gated, since no sum of decays is: a curvature under -5 % and three times chance, or a
last 20 dB that decays faster than T20 by 12 % and four times chance. By mistake: 7 of 1,200 decays. A fade
over the whole record is found in two of three cases and shortens T20 by 9 to 15 %.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["Truncation", "block_levels", "block_powers", "find_truncation", "level_scatter", "median"]

# power: 120 dB under the peak counts as silence; band filters are held to as much
_CONTENT_BELOW_PEAK = 1e-12
_FIRST_BLOCK_S = 0.01  # Lundeby et al., step 1: 10-50 ms
_FEWEST_BLOCKS = 24
_MOST_BLOCKS = 400
_DB_PER_BLOCK = 2.5  # Lundeby et al., step 5: 3-10 blocks per 10 dB
_OVER_NOISE_DB = 8.0  # Lundeby et al., step 3: the regression stops 5-10 dB over the noise
_LATE_RANGE_DB = 20.0  # Lundeby et al., step 8: the late slope is taken over 10-20 dB
_SCATTER_LIMIT_DB = 2.5  # blocks that scatter more than this are too short for the band
_BEND_DB = 3.0  # a decay that falls this far below its own line (plus scatter) has been cut or faded
_BEND_STEEPER = 2.0  # … if it falls at least twice as fast there
_FADE_SEEN = 1.7  # a raised-cosine fade is 5 dB down after 0.62 of its length: 0.62 / 0.38
_FEWEST_BEFORE_A_CUT = 4  # blocks: fewer show no slope to be steeper than
_FEWEST_OF_A_FLOOR = 3
_FOOT_OVER_FLOOR_DB = 3.0
_GAP_RISE_DB = 10.0
_GAP_LONGEST_S = 0.5
_NEPER_60_DB = 6.0 * np.log(10.0)  # 13.8155: energy falls by 60 dB


@frozen_class
class Truncation:
    """End of the usable decay.

    Attributes
    ----------
    crosspoint : int
        First frame not to be used: where the decay meets the noise, or where the content ends.
    noise_power : float
        Stationary noise in energy units per frame; 0 when none is visible.
    late_decay_time_s : float or None
        Reverberation time of the last 20 dB before the end, None when nothing decays.
    peak_to_noise_db : float
        Loudest block over the noise, or over the decay's level where the content ends.
    ends_in_noise : bool
        Whether the decay meets a stationary noise within the record.
    tail_energy : float
        Energy of the exponential that would follow the crosspoint; 0 without a late decay.
    content_end : int
        First frame of the closing fade, hard edit or digital silence, or the number of frames.
    """

    crosspoint: int
    noise_power: float
    late_decay_time_s: float | None
    peak_to_noise_db: float
    ends_in_noise: bool
    tail_energy: float
    content_end: int


def find_truncation(energy: ArrayLike, *, sample_rate: float) -> Truncation:
    """Find noise floor, late decay and the frame at which a decay has to be cut.

    Parameters
    ----------
    energy : array_like, shape (frames,)
        Squared samples, summed over channels.
    sample_rate : float
        Frames per second.

    Returns
    -------
    Truncation
        Silence: crosspoint 0 and no late decay.

    Notes
    -----
    Digital silence, a hard edit and a closing fade are recognised by the level falling at least twice as
    fast as the decay did, at the end of the record or down to a faint floor behind, and left out together
    with the part of a fade that is too shallow to be seen. A gap of up to 0.5 s before the decay is skipped,
    and so is a single impulse ahead of such a gap.

    A steady hum is a stationary noise. Not done: noise that itself decays or grows, clicks in the noise,
    and a floor lowered by a noise gate that opens gradually are taken for a second decay.
    """
    values = np.asarray(energy, dtype=np.float64)
    peak = float(values.max(initial=0.0))
    if not (peak > 0.0 and np.isfinite(peak)):
        return Truncation(0, 0.0, None, 0.0, False, 0.0, 0)
    content = int(values.size - np.argmax(values[::-1] > peak * _CONTENT_BELOW_PEAK))
    values = values[:content]

    width = _first_width(content, sample_rate)
    power = block_powers(values, width)
    start = _decay_start(power, width / sample_rate)
    slope = _first_slope(power, start)
    for _ in range(6):  # too coarse for a fast decay: until the slope is seen in some blocks
        if width <= 2 or (slope is not None and slope * _FEWEST_BLOCKS > -120.0):
            break
        width = max(1, width // 2)
        power = block_powers(values, width)
        start = _decay_start(power, width / sample_rate)
        slope = _first_slope(power, start)
    if slope is None:
        return _no_decay(values)

    level, scatter = block_levels(power), 0.0
    wanted = round(width * _DB_PER_BLOCK / -slope)
    for _ in range(4):  # blocks of 2.5 dB, longer where a narrow band makes them scatter
        width = max(1, min(wanted, content // _FEWEST_BLOCKS))
        power = block_powers(values, width)
        start = _decay_start(power, width / sample_rate)
        level = block_levels(power)
        scatter = level_scatter(level[start:])
        if scatter <= _SCATTER_LIMIT_DB or width < wanted:
            break
        wanted = 2 * width
    end = _before_the_edit(level, start, scatter)
    if end == power.size:
        end = _before_a_cut(level, start)
    fit = _fit_late(power, level, start, end)
    if fit is None:
        return _no_decay(values)
    rate, amplitude, noise, origin = fit  # rate per block, amplitude: mean power of block `origin`
    per_frame = rate / width
    # power at the middle of a block: the mean of an exponential is sinh(x)/x times its middle
    half = 0.5 * rate
    amplitude *= half / np.sinh(half) if half > 1e-9 else 1.0
    centre = (origin + 0.5) * width
    content_end = content if end == power.size else end * width
    crosspoint = content_end
    if noise > 0.0:
        crosspoint = min(content_end, max(0, round(centre + np.log(amplitude / noise) / per_frame)))
    meets_noise = noise > 0.0 and crosspoint < content_end
    at_end = amplitude * np.exp(np.clip(-per_frame * (crosspoint - centre), -700.0, 700.0))
    floor = noise if meets_noise else max(noise, at_end)
    return Truncation(
        crosspoint=int(crosspoint),
        noise_power=float(noise),
        late_decay_time_s=float(_NEPER_60_DB / (per_frame * sample_rate)),
        peak_to_noise_db=float(10.0 * np.log10(power[start] / floor)) if floor > 0.0 else np.inf,
        ends_in_noise=bool(meets_noise),
        tail_energy=float(at_end / -np.expm1(-per_frame)),
        content_end=int(content_end),
    )


def _no_decay(values: NDArray[np.float64]) -> Truncation:
    power = block_powers(values, max(1, values.size // _FEWEST_BLOCKS))
    noise = float(power[-max(1, power.size // 10) :].mean())
    peak = float(power.max())
    return Truncation(
        crosspoint=values.size,
        noise_power=0.0,
        late_decay_time_s=None,
        peak_to_noise_db=float(10.0 * np.log10(peak / noise)) if noise > 0.0 else np.inf,
        ends_in_noise=False,
        tail_energy=0.0,
        content_end=values.size,
    )


def _first_width(frames: int, sample_rate: float) -> int:
    width = max(round(_FIRST_BLOCK_S * sample_rate), frames // _MOST_BLOCKS)
    return max(1, min(width, frames // _FEWEST_BLOCKS))


def block_powers(values: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    """Mean power of the complete blocks, at least one."""
    count = values.size // width
    if count == 0:
        return np.array([values.mean()])
    return np.add.reduce(values[: count * width].reshape(count, width), axis=1) / width


def median(values: NDArray[np.float64]) -> float:
    """Median of some finite numbers, at least one: numpy's own looks for much that is not there."""
    ordered = np.sort(values)
    half = ordered.size // 2
    return float(ordered[half] if ordered.size % 2 else 0.5 * (ordered[half - 1] + ordered[half]))


def block_levels(power: NDArray[np.float64]) -> NDArray[np.float64]:
    """Levels in dB, silence 200 dB under the loudest."""
    return 10.0 * np.log10(np.maximum(power, max(power.max() * 1e-20, 1e-300)))


def _decay_start(power: NDArray[np.float64], block_s: float) -> int:
    """Loudest block, or the loudest behind a gap that follows: an impulse ahead of a gap is no decay."""
    start = int(np.argmax(power))
    span = power[start : start + 1 + int(np.ceil(_GAP_LONGEST_S / block_s))]
    risen = np.flatnonzero(span > np.minimum.accumulate(span) * 10.0 ** (_GAP_RISE_DB / 10.0))
    # a rise out of digital silence or out of a gap; what rises by less is the scatter of a narrow band
    if (
        risen.size
        and span[risen[0]] > power.max() * 1e-12
        and _is_gap(span[: risen[0]], span[risen[0] :].max())
    ):
        return start + int(risen[0] + np.argmax(span[risen[0] :]))
    return start


def _is_gap(before: NDArray[np.float64], later_peak: float) -> bool:
    """Whether most of what lies between an impulse and a rise is 10 dB under what follows."""
    return bool(before.size > 1 and np.mean(before[1:] < 0.1 * later_peak) >= 0.5)


def _first_slope(power: NDArray[np.float64], start: int) -> float | None:
    """Slope in dB per block down to 8 dB over the noise of the last tenth; None when nothing falls."""
    noise = power[-max(1, power.size // 10) :].mean()
    level = block_levels(power)
    limit = 10.0 * np.log10(max(noise, power.max() * 1e-20, 1e-300)) + _OVER_NOISE_DB
    below = np.flatnonzero(level[start:] < limit)
    stop = start + int(below[0]) if below.size else power.size
    if stop - start < 3:
        return None
    slope = _line_slope(level[start:stop])
    return slope if slope < 0.0 else None


def _line_slope(values: NDArray[np.float64]) -> float:
    position = np.arange(values.size) - 0.5 * (values.size - 1)
    return float(np.dot(position, values) / np.dot(position, position))


def level_scatter(level: NDArray[np.float64]) -> float:
    """Standard deviation of block levels about a smooth curve, from their median second difference."""
    if level.size < 5:
        return 0.0
    second = np.abs(level[2:] - 2.0 * level[1:-1] + level[:-2])
    return median(second) * 1.4826 / np.sqrt(6.0)  # normal distribution; weights 1, -2, 1


def _before_the_edit(level: NDArray[np.float64], start: int, scatter: float) -> int:
    """First block of a closing fade or cut, or the number of blocks.

    Sound decays and noise floors are convex in dB (a sum of exponentials is), so a block below every line
    that its predecessors support betrays an edit. The longest stretch without such a bend is found by
    bisection.
    """
    tolerance = _BEND_DB + 4.0 * scatter
    good, bad = start + 2, level.size
    if bad - start < 4 or not _bends_down(level[start:bad], tolerance):
        return bad
    while bad - good > 1:
        middle = (good + bad) // 2
        if _bends_down(level[start:middle], tolerance):
            bad = middle
        else:
            good = middle
    kept, removed = good - start, level.size - good
    decay = (level[start] - level[good - 1]) / max(1, kept - 1)
    fall = (level[good - 1] - level[-1]) / max(1, removed)
    if fall < _BEND_STEEPER * max(decay, 0.0) or level[good - 1] - level[-1] < tolerance:
        return level.size
    return max(start + 3, good - int(np.ceil(_FADE_SEEN * (removed - 1))))


def _before_a_cut(level: NDArray[np.float64], start: int) -> int:
    """First block of a cut or fade that a faint floor follows (dither, a converter's noise), or all blocks.

    The floor makes the end flat, so nothing bends there. But a fall into the floor at least twice as steep as
    the decay before it is none of a room's: up to its foot the edit is looked for as at the end of a record.
    """
    whole = level.size
    floor = float(np.mean(level[-max(_FEWEST_OF_A_FLOOR, whole // 10) :]))
    above = np.flatnonzero(level[start:] >= floor + _LATE_RANGE_DB)
    last = start + int(above[-1]) if above.size else start
    if last - start < _FEWEST_BEFORE_A_CUT:
        return whole
    low = np.flatnonzero(level[last:] < floor + _FOOT_OVER_FLOOR_DB)
    foot = last + int(low[0]) if low.size else whole
    if foot > whole - _FEWEST_OF_A_FLOOR:
        return whole
    decay = -_line_slope(level[start : last + 1])
    fall = (level[last] - level[foot]) / (foot - last)
    if fall < _BEND_STEEPER * max(decay, 0.0):
        return whole
    found = _before_the_edit(level[: foot + 1], start, level_scatter(level[start : last + 1]))
    return found if found <= foot else whole


def _bends_down(level: NDArray[np.float64], tolerance: float) -> bool:
    """Whether the lower convex hull's last edge runs more than `tolerance` below a block."""
    last = level.size - 1
    position = np.arange(last)
    # the hull's last edge joins the last point to the one from which the chord falls least
    slopes = (level[last] - level[:last]) / (last - position)
    vertex = int(np.argmax(slopes))
    # all other points lie above the chord from there on
    chord = level[last] - slopes[vertex] * (last - np.arange(vertex, last))
    return bool(np.max(level[vertex:last] - chord) > tolerance)


def _fit_late(
    power: NDArray[np.float64], level: NDArray[np.float64], start: int, end: int
) -> tuple[float, float, float, int] | None:
    """Rate per block, mean power of the first block used, noise power (0: not significant), that block."""
    count = max(3, (end - start) // 10)
    reference = float(power[max(start, end - count) : end].mean())
    result = None
    first = start
    for _ in range(4):
        above = np.flatnonzero(level[start:end] >= 10.0 * np.log10(max(reference, 1e-300)) + _LATE_RANGE_DB)
        found = start + int(above[-1]) if above.size else start
        found = max(start, min(found, end - 6))
        if result is not None and found == first:
            break
        first = found
        result = _fit_decay_and_noise(power[first:end])
        if result is None:
            return None
        rate, amplitude, noise = result
        reference = max(noise, amplitude * np.exp(-rate * (end - 1 - first)))
    if result is None:
        return None
    return result[0], result[1], result[2], first


def _fit_decay_and_noise(power: NDArray[np.float64]) -> tuple[float, float, float] | None:
    """Maximum-likelihood fit of a exp(-k i) + n to block powers that scatter in proportion to their mean."""
    if power.size < 4:
        return None
    scale = float(power.max())
    if not scale > 0.0:
        return None
    data = np.maximum(power / scale, 1e-14)
    index = np.arange(data.size, dtype=np.float64)
    noise = float(data[-max(2, data.size // 8) :].mean())
    free = _iterate(data, index, noise=noise, free_noise=True)
    if free is not None and free[3]:
        return free[0], free[1] * scale, free[2] * scale
    plain = _iterate(data, index, noise=0.0, free_noise=False)
    if plain is None:
        return None
    return plain[0], plain[1] * scale, 0.0


def _iterate(
    data: NDArray[np.float64], index: NDArray[np.float64], *, noise: float, free_noise: bool
) -> tuple[float, float, float, bool] | None:
    """Fisher scoring from a line through the part over the noise; last item: is the noise significant."""
    stop = data.size
    if free_noise:
        under = np.flatnonzero(data < 3.0 * noise)
        stop = max(3, int(under[0])) if under.size else stop
    rate = -_line_slope(np.log(data[:stop]))
    if not rate > 0.0:
        if not free_noise:
            return None
        rate = 1.0 / data.size
    log_amplitude = float(np.mean(np.log(data[:stop]))) + rate * 0.5 * (stop - 1)
    settled = False
    cnn, determinant, residual = 0.0, 1.0, data
    for turn in range(60):
        decay = np.exp(np.minimum(np.maximum(log_amplitude - rate * index, -700.0), 50.0))
        model = decay + noise
        relative = decay / model
        drop = index * relative
        residual = data / model - 1.0
        aa, ak, kk = _dot(relative, relative), -_dot(relative, drop), _dot(drop, drop)
        ra, rk = _dot(relative, residual), -_dot(drop, residual)
        if free_noise:
            inverse = 1.0 / model
            an, kn, nn = _dot(relative, inverse), -_dot(drop, inverse), _dot(inverse, inverse)
            rn = _dot(inverse, residual)
        else:
            an, kn, nn, rn = 0.0, 0.0, 1.0, 0.0
        # Cramer's rule for the 3 × 3 normal equations: a library call costs more than the whole step
        caa, cak, can = kk * nn - kn * kn, an * kn - ak * nn, ak * kn - an * kk
        determinant = aa * caa + ak * cak + an * can
        if not determinant > 1e-14 * aa * kk * nn:
            return None
        ckk, ckn, cnn = aa * nn - an * an, ak * an - aa * kn, aa * kk - ak * ak
        step_a = (caa * ra + cak * rk + can * rn) / determinant
        step_k = (cak * ra + ckk * rk + ckn * rn) / determinant
        step_n = (can * ra + ckn * rk + cnn * rn) / determinant
        # half steps where whole ones keep overshooting, which strongly scattered blocks provoke
        whole = 1.0 if turn < 10 else 0.5
        shrink = min(whole, 1.5 / max(abs(step_a), 1e-12), 0.5 * rate / max(abs(step_k), 1e-300))
        log_amplitude += shrink * step_a
        rate += shrink * step_k
        if free_noise:
            noise = max(noise + shrink * step_n, 0.1 * noise)
        if shrink == whole and abs(step_a) < 1e-5 and abs(step_k) < 1e-5 * rate:
            settled = True
            break
    if not settled or not (np.isfinite(rate) and rate > 1e-6):
        return None
    error = np.sqrt(cnn / determinant * _dot(residual, residual) / max(1, data.size - 3))
    return rate, float(np.exp(log_amplitude)), noise, bool(free_noise and noise > 3.0 * error)


def _dot(a: NDArray[np.float64], b: NDArray[np.float64]) -> float:
    return float(np.dot(a, b))
