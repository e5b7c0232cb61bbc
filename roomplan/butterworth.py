"""Butterworth filters of even order as second-order sections, in closed form.

Conventions
-----------
Frequencies and rates are in Hz. A section is (b0, b1, b2, 1, a1, a2), polynomials in z⁻¹; sections run one
after the other, the one whose poles are nearest to the unit circle last, and the gain is in the first.

Sources
-------
S. Butterworth, "On the theory of filter amplifiers", 1930 (from memory). Bilinear transform, pre-warped so
that the edges are at −3 dB exactly. The tests hold the sections to those of scipy's `butter`, within 1e-12.
"""

from __future__ import annotations

import cmath
import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["band_pass", "high_pass", "low_pass"]

# The bilinear transform s = 4 (z − 1)/(z + 1): that of a rate of 2, which analogue frequencies are in here.
_TWICE_RATE = 4.0


def low_pass(order: int, edge_hz: float, *, sample_rate: float) -> NDArray[np.float64]:
    """Sections (order/2, 6) of a low-pass of even order, its edge under half the sample rate."""
    edge = _warped(edge_hz, sample_rate)
    poles = [edge * pole for pole in _prototype(order)]
    return _sections(poles, plus_pairs=0, gain=edge**order)


def high_pass(order: int, edge_hz: float, *, sample_rate: float) -> NDArray[np.float64]:
    """Sections (order/2, 6) of a high-pass of even order, its edge under half the sample rate."""
    edge = _warped(edge_hz, sample_rate)
    poles = [edge / pole for pole in _prototype(order)]
    return _sections(poles, plus_pairs=order // 2, gain=_TWICE_RATE**order)


def band_pass(order: int, edges_hz: tuple[float, float], *, sample_rate: float) -> NDArray[np.float64]:
    """Sections (order, 6) of a band-pass of even order on either side, edges under half the sample rate."""
    low, high = (_warped(edge, sample_rate) for edge in edges_hz)
    width, centre = high - low, math.sqrt(low * high)
    poles: list[complex] = []
    for pole in _prototype(order):
        middle = pole * width / 2.0
        away = cmath.sqrt(middle * middle - centre * centre)
        poles += [middle + away, middle - away]
    return _sections(poles, plus_pairs=order // 2, gain=(width * _TWICE_RATE) ** order)


def _warped(edge_hz: float, sample_rate: float) -> float:
    return _TWICE_RATE * math.tan(math.pi * edge_hz / sample_rate)


def _prototype(order: int) -> list[complex]:
    """Poles of the low-pass whose edge is 1, one of each conjugate pair."""
    return [-cmath.exp(1j * math.pi * turn / (2 * order)) for turn in range(1, order, 2)]


def _sections(poles: list[complex], *, plus_pairs: int, gain: float) -> NDArray[np.float64]:
    """Sections of analogue poles, one of each pair; zeros in pairs at z = 1, the others at z = −1.

    Poles nearest to the unit circle choose their zeros first, those nearest to them.
    """
    gain /= math.prod(abs(_TWICE_RATE - pole) ** 2 for pole in poles)
    placed = [(_TWICE_RATE + pole) / (_TWICE_RATE - pole) for pole in poles]
    placed.sort(key=lambda pole: 1.0 - abs(pole))
    minus_pairs = len(placed) - plus_pairs
    found = []
    for pole in placed:
        at_plus = plus_pairs > 0 and (pole.real > 0.0 or minus_pairs == 0)
        plus_pairs, minus_pairs = plus_pairs - at_plus, minus_pairs - (not at_plus)
        zero = 1.0 if at_plus else -1.0
        found.append([1.0, -2.0 * zero, 1.0, 1.0, -2.0 * pole.real, abs(pole) ** 2])
    sections = np.array(found[::-1])
    sections[0, :3] *= gain
    return sections
