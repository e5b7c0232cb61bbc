"""Rectangles in a room: what they mirror, what they keep back, and how size softens both.

Conventions
-----------
Points are those of `roomplan.rooms.geometry`. A panel is thin and mirrors on both faces. Its *across* is
horizontal, its *along* at right angles to that, its normal where it looks. Shares are of the energy.

How
---
A panel mirrors the source; of the mirror image it sends on, by the Kirchhoff-Fresnel approximation,

    K = K₁ K₂,   K₁ = ½ ([C(v₁) + C(v₂)]² + [S(v₁) + S(v₂)]²),
    v = e cos θ √(2/λ · (1/a₁ + 1/a₂))

for each of its two directions: e the way from the point of reflection to either edge, negative outside,
θ the angle of incidence in that direction, a₁ and a₂ the ways to source and receiver, C and S Fresnel's
integrals. So it grows weak below f = c a* / (2 (side · cos θ)²), a* = 2 a₁ a₂ / (a₁ + a₂), and softly so
outside its edges. What would pass straight through it is kept back by min(1, f/f₁) · min(1, f/f₂), f₁ and f₂
those frequencies of its sides at its middle.

Sources
-------
J. H. Rindel, "Attenuation of sound reflections due to diffraction", Nordic Acoustical Meeting (Aalborg, 1986)
(title and year from memory), as printed in Long, Architectural Acoustics, 7.2, and in the help of a published
calculator: two transcriptions, and the factor 2 in a* checked by the integrals themselves. Fresnel's
integrals: Abramowitz and Stegun, 7.3.9, 7.3.10, 7.3.32, 7.3.33 (from memory; a test holds them).

Notes
-----
Not done: sound that two panels, or a panel and a wall, mirror one after the other, and edges of their own.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from roomplan.rooms.spec import Panel

    Array = NDArray[np.float64]

__all__ = [
    "corners",
    "crossed",
    "first_met",
    "fresnel_integrals",
    "kept_back",
    "mirror_image",
    "on_one_side",
    "panel_axes",
    "sent_on",
    "times_crossed",
]

MOST_KEPT_BACK = 0.999  # of the energy
NEAREST_M = 1e-6  # a shorter way counts as this; what is nearer to a panel's plane is on neither of its sides


def panel_axes(panel: Panel) -> Array:
    """Unit vectors across, along and normal, (3, 3)."""
    aim, tilt = math.radians(panel.aim_deg), math.radians(panel.tilt_deg)
    across = np.array([math.sin(aim), math.cos(aim), 0.0])
    normal = np.array([-math.cos(aim) * math.cos(tilt), math.sin(aim) * math.cos(tilt), math.sin(tilt)])
    return np.stack([across, np.cross(normal, across), normal])


def corners(panel: Panel) -> Array:
    """The four corners, (4, 3)."""
    across, along, _normal = panel_axes(panel)
    signs = np.array([(-0.5, -0.5), (-0.5, 0.5), (0.5, 0.5), (0.5, -0.5)]) * panel.size_m
    return np.array(panel.centre_m) + signs @ np.stack([across, along])


def crossed(panel: Panel, start: Array, end: Array) -> NDArray[np.bool_]:
    """Whether straight ways, (…, 3) to (…, 3), go through a panel."""
    axes = panel_axes(panel)
    from_it, to_it = (start - panel.centre_m) @ axes.T, (end - panel.centre_m) @ axes.T
    apart = _beside(from_it[..., 2]) * _beside(to_it[..., 2]) < 0.0
    span = np.where(apart, from_it[..., 2] - to_it[..., 2], 1.0)
    met = from_it + (from_it[..., 2] / span)[..., None] * (to_it - from_it)
    half = np.array(panel.size_m) / 2.0
    return apart & np.all(np.abs(met[..., :2]) <= half, axis=-1)


def on_one_side(panel: Panel, start: Array, end: Array) -> bool:
    """Whether a panel mirrors one point to another, (3,) each: both before it, or both behind."""
    here, there = (np.array([start, end]) - panel.centre_m) @ panel_axes(panel)[2]
    return bool(_beside(here) * _beside(there) > 0.0)


def times_crossed(
    panels: Sequence[Panel],
    dimensions_m: tuple[float, float, float],
    images_m: Array,
    hits: NDArray[np.int64],
    receiver: Array,
) -> NDArray[np.int64]:
    """How often the way of each image goes through each panel, (images, panels).

    `hits` is (images, 6): how often each wall is met.

    The straight way from an image is folded back into the room at every wall that it meets.
    """
    sides, offset = np.array(dimensions_m), np.array([0.0, dimensions_m[1] / 2.0, 0.0])
    start, ways = receiver + offset, images_m - receiver
    axes_hits = hits.reshape(-1, 3, 2).sum(axis=2)
    most = int(np.max(np.sum(axes_hits, axis=1), initial=0))
    shares = [np.zeros(len(ways)), np.ones(len(ways))]
    for axis in range(3):
        for k in range(int(np.max(axes_hits[:, axis], initial=0))):
            forwards = ways[:, axis] > 0.0
            plane = np.where(forwards, (k + 1.0) * sides[axis], -k * sides[axis])
            met = axes_hits[:, axis] > k
            share = (plane - start[axis]) / np.where(met, ways[:, axis], 1.0)
            shares.append(np.where(met, share, 1.0))
    turns = np.sort(np.stack(shares, axis=1), axis=1)[:, : most + 2]
    points = np.mod(start + turns[:, :, None] * ways[:, None, :], 2.0 * sides)
    points = np.where(points > sides, 2.0 * sides - points, points) - offset
    found = [np.sum(crossed(panel, points[:, :-1], points[:, 1:]), axis=1) for panel in panels]
    return np.stack(found, axis=1).astype(np.int64) if found else np.zeros((len(ways), 0), dtype=np.int64)


def first_met(panels: Sequence[Panel], start: Array, ends: Array) -> tuple[NDArray[np.int64], Array]:
    """Which panel ways from a point to others, (n, 3), meet first (−1: none), and where (the end: none)."""
    which, shares = np.full(len(ends), -1), np.ones(len(ends))
    for index, panel in enumerate(panels):
        normal = panel_axes(panel)[2]
        towards = (ends - start) @ normal
        share = (np.array(panel.centre_m) - start) @ normal / np.where(towards == 0.0, 1.0, towards)
        nearer = crossed(panel, np.broadcast_to(start, ends.shape), ends) & (share < shares)
        which[nearer], shares[nearer] = index, share[nearer]
    return which, start + shares[:, None] * (ends - start)


def mirror_image(panel: Panel, source: Array) -> Array:
    """Where a panel's mirror image of a source is, (3,)."""
    normal = panel_axes(panel)[2]
    return source - 2.0 * float((source - panel.centre_m) @ normal) * normal


def sent_on(
    panel: Panel, source: Array, receiver: Array, frequencies_hz: Array, *, sound_speed: float
) -> Array:
    """Share K of the mirror image's energy that a panel sends to a receiver; none to its other side."""
    axes = panel_axes(panel)
    here, there = axes @ (source - panel.centre_m), axes @ (receiver - panel.centre_m)
    if not on_one_side(panel, source, receiver):
        return np.zeros(len(frequencies_hz))
    share = here[2] / (here[2] + there[2])
    met = here + share * (there * [1.0, 1.0, -1.0] - here)
    ways = np.linalg.norm(there * [1.0, 1.0, -1.0] - here) * np.array([share, 1.0 - share])
    direction = (met - here) / ways[0]
    scale = np.sqrt(2.0 * frequencies_hz / sound_speed * np.sum(1.0 / ways))
    found = np.ones(len(frequencies_hz))
    for side in range(2):
        cosine = math.sqrt(max(1.0 - direction[side] ** 2, 0.0))
        half = panel.size_m[side] / 2.0
        edges = [(half + sign * met[side]) * cosine * scale for sign in (-1.0, 1.0)]
        cosines, sines = zip(*map(fresnel_integrals, edges), strict=True)
        found *= 0.5 * (np.add(*cosines) ** 2 + np.add(*sines) ** 2)
    return np.minimum(found, 1.0)


def kept_back(
    panel: Panel, source: Array, receiver: Array, frequencies_hz: Array, *, sound_speed: float
) -> Array:
    """Share of the energy that a panel keeps from what lies behind it."""
    ways = [float(np.linalg.norm(point - panel.centre_m)) for point in (source, receiver)]
    # a baffle between two microphones has the middle of its set-up at its own
    mean_m = max(2.0 * ways[0] * ways[1] / (ways[0] + ways[1]), NEAREST_M)
    found = np.full(len(frequencies_hz), MOST_KEPT_BACK)
    for side in panel.size_m:
        found *= np.minimum(1.0, frequencies_hz * (2.0 * side**2 / (sound_speed * mean_m)))
    return found


def _beside(heights_m: Array) -> Array:
    """Heights over a panel's plane, 0 for what is in it: rounding would say on which side that is."""
    return np.where(np.abs(heights_m) > NEAREST_M, heights_m, 0.0)


def fresnel_integrals(v: Array) -> tuple[Array, Array]:
    """C and S of v, integrals of cos and sin of πt²/2 from 0 to v, within 0.0025."""
    size = np.abs(v)
    angle = np.mod(size * size, 4.0) * (math.pi / 2.0)
    f = (1.0 + 0.926 * size) / (2.0 + 1.792 * size + 3.104 * size**2)
    g = 1.0 / (2.0 + 4.142 * size + 3.492 * size**2 + 6.670 * size**3)
    cosine, sine = np.cos(angle), np.sin(angle)
    return (
        np.sign(v) * (0.5 + f * sine - g * cosine),
        np.sign(v) * (0.5 - f * cosine - g * sine),
    )
