"""What surfaces and bodies scatter once, from where they are: many small arrivals spread over time.

Conventions
-----------
Points and times as in `roomplan.rooms.early`; amplitude 1.0 is the direct sound at 10 m. Energies are those
of an omnidirectional microphone in the middle of the set-up.

How
---
Points of the surfaces are met by rays that leave the source, and the middle of the set-up, evenly in all
directions. A surface element dA scatters by Lambert's law, so with the direct sound 100/r² it brings

    dE = 100 · s · (1 − α) · cos θ₁ cos θ₂ / (π r₁² r₂²) · dA

(s scattered, α absorbed, r₁ and r₂ the ways to source and microphone, θ from the normal). Each point stands
for the area that both kinds of rays together leave it, so none of them is loud. A small body of surface A
meets the sound with A/4 and sends it to all sides:

    E = 100 · (A/4) / (4π r₁² r₂²)

Points have random signs, the same at every microphone: arrivals add by their energies and come from where
they are. What has been scattered more than once is in the diffuse field.

Sources
-------
Lambert's law and its use for diffuse reflections: Kuttruff, Room Acoustics (from memory). Mean cross-section
of a convex body, a quarter of its surface: Cauchy (from memory). Both kinds of rays: the balance heuristic of
Veach and Guibas, SIGGRAPH 1995 (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.room_formulas import ENERGY_DB, REFERENCE_DISTANCE_M
from roomplan.rooms.coherence import CENTRE_GAIN, microphone_aims
from roomplan.rooms.early import LOWEST_HZ
from roomplan.rooms.geometry import PATTERNS
from roomplan.rooms.minimum_phase import minimum_phase
from roomplan.rooms.panels import first_met, panel_axes
from roomplan.rooms.spec import SURFACES
from roomplan.rooms.walls import air_db_per_m, decay_stretch, losses_at, panel_losses_at

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from roomplan.rooms.spec import MicrophoneSetup, RoomSpecification, Scatterers

    Array = NDArray[np.float64]
    Spectrum = NDArray[np.complex128]
    Points = tuple[Array, Array, Array, Array, NDArray[np.int64]]

__all__ = ["ScatteredPoints", "scattered_energy", "scattered_points", "scattered_sound"]

RAYS = 1024  # from the source, and as many from the set-up
BODIES = 256  # that the area of one entry is shared among
NEAREST_M = 0.5  # what is nearer to a source or a microphone counts as if it were here

# Air at ways between these is a straight line between amplitudes; the error stays under 0.2 dB while air
# takes under 4 dB from one to the next.
AIR_NODES_M = (0.0, 12.0, 24.0, 48.0, 96.0, 192.0, 384.0, 768.0)
FINE = 4  # points of a grid on which arrivals fall, to a sample


@dataclass(frozen=True, slots=True)
class ScatteredPoints:
    """Points that scatter the sound of one source.

    Attributes
    ----------
    points_m : ndarray, shape (points, 3)
    normals : ndarray, shape (points, 3)
        Of the surface, towards the source; zero for bodies, which send to all sides.
    ways_m : ndarray, shape (points,)
        From the source.
    strengths : ndarray, shape (points,)
        Energy at a metre from the point along its normal, nothing absorbed.
    signs : ndarray, shape (points,)
    surface : ndarray of int, shape (points,)
        Index in `SURFACES`, behind them in the room's panels; −1 for bodies, which absorb nothing.
    """

    points_m: Array
    normals: Array
    ways_m: Array
    strengths: Array
    signs: Array
    surface: NDArray[np.int64]

    def at(self, microphone: Array) -> tuple[Array, Array]:
        """Energies at an omnidirectional microphone, nothing absorbed, and the ways to it."""
        towards = microphone - self.points_m
        ways = np.linalg.norm(towards, axis=1)
        cosine = np.einsum("ij,ij->i", towards, self.normals) / np.maximum(ways, 1e-9)
        sent = np.where(self.surface < 0, 1.0, np.maximum(cosine, 0.0))
        return self.strengths * sent / np.maximum(ways, NEAREST_M) ** 2, self.ways_m + ways


def scattered_points(
    spec: RoomSpecification, source: Array, middle: Array, generator: np.random.Generator
) -> ScatteredPoints:
    """Points that scatter a source's sound on its way to a set-up around a point."""
    parts = [_of_surfaces(spec, source, middle, generator)]
    parts += [_of_bodies(bodies, source, generator) for bodies in spec.scatterers]
    points, normals, ways, strengths, surface = (np.concatenate(part) for part in zip(*parts, strict=True))
    signs = generator.choice([-1.0, 1.0], size=len(points))
    heard = strengths > 0.0
    for end in (source, middle):  # what panels hide; a point of a panel is met there or not at all
        heard &= _seen(spec, end, points)
    return ScatteredPoints(
        points[heard], normals[heard], ways[heard], strengths[heard], signs[heard], surface[heard]
    )


def scattered_energy(
    spec: RoomSpecification,
    points: ScatteredPoints,
    middle: Array,
    frequencies_hz: Array,
    window: Callable[[Array], Array],
) -> Array:
    """Energy that comes from the points at frequencies above 0, with the window's share, (frequencies,)."""
    energies, ways = points.at(middle)
    energies = energies * window(ways / spec.sound_speed)
    walls = _losses(spec, frequencies_hz)[:, points.surface]
    air = air_db_per_m(spec, frequencies_hz) / ENERGY_DB / decay_stretch(spec)
    return np.exp(-walls - np.multiply.outer(air, ways)) @ energies


def scattered_sound(
    spec: RoomSpecification,
    setup: MicrophoneSetup,
    sources: list[ScatteredPoints],
    window: Callable[[Array], Array],
    *,
    origin_s: float,
    frames: int,
    sample_rate: int,
) -> Spectrum:
    """Spectra of what comes from the points of each source, (channels, lines) of so many frames.

    Parameters
    ----------
    window : callable
        Share of the energy that is heard at times after emission.
    origin_s : float
        Time of frame 0 after emission.
    """
    lines = np.arange(frames // 2 + 1, dtype=np.float64) * (sample_rate / frames)
    audible = np.maximum(lines, LOWEST_HZ)
    walls = minimum_phase(-0.5 * _losses(spec, audible).T, frames)
    air = -0.5 / ENERGY_DB / decay_stretch(spec) * air_db_per_m(spec, lines)
    by_air = np.exp(np.multiply.outer(AIR_NODES_M, minimum_phase(air[None, :], frames)[0]))
    # Straight lines between the points of the fine grid are triangles, and these a low-pass.
    even = 1.0 / np.sinc(lines / (FINE * sample_rate)) ** 2
    kinds, of_surface = _alike(walls)
    aims = microphone_aims(setup.aims_deg, setup.tilts_deg)
    omni = PATTERNS[setup.pattern]
    found = np.zeros((len(sources) * setup.outputs, len(lines)), dtype=complex)
    for s, points in enumerate(sources):
        kind = of_surface[points.surface]
        for m, microphone in enumerate(np.array(setup.positions_m)):
            energies, ways = points.at(microphone)
            towards = points.points_m - microphone
            cosine = (towards @ aims[m]) / np.maximum(np.linalg.norm(towards, axis=1), 1e-9)
            amplitudes = points.signs * np.sqrt(energies * window(ways / spec.sound_speed))
            amplitudes *= omni + (1.0 - omni) * cosine
            at = (ways / spec.sound_speed - origin_s) * (FINE * sample_rate)
            heard = np.zeros(len(lines), dtype=complex)
            for index, row in enumerate(kinds):
                chosen = (kind == index) & (at >= 0.0) & (amplitudes != 0.0)
                pulses = _pulses(amplitudes[chosen], at[chosen], ways[chosen], FINE * frames)
                heard += np.exp(walls[row]) * np.sum(pulses[:, : len(lines)] * by_air[: len(pulses)], axis=0)
            sides, share = ([m], 1.0) if m < 2 else ([0, 1], CENTRE_GAIN)
            for side in sides:
                found[s * setup.outputs + side] += share * even * heard
    return found


def _pulses(amplitudes: Array, at: Array, ways_m: Array, frames: int) -> Spectrum:
    """Spectra of pulses on a grid, (air nodes, lines); a pulse is shared by its neighbours in both."""
    nodes = np.array(AIR_NODES_M)
    last = max(2, int(np.searchsorted(nodes, np.max(ways_m, initial=0.0))) + 1)
    node = np.clip(np.searchsorted(nodes, ways_m, side="right") - 1, 0, last - 2)
    further = np.clip((ways_m - nodes[node]) / (nodes[node + 1] - nodes[node]), 0.0, 1.0)
    frame = np.minimum(at.astype(np.int64), frames - 2)
    later = np.minimum(at - frame, 1.0)
    grid = np.zeros(last * frames)
    for step, in_air in ((0, 1.0 - further), (1, further)):
        for tick, in_time in ((0, 1.0 - later), (1, later)):
            places = (node + step) * frames + frame + tick
            grid += np.bincount(places, amplitudes * in_air * in_time, minlength=len(grid))
    return np.fft.rfft(grid.reshape(last, frames), axis=1)


def _alike(walls: Spectrum) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows that differ, and for every row which of them it is."""
    _rows, first, which = np.unique(walls[:, ::64], axis=0, return_index=True, return_inverse=True)
    return first, which.ravel()


def _losses(spec: RoomSpecification, frequencies_hz: Array) -> Array:
    """Losses of walls, panels and bodies, (frequencies, surfaces), in nepers of energy; bodies are last."""
    walls = losses_at(spec, frequencies_hz).by_surface
    panels = panel_losses_at(spec, frequencies_hz)
    return np.concatenate([walls, panels, np.zeros((len(walls), 1))], axis=1)


def _of_surfaces(
    spec: RoomSpecification, source: Array, middle: Array, generator: np.random.Generator
) -> Points:
    met = [_met_by_rays(spec, end, generator) for end in (source, middle)]
    points, normals, surface = (np.concatenate(part) for part in zip(*met, strict=True))
    panel = surface >= len(SURFACES)
    facing = np.einsum("ij,ij->i", source - points, normals)
    normals[panel & (facing < 0.0)] *= -1.0  # both faces scatter: the one that the source sees
    densities, sides = [], []
    for end in (source, middle):
        ways = np.maximum(np.linalg.norm(end - points, axis=1), 1e-6)
        cosine = np.maximum(np.einsum("ij,ij->i", end - points, normals) / ways, 0.0)
        densities.append(RAYS * cosine / (4.0 * math.pi * ways**2))
        sides.append((ways, cosine))
    ways, cosine = sides[0]
    shares = np.array([spec.scattering[name] for name in SURFACES] + [one.scattering for one in spec.panels])
    strength = shares[surface] * cosine * REFERENCE_DISTANCE_M**2 / (math.pi * ways**2)
    return points, normals, ways, strength / np.maximum(densities[0] + densities[1], 1e-12), surface


def _met_by_rays(
    spec: RoomSpecification, start: Array, generator: np.random.Generator
) -> tuple[Array, Array, NDArray[np.int64]]:
    """Where rays in all directions first meet a surface, its normal and its index."""
    height = 1.0 - 2.0 * (np.arange(RAYS) + generator.uniform(size=RAYS)) / RAYS
    azimuth = 2.0 * math.pi * (np.arange(RAYS) * (math.sqrt(5.0) - 1.0) / 2.0 + generator.uniform())
    flat = np.sqrt(1.0 - height**2)
    directions = np.stack([flat * np.cos(azimuth), flat * np.sin(azimuth), height], axis=1)
    length, width, top = spec.dimensions_m
    low, high = np.array([0.0, -width / 2.0, 0.0]), np.array([length, width / 2.0, top])
    upwards = directions > 0.0
    reach = (np.where(upwards, high, low) - start) / np.where(directions == 0.0, 1e-30, directions)
    axis = np.argmin(reach, axis=1)
    rows = np.arange(RAYS)
    ends = start + np.min(reach, axis=1)[:, None] * directions
    normals = np.zeros((RAYS, 3))
    normals[rows, axis] = np.where(upwards[rows, axis], -1.0, 1.0)
    surface = 2 * axis + upwards[rows, axis]
    which, points = first_met(spec.panels, start, ends)
    for index, panel in enumerate(spec.panels):
        normals[which == index] = panel_axes(panel)[2]
    return points, normals, np.where(which >= 0, len(SURFACES) + which, surface)


def _of_bodies(bodies: Scatterers, source: Array, generator: np.random.Generator) -> Points:
    x, across, z = (
        low + (high - low) * generator.uniform(size=BODIES)
        for low, high in (
            (bodies.from_m, bodies.to_m),
            (-1.0, 1.0),
            bodies.heights_m,
        )
    )
    y = np.sign(across) * (bodies.clear_m + np.abs(across) * (bodies.width_m - bodies.clear_m)) / 2.0
    points = np.stack([x, y, z], axis=1)
    ways = np.linalg.norm(points - source, axis=1)
    sent = bodies.area_m2 / BODIES / 4.0 / (4.0 * math.pi) * REFERENCE_DISTANCE_M**2
    strength = sent / np.maximum(ways, NEAREST_M) ** 2
    return points, np.zeros((BODIES, 3)), ways, strength, np.full(BODIES, -1)


def _seen(spec: RoomSpecification, end: Array, points: Array) -> NDArray[np.bool_]:
    """Whether nothing stands between a point and others, the panel that one lies on apart."""
    short = points + 1e-6 * (end - points)
    which, _where = first_met(spec.panels, end, short)
    return which < 0
