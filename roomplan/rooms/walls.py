"""What walls and air take from sound in a synthetic room.

Conventions
-----------
Losses are in nepers of *energy*: −ln(1 − α) per hit of a surface, m per metre of air. Bands go by their
nominal octave centres; air is taken at exact mid-bands. Where a file gives reverberation times, all surfaces
are alike and absorb what Eyring's equation leaves for them. Where it gives materials, `decay_scale` divides
every loss of reflected sound, that of the air too; the direct sound keeps the air's own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.bands import exact_mid_band
from roomplan.acoustics.room_formulas import ENERGY_DB, air_attenuation, eyring_absorption
from roomplan.rooms.spec import BAND_CENTRES_HZ, SURFACES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from roomplan.rooms.spec import RoomSpecification

    Array = NDArray[np.float64]

__all__ = [
    "ALL_CENTRES_HZ",
    "Losses",
    "air_db_per_m",
    "all_times",
    "decay_stretch",
    "scattering_losses",
    "wall_losses",
]

ALL_CENTRES_HZ: tuple[int, ...] = (*BAND_CENTRES_HZ, 16_000)

MOST_ABSORPTION = 0.9999  # an open window: ln 0 is no loss a computer can add up
LEAST_MIRRORED = 1e-12  # of the energy, where a surface scatters all of it: likewise


@dataclass(frozen=True, slots=True)
class Losses:
    """Losses of reflected sound by band.

    `by_surface` (6,) in nepers of energy per hit, `air_per_m` in nepers of energy per metre.
    """

    by_surface: Mapping[int, Array]
    air_per_m: Mapping[int, float]


def air_db_per_m(spec: RoomSpecification, frequencies_hz: Array) -> Array:
    """Attenuation of the room's air in dB per metre (ISO 9613-1)."""
    return air_attenuation(
        frequencies_hz, temperature_c=spec.temperature_c, humidity_percent=spec.humidity_percent
    )


def all_times(spec: RoomSpecification) -> dict[int, float]:
    """Reverberation times with the 16 kHz octave, which a file does not give: 8 kHz and the air's extra."""
    below, above = air_db_per_m(spec, np.array([exact_mid_band(8000), exact_mid_band(16_000)])).tolist()
    top = 60.0 / (60.0 / spec.reverberation_time_s[8000] + (above - below) * spec.sound_speed)
    return {**spec.reverberation_time_s, 16_000: top}


def decay_stretch(spec: RoomSpecification) -> float:
    """What losses of reflected sound are divided by; 1 where a file gives times, which have it in them."""
    return 1.0 if spec.absorption is None else spec.decay_scale


def scattering_losses(spec: RoomSpecification) -> Array:
    """What scattering takes from mirrored sound, (6,), in nepers of energy per hit."""
    mirrored = 1.0 - np.array([spec.scattering[name] for name in SURFACES])
    return -np.log(np.maximum(mirrored, LEAST_MIRRORED))


def wall_losses(spec: RoomSpecification) -> Losses:
    """Losses of a room in every octave from 63 Hz to 16 kHz; walls take at 16 kHz what they take at 8 kHz."""
    exact = np.array([exact_mid_band(centre) for centre in ALL_CENTRES_HZ])
    air = dict(zip(ALL_CENTRES_HZ, (air_db_per_m(spec, exact) / ENERGY_DB).tolist(), strict=True))
    stretch = decay_stretch(spec)
    walls = {}
    for centre in BAND_CENTRES_HZ:
        if spec.absorption is None:
            mean = eyring_absorption(
                spec.volume_m3,
                spec.surface_m2,
                spec.reverberation_time_s[centre],
                air_db_per_m=air[centre] * ENERGY_DB,
                sound_speed=spec.sound_speed,
            )
            coefficients = np.full(len(SURFACES), mean)
        else:
            coefficients = np.array([spec.absorption[name][centre] for name in SURFACES])
        walls[centre] = -np.log1p(-np.minimum(coefficients, MOST_ABSORPTION)) / stretch
    walls[16_000] = walls[8000]
    return Losses(walls, {centre: loss / stretch for centre, loss in air.items()})
