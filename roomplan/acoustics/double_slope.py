"""Two decays in one: the sound of a room and of a slower one coupled to it.

Conventions
-----------
Energies are those of one band, shape (frames,), float64, frame 0 the onset; "power" is energy per frame.
Times in seconds from the onset, levels in dB.

Symbols: B bandwidth, T decay time (60 dB), μ expected power of a block, y its measured power, ν = B · block
length; the decay is a₁ exp(-k₁ i) + a₂ exp(-k₂ i) + n for block i, k₁ > k₂. The parameters that are fitted
are the logarithms of all five.

Method
------
The mean power of a stretch of Gaussian noise has a gamma distribution of shape ν; blocks of 2/B or more
hardly depend on each other. One decay over a noise, and two over a noise, are fitted to the same blocks by
maximum likelihood (Fisher scoring, damped after Levenberg and Marquardt), the noise free in both. The
logarithm of the ratio of the likelihoods says whether the second decay is there; it is divided by the
scatter of the blocks where that exceeds the gamma distribution's (single modes in narrow bands).

Sources
-------
Two slopes of coupled spaces: Kuttruff, "Room Acoustics", chapter on coupled rooms; decays as sums of
exponentials over a noise: Xiang and Goggans (2001), J. Acoust. Soc. Am. 110, 1415 (both from memory).
Variance of the energy of a noise: Bendat and Piersol, "Random Data" (from memory). ISO 3382-1:2009, A.2.2:
what arrives within 80 ms counts as early. The other limits are this project's own: no source.

Measured
--------
Found in 200 random decays each, floor 65 dB down (T1 s, T2 s, level of the second dB; bands 125, 500, 2000
Hz): 1, 3, -20 and 1, 3, -15 and 0.8, 2.5, -25: 100 % in all; 0.5, 2, -10: 20, 90, 100 %; 2, 3, -10 (at the
ratio limit of 1.5): 64, 68, 54 %; 2, 4, -10: 100 %. Both times come out within 1 % on average.

By mistake: none of 24,000 single slopes (B T 13 to 5600, floors none to 35 dB, with and without a direct
sound 15 dB over the rest), none of 40 each for cuts, fades of a clean tail, hum, gaps, clicks. Sometimes,
though not meant: 8 to 25 strong discrete reflections within 80 ms (8 % at 125 Hz, 13 % at 500 Hz), noise
faded out over half the record (up to 25 %), a T that falls by 1.5 times per octave within the band (18 %):
those are sums of slopes. Broadband decays are not asked. Speak of coupled spaces only where neighbouring
bands agree.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from roomplan.acoustics.checks import validate_rate
from roomplan.acoustics.slope_fits import RIDGE, SlopeFit, fit_slopes, sensitivities
from roomplan.errors import RoomplanError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from roomplan.acoustics.noise import Truncation

__all__ = ["DecayToJudge", "DoubleSlope", "find_double_slope", "find_double_slopes"]

# of a direct sound, a band filter leaves 80 dB less from 1/B on (measured, filters run backwards)
_SKIPPED = 1.0  # times 1/B
_SHORTEST_BLOCK = 2.0  # times 1/B
_MOST_BLOCKS = 200
_FEWEST_BLOCKS = 10
_BEYOND_CROSSPOINT = 2.5  # … times the crosspoint is looked at: as much noise as decay, and finer blocks
_SMOOTHED = 4  # blocks
_BUILD_UP = 2.0  # power: a loudest part so much over the first one is the end of a build-up

_SCORE_LIMIT = 2.5  # standard deviations of the slope that is missing in the fit of one
_LATE_SCORE_LIMIT = 2.0  # … that is still missing when the first 80 ms are left out
_BEND_LIMIT = 2.5  # standard deviations of a second slope that bends down
_EVIDENCE_LIMIT = 5.0  # chance alone passes it in e⁻⁵ = 0.7 % of single slopes (Wilks, two more parameters)
_LEAST_RATIO = 1.5  # of the decay times; what lies below is no more than a decay time that varies in the band
_LEAST_FALL_DB = 10.0  # of either slope where it is the louder one
_LEAST_BLOCKS = 3  # of the first slope
_EARLY_S = 0.08  # ISO 3382-1:2009, A.2.2: a first slope seen by then only may be early reflections
_LARGEST_SHARE = 0.35  # standard deviation of a decay time over the decay time

_SCORED_RATES = np.array([0.3, 0.6, 1.6, 3.0])  # of a second slope, times the rate of the fit of one
_NEPER_60_DB = 6.0 * np.log(10.0)  # 13.8155: energy falls by 60 dB
_DB = 10.0 / np.log(10.0)


@dataclass(frozen=True, slots=True)
class DoubleSlope:
    """Two exponential decays that together make the decay of a band.

    Attributes
    ----------
    first_decay_time_s, second_decay_time_s : float
        Time for 60 dB of the steeper decay, which is the louder one at first, and of the flatter one.
    crossing_s : float
        Time from the onset at which both have the same power.
    crossing_level_db : float
        Backward-integrated energy of both decays together from `crossing_s` on, over that from the onset on.
        Direct sound and noise are no part of either: on a decay curve that holds a direct sound the crossing
        lies lower by the direct sound's step.
    first_uncertainty_s, second_uncertainty_s : float
        Standard deviation by chance of one position.
    evidence : float
        Logarithm of the likelihood of two decays over that of one, both over a stationary noise, less where
        the blocks scatter more than a Gaussian noise does.
    """

    first_decay_time_s: float
    second_decay_time_s: float
    crossing_s: float
    crossing_level_db: float
    first_uncertainty_s: float
    second_uncertainty_s: float
    evidence: float


class _Blocks(NamedTuple):
    """Mean powers of equal blocks, in units of the largest; `first` is the frame at which block 0 starts."""

    power: NDArray[np.float64]
    number: NDArray[np.float64]
    width: int
    first: int
    decay_start: int
    scale: float


class DecayToJudge(NamedTuple):
    """What is known of the decay of a band: arguments of `find_double_slope`."""

    energy: NDArray[np.float64]
    sample_rate: float
    truncation: Truncation
    bandwidth_hz: float


# blocks and a start go out, their fit comes in, an answer is returned
_Judging = Generator[tuple[_Blocks, "NDArray[np.float64]"], SlopeFit, "DoubleSlope | None"]


def find_double_slopes(decays: Sequence[DecayToJudge]) -> list[DoubleSlope | None]:
    """Tell of several bands what `find_double_slope` tells of one, their fits made side by side."""
    found: list[DoubleSlope | None] = [None] * len(decays)
    asked: dict[int, tuple[_Judging, SlopeFit | None]] = {
        place: (_judge(decay), None) for place, decay in enumerate(decays)
    }
    while asked:
        questions = {}
        for place, (judging, answer) in asked.items():
            try:
                questions[place] = next(judging) if answer is None else judging.send(answer)
            except StopIteration as ended:
                found[place] = ended.value
        fits = fit_slopes(
            [blocks.power for blocks, _start in questions.values()],
            [start for _blocks, start in questions.values()],
        )
        asked = {place: (asked[place][0], fit) for place, fit in zip(questions, fits, strict=True)}
    return found


def find_double_slope(
    energy: ArrayLike, *, sample_rate: float, truncation: Truncation, bandwidth_hz: float
) -> DoubleSlope | None:
    """Tell whether a decay is the sum of two exponentials, and which.

    Parameters
    ----------
    energy : array_like, shape (frames,)
        Energy per frame of one band from the onset on.
    sample_rate : float
        Frames per second.
    truncation : Truncation
        Of the same `energy` (`find_truncation`): gives the end of the content and where the noise starts.
    bandwidth_hz : float
        Statistical bandwidth of the band.

    Returns
    -------
    DoubleSlope or None
        None when one decay explains the data as well, and when the two cannot be relied on: decay times less
        than a factor of 1.5 apart; a first slope of less than 10 dB, 80 ms or three blocks (6/B at least), or
        one that nothing is seen of after 80 ms; a second one that falls by less than 10 dB before it meets
        the noise or the end, or bends down; a decay time known to no better than 35 %.

    Raises
    ------
    RoomplanError
        For a rate or bandwidth that is not a positive number.

    Notes
    -----
    What the filter leaves of a direct sound is skipped (1/B). A closing fade or cut lies behind the
    truncation's end of content; a steady hum is noise. Measured (the tests repeat it in small): one slope
    with or without noise and direct sound is taken for two in less than 0.1 % of the bands.

    A filter run backwards makes every decay early by its lead, so that the crossing is early by as much; the
    decay times do not change.

    Not done: a third slope. A decay time that differs by a factor of two within the band (between low modes,
    by air absorption, or broadband) makes a sum of many slopes, which can be reported as two: one band alone
    is no proof of a coupled space. Strong reflections later than 80 ms, and a noise that itself decays, are
    taken for a slope. The energy of several channels scatters less than is assumed: evidence and
    uncertainties stay on the safe side.
    """
    validate_rate(sample_rate)
    if not (np.isfinite(bandwidth_hz) and bandwidth_hz > 0.0):
        raise RoomplanError(f"a bandwidth of {bandwidth_hz} Hz", remedy="it must be above 0 Hz")
    values = np.asarray(energy, dtype=np.float64)
    return find_double_slopes([DecayToJudge(values, sample_rate, truncation, bandwidth_hz)])[0]


def _judge(decay: DecayToJudge) -> _Judging:
    """Judge one decay. All ask in the same order: for one slope, for two, and for one without the start."""
    values, sample_rate, truncation, bandwidth_hz = decay
    if truncation.late_decay_time_s is None:
        return None
    blocks = _cut_into_blocks(values, sample_rate / bandwidth_hz, truncation)
    if blocks is None:
        return None
    shape = bandwidth_hz * blocks.width / sample_rate
    late_rate = _NEPER_60_DB / (truncation.late_decay_time_s * sample_rate)
    start = _start_of_one(blocks, truncation, late_rate)
    one = yield blocks, start
    if np.sqrt(shape) * _score_of_another(blocks, one) < _SCORE_LIMIT:
        return None
    two = yield blocks, _start_of_two(blocks, start)
    scatter = _scatter(blocks, two, shape)
    evidence = shape * (one.deviance - two.deviance) / scatter
    if not evidence > _EVIDENCE_LIMIT:
        return None
    found = _result(blocks, two, sample_rate, variance=scatter / shape, evidence=float(evidence))
    if found is None or np.sqrt(shape / scatter) * _score_of_a_bend(blocks, two) > _BEND_LIMIT:
        return None
    late = _without_start(blocks, blocks.decay_start + round(_EARLY_S * sample_rate))
    if late.power.size < _FEWEST_BLOCKS:
        return None
    start = _start_of_one(late, truncation, late_rate)
    one = yield late, start
    return found if np.sqrt(shape / scatter) * _score_of_another(late, one) >= _LATE_SCORE_LIMIT else None


def _cut_into_blocks(
    values: NDArray[np.float64], frames_per_bandwidth: float, truncation: Truncation
) -> _Blocks | None:
    skipped = int(np.ceil(_SKIPPED * frames_per_bandwidth))
    stop = min(values.size, truncation.content_end, int(_BEYOND_CROSSPOINT * truncation.crosspoint))
    width = max(int(np.ceil(_SHORTEST_BLOCK * frames_per_bandwidth)), -(-(stop - skipped) // _MOST_BLOCKS))
    count = (stop - skipped) // width
    if count < _FEWEST_BLOCKS:
        return None
    power = values[skipped : skipped + count * width].reshape(count, width).mean(axis=1)
    start = _decay_start(power)
    power = power[start:]
    scale = float(power.max())
    if power.size < _FEWEST_BLOCKS or not (scale > 0.0 and np.isfinite(scale)):
        return None
    return _Blocks(
        power=np.maximum(power / scale, 1e-14),
        number=np.arange(power.size, dtype=np.float64),
        width=width,
        first=skipped + start * width,
        decay_start=start * width,
        scale=scale,
    )


def _without_start(blocks: _Blocks, frame: int) -> _Blocks:
    """The blocks that start at a frame or later."""
    left_out = max(0, -(-(frame - blocks.first) // blocks.width))
    return blocks._replace(
        power=blocks.power[left_out:],
        number=blocks.number[: blocks.power.size - left_out],
        first=blocks.first + left_out * blocks.width,
    )


def _decay_start(power: NDArray[np.float64]) -> int:
    """Block 0, or the end of a build-up that ends louder than chance allows."""
    count = power.size // _SMOOTHED
    smooth = power[: count * _SMOOTHED].reshape(count, _SMOOTHED).mean(axis=1)
    loudest = int(np.argmax(smooth))
    return loudest * _SMOOTHED if smooth[loudest] > _BUILD_UP * smooth[0] else 0


def _start_of_one(blocks: _Blocks, truncation: Truncation, late_rate: float) -> NDArray[np.float64]:
    """The truncation's late decay and noise."""
    at_end = max(truncation.tail_energy * -np.expm1(-late_rate) / blocks.scale, 1e-14)
    amplitude = np.log(at_end) + late_rate * (truncation.crosspoint - blocks.first)
    # a noise that is not significant may still be there: a fiftieth of what the end holds
    last = blocks.power[-max(2, blocks.power.size // 10) :].mean()
    noise = np.log(max(truncation.noise_power / blocks.scale, 0.02 * last))
    return np.array([min(amplitude, 10.0), np.log(late_rate * blocks.width), noise])


def _start_of_two(blocks: _Blocks, start: NDArray[np.float64]) -> NDArray[np.float64]:
    """The late decay, and in front of it one four times as steep."""
    first = np.log(blocks.power[:_LEAST_BLOCKS].mean())
    return np.array([first, start[1] + np.log(4.0), start[0], start[1], start[2]])


def _order(two: SlopeFit) -> NDArray[np.intp]:
    """Positions of the steeper and the flatter rate among the parameters; each level is one ahead."""
    return np.array([1, 3] if two.logs[1] >= two.logs[3] else [3, 1])


def _score_of_another(blocks: _Blocks, one: SlopeFit) -> float:
    """How much a little of a second decay would help the fit of one, for a few rates: see `_score`."""
    rate = np.exp(one.logs[1])
    shapes = np.exp(-rate * _SCORED_RATES[:, None] * blocks.number) / one.parts.sum(axis=0)
    shapes /= np.sqrt(np.einsum("si,si->s", shapes, shapes))[:, None]
    return _score(blocks, one, shapes)


def _score_of_a_bend(blocks: _Blocks, two: SlopeFit) -> float:
    """How much it would help if the slower decay and the noise bent down as a fade does: see `_score`."""
    model = two.parts.sum(axis=0)
    late = two.parts[_order(two)[1] // 2] + two.parts[-1]
    shapes = (-((blocks.number / blocks.power.size) ** np.array([[2.0], [6.0]]))) * late / model
    return _score(blocks, two, shapes)


def _score(blocks: _Blocks, fit: SlopeFit, shapes: NDArray[np.float64]) -> float:
    """Largest score of some relative changes of the model, shape (changes, blocks).

    The score test: the correlation of the residual with a change, after what the fitted parameters can do of
    the change has been taken out, times 1/√ν in standard deviations.
    """
    rows, model = sensitivities(fit.parts, fit.logs, blocks.number)
    normal = np.einsum("pi,qi->pq", rows, rows)
    normal[np.diag_indices_from(normal)] += RIDGE * (1.0 + np.diagonal(normal))
    known = np.linalg.solve(normal, np.einsum("pi,si->ps", rows, shapes))
    left = shapes - np.einsum("ps,pi->si", known, rows)
    score = np.einsum("si,i->s", left, blocks.power / model - 1.0)
    return float(np.max(score / np.sqrt(np.einsum("si,si->s", left, left) + 1e-12)))


def _scatter(blocks: _Blocks, two: SlopeFit, shape: float) -> float:
    """Variance of the blocks about the fit over that of the gamma distribution, at least 1."""
    residual = blocks.power / two.parts.sum(axis=0) - 1.0
    freedom = max(1, residual.size - two.logs.size)
    return max(1.0, shape * float(np.einsum("i,i->", residual, residual)) / freedom)


def _result(
    blocks: _Blocks, two: SlopeFit, sample_rate: float, *, variance: float, evidence: float
) -> DoubleSlope | None:
    """Figures of a fit, or None where they do not make two slopes; `variance` is that of y/μ."""
    order = _order(two)
    rates = np.exp(two.logs[order]) / blocks.width
    if not (rates[0] >= _LEAST_RATIO * rates[1] and np.isfinite(rates).all()):
        return None
    # from the mean of a block to the power at frame 0
    to_edge = np.log(blocks.width * np.expm1(-rates) / np.expm1(-rates * blocks.width))
    levels = two.logs[order - 1] + to_edge + rates * blocks.first
    crossing = float((levels[0] - levels[1]) / (rates[0] - rates[1]))
    lasting = crossing - blocks.first
    at_crossing = levels[1] - rates[1] * crossing
    end = blocks.first + blocks.power.size * blocks.width
    floor = max(float(two.logs[4]), levels[1] - rates[1] * end)
    if (
        (crossing - blocks.decay_start) / sample_rate < _EARLY_S
        or lasting < _LEAST_BLOCKS * blocks.width
        or _DB * rates[0] * lasting < _LEAST_FALL_DB
        or _DB * (at_crossing - floor) < _LEAST_FALL_DB
    ):
        return None
    rows, _model = sensitivities(two.parts, two.logs, blocks.number)
    normal = np.einsum("pi,qi->pq", rows, rows)
    normal[np.diag_indices_from(normal)] += RIDGE
    # a standard deviation of log k is a relative one of the decay time
    shares = np.sqrt(variance * np.diagonal(np.linalg.inv(normal))[order])
    if not shares.max() < _LARGEST_SHARE:
        return None
    times = _NEPER_60_DB / (rates * sample_rate)
    # energy from a time on: power over rate
    energies = np.exp(levels - levels.max()) / rates
    left = energies * np.exp(-rates * crossing)
    return DoubleSlope(
        first_decay_time_s=float(times[0]),
        second_decay_time_s=float(times[1]),
        crossing_s=crossing / sample_rate,
        crossing_level_db=float(_DB * np.log(left.sum() / energies.sum())),
        first_uncertainty_s=float(times[0] * shares[0]),
        second_uncertainty_s=float(times[1] * shares[1]),
        evidence=evidence,
    )
