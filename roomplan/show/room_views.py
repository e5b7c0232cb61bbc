"""Plan and side view of a room, to one scale.

Conventions
-----------
The stage is on the left; in the plan the right-hand side of somebody who faces the stage is up. A dot is a
microphone, the tick on it where it looks (an omnidirectional one has none), a ring the seat. Dashed rings
are the places from which sound needs so many milliseconds to the middle of the `main` microphones.
"""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from roomplan.report.rooms import describe_setup, metres
from roomplan.rooms.geometry import source_position
from roomplan.rooms.panels import corners
from roomplan.show.room_canvas import PAGE, PANEL_LEFT, SMALL, TINY, TOP, Box, Drawing, heading
from roomplan.show.room_tables import seat_words
from roomplan.show.sheet import MARGIN, letters_in, on_white, shortened, write
from roomplan.show.tables import figure

if TYPE_CHECKING:
    from collections.abc import Sequence

    from roomplan.rooms.portrait import RoomPortrait
    from roomplan.rooms.spec import MicrophoneSetup, RoomSpecification

__all__ = ["draw_plan", "draw_side", "views"]

_VIEWS = (0.90, 5.45)  # left edge and greatest width of plan and side view
_VIEWS_HEIGHT = 4.35  # of both together
_BETWEEN = 1.02  # plan and side view: the plan's length, the side view's heading
_OFFSET = 0.36  # of a dimension line from its wall
_TICK = 0.15  # of a microphone's direction
_DOT, _SEAT = 0.035, 0.06  # radii
_CLOSE = 0.5  # microphones that are seen as one
# Between rings: the first that gives some and not many.
_STEPS_MS = (20.0, 50.0, 100.0, 10.0, 5.0, 2.0, 1.0, 0.5)
_FEWEST_RINGS, _MOST_RINGS = 2, 9


class _View(NamedTuple):
    """One view of the room: where its walls are on the page, and what of the room is across and up."""

    left: float
    bottom: float
    scale: float  # inches per metre
    across: float  # metres
    upward: float
    base: float  # of the upward coordinate, at the bottom

    @property
    def box(self) -> Box:
        return Box(
            self.left,
            self.bottom,
            self.left + self.scale * self.across,
            self.bottom + self.scale * self.upward,
        )

    def point(self, x: float, up: float) -> tuple[float, float]:
        return self.left + self.scale * x, self.bottom + self.scale * (up - self.base)


def views(spec: RoomSpecification) -> tuple[_View, _View]:
    """Plan and side view at the largest scale that both have room for."""
    length, width, height = spec.dimensions_m
    scale = min(_VIEWS[1] / length, _VIEWS_HEIGHT / (width + height))
    top = PAGE[1] - TOP - 0.30
    plan = _View(_VIEWS[0], top - scale * width, scale, length, width, -width / 2.0)
    side = _View(_VIEWS[0], plan.bottom - _BETWEEN - scale * height, scale, length, height, 0.0)
    return plan, side


def draw_plan(drawing: Drawing, portrait: RoomPortrait, view: _View) -> None:
    """Draw the room from above."""
    spec = portrait.spec
    length, width, _height = spec.dimensions_m
    box = view.box
    heading(
        drawing,
        MARGIN,
        box.top + 0.24,
        "From above",
        "dashed: travel time from there to the main microphones",
    )
    _walls(drawing, box, "walls from above")
    _dimension(drawing, (box.left, box.bottom - _OFFSET), (box.right, box.bottom - _OFFSET), length)
    _dimension(drawing, (box.left - _OFFSET, box.bottom), (box.left - _OFFSET, box.top), width)
    _wall_names(drawing, box)
    zone = None
    if spec.stage is not None:
        half = spec.stage.width_m / 2.0
        zone = Box(*view.point(spec.stage.from_m, -half), *view.point(spec.stage.to_m, half))
        _zone(drawing, zone)
    _panels(drawing, spec, view, 1)
    marks = {
        name: [view.point(x, y) for x, y, _z in setup.positions_m] for name, setup in spec.microphones.items()
    }
    for name, setup in spec.microphones.items():
        turns = [
            (-math.cos(math.radians(aim)) * math.cos(math.radians(tilt)),
             math.sin(math.radians(aim)) * math.cos(math.radians(tilt)))
            for aim, tilt in zip(setup.aims_deg, setup.tilts_deg, strict=True)
        ]  # fmt: skip
        _microphones(drawing, name, setup, marks[name], turns)
    x, y, _z = source_position(spec, portrait.seat)
    _seat(drawing, view.point(x, y))
    for name in spec.microphones:
        _named(drawing, name, marks[name], box, fontsize=8)
    _named(drawing, _seat_name(portrait), [view.point(x, y)], box, fontsize=8)
    if zone is not None:
        places = _stage_name_places(zone)
        drawing.place("stage", places, box, fontsize=SMALL, color="0.3", gid="name of the stage")
    _panel_names(drawing, spec, view, 1)
    _rings(drawing, spec, view)


def _panels(drawing: Drawing, spec: RoomSpecification, view: _View, up: int) -> None:
    """Outlines of stage walls, canopies and other rectangles; `up` is the coordinate that goes up."""
    for panel in spec.panels:
        around = [view.point(corner[0], corner[up]) for corner in corners(panel)[[0, 1, 2, 3, 0]]]
        drawing.line([x for x, _y in around], [y for _x, y in around], linewidth=1.0, color="0.45")


def _panel_names(drawing: Drawing, spec: RoomSpecification, view: _View, up: int) -> None:
    """Names of the panels beside their outlines, as those of reflections; one without room stays away."""
    for panel in spec.panels:
        around = np.array([view.point(corner[0], corner[up]) for corner in corners(panel)])
        low, high = around.min(axis=0), around.max(axis=0)
        name = shortened(panel.name.replace("_", " "), 1.2, TINY)
        middle, half = (low + high) / 2.0, 0.027 * len(name) + 0.05  # of the name's width, near enough
        ends = (low[0] + half, middle[0], high[0] - half)
        heights = (middle[1], high[1] - 0.12, low[1] + 0.12)
        candidates = [(x, y) for y in (high[1] + 0.10, low[1] - 0.10) for x in ends]
        candidates += [(x, y) for x in (high[0] + half, low[0] - half) for y in heights]
        drawing.place(
            name, candidates, view.box, fontsize=TINY, color="0.3", gid=f"name of panel {panel.name}"
        )


def _seat_name(portrait: RoomPortrait) -> str:
    return "reference seat" if portrait.at_reference_seat else "seat"


def _stage_name_places(zone: Box) -> list[tuple[float, float]]:
    """In a corner of the zone where it fits, else over or under it."""
    middle = (zone.left + zone.right) / 2.0
    places = [(middle, zone.top + 0.10), (middle, zone.bottom - 0.10)]
    if zone.right - zone.left > 0.6 and zone.top - zone.bottom > 0.3:
        sides = (zone.left + 0.26, zone.right - 0.26)
        places = [(x, y) for x in sides for y in (zone.top - 0.10, zone.bottom + 0.10)] + places
    return places


def _walls(drawing: Drawing, box: Box, name: str) -> None:
    drawing.line(
        *box.outline,
        linewidth=1.5,
        solid_joinstyle="miter",
        gid=name,
    )
    for x in (box.left, box.right):
        drawing.taken.append(Box(x - 0.02, box.bottom, x + 0.02, box.top))
    for y in (box.bottom, box.top):
        drawing.taken.append(Box(box.left, y - 0.02, box.right, y + 0.02))


def _wall_names(drawing: Drawing, box: Box) -> None:
    """Names of the walls, outside; those of the short ones only where they fit."""
    style: dict[str, Any] = {"fontsize": TINY, "color": "0.3"}
    middle = (box.bottom + box.top) / 2.0
    if box.top - box.bottom > 0.62:
        drawing.words(box.left - 0.10, middle, "stage wall", rotation=90, ha="center", va="center", **style)
        drawing.words(box.right + 0.12, middle, "far wall", rotation=90, ha="center", va="center", **style)
    drawing.words(box.right, box.bottom - 0.16, "left wall", ha="right", **style)
    drawing.words(box.right, box.top + 0.06, "right wall", ha="right", **style)


def _dimension(
    drawing: Drawing, start: tuple[float, float], end: tuple[float, float], length_m: float
) -> None:
    """A line with a stroke at either end, and the length it stands for."""
    upright = start[0] == end[0]
    drawing.line([start[0], end[0]], [start[1], end[1]], linewidth=0.5, color="0.3", gid="dimension")
    for x, y in (start, end):
        across = (0.05, 0.0) if upright else (0.0, 0.05)
        drawing.line(
            [x - across[0], x + across[0]], [y - across[1], y + across[1]], linewidth=0.5, color="0.3"
        )
    beside = upright and end[1] - start[1] < 0.6  # no room for it on the line
    drawing.words(
        (start[0] + end[0]) / 2.0 - (0.09 if beside else 0.0),
        (start[1] + end[1]) / 2.0,
        f"{metres(length_m)} m",
        ha="right" if beside else "center",
        va="center",
        rotation=90 if upright and not beside else 0,
        fontsize=8,
        bbox=on_white(1.5),
    )


def _zone(drawing: Drawing, zone: Box) -> None:
    drawing.line(
        *zone.outline,
        linewidth=0.7,
        color="0.5",
        dashes=(1.5, 2.0),
        gid="stage",
    )


def _microphones(
    drawing: Drawing,
    name: str,
    setup: MicrophoneSetup,
    places: Sequence[tuple[float, float]],
    turns: Sequence[tuple[float, float]],
) -> None:
    """A dot for each microphone, and a tick where it looks; an omnidirectional one looks nowhere."""
    for (x, y), (ahead, up) in zip(places, turns, strict=True):
        if setup.pattern != "omni":
            end = (x + _TICK * ahead, y + _TICK * up)
            drawing.line([x, end[0]], [y, end[1]], linewidth=0.9, zorder=4, gid=f"direction of {name}")
            for part in (0.5, 1.0):
                drawing.keep_free(x + part * _TICK * ahead, y + part * _TICK * up, 0.05)
        drawing.line(
            [x],
            [y],
            marker="o",
            markersize=2 * 72 * _DOT,
            markeredgewidth=0,
            zorder=4,
            gid=f"microphone of {name}",
        )
        drawing.keep_free(x, y, _DOT)
    points = np.array(places)
    low, high = points.min(axis=0) - _DOT, points.max(axis=0) + _DOT
    if max(high - low) < _CLOSE:  # nothing is between the microphones of a close pair
        drawing.taken.append(Box(low[0], low[1], high[0], high[1]))


def _seat(drawing: Drawing, place: tuple[float, float]) -> None:
    x, y = place
    drawing.line(
        [x],
        [y],
        marker="o",
        markersize=2 * 72 * _SEAT,
        markerfacecolor="white",
        markeredgecolor="black",
        markeredgewidth=0.9,
        zorder=4,
        gid="seat",
    )
    drawing.keep_free(x, y, _SEAT + 0.01)


def _named(
    drawing: Drawing, name: str, places: Sequence[tuple[float, float]], box: Box, **settings: Any
) -> None:
    """Put a name beside what it names: close, or farther off with a thin line to it."""
    name = shortened(name, 1.7, 8.0)
    points = np.array(places)
    low, high = points.min(axis=0), points.max(axis=0)
    middle = (low + high) / 2.0
    half = 0.032 * len(name) + 0.06  # of the name's width, near enough
    candidates: list[tuple[float, float]] = []
    for gap in (0.13, 0.22, 0.34, 0.50, 0.70):
        candidates += [
            (high[0] + half + gap - 0.08, middle[1]),
            (middle[0], high[1] + gap),
            (middle[0], low[1] - gap),
            (low[0] - half - gap + 0.02, middle[1]),
            (high[0] + half, high[1] + gap),
            (high[0] + half, low[1] - gap),
            (low[0] - half, high[1] + gap),
            (low[0] - half, low[1] - gap),
        ]
    # where the walls are too close: outside, beside the far wall and clear of its name, or over the room
    outside = [(box.right + 0.32 + half, middle[1] + 0.16 * n) for n in (0, 1, -1, 2, -2, 3, -3, 4, -4)]
    outside += [
        (middle[0] + shift, y) for y in (box.top + 0.10, box.bottom - 0.12) for shift in (0.0, 0.8, 1.6)
    ]
    style = {"zorder": 5, "gid": f"name of {name}", **settings}
    made = drawing.place(name, candidates, box, **style)
    made = made or drawing.place(name, outside, Box(MARGIN, 0.0, PANEL_LEFT - 0.6, PAGE[1]), **style)
    if made is None:
        return
    found = drawing.extent(made)
    x, y = (found.left + found.right) / 2.0, (found.bottom + found.top) / 2.0
    near = points[np.argmin(np.hypot(points[:, 0] - x, points[:, 1] - y))]
    edge = (
        min(max(near[0], found.left), found.right),
        min(max(near[1], found.bottom), found.top),
    )
    if math.hypot(edge[0] - near[0], edge[1] - near[1]) > 0.22:
        drawing.line([edge[0], near[0]], [edge[1], near[1]], linewidth=0.4, color="0.5", zorder=3)


def _ring_radii(spec: RoomSpecification, reach_m: float) -> list[tuple[float, float]]:
    """Milliseconds and horizontal radius of the rings: sound from the height of a source, to `main`."""
    up = float(np.mean(spec.microphones["main"].positions_m, axis=0)[2]) - spec.source_height_m
    farthest_ms = 1000.0 * math.hypot(reach_m, up) / spec.sound_speed
    nearest_ms = 1000.0 * abs(up) / spec.sound_speed

    def rings(step: float) -> list[float]:
        return [step * n for n in range(1, int(farthest_ms / step) + 1) if step * n > nearest_ms]

    step = next((s for s in _STEPS_MS if _FEWEST_RINGS <= len(rings(s)) <= _MOST_RINGS), _STEPS_MS[0])
    return [(time, math.sqrt((time / 1000.0 * spec.sound_speed) ** 2 - up * up)) for time in rings(step)]


def _rings(drawing: Drawing, spec: RoomSpecification, view: _View) -> None:
    from matplotlib.patches import Rectangle

    length, width, _height = spec.dimensions_m
    x, y, _z = np.mean(spec.microphones["main"].positions_m, axis=0)
    reach = max(math.hypot(a - x, b - y) for a in (0.0, length) for b in (-width / 2.0, width / 2.0))
    box = view.box
    walls = Rectangle(
        (box.left, box.bottom), box.right - box.left, box.top - box.bottom, transform=drawing.axes.transData
    )
    turn = np.linspace(0.0, 2.0 * math.pi, 361)
    middle = view.point(float(x), float(y))
    # the names are near one line, into the hall, where they can
    angles = [math.radians(sign * degrees) for degrees in (*range(12, 181, 4), 8, 4, 0) for sign in (-1, 1)]
    inside = Box(box.left + 0.02, box.bottom + 0.02, box.right - 0.02, box.top - 0.02)
    for time, radius_m in _ring_radii(spec, reach):
        radius = radius_m * view.scale
        ring = drawing.line(
            middle[0] + radius * np.cos(turn),
            middle[1] + radius * np.sin(turn),
            linewidth=0.5,
            color="0.5",
            dashes=(5.0, 3.0),
            zorder=2,
            gid=f"ring {time:g} ms",
        )
        ring.set_clip_path(walls)
        drawing.place(
            f"{time:g} ms",
            [(middle[0] + radius * math.cos(a), middle[1] + radius * math.sin(a)) for a in angles],
            inside,
            fontsize=TINY,
            color="0.25",
            zorder=3,
            gid=f"name of ring {time:g} ms",
        )


def draw_side(drawing: Drawing, portrait: RoomPortrait, view: _View) -> None:
    """Draw the room from the side."""
    spec = portrait.spec
    height = spec.dimensions_m[2]
    box = view.box
    heading(
        drawing,
        MARGIN,
        box.top + 0.14,
        "From the side",
        "dot: microphone, tick: where it looks; ring: the seat",
    )
    _walls(drawing, box, "walls from the side")
    _dimension(drawing, (box.left - _OFFSET, box.bottom), (box.left - _OFFSET, box.top), height)
    if spec.stage is not None:
        start, end = view.point(spec.stage.from_m, 0.0), view.point(spec.stage.to_m, 0.0)
        drawing.line(
            [start[0], end[0]], [start[1] - 0.05] * 2, linewidth=2.5, color="0.5", solid_capstyle="butt"
        )
        drawing.words(
            (start[0] + end[0]) / 2.0, start[1] - 0.18, "stage", ha="center", va="center",
            fontsize=SMALL, color="0.3",
        )  # fmt: skip
    _panels(drawing, spec, view, 2)
    marks = {}
    for name, setup in spec.microphones.items():
        marks[name] = [view.point(x, z) for x, _y, z in setup.positions_m]
        turns = [
            (-math.cos(math.radians(aim)) * math.cos(math.radians(tilt)), math.sin(math.radians(tilt)))
            for aim, tilt in zip(setup.aims_deg, setup.tilts_deg, strict=True)
        ]
        _microphones(drawing, name, setup, marks[name], turns)
    x, _y, z = source_position(spec, portrait.seat)
    _seat(drawing, view.point(x, z))
    for name, setup in spec.microphones.items():
        up = float(np.mean(setup.positions_m, axis=0)[2])
        _named(drawing, f"{name}, {metres(up)} m up", marks[name], box, fontsize=8)
    _named(drawing, _seat_name(portrait), [view.point(x, z)], box, fontsize=8)
    _panel_names(drawing, spec, view, 2)
    # under the drawing: what cannot be drawn
    down = box.bottom - 0.42
    setup = spec.microphones[portrait.microphones]
    listening = shortened(portrait.microphones, 1.7, 8.0)
    lines = (
        f"{listening}: {describe_setup(setup)}",
        (
            f"{_seat_name(portrait)}: {seat_words(portrait.seat)}, seen from the main microphones; "
            f"{figure(portrait.distance_m, 1)} m of air to {listening}"
        ),
    )
    for line in lines:
        for part in _at_most_two_lines(drawing, line, PANEL_LEFT - 0.7):
            drawing.words(MARGIN, down, part, fontsize=SMALL, color="0.25")
            down -= 0.16


def _at_most_two_lines(drawing: Drawing, text: str, right: float) -> list[str]:
    """Text in one line where it fits, else in two."""
    tried = write(drawing.axes, MARGIN, 0.0, text, fontsize=SMALL)
    fits = drawing.extent(tried).right <= right
    tried.remove()
    most = letters_in(right - MARGIN, 0.92 * SMALL)
    return [text] if fits else textwrap.wrap(text, most, max_lines=2, placeholder=" …")
