"""Powers of buses while sound is metered, as a file of cross powers will give them.

Conventions
-----------
What is reported comes from the rounded factor (`factors`), kept or not: the figures of a pass are those that
its file gives later, to the last bit.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomplan.loudness.factors import BusProjection, Factoriser, component_amplitudes
from roomplan.loudness.hops import HopTable

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from roomplan.loudness.cross_powers import CrossPowerWriter

__all__ = ["RoundedPowers"]


class RoundedPowers:
    """Weighted power per 20 ms hop of every bus and every component, from the cross powers of a stream.

    Parameters
    ----------
    gains : array_like, shape (buses, components)
        Linear gains.
    keep : CrossPowerWriter, optional
        Gets the factor as it comes; finishing it is left to the caller.

    Notes
    -----
    Memory: 8 bytes × hops × (buses + components).
    """

    def __init__(self, gains: ArrayLike, *, keep: CrossPowerWriter | None = None) -> None:
        self.components = np.shape(gains)[1]
        self._projection = BusProjection(gains, self.components)
        self._factoriser = Factoriser(self.components, self._take)
        self._keep = keep
        self._table = HopTable(self._projection.buses + self.components)

    def append(self, cross: NDArray[np.float64]) -> None:
        """Add hops, as `CrossPowerWriter.append`."""
        self._factoriser.append(cross)

    def finish(self) -> None:
        """Take in the hops that wait."""
        self._factoriser.finish()

    def sums(self, bus: int) -> NDArray[np.float64]:
        """Weighted power of one bus per hop, shape (hops,); what cancels to less than −130 dB is 0."""
        return self._table.row(range(self._projection.buses)[bus])

    def component_sums(self, component: int) -> NDArray[np.float64]:
        """Weighted power of one component at unit gain per hop, shape (hops,)."""
        return self._table.row(self._projection.buses + range(self.components)[component])

    def _take(self, factor: NDArray[np.float32]) -> None:
        buses = self._projection.buses
        found = np.empty((buses + self.components, len(factor)))
        powers = np.empty((len(factor), buses))
        own = component_amplitudes(factor, self.components)
        self._projection.powers(factor, own, powers)
        found[:buses] = powers.T
        found[buses:] = own.T**2
        self._table.append(found)
        if self._keep is not None:
            self._keep.write(factor)
