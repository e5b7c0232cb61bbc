"""One picture of a synthetic room: plan and side view in metres, the reflections of a seat, its decay.

Conventions
-----------
Plan and side view are drawn to one scale, the stage on the left; in the plan the right-hand side of somebody
who faces the stage is up. A dot is a microphone, the tick on it where it looks (an omnidirectional one has
none), a ring the seat. Dashed rings are the places from which sound needs so many milliseconds to the middle
of the `main` microphones. Ink is black and grey, and nothing depends on colour. Inside, sizes are inches and
points, y upwards.
"""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from roomplan.report.rooms import describe_setup, metres
from roomplan.rooms.geometry import source_position
from roomplan.rooms.spec import BAND_CENTRES_HZ
from roomplan.show.figure_files import picture_format, save_pages
from roomplan.show.room_tables import grouped, seat_words, size_words
from roomplan.show.sheet import (
    MARGIN,
    Sheet,
    grid_of_levels,
    letters_in,
    lower_end,
    new_sheet,
    octaves_from_1_khz,
    on_white,
    shortened,
    write,
)
from roomplan.show.tables import figure, level

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from pathlib import Path

    from matplotlib.axes import Axes
    from matplotlib.backend_bases import RendererBase
    from matplotlib.figure import Figure
    from matplotlib.text import Text
    from numpy.typing import NDArray

    from roomplan.rooms.portrait import RoomPortrait
    from roomplan.rooms.spec import MicrophoneSetup, RoomSpecification

    Array = NDArray[np.float64]

__all__ = ["draw_room"]

# The look: common practice, no source. All of it was chosen by looking.
_PAGE = (11.6, 8.4)
_TOP = 1.22  # under the page's heading
_VIEWS = (0.90, 5.45)  # left edge and greatest width of plan and side view
_VIEWS_HEIGHT = 4.75  # of both together
_BETWEEN = 1.02  # plan and side view: the plan's length, the side view's heading
_PANEL_LEFT, _PANEL_WIDTH = 7.15, 4.20
_PATTERN_HEIGHT, _CALLOUTS = 2.05, 0.82  # of levels, and of the names over them
_TIMES_HEIGHT = 1.55
_OFFSET = 0.36  # of a dimension line from its wall
_TICK = 0.15  # of a microphone's direction
_DOT, _SEAT = 0.035, 0.06  # radii
_CLOSE = 0.5  # microphones that are seen as one
_SMALL, _TINY = 7.5, 6.5
_SPACING = 0.135  # between names that stand upright beside each other
_STEPS_MS = (
    20.0,
    50.0,
    100.0,
    10.0,
    5.0,
    2.0,
    1.0,
    0.5,
)  # between rings, the first that gives some and not many
_FEWEST_RINGS, _MOST_RINGS = 2, 9
_LEAST_RANGE_DB, _MOST_RANGE_DB = 25.0, 45.0
_ORDERS = (("1 surface", "black", 1.5), ("2", "0.40", 1.0), ("3 and more", "0.62", 0.7))


def draw_room(portrait: RoomPortrait, target: Path) -> None:
    """Draw a room on one page.

    Parameters
    ----------
    target : Path
        A file in an existing folder; its suffix, .png, .svg or .pdf, says the format.

    Raises
    ------
    RoomplanError
        Another suffix, a place that cannot be written, matplotlib not installed.

    Notes
    -----
    The file appears whole or not at all. The same portrait gives the same bytes. Not drawn: the spread of two
    sources, the shape of a hall that is no box. A name that finds no free place is left out rather than put
    over another.
    """
    picture_format(target)
    save_pages(_pages(portrait), target)


def _pages(portrait: RoomPortrait) -> Iterator[Figure]:
    yield _page(portrait)


class _Box(NamedTuple):
    """A rectangle on the page, in inches."""

    left: float
    bottom: float
    right: float
    top: float

    @property
    def outline(self) -> tuple[list[float], list[float]]:
        return (
            [self.left, self.right, self.right, self.left, self.left],
            [self.bottom, self.bottom, self.top, self.top, self.bottom],
        )

    def meets(self, other: _Box) -> bool:
        return (
            self.left < other.right
            and other.left < self.right
            and self.bottom < other.top
            and other.bottom < self.top
        )


@dataclass
class _Drawing:
    """The whole page as one panel in inches, upwards, which knows where its words are."""

    sheet: Sheet
    axes: Axes
    renderer: RendererBase
    taken: list[_Box] = field(default_factory=list)

    def extent(self, text: Text) -> _Box:
        box = text.get_window_extent(self.renderer)
        dots = self.sheet.figure.dpi
        return _Box(box.x0 / dots, box.y0 / dots, box.x1 / dots, box.y1 / dots)

    def words(self, x: float, y: float, text: str, **settings: Any) -> Text:
        """Put words at a place, and keep others off it."""
        made = write(self.axes, x, y, text, **settings)
        self.taken.append(self.extent(made))
        return made

    def keep_free(self, x: float, y: float, radius: float) -> None:
        self.taken.append(_Box(x - radius, y - radius, x + radius, y + radius))

    def place(
        self, text: str, candidates: Iterable[tuple[float, float]], bounds: _Box, **settings: Any
    ) -> Text | None:
        """Put words, by their middle, at the first of some places that is free; None when there is none."""
        made = write(self.axes, 0.0, 0.0, text, ha="center", va="center", bbox=on_white(0.8), **settings)
        zero = self.extent(made)
        wide, high = (zero.right - zero.left) / 2.0 + 0.015, (zero.top - zero.bottom) / 2.0 + 0.01
        for x, y in candidates:
            box = _Box(x - wide, y - high, x + wide, y + high)
            inside = (
                bounds.left <= box.left
                and box.right <= bounds.right
                and bounds.bottom <= box.bottom
                and box.top <= bounds.top
            )
            if inside and not any(box.meets(other) for other in self.taken):
                made.set_position((x, y))
                self.taken.append(box)
                return made
        made.remove()
        return None

    def line(self, xs: Sequence[float] | Array, ys: Sequence[float] | Array, **settings: Any) -> Any:
        (made,) = self.axes.plot(xs, ys, **{"color": "black", "linewidth": 0.6, **settings})
        return made


class _View(NamedTuple):
    """One view of the room: where its walls are on the page, and what of the room is across and up."""

    left: float
    bottom: float
    scale: float  # inches per metre
    across: float  # metres
    upward: float
    base: float  # of the upward coordinate, at the bottom

    @property
    def box(self) -> _Box:
        return _Box(
            self.left,
            self.bottom,
            self.left + self.scale * self.across,
            self.bottom + self.scale * self.upward,
        )

    def point(self, x: float, up: float) -> tuple[float, float]:
        return self.left + self.scale * x, self.bottom + self.scale * (up - self.base)


def _page(portrait: RoomPortrait) -> Figure:
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    sheet = new_sheet(*_PAGE)
    axes = sheet.figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0.0, sheet.width)
    axes.set_ylim(0.0, sheet.height)
    axes.set_axis_off()
    # words are measured as a PNG will have them
    drawing = _Drawing(sheet, axes, FigureCanvasAgg(sheet.figure).get_renderer())
    _head(sheet, portrait)
    plan, side = _views(portrait.spec)
    _draw_plan(drawing, portrait, plan)
    _draw_side(drawing, portrait, side)
    _draw_pattern(drawing, portrait)
    _draw_times(drawing, portrait)
    sheet.caution(0.16)
    return sheet.figure


def _head(sheet: Sheet, portrait: RoomPortrait) -> None:
    spec = portrait.spec
    wide = sheet.width - 2 * MARGIN
    sheet.title(spec.title, 0.36)
    if spec.character:
        sheet.words(MARGIN, 0.60, shortened(spec.character, wide, 9.0), fontsize=9)
    facts = " · ".join(
        (
            f"{size_words(spec)} m",
            f"{grouped(spec.volume_m3)} m³",
            f"RT {figure(spec.mid_reverberation_time_s)} s",
            f"C80 {level(portrait.measured.c80_mid_db)} dB at the seat",
            f"mixing time {figure(1000.0 * portrait.mixing_time_s, 0)} ms",
            f"critical distance {figure(portrait.critical_distance_m, 1)} m",
            f"Schroeder frequency {figure(portrait.schroeder_frequency_hz, 0)} Hz",
        )
    )
    sheet.words(MARGIN, 0.83, shortened(facts, wide, 8.5), fontsize=8.5)


# --- plan and side view


def _views(spec: RoomSpecification) -> tuple[_View, _View]:
    """Plan and side view at the largest scale that both have room for."""
    length, width, height = spec.dimensions_m
    scale = min(_VIEWS[1] / length, _VIEWS_HEIGHT / (width + height))
    top = _PAGE[1] - _TOP - 0.30
    plan = _View(_VIEWS[0], top - scale * width, scale, length, width, -width / 2.0)
    side = _View(_VIEWS[0], plan.bottom - _BETWEEN - scale * height, scale, length, height, 0.0)
    return plan, side


def _heading(drawing: _Drawing, x: float, y: float, bold: str, plain: str = "") -> None:
    """Name of a part of the page, and beside it what its signs mean."""
    made = drawing.words(x, y, bold, fontsize=9, fontweight="bold")
    if plain:
        drawing.words(drawing.extent(made).right + 0.12, y, plain, fontsize=_SMALL, color="0.25")


def _draw_plan(drawing: _Drawing, portrait: RoomPortrait, view: _View) -> None:
    spec = portrait.spec
    length, width, _height = spec.dimensions_m
    box = view.box
    _heading(
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
        zone = _Box(*view.point(spec.stage.from_m, -half), *view.point(spec.stage.to_m, half))
        _zone(drawing, zone)
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
        drawing.place("stage", places, box, fontsize=_SMALL, color="0.3", gid="name of the stage")
    _rings(drawing, spec, view)


def _seat_name(portrait: RoomPortrait) -> str:
    return "reference seat" if portrait.at_reference_seat else "seat"


def _stage_name_places(zone: _Box) -> list[tuple[float, float]]:
    """In a corner of the zone where it fits, else over or under it."""
    middle = (zone.left + zone.right) / 2.0
    places = [(middle, zone.top + 0.10), (middle, zone.bottom - 0.10)]
    if zone.right - zone.left > 0.6 and zone.top - zone.bottom > 0.3:
        sides = (zone.left + 0.26, zone.right - 0.26)
        places = [(x, y) for x in sides for y in (zone.top - 0.10, zone.bottom + 0.10)] + places
    return places


def _walls(drawing: _Drawing, box: _Box, name: str) -> None:
    drawing.line(
        *box.outline,
        linewidth=1.5,
        solid_joinstyle="miter",
        gid=name,
    )
    for x in (box.left, box.right):
        drawing.taken.append(_Box(x - 0.02, box.bottom, x + 0.02, box.top))
    for y in (box.bottom, box.top):
        drawing.taken.append(_Box(box.left, y - 0.02, box.right, y + 0.02))


def _wall_names(drawing: _Drawing, box: _Box) -> None:
    """Names of the walls, outside; those of the short ones only where they fit."""
    style: dict[str, Any] = {"fontsize": _TINY, "color": "0.3"}
    middle = (box.bottom + box.top) / 2.0
    if box.top - box.bottom > 0.62:
        drawing.words(box.left - 0.10, middle, "stage wall", rotation=90, ha="center", va="center", **style)
        drawing.words(box.right + 0.12, middle, "far wall", rotation=90, ha="center", va="center", **style)
    drawing.words(box.right, box.bottom - 0.16, "left wall", ha="right", **style)
    drawing.words(box.right, box.top + 0.06, "right wall", ha="right", **style)


def _dimension(
    drawing: _Drawing, start: tuple[float, float], end: tuple[float, float], length_m: float
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


def _zone(drawing: _Drawing, zone: _Box) -> None:
    drawing.line(
        *zone.outline,
        linewidth=0.7,
        color="0.5",
        dashes=(1.5, 2.0),
        gid="stage",
    )


def _microphones(
    drawing: _Drawing,
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
        drawing.taken.append(_Box(low[0], low[1], high[0], high[1]))


def _seat(drawing: _Drawing, place: tuple[float, float]) -> None:
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
    drawing: _Drawing, name: str, places: Sequence[tuple[float, float]], box: _Box, **settings: Any
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
    made = made or drawing.place(name, outside, _Box(MARGIN, 0.0, _PANEL_LEFT - 0.6, _PAGE[1]), **style)
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


def _rings(drawing: _Drawing, spec: RoomSpecification, view: _View) -> None:
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
    inside = _Box(box.left + 0.02, box.bottom + 0.02, box.right - 0.02, box.top - 0.02)
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
            fontsize=_TINY,
            color="0.25",
            zorder=3,
            gid=f"name of ring {time:g} ms",
        )


def _draw_side(drawing: _Drawing, portrait: RoomPortrait, view: _View) -> None:
    spec = portrait.spec
    height = spec.dimensions_m[2]
    box = view.box
    _heading(
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
            fontsize=_SMALL, color="0.3",
        )  # fmt: skip
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
        for part in _at_most_two_lines(drawing, line, _PANEL_LEFT - 0.7):
            drawing.words(MARGIN, down, part, fontsize=_SMALL, color="0.25")
            down -= 0.16


def _at_most_two_lines(drawing: _Drawing, text: str, right: float) -> list[str]:
    """Text in one line where it fits, else in two."""
    tried = write(drawing.axes, MARGIN, 0.0, text, fontsize=_SMALL)
    fits = drawing.extent(tried).right <= right
    tried.remove()
    most = letters_in(right - MARGIN, 0.92 * _SMALL)
    return [text] if fits else textwrap.wrap(text, most, max_lines=2, placeholder=" …")


# --- reflections and decay


def _panel(sheet: Sheet, bottom: float, height: float) -> Axes:
    axes = sheet.panel(_PANEL_LEFT, sheet.height - bottom - height, _PANEL_WIDTH, height)
    axes.patch.set_visible(False)
    return axes


def _draw_pattern(drawing: _Drawing, portrait: RoomPortrait) -> None:
    """Image sources as stems over the time after the direct sound, and the energy still to come behind."""
    bottom = _PAGE[1] - _TOP - 0.42 - _CALLOUTS - _PATTERN_HEIGHT
    axes = _panel(drawing.sheet, bottom, _PATTERN_HEIGHT)
    top = bottom + _PATTERN_HEIGHT
    _heading(
        drawing,
        _PANEL_LEFT - 0.5,
        _PAGE[1] - _TOP - 0.06,
        f"Reflections at {shortened(portrait.microphones, 1.6, 9.0)}",
        "dB re direct, omnidirectional",
    )
    low, high = _level_range(portrait)
    end_ms = 1000.0 * portrait.window_s
    axes.set_xlim(-0.012 * end_ms, end_ms)
    axes.set_ylim(low, high)
    axes.set_ylabel("dB")
    axes.set_xlabel("ms after the direct sound")
    grid_of_levels(axes)
    to_come = portrait.to_come
    if to_come is not None:
        axes.fill_between(
            1000.0 * to_come.times_s,
            np.maximum(to_come.level_db, low),
            low,
            facecolor="0.91",
            edgecolor="0.6",
            linewidth=0.6,
            zorder=1,
            gid="energy to come",
        )
    for number, (_words, ink, width) in enumerate(reversed(_ORDERS)):
        order = len(_ORDERS) - number
        found = [r for r in portrait.reflections if min(r.order, len(_ORDERS)) == order and r.level_db > low]
        if found:
            times = [1000.0 * r.after_direct_s for r in found]
            levels = [r.level_db for r in found]
            axes.vlines(
                times, low, levels, color=ink, linewidth=width, zorder=3 + number, gid=f"order {order}"
            )
            if order < len(_ORDERS):
                axes.plot(
                    times,
                    levels,
                    linestyle="none",
                    marker="o",
                    markersize=3.2,
                    markerfacecolor=ink if order == 1 else "white",
                    markeredgecolor=ink,
                    markeredgewidth=0.8,
                    zorder=3 + number,
                )
    axes.vlines([0.0], low, 0.0, color="black", linewidth=2.4, zorder=6, gid="direct")
    _callouts(drawing, portrait, axes, (low, high), top)
    _pattern_key(drawing, bottom - 0.56)


def _level_range(portrait: RoomPortrait) -> tuple[float, float]:
    """Levels of the panel: whole tens that hold what counts, neither too few nor too many."""
    levels = [r.level_db for r in portrait.reflections]
    high = max(0.0, *levels[:1], *([float(portrait.to_come.level_db[0])] if portrait.to_come else [])) + 1.0
    high = max(high, max(levels, default=0.0) + 1.0)
    low = min(levels, default=-_LEAST_RANGE_DB) - 3.0
    return lower_end(low, high, least=_LEAST_RANGE_DB, most=_MOST_RANGE_DB), high


def _callouts(
    drawing: _Drawing, portrait: RoomPortrait, axes: Axes, levels: tuple[float, float], top: float
) -> None:
    """Names over the panel, with a thin line to what they name: direct sound, first walls, mixing time."""
    low, high = levels
    start_ms, end_ms = axes.get_xlim()
    entries: list[tuple[float, float, str]] = [(0.0, 0.0, "direct")]
    seen = set()
    for found in portrait.reflections:
        if found.order == 1 and found.surfaces not in seen and found.level_db > low:
            seen.add(found.surfaces)
            name = found.surfaces[0].replace("_", " ")
            entries.append((1000.0 * found.after_direct_s, found.level_db, name))
    mixed_ms = 1000.0 * portrait.mixing_time_s
    if mixed_ms <= end_ms:
        axes.plot(
            [mixed_ms] * 2,
            [low, high],
            color="black",
            linewidth=0.8,
            dashes=(4.0, 2.5),
            zorder=2,
            gid="mixing time",
        )
        entries.append((mixed_ms, high, "mixing time"))
    entries.sort()

    def across(time_ms: float) -> float:
        return _PANEL_LEFT + _PANEL_WIDTH * (time_ms - start_ms) / (end_ms - start_ms)

    places = _spread(
        [across(time) for time, _level, _name in entries], _SPACING, _PANEL_LEFT + _PANEL_WIDTH + 0.1
    )
    for x, (time, at, name) in zip(places, entries, strict=True):
        foot = top - _PATTERN_HEIGHT * (high - at) / (high - low)
        drawing.line(
            [x, across(time), across(time)],
            [top + 0.13, top, foot + 0.03],
            linewidth=0.4,
            color="0.55",
            zorder=1,
        )
        drawing.words(x, top + 0.16, name, rotation=90, ha="center", va="bottom", fontsize=_SMALL)


def _spread(places: Sequence[float], spacing: float, end: float) -> list[float]:
    """Places in their order, none nearer to the next than `spacing`, moved as little as needed."""
    found = list(places)
    for i in range(1, len(found)):
        found[i] = max(found[i], found[i - 1] + spacing)
    if found and found[-1] > end:
        found[-1] = end
        for i in range(len(found) - 2, -1, -1):
            found[i] = min(found[i], found[i + 1] - spacing)
    return found


def _pattern_key(drawing: _Drawing, y: float) -> None:
    """What the stems and the grey mean."""
    x = _PANEL_LEFT - 0.5
    for order, (words, ink, width) in enumerate(_ORDERS, start=1):
        drawing.line([x + 0.04] * 2, [y - 0.03, y + 0.09], linewidth=width, color=ink)
        if order < len(_ORDERS):
            drawing.line(
                [x + 0.04], [y + 0.09], marker="o", markersize=3.2, color=ink, markeredgewidth=0.8,
                markerfacecolor=ink if order == 1 else "white",
            )  # fmt: skip
        made = drawing.words(x + 0.12, y, words, fontsize=_SMALL)
        x = drawing.extent(made).right + 0.16
    drawing.axes.fill_between(
        [x, x + 0.22], y - 0.02, y + 0.09, facecolor="0.91", edgecolor="0.6", linewidth=0.6
    )
    drawing.words(x + 0.28, y, "energy of the response still to come", fontsize=_SMALL)


def _draw_times(drawing: _Drawing, portrait: RoomPortrait) -> None:
    """Reverberation time over frequency: as asked for, and as the response of this seat measures."""
    spec = portrait.spec
    bottom = 1.0
    axes = _panel(drawing.sheet, bottom, _TIMES_HEIGHT)
    head = bottom + _TIMES_HEIGHT + 0.16
    made = "of the materials" if spec.absorption is not None else "asked for"
    _heading(
        drawing,
        _PANEL_LEFT - 0.5,
        head,
        "Reverberation time, s",
        f"line: {made}; rings: T30 of this response",
    )
    across = [octaves_from_1_khz(centre) for centre in BAND_CENTRES_HZ]
    times = [spec.reverberation_time_s[centre] for centre in BAND_CENTRES_HZ]
    measured = [
        (place, time)
        for place, centre in zip(across, BAND_CENTRES_HZ, strict=True)
        if (time := portrait.measured.t30_s[centre]) is not None
    ]
    highest = max([*times, *(time for _place, time in measured)])
    axes.set_xlim(across[0] - 0.45, across[-1] + 0.45)
    axes.set_ylim(0.0, 1.30 * highest)
    axes.set_xticks(across, [f"{c // 1000} k" if c >= 1000 else str(c) for c in BAND_CENTRES_HZ])
    axes.set_xlabel("Hz")
    axes.set_ylabel("s")
    axes.plot(across, times, color="black", linewidth=1.3, gid="asked for")
    axes.plot(
        [place for place, _time in measured],
        [time for _place, time in measured],
        linestyle="none",
        marker="o",
        markersize=5.0,
        markerfacecolor="white",
        markeredgecolor="black",
        markeredgewidth=0.9,
        gid="measured",
    )
    for place, centre, time in zip(across, BAND_CENTRES_HZ, times, strict=True):
        found = portrait.measured.t30_s[centre]
        over = max(time, found if found is not None else 0.0)
        x = _PANEL_LEFT + _PANEL_WIDTH * (place - across[0] + 0.45) / (across[-1] - across[0] + 0.9)
        y = bottom + _TIMES_HEIGHT * over / (1.30 * highest)
        drawing.words(x, y + 0.09, figure(time), ha="center", fontsize=_SMALL)
