"""How the energy of a synthetic room decays, and which part of it is still mirrored by the walls.

Conventions
-----------
Time t counts from the sound's emission, in s. Energies are densities in time, 1 at t = 0: the mean of all
image sources of the room. A decay is a sum of exponentials, one per direction of travel and one for the
scattered field; all rates are in 1/s, of energy.

The model
---------
Sound that travels in a direction n = (nx, ny, nz) meets the walls of an axis of length L c|n|/L times a
second. Each hit takes the wall's loss and scatters its share out of the mirrored field. So in direction n the
mirrored energy is exp(−(a + q) t), a the rate of losses and q that of scattering; averaged over all
directions this is the mean energy of the image sources. What is scattered feeds a diffuse field that decays
with Eyring's rate k:

    diffuse(t) = q (exp(−(a + q) t) − exp(−k t)) / (k − a − q)

Without scattering unequal walls give bent decays, with much of it Eyring's straight one. Where a file gives
times, the whole field decays with them, and only the mirrored share comes from this model.

Sources
-------
Eyring: textbook form. The directional mean of the hits, S/4V, is that of the mean free path 4V/S (Kosten
1960, from memory). Scattering as a loss of the mirrored and a gain of the diffuse field: our own, checked
against image sources.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.bands import exact_mid_band
from roomplan.acoustics.room_formulas import ENERGY_DB
from roomplan.frozen_classes import frozen_class
from roomplan.rooms.walls import ALL_CENTRES_HZ, decay_rates, losses_at, scattering_losses

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from roomplan.rooms.spec import RoomSpecification

    Array = NDArray[np.float64]

__all__ = [
    "EnergyField",
    "FieldDecay",
    "decay_times_of_materials",
    "expected_t30",
    "expected_t30_at",
    "field_at",
    "field_of",
    "fitted_t30",
]

POLAR, AZIMUTHS = 16, 16  # directions of an octant: times come out within 0.1 % of four times as many


@frozen_class
class FieldDecay:
    """Energy over time of one band: Σ weights · exp(−rates · t)."""

    weights: Array
    rates: Array

    def at(self, times_s: Array) -> Array:
        """Energy density, 1 at the time 0."""
        return np.exp(-np.multiply.outer(times_s, self.rates)) @ self.weights

    def remaining(self, times_s: Array) -> Array:
        """Energy still to come, the integral of `at`: the decay curve."""
        return np.exp(-np.multiply.outer(times_s, self.rates)) @ (self.weights / self.rates)


@frozen_class
class EnergyField:
    """Decay of a room by band, and the share of its energy that is still mirrored.

    Attributes
    ----------
    decays : mapping of int to FieldDecay
        Octave centre, 63 to 16 000 Hz, → decay.
    mirrored : mapping of int to FieldDecay
        The part of it that image sources hold; the rest is scattered.
    """

    decays: Mapping[int, FieldDecay]
    mirrored: Mapping[int, FieldDecay]


def field_of(spec: RoomSpecification) -> EnergyField:
    """Energy of a room over time at the mid-bands of its octaves."""
    decays, mirrored = field_at(spec, np.array([exact_mid_band(centre) for centre in ALL_CENTRES_HZ]))
    return EnergyField(
        dict(zip(ALL_CENTRES_HZ, decays, strict=True)), dict(zip(ALL_CENTRES_HZ, mirrored, strict=True))
    )


def field_at(
    spec: RoomSpecification, frequencies_hz: Array
) -> tuple[tuple[FieldDecay, ...], tuple[FieldDecay, ...]]:
    """Decay of a room at each of some frequencies above 0, and the part of it that image sources hold."""
    scattered = _rates(spec, scattering_losses(spec))
    weights = _octant()[1]
    if spec.absorption is None:
        rates = decay_rates(spec, frequencies_hz)
        return (
            tuple(FieldDecay(np.ones(1), np.array([rate])) for rate in rates),
            tuple(FieldDecay(weights, scattered + rate) for rate in rates),
        )
    losses = losses_at(spec, frequencies_hz)
    decays, mirrored = [], []
    for by_surface, air_per_m in zip(losses.by_surface, losses.air_per_m, strict=True):
        air = air_per_m * spec.sound_speed
        gone = _rates(spec, by_surface) + scattered
        diffuse = _eyring_rate(spec, by_surface)
        # A direction that decays just like the diffuse field: the closed form's limit, near enough.
        apart = np.where(
            np.abs(diffuse - gone) < 1e-6 * diffuse + 1e-9, 1e-6 * diffuse + 1e-9, diffuse - gone
        )
        fed = weights * scattered / apart
        decays.append(FieldDecay(np.append(weights + fed, -np.sum(fed)), np.append(gone, diffuse) + air))
        mirrored.append(FieldDecay(weights, gone + air))
    return tuple(decays), tuple(mirrored)


def decay_times_of_materials(spec: RoomSpecification) -> dict[int, float]:
    """T30 of every octave from 63 Hz to 8 kHz that a room's materials give, in s."""
    decays = field_of(spec).decays
    return {centre: expected_t30(decays[centre]) for centre in spec.reverberation_time_s}


def expected_t30(decay: FieldDecay) -> float:
    """T30 of a decay (ISO 3382-1: −5 to −35 dB, least squares) in s."""
    slowest = float(np.min(decay.rates[np.abs(decay.weights) > 1e-9]))
    clock, level = _curve(decay, 40.0 / ENERGY_DB / slowest)
    for _turn in range(2):  # to where it is 36 dB down: a second decay may be far slower than the first
        beyond = np.flatnonzero(level < -36.0)
        clock, level = _curve(decay, float(clock[beyond[0]] if len(beyond) else clock[-1]))
    return fitted_t30(clock, 10.0 ** (level / 10.0))


def expected_t30_at(spec: RoomSpecification, frequencies_hz: Array) -> Array:
    """T30 of a room in s at each of some frequencies above 0."""
    return np.array([expected_t30(decay) for decay in field_at(spec, frequencies_hz)[0]])


def fitted_t30(times_s: Array, to_come: Array) -> float:
    """T30 in s of energies still to come at evenly spaced times from 0 on."""
    level = 10.0 * np.log10(np.maximum(to_come / to_come[0], 1e-300))
    inside = (level <= -5.0) & (level >= -35.0)
    away = times_s[inside] - np.mean(times_s[inside])
    return -60.0 * float(np.sum(away * away) / np.sum(away * level[inside]))


def _curve(decay: FieldDecay, end_s: float) -> tuple[Array, Array]:
    """Times and levels in dB of a decay curve from 0 to an end."""
    clock = np.linspace(0.0, end_s, 400)
    level = 10.0 * np.log10(np.maximum(decay.remaining(clock), 1e-300))
    return clock, level - level[0]


def _octant() -> tuple[Array, Array]:
    """Directions of an octant (directions, 3) and their weights, which add up to 1."""
    nodes, weights = np.polynomial.legendre.leggauss(POLAR)
    up, up_weights = (nodes + 1.0) / 2.0, weights / 2.0
    nodes, weights = np.polynomial.legendre.leggauss(AZIMUTHS)
    azimuth, azimuth_weights = (nodes + 1.0) * (math.pi / 4.0), weights / 2.0
    flat = np.sqrt(1.0 - up * up)
    directions = np.stack(
        [
            np.outer(flat, np.cos(azimuth)).ravel(),
            np.outer(flat, np.sin(azimuth)).ravel(),
            np.outer(up, np.ones(AZIMUTHS)).ravel(),
        ],
        axis=1,
    )
    return directions, np.outer(up_weights, azimuth_weights).ravel()


def _rates(spec: RoomSpecification, by_surface: Array) -> Array:
    """Rate at which a loss per hit takes energy from each direction, in 1/s."""
    directions, _weights = _octant()
    pairs = (by_surface[0::2] + by_surface[1::2]) / 2.0
    return spec.sound_speed * directions @ (pairs / np.array(spec.dimensions_m))


def _eyring_rate(spec: RoomSpecification, by_surface: Array) -> float:
    """Rate of the diffuse field: Eyring, from the mean coefficient over the surfaces."""
    mean = float(np.average(-np.expm1(-by_surface), weights=spec.areas_m2))
    return -spec.sound_speed * spec.surface_m2 / (4.0 * spec.volume_m3) * math.log1p(-mean)
