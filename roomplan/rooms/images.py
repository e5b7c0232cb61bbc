"""Image sources of a shoebox: where the early reflections seem to come from, and which walls they met.

Conventions
-----------
Points and surfaces are those of `roomplan.rooms.geometry` and `roomplan.rooms.spec`. A *hit* is one
reflection at one surface; the direct sound is the image without any.

Sources
-------
Allen and Berkley, J. Acoust. Soc. Am. 65 (1979) 943: along an axis of length L the images of x are at
(1 − 2q) x + 2nL with |n − q| hits of the wall at 0 and |n| of the wall at L, q 0 or 1, n any whole number.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from roomplan.rooms.geometry import setup_middle, source_position
from roomplan.rooms.spec import SURFACES
from roomplan.rooms.walls import decay_stretch, scattering_losses, wall_losses

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from roomplan.plan.model import Seat
    from roomplan.rooms.spec import RoomSpecification

    Array = NDArray[np.float64]

__all__ = ["ImageSources", "Reflection", "early_reflections", "emission_cosines", "image_sources"]

_MID_BANDS_HZ = (500, 1000)


@dataclass(frozen=True, slots=True)
class ImageSources:
    """Images of one source, the source itself first.

    Attributes
    ----------
    positions_m : ndarray, shape (images, 3)
    hits : ndarray, shape (images, 6)
        How often each surface of `SURFACES` was met.
    """

    positions_m: Array
    hits: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Reflection:
    """One early reflection as the middle of a set-up hears it, as if by an omnidirectional microphone.

    Attributes
    ----------
    level_db : float
        Relative to the direct sound, mean of the 500 and 1000 Hz octaves, scattering taken off.
    order : int
        Number of hits.
    surfaces : tuple of str
        What was hit, each surface once, in the order of `SURFACES`.
    """

    after_direct_s: float
    level_db: float
    order: int
    surfaces: tuple[str, ...]


def image_sources(
    dimensions_m: tuple[float, float, float], source: Array, receiver: Array, reach_m: float
) -> ImageSources:
    """All images of a source within reach of a receiver.

    Parameters
    ----------
    dimensions_m : tuple of float
        Length, width, height.
    source, receiver : ndarray, shape (3,)
        Points inside the walls.
    reach_m : float
        Longest way from an image to the receiver.

    Returns
    -------
    ImageSources
        The source itself first, the others in no particular order.
    """
    offset = np.array([0.0, dimensions_m[1] / 2.0, 0.0])  # y counts from the centre line
    axes = [
        _axis(length, float(at), float(near), reach_m)
        for length, at, near in zip(dimensions_m, source + offset, receiver + offset, strict=True)
    ]
    grids = np.meshgrid(*(np.arange(len(positions)) for positions, _hits in axes), indexing="ij")
    index = [grid.ravel() for grid in grids]
    positions = np.stack([axes[a][0][index[a]] for a in range(3)], axis=1) - offset
    hits = np.concatenate([axes[a][1][index[a]] for a in range(3)], axis=1)
    near = np.sum((positions - receiver) ** 2, axis=1) <= reach_m * reach_m
    direct = np.sum(hits, axis=1) == 0
    order = np.concatenate([np.flatnonzero(direct), np.flatnonzero(near & ~direct)])
    return ImageSources(positions[order], hits[order])


def emission_cosines(images: ImageSources, receiver: Array, facing: Array) -> Array:
    """Cosines between where a source faces and where what each image brings has left it, (images,).

    Parameters
    ----------
    receiver : ndarray, shape (3,)
        Point at which the images are heard.
    facing : ndarray, shape (3,)
        Direction in which the source itself faces, of any length above 0.
    """
    ways = receiver - images.positions_m
    # An odd number of hits along an axis leaves an image that faces the other way there.
    mirrored = (images.hits[:, 0::2] + images.hits[:, 1::2]) % 2
    emitted = ways * (1 - 2 * mirrored)
    lengths = np.linalg.norm(ways, axis=1) * float(np.linalg.norm(facing))
    return emitted @ facing / lengths


def early_reflections(
    spec: RoomSpecification, seat: Seat, microphones: str, *, within_s: float
) -> tuple[Reflection, ...]:
    """Early reflections of a seat at the middle of a set-up.

    Parameters
    ----------
    seat : Seat
        One that `roomplan.rooms.geometry.seat_fault` accepts.
    microphones : str
        Name of a set-up of the room.
    within_s : float
        After the direct sound.

    Returns
    -------
    tuple of Reflection
        By time of arrival.
    """
    source = source_position(spec, seat)
    receiver = setup_middle(spec, microphones)
    direct_m = float(np.linalg.norm(source - receiver))
    reach_m = direct_m + within_s * spec.sound_speed
    images = image_sources(spec.dimensions_m, source, receiver, reach_m)
    ways = np.linalg.norm(images.positions_m - receiver, axis=1)
    losses, scattered = wall_losses(spec), scattering_losses(spec)
    unstretched_m = decay_stretch(spec) * direct_m  # the direct sound has the air's own loss
    energy = np.zeros(len(ways))
    for centre in _MID_BANDS_HZ:
        air = losses.air_per_m[centre] * (ways - unstretched_m)
        energy += np.exp(-images.hits @ (losses.by_surface[centre] + scattered) - air) / len(_MID_BANDS_HZ)
    level_db = 10.0 * np.log10(np.maximum(energy, 1e-300)) - 20.0 * np.log10(ways / direct_m)
    found = [
        Reflection(
            after_direct_s=(float(ways[i]) - direct_m) / spec.sound_speed,
            level_db=float(level_db[i]),
            order=int(np.sum(images.hits[i])),
            surfaces=tuple(name for name, count in zip(SURFACES, images.hits[i], strict=True) if count),
        )
        for i in np.argsort(ways[1:], kind="stable") + 1
    ]
    return tuple(found)


def _axis(length: float, at: float, receiver: float, reach_m: float) -> tuple[Array, NDArray[np.int64]]:
    """Images along one axis within reach, and the hits of its low and its high wall."""
    most = math.ceil((reach_m + length) / (2.0 * length)) + 1
    n = np.repeat(np.arange(-most, most + 1), 2)
    q = np.tile(np.array([0, 1]), 2 * most + 1)
    positions = (1 - 2 * q) * at + 2.0 * n * length
    keep = np.abs(positions - receiver) <= reach_m
    keep |= (n == 0) & (q == 0)
    return positions[keep], np.stack([np.abs(n - q), np.abs(n)], axis=1)[keep]
