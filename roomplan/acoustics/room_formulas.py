"""Closed formulas of room acoustics: air, decay from absorption, the field at a distance.

Conventions
-----------
SI units throughout: m, m², m³, s, Hz, °C, %. Absorption coefficients lie between 0 and 1. Attenuation is in
dB per metre, energies are relative to the direct sound at 10 m, as in the strength G (ISO 3382-1:2009,
A.2.1). Functions of frequency take and give arrays.

Symbols: V volume, S surface, T reverberation time, α absorption coefficient, c speed of sound, r distance,
m energy attenuation of air in 1/m.

Sources
-------
Air: ISO 9613-1:1993, formulae (3) to (6), at 101.325 kPa. Sabine, Eyring: textbook forms with the exact
constant 24 ln 10 / c. Revised theory: Barron and Lee, J. Acoust. Soc. Am. 84 (1988) 618. Mixing time:
Polack (1988) and Lindau et al. (2012), both read second-hand. Critical distance and Schroeder frequency:
textbook forms.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]

__all__ = [
    "DECAY_RATE",
    "ENERGY_DB",
    "REFERENCE_DISTANCE_M",
    "FieldEnergies",
    "air_attenuation",
    "critical_distance",
    "eyring_absorption",
    "eyring_reverberation_time",
    "mixing_time",
    "revised_theory",
    "sabine_reverberation_time",
    "schroeder_frequency",
    "speed_of_sound",
]

_NEPERS = 24.0 * math.log(10.0)  # of Sabine's equation: T = 24 ln 10 / c · V / A
DECAY_RATE = 6.0 * math.log(10.0)  # energy exp(−13.8 t/T) falls by 60 dB in T
ENERGY_DB = 10.0 * math.log10(math.e)  # dB per neper of energy
REFERENCE_DISTANCE_M = 10.0  # of the strength G (ISO 3382-1:2009, A.2.1)
EARLY_S = 0.08  # of C80 (ISO 3382-1:2009, A.2.3)


@frozen_class
class FieldEnergies:
    """Energies at a distance, the direct sound at 10 m being 1."""

    direct: float
    early: float
    late: float

    @property
    def strength_db(self) -> float:
        """Strength G in dB."""
        return 10.0 * math.log10(self.direct + self.early + self.late)

    @property
    def clarity_db(self) -> float:
        """Clarity C80 in dB."""
        return 10.0 * math.log10((self.direct + self.early) / self.late)

    @property
    def direct_to_reverberant_db(self) -> float:
        """Direct energy over all reflected energy in dB."""
        return 10.0 * math.log10(self.direct / (self.early + self.late))


def speed_of_sound(temperature_c: float) -> float:
    """Speed of sound in m/s at a temperature in °C (ISO 9613-1:1993, A.1: 343.2 m/s at 20 °C)."""
    return 343.2 * math.sqrt((temperature_c + 273.15) / 293.15)


def air_attenuation(frequencies_hz: Array, *, temperature_c: float, humidity_percent: float) -> Array:
    """Attenuation of a pure tone by air.

    Parameters
    ----------
    frequencies_hz : ndarray
        Any shape. The standard's tables are at exact, not nominal, mid-bands.
    temperature_c : float
        −20 to 50.
    humidity_percent : float
        Relative, 10 to 100.

    Returns
    -------
    ndarray
        dB per metre, at 101.325 kPa.

    Notes
    -----
    ISO 9613-1:1993, formulae (3) to (6), and Annex B for the molar concentration of water vapour.
    """
    kelvin = temperature_c + 273.15
    ratio = kelvin / 293.15
    saturation = 10.0 ** (-6.8346 * (273.16 / kelvin) ** 1.261 + 4.6151)
    vapour = humidity_percent * saturation  # molar concentration in %
    oxygen = 24.0 + 4.04e4 * vapour * (0.02 + vapour) / (0.391 + vapour)
    nitrogen = ratio**-0.5 * (9.0 + 280.0 * vapour * math.exp(-4.170 * (ratio ** (-1.0 / 3.0) - 1.0)))
    squared = np.square(frequencies_hz)
    molecular = 0.01275 * math.exp(-2239.1 / kelvin) * oxygen / (oxygen**2 + squared) + 0.1068 * math.exp(
        -3352.0 / kelvin
    ) * nitrogen / (nitrogen**2 + squared)
    return 8.686 * squared * (1.84e-11 * math.sqrt(ratio) + ratio**-2.5 * molecular)


def sabine_reverberation_time(volume_m3: float, absorption_area_m2: float, *, sound_speed: float) -> float:
    """Reverberation time in s by Sabine; `absorption_area_m2` includes 4 m V where air counts."""
    return _NEPERS / sound_speed * volume_m3 / absorption_area_m2


def eyring_reverberation_time(
    volume_m3: float,
    surface_m2: float,
    mean_absorption: float,
    *,
    air_db_per_m: float,
    sound_speed: float,
) -> float:
    """Reverberation time in s by Eyring, with air: infinite without any loss, 0 if all is absorbed."""
    if mean_absorption >= 1.0:
        return 0.0
    area = -surface_m2 * math.log1p(-mean_absorption) + 4.0 * volume_m3 * air_db_per_m / ENERGY_DB
    return math.inf if area <= 0.0 else _NEPERS / sound_speed * volume_m3 / area


def eyring_absorption(
    volume_m3: float,
    surface_m2: float,
    reverberation_time_s: ArrayLike,
    *,
    air_db_per_m: ArrayLike,
    sound_speed: float,
) -> Array:
    """Mean absorption coefficient that gives a reverberation time by Eyring.

    Parameters
    ----------
    reverberation_time_s, air_db_per_m : array_like
        Of one shape: over frequency, say.

    Returns
    -------
    ndarray of that shape

    Notes
    -----
    0 where air alone makes the decay as short or shorter.
    """
    area = _NEPERS / sound_speed * volume_m3 / np.asarray(reverberation_time_s)
    walls = area - 4.0 * volume_m3 * np.asarray(air_db_per_m) / ENERGY_DB
    return np.maximum(0.0, -np.expm1(-walls / surface_m2))


def revised_theory(
    volume_m3: float, reverberation_time_s: float, distance_m: float, *, sound_speed: float = 343.2
) -> FieldEnergies:
    """Direct, early (80 ms) and late energy at a distance from an omnidirectional source.

    Notes
    -----
    Barron and Lee (1988) with exact constants: 1600 π c / (24 ln 10) where they round to 31200, and 6 ln 10
    × 0.08 s where they round to 1.11. In halls, up to 40 m, no energy differs by more than 0.04 dB.
    """
    diffuse = 1600.0 * math.pi * sound_speed / _NEPERS * reverberation_time_s / volume_m3
    reflected = diffuse * math.exp(-DECAY_RATE * distance_m / (sound_speed * reverberation_time_s))
    late = reflected * math.exp(-DECAY_RATE * EARLY_S / reverberation_time_s)
    return FieldEnergies((REFERENCE_DISTANCE_M / distance_m) ** 2, reflected - late, late)


def mixing_time(volume_m3: float, surface_m2: float) -> float:
    """Time in s after the direct sound at which reflections have become a diffuse field.

    Notes
    -----
    √V in ms (Polack), but no less than 20 V/S + 12 ms, the mean of what listeners cannot tell apart (Lindau
    et al. 2012, fitted up to 8500 m³). Both read second-hand.
    """
    return max(math.sqrt(volume_m3), 20.0 * volume_m3 / surface_m2 + 12.0) / 1000.0


def critical_distance(volume_m3: float, reverberation_time_s: float, *, sound_speed: float = 343.2) -> float:
    """Distance in m at which direct and diffuse energy of an omnidirectional source are equal."""
    area = _NEPERS / sound_speed * volume_m3 / reverberation_time_s
    return math.sqrt(area / (16.0 * math.pi))


def schroeder_frequency(volume_m3: float, reverberation_time_s: float) -> float:
    """Frequency in Hz above which modes overlap enough for a statistical field: 2000 √(T/V)."""
    return 2000.0 * math.sqrt(reverberation_time_s / volume_m3)
