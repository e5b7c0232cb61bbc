"""What walls and air take from sound in a synthetic room.

Conventions
-----------
Losses are in nepers of *energy*: −ln(1 − α) per hit of a surface, m per metre of air. Octaves go by their
nominal centres and stand at exact mid-bands. Where a file gives reverberation times, all surfaces are alike
and absorb what Eyring's equation leaves for them. Where it gives materials, `decay_scale` divides every loss
of reflected sound, that of the air too; the direct sound keeps the air's own.

Between octaves
---------------
Times, or the coefficients of materials, are smooth curves over the logarithm of frequency, monotone between
the octaves. Beyond 63 Hz and 8 kHz walls take what they take there, and air what it takes at each frequency,
so a decay time falls above 8 kHz as 13.8 / (c m + walls).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.bands import exact_mid_band
from roomplan.acoustics.room_formulas import DECAY_RATE, ENERGY_DB, air_attenuation, eyring_absorption
from roomplan.frozen_classes import frozen_class
from roomplan.rooms.smooth_curves import monotone_curve
from roomplan.rooms.spec import BAND_CENTRES_HZ, SURFACES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from roomplan.rooms.spec import RoomSpecification

    Array = NDArray[np.float64]

__all__ = [
    "ALL_CENTRES_HZ",
    "Losses",
    "LossesOverFrequency",
    "air_db_per_m",
    "decay_rates",
    "decay_stretch",
    "losses_at",
    "panel_losses_at",
    "scattering_losses",
    "wall_losses",
]

ALL_CENTRES_HZ: tuple[int, ...] = (*BAND_CENTRES_HZ, 16_000)

MOST_ABSORPTION = 0.9999  # an open window: ln 0 is no loss a computer can add up
LEAST_MIRRORED = 1e-12  # of the energy, where a surface scatters all of it: likewise

# How much steeper the times may run into 63 Hz and 8 kHz than between the last two octaves, to meet the slope
# that air gives beyond: three times would still be monotone, but would gather the octave's fall at its end.
STEEPEST_END = 1.5
_SLOPE_STEP = 0.01  # in ln f, over which the slope beyond is taken


@frozen_class
class Losses:
    """Losses of reflected sound by band.

    `by_surface` (6,) in nepers of energy per hit, `air_per_m` in nepers of energy per metre.
    """

    by_surface: Mapping[int, Array]
    air_per_m: Mapping[int, float]


@frozen_class
class LossesOverFrequency:
    """Losses of reflected sound at frequencies.

    `by_surface` (frequencies, 6) in nepers of energy per hit, `air_per_m` (frequencies,) in nepers of energy
    per metre.
    """

    by_surface: Array
    air_per_m: Array


def air_db_per_m(spec: RoomSpecification, frequencies_hz: Array) -> Array:
    """Attenuation of the room's air in dB per metre (ISO 9613-1)."""
    return air_attenuation(
        frequencies_hz, temperature_c=spec.temperature_c, humidity_percent=spec.humidity_percent
    )


def decay_stretch(spec: RoomSpecification) -> float:
    """What losses of reflected sound are divided by; 1 where a file gives times, which have it in them."""
    return 1.0 if spec.absorption is None else spec.decay_scale


def scattering_losses(spec: RoomSpecification) -> Array:
    """What scattering takes from mirrored sound, (6,), in nepers of energy per hit."""
    mirrored = 1.0 - np.array([spec.scattering[name] for name in SURFACES])
    return -np.log(np.maximum(mirrored, LEAST_MIRRORED))


def decay_rates(spec: RoomSpecification, frequencies_hz: Array) -> Array:
    """Rates of energy, in 1/s, of the reverberation times that a file asks for, at frequencies above 0."""
    mids = np.log(_mid_bands())
    times = np.log([spec.reverberation_time_s[centre] for centre in BAND_CENTRES_HZ])
    at = np.log(frequencies_hz)
    inside = np.clip(at, mids[0], mids[-1])
    # Beyond the first and the last octave only the air's share changes.
    edges = np.array([mids[0], mids[0] - _SLOPE_STEP, mids[-1], mids[-1] + _SLOPE_STEP])
    air = _air_rates(spec, np.exp(edges))
    at_edges = DECAY_RATE / np.exp(times[[0, -1]])
    beyond = at_edges + np.array([air[1] - air[0], air[3] - air[2]])
    slopes = np.log(at_edges / beyond) / np.array([-_SLOPE_STEP, _SLOPE_STEP])
    pieces = (np.diff(times) / np.diff(mids))[[0, -1]]
    ends = [_towards(slope, piece) for slope, piece in zip(slopes.tolist(), pieces.tolist(), strict=True)]
    rates = DECAY_RATE * np.exp(-monotone_curve(mids, times, inside, end_slopes=(ends[0], ends[1])))
    return rates + _air_rates(spec, frequencies_hz) - _air_rates(spec, np.exp(inside))


def losses_at(spec: RoomSpecification, frequencies_hz: Array) -> LossesOverFrequency:
    """Losses of a room at frequencies above 0, shape (frequencies,)."""
    air_db = air_db_per_m(spec, frequencies_hz)
    stretch = decay_stretch(spec)
    if spec.absorption is None:
        mean = eyring_absorption(
            spec.volume_m3,
            spec.surface_m2,
            DECAY_RATE / decay_rates(spec, frequencies_hz),
            air_db_per_m=air_db,
            sound_speed=spec.sound_speed,
        )
        coefficients = np.repeat(mean[:, None], len(SURFACES), axis=1)
    else:
        ordered = {name: spec.absorption[name] for name in SURFACES}
        coefficients = _absorption_at(ordered, frequencies_hz)
    walls = -np.log1p(-np.clip(coefficients, 0.0, MOST_ABSORPTION))
    return LossesOverFrequency(walls / stretch, air_db / ENERGY_DB / stretch)


def panel_losses_at(spec: RoomSpecification, frequencies_hz: Array) -> Array:
    """Losses per hit of a room's panels at frequencies above 0, (frequencies, panels), nepers of energy."""
    coefficients = _absorption_at({panel.name: panel.absorption for panel in spec.panels}, frequencies_hz)
    return -np.log1p(-np.clip(coefficients, 0.0, MOST_ABSORPTION)) / decay_stretch(spec)


def _absorption_at(absorption: Mapping[str, Mapping[int, float]], frequencies_hz: Array) -> Array:
    """Coefficients of surfaces between their octaves, (frequencies, surfaces)."""
    mids, at = np.log(_mid_bands()), np.log(frequencies_hz)
    octaves = [np.array([of[centre] for centre in BAND_CENTRES_HZ]) for of in absorption.values()]
    curves = [monotone_curve(mids, given, at, end_slopes=(0.0, 0.0)) for given in octaves]
    return np.stack(curves, axis=1) if curves else np.zeros((len(at), 0))


def wall_losses(spec: RoomSpecification) -> Losses:
    """Losses of a room in every octave from 63 Hz to 16 kHz."""
    found = losses_at(spec, np.array([exact_mid_band(centre) for centre in ALL_CENTRES_HZ]))
    return Losses(
        dict(zip(ALL_CENTRES_HZ, found.by_surface, strict=True)),
        dict(zip(ALL_CENTRES_HZ, found.air_per_m.tolist(), strict=True)),
    )


def _mid_bands() -> Array:
    return np.array([exact_mid_band(centre) for centre in BAND_CENTRES_HZ])


def _air_rates(spec: RoomSpecification, frequencies_hz: Array) -> Array:
    return air_db_per_m(spec, frequencies_hz) / ENERGY_DB * spec.sound_speed


def _towards(slope: float, piece: float) -> float:
    """Slope at an end that keeps its piece monotone, and its fall spread."""
    limits = sorted((0.0, STEEPEST_END * piece))
    return float(np.clip(slope, limits[0], limits[1]))
