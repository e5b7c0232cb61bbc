"""How much of the diffuse field comes from directions instead, so that the energy stays what theory says.

Conventions
-----------
Energies and times as in `roomplan.rooms.late_field`. The middle of the set-up is heard there by an
omnidirectional microphone.

How
---
The model of `roomplan.rooms.field` knows how much energy a room holds at each moment, on average over its
seats, and how much of it is mirrored by the box. What one seat gets from scattering surfaces, from bodies and
from panels is taken off the rest of the same time, up to 80 ms after the direct sound; what panels hide, and
what the model has ahead of the first reflection, is given to it. Each frequency has one factor. Points
scatter no more than the rest can pay for.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from roomplan.rooms.diffuse import TOP_HZ
from roomplan.rooms.images import energies_of, image_sources, with_panels
from roomplan.rooms.late_field import LOWEST_HZ
from roomplan.rooms.narrow_bands import band_centres
from roomplan.rooms.scattered import scattered_energy

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from roomplan.rooms.early import EarlyField
    from roomplan.rooms.late_field import LateField
    from roomplan.rooms.scattered import ScatteredPoints
    from roomplan.rooms.spec import RoomSpecification

    Array = NDArray[np.float64]

__all__ = ["HandOver", "hand_over"]

MOST = 0.85  # of the diffuse field's early energy that may come from directions
MOMENTS = 400
AHEAD = 50  # moments between the direct sound and the first reflection
MID_HZ = (355.0, 1413.0)  # the 500 and 1000 Hz octaves


@dataclass(frozen=True, slots=True)
class HandOver:
    """What is taken off the diffuse field while images are heard.

    Attributes
    ----------
    scale : float
        Of the energy of scattered points, at most 1.
    taken : ndarray, shape (bands,)
        Share of the diffuse field; below 0 where panels hide more than comes from directions.
    """

    scale: float
    taken: Array


def hand_over(
    spec: RoomSpecification,
    scattered: list[ScatteredPoints],
    sources: Array,
    middle: Array,
    early: EarlyField,
    field: LateField,
) -> HandOver:
    """Shares of a seat, the mean over its sources, (sources, 3)."""
    frequencies = np.maximum(band_centres(TOP_HZ), LOWEST_HZ)
    first_s = early.origin_s + float(np.min(early.first_reflection_s))
    emitted = np.linspace(first_s, early.fades_s[1], MOMENTS)
    window, paying = early.window(emitted), early.scattered_window(emitted)
    heard = early.scattered
    step = emitted[1] - emitted[0]
    there = np.array(
        [
            early.density * step * np.sum(field.left_over(band, emitted, window) * paying)
            for band in range(len(frequencies))
        ]
    )
    there = np.maximum(there, 1e-300)
    # The model begins with the direct sound; nothing is heard ahead of the first reflection.
    ahead = np.linspace(early.direct_s, max(first_s, early.direct_s), AHEAD)
    not_heard = np.array(
        [
            early.density * (ahead[1] - ahead[0]) * np.sum(field.left_over(band, ahead, early.window(ahead)))
            for band in range(len(frequencies))
        ]
    )
    points = np.mean(
        [scattered_energy(spec, one, middle, frequencies, heard) for one in scattered],
        axis=0,
    )
    panels = np.mean([_of_panels(spec, source, middle, frequencies, early) for source in sources], axis=0)
    panels -= not_heard
    mid = (frequencies > MID_HZ[0]) & (frequencies < MID_HZ[1])
    payable = MOST * np.sum(there[mid]) - np.sum(panels[mid])
    scale = float(np.clip(payable / max(float(np.sum(points[mid])), 1e-300), 0.0, 1.0))
    return HandOver(scale, np.clip((scale * points + panels) / there, -1.0, MOST))


def _of_panels(
    spec: RoomSpecification, source: Array, middle: Array, frequencies: Array, early: EarlyField
) -> Array:
    """Energy that panels send, less what they hide, (frequencies,)."""
    if not spec.panels:
        return np.zeros(len(frequencies))
    reach_m = early.fades_s[1] * spec.sound_speed
    box = image_sources(spec.dimensions_m, source, middle, reach_m)
    both = with_panels(spec, box, middle, reach_m=reach_m)
    found = []
    for images in (both, box):
        ways_s = np.linalg.norm(images.positions_m - middle, axis=1) / spec.sound_speed
        shares = np.where(np.arange(len(ways_s)) == 0, 1.0, early.window(ways_s))
        found.append(energies_of(spec, images, middle, frequencies) @ shares)
    return found[0] - found[1]
