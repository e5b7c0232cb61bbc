"""Where things are in a shoebox.

Conventions
-----------
Metres and seconds. A point is (x, y, z): x from the wall behind the stage into the hall, y to the right of
the centre line for somebody who faces the stage, z above the floor. A seat is given from the middle of the
`main` microphones along the floor: `distance_m`, and `angle_deg` to the right of the line to the stage.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from roomplan.plan.model import Seat
    from roomplan.rooms.spec import RoomSpecification

    Array = NDArray[np.float64]

__all__ = [
    "PATTERNS",
    "seat_fault",
    "setup_middle",
    "source_position",
    "source_positions",
]

# First-order patterns by their omnidirectional part a: gain = a + (1 − a) cos θ (definition).
PATTERNS = {"omni": 1.0, "wide_cardioid": 0.75, "cardioid": 0.5, "figure_eight": 0.0}

# A source this near a wall or a microphone is no longer described by this model; common practice, no source.
WALL_CLEARANCE_M = 0.3
MICROPHONE_CLEARANCE_M = 0.5


def setup_middle(spec: RoomSpecification, microphones: str) -> Array:
    """Point (x, y, z) in the middle of the microphones of a set-up."""
    return np.mean(spec.microphones[microphones].positions_m, axis=0)


def source_position(spec: RoomSpecification, seat: Seat) -> Array:
    """Point (x, y, z) of the middle of a seat, `spec.source_height_m` above the floor."""
    return source_positions(spec, seat, 1)[0]


def source_positions(spec: RoomSpecification, seat: Seat, sources: int) -> Array:
    """Points of a seat's sources, shape (sources, 3).

    Parameters
    ----------
    sources : int
        1: the middle of the seat. 2: left and right of it as seen from the microphones, `seat.spread_m` apart
        across the line of sight.
    """
    x, y, _z = setup_middle(spec, "main")
    angle = math.radians(seat.angle_deg)
    ahead = np.array([-math.cos(angle), math.sin(angle), 0.0])
    right = np.array([math.sin(angle), math.cos(angle), 0.0])
    middle = np.array([x, y, 0.0]) + seat.distance_m * ahead
    middle[2] = spec.source_height_m
    if sources == 1:
        return middle[None, :]
    return middle + np.array([[-0.5], [0.5]]) * seat.spread_m * right


def seat_fault(spec: RoomSpecification, seat: Seat, sources: int = 1) -> tuple[str, str] | None:
    """Why a seat with so many sources cannot be in this room, and what would be right; None if it can."""
    length, width, _height = spec.dimensions_m
    where = f"a seat {seat.distance_m:g} m away at {seat.angle_deg:g}°"
    points = source_positions(spec, seat, sources)
    for index, (x, y, _z) in enumerate(points):
        inside_x = WALL_CLEARANCE_M <= x <= length - WALL_CLEARANCE_M
        inside_y = abs(y) <= width / 2.0 - WALL_CLEARANCE_M
        if inside_x and inside_y:
            continue
        if sources == 2 and seat_fault(spec, seat) is None:
            side = ("left", "right")[index]
            what = (
                f"{where}, spread {seat.spread_m:g} m: its {side} source is outside the walls of {spec.title}"
            )
            return what, "give a smaller `spread` or another seat"
        farthest = _distance_to_walls(spec, seat.angle_deg)
        return (
            f"{where} is outside the walls of {spec.title}",
            f"at {seat.angle_deg:g}° the room ends {farthest:.1f} m from the main microphones",
        )
    for name, setup in spec.microphones.items():
        ways = np.array(setup.positions_m)[:, None, :] - points[None, :, :]
        nearest = float(np.min(np.linalg.norm(ways, axis=2)))
        if nearest < MICROPHONE_CLEARANCE_M:
            return (
                f"{where} is {nearest:.2f} m from a microphone of {name} in {spec.title}",
                f"keep at least {MICROPHONE_CLEARANCE_M:g} m",
            )
    return None


def _distance_to_walls(spec: RoomSpecification, angle_deg: float) -> float:
    """Largest seat distance at an angle that keeps its clearance from the walls, in metres."""
    length, width, _height = spec.dimensions_m
    x, y, _z = setup_middle(spec, "main")
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
