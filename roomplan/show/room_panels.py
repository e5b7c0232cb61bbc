"""What a seat gets: its reflections one by one."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomplan.show.room_canvas import (
    PAGE,
    PANEL_LEFT,
    PANEL_WIDTH,
    SMALL,
    TOP,
    Drawing,
    bare_panel,
    heading,
)
from roomplan.show.sheet import grid_of_levels, lower_end, shortened

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from roomplan.rooms.portrait import RoomPortrait

__all__ = ["draw_pattern"]

_PATTERN_HEIGHT, _CALLOUTS = 2.05, 0.82  # of levels, and of the names over them
_SPACING = 0.135  # between names that stand upright beside each other
_LEAST_RANGE_DB, _MOST_RANGE_DB = 25.0, 45.0
_ORDERS = (("1 surface", "black", 1.5), ("2", "0.40", 1.0), ("3 and more", "0.62", 0.7))


def draw_pattern(drawing: Drawing, portrait: RoomPortrait) -> None:
    """Image sources as stems over the time after the direct sound, and the energy still to come behind."""
    bottom = PAGE[1] - TOP - 0.42 - _CALLOUTS - _PATTERN_HEIGHT
    axes = bare_panel(drawing, PANEL_LEFT, bottom, (PANEL_WIDTH, _PATTERN_HEIGHT))
    top = bottom + _PATTERN_HEIGHT
    heading(
        drawing,
        PANEL_LEFT - 0.5,
        PAGE[1] - TOP - 0.06,
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
    drawing: Drawing, portrait: RoomPortrait, axes: Axes, levels: tuple[float, float], top: float
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
        return PANEL_LEFT + PANEL_WIDTH * (time_ms - start_ms) / (end_ms - start_ms)

    places = _spread(
        [across(time) for time, _level, _name in entries], _SPACING, PANEL_LEFT + PANEL_WIDTH + 0.1
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
        drawing.words(x, top + 0.16, name, rotation=90, ha="center", va="bottom", fontsize=SMALL)


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


def _pattern_key(drawing: Drawing, y: float) -> None:
    """What the stems and the grey mean."""
    x = PANEL_LEFT - 0.5
    for order, (words, ink, width) in enumerate(_ORDERS, start=1):
        drawing.line([x + 0.04] * 2, [y - 0.03, y + 0.09], linewidth=width, color=ink)
        if order < len(_ORDERS):
            drawing.line(
                [x + 0.04], [y + 0.09], marker="o", markersize=3.2, color=ink, markeredgewidth=0.8,
                markerfacecolor=ink if order == 1 else "white",
            )  # fmt: skip
        made = drawing.words(x + 0.12, y, words, fontsize=SMALL)
        x = drawing.extent(made).right + 0.16
    drawing.axes.fill_between(
        [x, x + 0.22], y - 0.02, y + 0.09, facecolor="0.91", edgecolor="0.6", linewidth=0.6
    )
    drawing.words(x + 0.28, y, "energy of the response still to come", fontsize=SMALL)
