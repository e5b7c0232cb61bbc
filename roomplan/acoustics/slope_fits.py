"""Decays over a noise, fitted to block powers by maximum likelihood: those of several bands at a time.

Conventions
-----------
Block powers are shape (blocks,), in units of the largest; block i has the expected power μ = Σ aⱼ exp(-kⱼ i)
+ n. The parameters that are fitted are log a₁, log k₁, log a₂ … and log n. Parts are the decays and the
noise, shape (decays + 1, blocks).

Method
------
Fisher scoring, damped after Levenberg and Marquardt, for powers with a gamma distribution. Every fit takes
its own steps, as if it were alone; they are made side by side because what a step costs is the calls, not the
numbers. Arrays of several fits have the fit as their first axis, shorter ones filled up behind, where nothing
counts.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = ["RIDGE", "SlopeFit", "fit_slopes", "sensitivities"]

RIDGE = 1e-9
"""Keeps the equations solvable where a parameter has no influence, such as a noise of nothing."""

_TURNS = 40
_LONGEST_STEP = 1.0  # of a logarithm
_FIRST_DAMPING = 1e-3
_MOST_DAMPING = 1e6
_SETTLED = 1e-4  # of log-likelihood
_LEAST, _LARGEST = np.exp(-80.0), np.exp(50.0)  # of a part
_ROW = 16  # blocks


class SlopeFit(NamedTuple):
    """Parameters, parts, and minus the log-likelihood over the powers' shape: 0 for a perfect fit."""

    logs: NDArray[np.float64]
    parts: NDArray[np.float64]
    deviance: float


class _Problem(NamedTuple):
    """Powers and block numbers, shape (fits, blocks), and 1 where there are blocks, 0 behind."""

    power: NDArray[np.float64]
    number: NDArray[np.float64]
    there: NDArray[np.float64]


class _State(NamedTuple):
    """Where each fit is: parameters, parts, deviance, damping and steps taken."""

    logs: NDArray[np.float64]
    parts: NDArray[np.float64]
    deviance: NDArray[np.float64]
    damping: NDArray[np.float64]
    turns: NDArray[np.float64]


def fit_slopes(
    powers: Sequence[NDArray[np.float64]], starts: Sequence[NDArray[np.float64]]
) -> list[SlopeFit]:
    """Maximum likelihood of the decays and the noise that each start holds.

    Parameters
    ----------
    powers : sequence of ndarray, shape (blocks,)
        Above 0.
    starts : sequence of ndarray, shape (2 × decays + 1,)
        Parameters to start from, as many in each.

    Returns
    -------
    list of SlopeFit
        In the order of `powers`.
    """
    if not powers:
        return []
    problem = _side_by_side(powers)
    logs = np.array(starts)
    parts = _parts(logs, problem.number)
    deviance = _deviance(problem, parts)
    damping = np.full(len(powers), _FIRST_DAMPING)
    state = _State(logs, parts, deviance, damping, np.zeros(len(powers)))
    found: dict[int, SlopeFit] = {}
    places = np.arange(len(powers))
    while places.size:
        done = _step(problem, state)
        if not done.any():
            continue
        for at in np.flatnonzero(done):
            place = int(places[at])
            parts = state.parts[at, :, : powers[place].size].copy()
            found[place] = SlopeFit(state.logs[at].copy(), parts, float(state.deviance[at]))
        going = ~done
        places = places[going]
        problem = _Problem(*(array[going] for array in problem))
        state = _State(*(array[going] for array in state))
    return [found[place] for place in range(len(powers))]


def _side_by_side(powers: Sequence[NDArray[np.float64]]) -> _Problem:
    blocks = -(-max(power.size for power in powers) // _ROW) * _ROW
    filled, there = np.ones((len(powers), blocks)), np.zeros((len(powers), blocks))
    for row, power in enumerate(powers):
        filled[row, : power.size] = power
        there[row, : power.size] = 1.0
    number = np.broadcast_to(np.arange(blocks, dtype=np.float64), filled.shape)
    return _Problem(filled, number, there)


def _step(problem: _Problem, state: _State) -> NDArray[np.bool_]:
    """Make one step of every fit, taken where it makes it better; which fits are done."""
    rows, model = sensitivities(state.parts, state.logs, problem.number)
    rows *= problem.there[:, None]
    slope = rows @ (problem.power / model - 1.0)[:, :, None]
    normal = rows @ rows.transpose(0, 2, 1)
    diagonal = normal.reshape(len(normal), -1)[:, :: normal.shape[1] + 1]  # a view
    diagonal *= 1.0 + state.damping[:, None]
    diagonal += RIDGE
    step = np.linalg.solve(normal, slope)[:, :, 0]
    logs = state.logs + np.minimum(np.maximum(step, -_LONGEST_STEP), _LONGEST_STEP)
    parts = _parts(logs, problem.number)
    deviance = _deviance(problem, parts)
    gained = state.deviance - deviance
    better = gained >= 0.0
    np.copyto(state.logs, logs, where=better[:, None])
    np.copyto(state.parts, parts, where=better[:, None, None])
    np.copyto(state.deviance, deviance, where=better)
    damping = state.damping
    damping[:] = np.where(better, 0.1 * damping, np.maximum(10.0 * damping, _FIRST_DAMPING))
    turns = state.turns
    turns += better
    return (better & (gained < _SETTLED)) | (turns >= _TURNS) | (damping > _MOST_DAMPING)


def _parts(logs: NDArray[np.float64], number: NDArray[np.float64]) -> NDArray[np.float64]:
    """Decays and noise; exp(-k i) as a product of two exponentials, a row's start and the place in it."""
    parts = np.empty((len(logs), (logs.shape[1] + 1) // 2, number.shape[1]))
    rate = -np.exp(logs[:, 1::2, None])
    starts = np.exp(logs[:, 0:-1:2, None] + rate * number[0, ::_ROW])
    decays = parts[:, :-1]
    rows = decays.reshape(*starts.shape, _ROW)  # a view
    np.multiply(starts[..., None], np.exp(rate * number[0, :_ROW])[:, :, None], out=rows)
    np.maximum(decays, _LEAST, out=decays)
    np.minimum(decays, _LARGEST, out=decays)
    parts[:, -1] = np.minimum(np.maximum(np.exp(logs[:, -1:]), _LEAST), _LARGEST)
    return parts


def _deviance(problem: _Problem, parts: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sum of y/μ - 1 - log(y/μ)."""
    ratio = problem.power / np.add.reduce(parts, axis=1)
    off = np.log(ratio)
    np.subtract(ratio, off, out=off)
    off -= 1.0
    off *= problem.there
    return np.add.reduce(off, axis=1)


def sensitivities(
    parts: NDArray[np.float64], logs: NDArray[np.float64], number: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Derivatives of log μ, and μ.

    Parameters
    ----------
    parts : ndarray, shape (…, decays + 1, blocks)
    logs : ndarray, shape (…, parameters)
    number : ndarray, shape (…, blocks)
        Of each block.

    Returns
    -------
    ndarray, shape (…, parameters, blocks), and ndarray, shape (…, blocks)
    """
    model = np.add.reduce(parts, axis=-2)
    rows = np.empty((*logs.shape, number.shape[-1]))
    share = np.divide(parts, model[..., None, :], out=rows[..., 0::2, :])
    np.multiply(share[..., :-1, :], number[..., None, :], out=rows[..., 1::2, :])
    rows[..., 1::2, :] *= -np.exp(logs[..., 1::2, None])
    return rows, model
