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
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.bands import exact_mid_band
from roomplan.acoustics.room_formulas import ENERGY_DB, REFERENCE_DISTANCE_M
from roomplan.frozen_classes import frozen_class
from roomplan.rooms.geometry import setup_middle, source_position
from roomplan.rooms.panels import (
    crossed,
    kept_back,
    mirror_image,
    on_one_side,
    panel_axes,
    sent_on,
    times_crossed,
)
from roomplan.rooms.spec import SURFACES
from roomplan.rooms.walls import (
    air_db_per_m,
    decay_stretch,
    losses_at,
    panel_losses_at,
    scattering_losses,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from roomplan.plan.model import Seat
    from roomplan.rooms.spec import Panel, RoomSpecification

    Array = NDArray[np.float64]

__all__ = [
    "ImageSources",
    "Reflection",
    "early_reflections",
    "emission_cosines",
    "energies_of",
    "image_sources",
    "panel_shares",
    "with_panels",
]

_MID_BANDS_HZ = (500, 1000)


@frozen_class
class ImageSources:
    """Images of one source, the source itself first.

    Attributes
    ----------
    positions_m : ndarray, shape (images, 3)
    hits : ndarray, shape (images, 6) or (images, 6 + 2 · panels)
        How often each surface of `SURFACES` was met. `with_panels` adds columns: how often the way goes
        through each panel, then which panel mirrors it.
    """

    positions_m: Array
    hits: NDArray[np.int64]


@frozen_class
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


def emission_cosines(
    images: ImageSources, receiver: Array, facing: Array, panels: Sequence[Panel] = ()
) -> Array:
    """Cosines between where a source faces and where what each image brings has left it, (images,).

    Parameters
    ----------
    receiver : ndarray, shape (3,)
        Point at which the images are heard.
    facing : ndarray, shape (3,)
        Direction in which the source itself faces, of any length above 0.
    panels : sequence of Panel
        Those that `with_panels` has been asked about.
    """
    ways = receiver - images.positions_m
    # An odd number of hits along an axis leaves an image that faces the other way there.
    walls = images.hits[:, : len(SURFACES)]
    emitted = ways * (1 - 2 * ((walls[:, 0::2] + walls[:, 1::2]) % 2))
    for index, mirrors in enumerate(images.hits[:, len(SURFACES) + len(panels) :].T):
        normal = panel_axes(panels[index])[2]
        emitted = emitted - np.outer(2.0 * mirrors * (emitted @ normal), normal)
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
    images = with_panels(
        spec, image_sources(spec.dimensions_m, source, receiver, reach_m), receiver, reach_m=reach_m
    )
    ways = np.linalg.norm(images.positions_m - receiver, axis=1)
    mids = np.array([exact_mid_band(centre) for centre in _MID_BANDS_HZ])
    energies = energies_of(spec, images, receiver, mids)
    energy = np.mean(energies / np.maximum(energies[:, :1], 1e-300), axis=0)
    level_db = 10.0 * np.log10(np.maximum(energy, 1e-300))
    hits = np.delete(images.hits, range(len(SURFACES), len(SURFACES) + len(spec.panels)), axis=1)
    names = (*SURFACES, *(panel.name for panel in spec.panels))
    found = [
        Reflection(
            after_direct_s=(float(ways[i]) - direct_m) / spec.sound_speed,
            level_db=float(level_db[i]),
            order=int(np.sum(hits[i])),
            surfaces=tuple(name for name, count in zip(names, hits[i], strict=True) if count),
        )
        for i in np.argsort(ways[1:], kind="stable") + 1
    ]
    return tuple(found)


def with_panels(
    spec: RoomSpecification, images: ImageSources, receiver: Array, *, reach_m: float = math.inf
) -> ImageSources:
    """Images as panels leave them: which ways go through panels, and the images that panels make."""
    panels, source = spec.panels, images.positions_m[0]
    through = times_crossed(panels, spec.dimensions_m, images.positions_m, images.hits, receiver)
    none = np.zeros_like(through)
    positions, hits = [images.positions_m], [np.concatenate([images.hits, through, none], axis=1)]
    for index, panel in enumerate(panels):
        image = mirror_image(panel, source)
        if not on_one_side(panel, source, receiver) or float(np.linalg.norm(image - receiver)) > reach_m:
            continue
        before = [float((point - panel.centre_m) @ panel_axes(panel)[2]) for point in (source, receiver)]
        share = before[0] / (before[0] + before[1])
        met = image + share * (receiver - image)
        row = np.zeros((1, hits[0].shape[1]), dtype=np.int64)
        row[0, len(SURFACES) + len(panels) + index] = 1
        for other, behind in enumerate(panels):
            ways = sum(bool(crossed(behind, met, end)) for end in (source, receiver))
            row[0, len(SURFACES) + other] = 0 if other == index else ways
        positions.append(image[None, :])
        hits.append(row)
    return ImageSources(np.concatenate(positions), np.concatenate(hits))


def panel_shares(spec: RoomSpecification, source: Array, receiver: Array, frequencies_hz: Array) -> Array:
    """Shares of the energy that go through each panel and that each mirrors, (2 · panels, frequencies)."""
    absorbed = panel_losses_at(spec, frequencies_hz)
    through, mirrored = [], []
    for index, panel in enumerate(spec.panels):
        place = (panel, source, receiver, frequencies_hz)
        through.append(1.0 - kept_back(*place, sound_speed=spec.sound_speed))
        sent = sent_on(*place, sound_speed=spec.sound_speed) * np.exp(-absorbed[:, index])
        mirrored.append(sent * (1.0 - panel.scattering))
    return np.array(through + mirrored).reshape(2 * len(spec.panels), len(frequencies_hz))


def energies_of(
    spec: RoomSpecification, images: ImageSources, receiver: Array, frequencies_hz: Array
) -> Array:
    """Energies of images at an omnidirectional microphone, (frequencies, images), 1 for 10 m and no loss.

    The direct sound has the air's own loss, the others the room's.
    """
    ways = np.linalg.norm(images.positions_m - receiver, axis=1)
    surfaces = losses_at(spec, frequencies_hz).by_surface + scattering_losses(spec)
    shares = panel_shares(spec, images.positions_m[0], receiver, frequencies_hz)
    met = np.concatenate([surfaces, -np.log(np.maximum(shares, 1e-12)).T], axis=1)[:, : images.hits.shape[1]]
    air = air_db_per_m(spec, frequencies_hz) / ENERGY_DB / decay_stretch(spec)
    lost = met @ images.hits.T + np.multiply.outer(air, ways)
    lost[:, 0] += air * ways[0] * (decay_stretch(spec) - 1.0)
    return np.exp(-lost) * (REFERENCE_DISTANCE_M / ways) ** 2


def _axis(length: float, at: float, receiver: float, reach_m: float) -> tuple[Array, NDArray[np.int64]]:
    """Images along one axis within reach, and the hits of its low and its high wall."""
    most = math.ceil((reach_m + length) / (2.0 * length)) + 1
    n = np.repeat(np.arange(-most, most + 1), 2)
    q = np.tile(np.array([0, 1]), 2 * most + 1)
    positions = (1 - 2 * q) * at + 2.0 * n * length
    keep = np.abs(positions - receiver) <= reach_m
    keep |= (n == 0) & (q == 0)
    return positions[keep], np.stack([np.abs(n - q), np.abs(n)], axis=1)[keep]
