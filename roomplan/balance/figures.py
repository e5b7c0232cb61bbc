"""Figures of targets, and how they move about the levels at which they were found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Figure", "Local"]


class Local(Protocol):
    """How a figure moves about the shifts it was evaluated at."""

    def value(self, shifts: NDArray[np.float64]) -> float:
        """Figure at some shifts."""
        ...

    def line(self, shifts: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        """Figure, and its derivative by every shift (unit per dB)."""
        ...


@dataclass(frozen=True, slots=True, eq=False)
class Figure:
    """Figure of one target, judged in full; `local` is None where it cannot be moved or said."""

    value: float | None
    reason: str | None
    local: Local | None
