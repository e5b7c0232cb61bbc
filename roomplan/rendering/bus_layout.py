"""What a session is summed from and to: components, buses, and the families of files that add up."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomplan.frozen_classes import frozen_class
from roomplan.session.buses import build_buses, build_components, build_families

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from roomplan.session.buses import Bus, BusFamily, Component
    from roomplan.session.session import Session

__all__ = ["BusLayout", "bus_gains", "lay_out"]


@frozen_class
class BusLayout:
    """A session with its components, the buses over them, and all families those buses could form."""

    session: Session
    components: tuple[Component, ...]
    buses: tuple[Bus, ...]
    families: tuple[BusFamily, ...]

    @property
    def wants_speech_band(self) -> bool:
        """Whether a margin of the plan asks for powers in the speech band."""
        return any(margin.band == "speech" for margin in self.session.plan.margins)


def lay_out(session: Session) -> BusLayout:
    """Build components, buses and families of a session."""
    components = build_components(session)
    buses = build_buses(session, components)
    return BusLayout(session, components, buses, build_families(session, buses))


def bus_gains(buses: Sequence[Bus], components: int) -> NDArray[np.float64]:
    """Factors of the buses as a matrix, shape (buses, components)."""
    gains = np.zeros((len(buses), components))
    for row, bus in enumerate(buses):
        for index, factor in bus.factors.items():
            gains[row, index] = factor
    return gains
