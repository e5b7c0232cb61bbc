"""Where things stand in a shoebox, and when the first sounds arrive.

Conventions
-----------
Metres and seconds. A point is (x, y, z): x from the wall behind the stage into the hall, y to the right of
the centre line for somebody who faces the stage, z above the floor. A seat is given from the middle of the
`main` microphones along the floor: `distance_m`, and `angle_deg` to the right of the line to the stage.

Sources
-------
Image sources of a rectangular room: Allen and Berkley, J. Acoust. Soc. Am. 65 (1979) 943. Speed of sound at
20 °C, 343.2 m/s: ISO 9613-1:1993. Random-incidence efficiency of a first-order pattern: integral of its
square over the sphere.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from roomplan.plan.model import Seat
    from roomplan.rooms.spec import MicrophoneSetup, RoomSpecification

__all__ = [
    "PATTERNS",
    "SPEED_OF_SOUND_M_S",
    "Arrivals",
    "find_arrivals",
    "random_efficiency",
    "seat_fault",
    "source_position",
]

SPEED_OF_SOUND_M_S = 343.2

# First-order patterns by their omnidirectional part a: gain = a + (1 − a) cos θ (definition).
PATTERNS = {"omni": 1.0, "wide_cardioid": 0.75, "cardioid": 0.5, "figure_eight": 0.0}

# A source this near a wall or a microphone is no longer described by this model; common practice, no source.
WALL_CLEARANCE_M = 0.3
MICROPHONE_CLEARANCE_M = 0.5


@dataclass(frozen=True)
class Arrivals:
    """First sounds of one seat at each microphone of one set-up.

    Attributes
    ----------
    distance_m : ndarray, shape (microphones,)
        From the source, in a straight line.
    direct_s : ndarray, shape (microphones,)
        Arrival of the direct sound after time 0.
    reflected_s : ndarray, shape (microphones,)
        Arrival of the first reflection after time 0.
    direct_gain : ndarray, shape (microphones,)
        Gain of the microphone's pattern towards the source; negative behind a figure of eight.
    """

    distance_m: NDArray[np.float64]
    direct_s: NDArray[np.float64]
    reflected_s: NDArray[np.float64]
    direct_gain: NDArray[np.float64]


def source_position(spec: RoomSpecification, seat: Seat) -> NDArray[np.float64]:
    """Point (x, y, z) of a seat, `spec.source_height_m` above the floor."""
    x, y, _z = np.mean(spec.microphones["main"].positions_m, axis=0)
    angle = math.radians(seat.angle_deg)
    return np.array(
        [x - seat.distance_m * math.cos(angle), y + seat.distance_m * math.sin(angle), spec.source_height_m]
    )


def seat_fault(spec: RoomSpecification, seat: Seat) -> tuple[str, str] | None:
    """Why a seat cannot be in this room, and what would be right; None when it can."""
    length, width, _height = spec.dimensions_m
    x, y, _z = source_position(spec, seat)
    where = f"a seat {seat.distance_m:g} m away at {seat.angle_deg:g}°"
    inside_x = WALL_CLEARANCE_M <= x <= length - WALL_CLEARANCE_M
    inside_y = abs(y) <= width / 2.0 - WALL_CLEARANCE_M
    if not (inside_x and inside_y):
        farthest = _distance_to_walls(spec, seat.angle_deg)
        return (
            f"{where} stands outside the walls of {spec.title}",
            f"at {seat.angle_deg:g}° the room ends {farthest:.1f} m from the main microphones",
        )
    source = source_position(spec, seat)
    for name, setup in spec.microphones.items():
        nearest = float(np.min(np.linalg.norm(np.array(setup.positions_m) - source, axis=1)))
        if nearest < MICROPHONE_CLEARANCE_M:
            return (
                f"{where} is {nearest:.2f} m from a microphone of {name} in {spec.title}",
                f"keep at least {MICROPHONE_CLEARANCE_M:g} m",
            )
    return None


def _distance_to_walls(spec: RoomSpecification, angle_deg: float) -> float:
    """Largest seat distance at an angle that keeps its clearance from the walls, in metres."""
    length, width, _height = spec.dimensions_m
    x, y, _z = np.mean(spec.microphones["main"].positions_m, axis=0)
    forward, right = -math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    ways = []
    for at, slope, low, high in (
        (x, forward, WALL_CLEARANCE_M, length - WALL_CLEARANCE_M),
        (y, right, -width / 2.0 + WALL_CLEARANCE_M, width / 2.0 - WALL_CLEARANCE_M),
    ):
        if abs(slope) > 1e-9:
            ways.append(((high if slope > 0 else low) - at) / slope)
    # Rounded down to 10 cm, so that the distance shown is one the room accepts.
    return max(0.0, math.floor(min(ways) * 10.0) / 10.0)


def random_efficiency(pattern: str) -> float:
    """Energy a pattern takes from a diffuse field, relative to an omnidirectional microphone."""
    omni = PATTERNS[pattern]
    return omni**2 + (1.0 - omni) ** 2 / 3.0


def find_arrivals(spec: RoomSpecification, seat: Seat, setup: MicrophoneSetup) -> Arrivals:
    """First sounds of a seat at a set-up, counted from the direct sound at the `main` microphones.

    Parameters
    ----------
    spec : RoomSpecification
    seat : Seat
        One that `seat_fault` accepts.
    setup : MicrophoneSetup
        Any set-up of the room.

    Notes
    -----
    Time 0 is the earliest arrival over `main` and this set-up: a set-up nearer to the source than `main`
    starts at 0 instead of before it. The reflection is the first from the four walls and the ceiling; the
    floor is not counted, since players and chairs stand in that path. Patterns do not delay anything.
    """
    source = source_position(spec, seat)
    microphones = np.array(setup.positions_m)
    ways = microphones - source
    distance = np.linalg.norm(ways, axis=1)
    main = np.linalg.norm(np.array(spec.microphones["main"].positions_m) - source, axis=1)
    origin = min(float(np.min(main)), float(np.min(distance)))

    length, width, height = spec.dimensions_m
    x, y, z = source
    images = np.array(
        [[-x, y, z], [2 * length - x, y, z], [x, -width - y, z], [x, width - y, z], [x, y, 2 * height - z]]
    )
    reflected = np.min(np.linalg.norm(microphones[:, None, :] - images[None, :, :], axis=2), axis=1)

    aims = np.radians(setup.aims_deg)
    look = np.stack([-np.cos(aims), np.sin(aims), np.zeros_like(aims)], axis=1)
    cosine = np.sum(-ways / distance[:, None] * look, axis=1)
    omni = PATTERNS[setup.pattern]
    return Arrivals(
        distance_m=distance,
        direct_s=(distance - origin) / SPEED_OF_SOUND_M_S,
        reflected_s=(reflected - origin) / SPEED_OF_SOUND_M_S,
        direct_gain=omni + (1.0 - omni) * cosine,
    )
