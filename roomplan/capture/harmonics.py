"""Harmonics of the chain, which a sweep puts ahead of the response: their level, and their tail in it.

Conventions
-----------
Responses are (channels, frames) with negative times at the end. Harmonic k at time 0 - L ln k; its level is
relative to the fundamental at the same output frequencies, so the room and the microphone cancel.

Sources
-------
Farina, AES 108 (2000). Novak et al., JAES 63(10) (2015): the spectrum of the k-th response at an output
frequency is the k-th coefficient's share of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from roomplan.capture.sweep import Sweep

__all__ = ["ORDERS", "Harmonic", "harmonics_of"]

ORDERS = (2, 3, 4, 5)
_LONGEST_S = 0.17  # half of a window
_SHARE = 0.45  # of the time to the next harmonic
_INSIDE_BAND = 1.2  # edges of the band that are left out, as a ratio


@dataclass(frozen=True, slots=True)
class Harmonic:
    """Level of one harmonic in one channel, and what would be read where there is none."""

    channel: int
    order: int
    level_db: float
    floor_db: float


def harmonics_of(
    responses: NDArray[np.float64], direct: int, sweep: Sweep, clock: float
) -> tuple[Harmonic, ...]:
    """Levels of the harmonics in every channel; `direct` is the frame of the direct sound."""
    rate = sweep.rate * (1.0 + clock)
    found = []
    for order in ORDERS:
        if order * sweep.start_frequency * _INSIDE_BAND**2 >= sweep.end_frequency:
            break
        lead = sweep.harmonic_lead(order)
        apart = sweep.harmonic_lead(order + 1) - lead
        half = round(min(_LONGEST_S, _SHARE * apart) * rate)
        if half < 16:
            break
        at = direct - round(lead * rate)
        # what lies between this one and the next to come is noise, and that one's tail
        between = at - round(0.5 * apart * rate)
        lines = np.fft.rfftfreq(2 * half, 1.0 / sweep.rate)
        band = (lines > order * sweep.start_frequency * _INSIDE_BAND) & (
            lines < sweep.end_frequency / _INSIDE_BAND
        )
        linear, harmonic, floor = (_energy(responses, place, half, band) for place in (direct, at, between))
        for channel in range(len(responses)):
            own = max(harmonic[channel] - floor[channel], 1e-6 * harmonic[channel])
            found.append(
                Harmonic(channel, order, _db(own, linear[channel]), _db(floor[channel], linear[channel]))
            )
    return tuple(found)


def _energy(
    responses: NDArray[np.float64], centre: int, half: int, band: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Energy of every channel in a window round a frame, within a band."""
    places = np.arange(centre - half, centre + half) % responses.shape[1]
    spectrum = np.fft.rfft(responses[:, places] * np.hanning(2 * half))
    return np.sum(np.abs(spectrum[:, band]) ** 2, axis=1)


def _db(part: float, whole: float) -> float:
    return float(10.0 * np.log10(part / whole)) if part > 0.0 and whole > 0.0 else -np.inf
