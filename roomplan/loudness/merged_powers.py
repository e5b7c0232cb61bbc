"""Cross powers in longer steps: small enough to travel with a document.

Conventions
-----------
U is the factor of a hop, G = UᵀU (`factors`). A step is 100 ms, five hops, on which the blocks of BS.1770 and
the windows of margins begin: gated loudness from steps is that from hops. The G of five hops are added in
float64 and factorised again, so a step has the error of one rounding more: √P is right to 2.5e-7 of the
components added in phase, as in `cross_powers`, twice.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomplan.loudness.factors import STORED, Factoriser

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["STEP_HOPS", "merged_factor"]

STEP_HOPS = 5

_STEPS_AT_ONCE = 20  # as in `balance.sound`: what is worked on stays in the core's own cache


def merged_factor(
    factor: NDArray[np.float32], order: NDArray[np.intp], gains: NDArray[np.float64]
) -> NDArray[np.float32]:
    """Return the factor of steps of hops, its components put in another order and brought to gains.

    Parameters
    ----------
    factor : ndarray, shape (hops, pairs)
        Of finite values. A last step may have fewer hops.
    order : ndarray, shape (components,)
        Place in `factor` of each component of the result.
    gains : ndarray, shape (components,)
        Of each component of the result against what was metered; linear.

    Returns
    -------
    ndarray, shape (steps, pairs), `STORED`
    """
    count = order.size
    rows, columns = np.triu_indices(count)
    delivered: list[NDArray[np.float32]] = [np.empty((0, rows.size), STORED)]
    factoriser = Factoriser(count, delivered.append)
    scale = (gains[:, None] * gains[None, :])[rows, columns]
    dense = np.zeros((_STEPS_AT_ONCE * STEP_HOPS, count, count))
    for start in range(0, len(factor), len(dense)):
        part = factor[start : start + len(dense)]
        steps = -(-len(part) // STEP_HOPS)
        dense[len(part) :] = 0.0
        dense[: len(part), rows, columns] = part
        stacked = dense[: steps * STEP_HOPS].reshape(steps, STEP_HOPS * count, count)
        powers = np.matmul(stacked.transpose(0, 2, 1), stacked)[:, order[:, None], order[None, :]]
        factoriser.append(powers[:, rows, columns] * scale)
    factoriser.finish()
    return np.concatenate(delivered)
