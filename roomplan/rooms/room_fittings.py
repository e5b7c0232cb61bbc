"""What stands and hangs in a room, from its file: panels, and bodies that scatter.

Conventions
-----------
Those of `roomplan.rooms.room_file`, which calls this: nothing is converted, and every fault is noted. Only a
panel on a wall is moved: a tenth of a millimetre before it.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Protocol

import numpy as np

from roomplan.documents.wording import quoted
from roomplan.rooms.materials import MATERIALS, all_bands
from roomplan.rooms.panels import corners
from roomplan.rooms.spec import BAND_CENTRES_HZ, SURFACES, Panel, Scatterers

if TYPE_CHECKING:
    from collections.abc import Mapping

    from roomplan.documents.places import KeyPath
    from roomplan.rooms.room_shape import CoefficientsShape, PanelShape, ScatterersShape

    Sides = tuple[float, float, float]

__all__ = ["PLAIN_NAME", "coefficients", "panels_of", "scatterers_of"]

PLAIN_NAME = r"[A-Za-z0-9_-]+"
TOUCHING_M = 1e-6  # beyond a wall is still at it: corners are computed
BEFORE_M = 1e-4  # from a wall to a panel on it: in one plane, rounding would say which of them sound meets
MOST = 16  # of each kind: what they cost grows with their number


class NoteFault(Protocol):
    """Notes a fault of the value at a path, or of its key."""

    def __call__(self, path: KeyPath, what: str, remedy: str, *, key: bool = False) -> None: ...


def panels_of(shapes: Mapping[str, PanelShape], sides: Sides, fault: NoteFault) -> tuple[Panel, ...]:
    """Panels of a room of these sides, with their faults noted."""
    _check_names("panels", shapes, fault)
    panels = []
    for name, shape in shapes.items():
        x, y, z = shape.centre
        across, along = shape.size
        absorption = coefficients(shape.material)
        panel = Panel(name, (x, y, z), (across, along), shape.aim, shape.tilt, absorption, shape.scattering)
        panels.append(_before_its_wall(panel, sides))
        if not (across > 0.0 and along > 0.0):
            what = f"panels.{name}: size has no area"
            fault(("panels", name, "size"), what, "give more than 0 m both ways")
        low, high = np.min(corners(panel), axis=0), np.max(corners(panel), axis=0)
        length, width, height = sides
        beyond = np.array([low[0], low[1] + width / 2.0, low[2]]).min() < -TOUCHING_M
        beyond |= bool(np.any(high - [length, width / 2.0, height] > TOUCHING_M))
        if beyond:
            reach = ", ".join(
                f"{axis} {a:.2f} to {b:.2f}" for axis, a, b in zip("xyz", low, high, strict=True)
            )
            fault(
                ("panels", name),
                f"panels.{name} reaches outside the walls: {reach}",
                f"x lies in 0 to {length:g}, y in {-width / 2:g} to {width / 2:g}, z in 0 to {height:g}",
                key=True,
            )
    return tuple(panels)


def _before_its_wall(panel: Panel, sides: Sides) -> Panel:
    """Give a panel that lies on a wall its place before it; any other as it is."""
    length, width, height = sides
    around, centre = corners(panel), list(panel.centre_m)
    for axis, walls in enumerate(((0.0, length), (-width / 2.0, width / 2.0), (0.0, height))):
        for wall, inwards in zip(walls, (1.0, -1.0), strict=True):
            if np.max(np.abs(around[:, axis] - wall)) <= TOUCHING_M:
                centre[axis] = wall + inwards * BEFORE_M
    x, y, z = centre
    return replace(panel, centre_m=(x, y, z))


def scatterers_of(
    shapes: Mapping[str, ScatterersShape], sides: Sides, fault: NoteFault
) -> tuple[Scatterers, ...]:
    """Bodies of a room of these sides, with their faults noted."""
    _check_names("scatterers", shapes, fault)
    length, width, height = sides
    found = []
    for name, shape in shapes.items():
        wide = width if shape.width is None else shape.width
        low, high = shape.heights
        here = ("scatterers", name)
        limits = (
            ("to", shape.end, length, "behind the far wall"),
            ("width", wide, width, "wider than the room"),
            ("heights", high, height, "above the ceiling"),
        )
        for key, value, most, where in limits:
            if value > most:
                what = f"scatterers.{name}: {key} is {value:g} m, {where}"
                fault((*here, key), what, f"give at most {most:g} m")
        if not shape.start < shape.end:
            what = f"scatterers.{name}: to is {shape.end:g} m, not beyond from"
            fault((*here, "to"), what, f"give more than {shape.start:g} m")
        if not low <= high:
            what = f"scatterers.{name}: heights go down from {low:g} m to {high:g} m"
            fault((*here, "heights"), what, "give the lower one first")
        if not shape.clear < wide:
            what = f"scatterers.{name}: clear is {shape.clear:g} m, all of the width"
            fault((*here, "clear"), what, f"give less than {wide:g} m")
        found.append(Scatterers(name, shape.area, shape.start, shape.end, wide, shape.clear, (low, high)))
    return tuple(found)


def coefficients(surface: str | CoefficientsShape) -> dict[int, float]:
    """Octave centre → absorption coefficient of a material's name, or as given."""
    if isinstance(surface, str):
        return dict(MATERIALS[surface].absorption)
    given = {centre: getattr(surface, f"octave_{centre}") for centre in BAND_CENTRES_HZ}
    return all_bands({centre: share for centre, share in given.items() if share is not None})


def _check_names(kind: str, names: Mapping[str, object], fault: NoteFault) -> None:
    if len(names) > MOST:
        fault((kind,), f"{kind} has {len(names)} entries", f"give at most {MOST}", key=True)
    for name in names:
        if not re.fullmatch(PLAIN_NAME, name):
            what = f"{kind}: the name {quoted(name)} is not plain"
            fault((kind, name), what, "use letters, digits, _ and -", key=True)
        elif name in SURFACES:
            what = f"{kind}: {name} is the name of a wall of the room"
            fault((kind, name), what, "give it a name of its own", key=True)
