"""Pictures of plans side by side: loudness of one bus over time, and what every bus gains or loses.

Conventions
-----------
Loudness in LUFS, differences in LU, of a plan minus the first plan. A window of 3 s is drawn at its end, as
on a running meter. A plan is known by its dash pattern and grey above, by its marker below, and by its name
in both places; nothing depends on colour. Inside, sizes are inches and points.

Sources
-------
The band of ±1 LU, which one hardly hears as a change of level: common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from roomplan.errors import RoomplanError
from roomplan.foreign_text import printable
from roomplan.show.figure_files import picture_format, save_pages
from roomplan.show.sheet import (
    Sheet,
    grid_of_levels,
    lower_end,
    marker_sample,
    new_sheet,
    say_why,
    shortened,
    time_axis,
    write,
)
from roomplan.show.tables import level

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

__all__ = ["MOST_BUSES", "MOST_PLANS", "PlanCurve", "draw_comparison"]

MOST_PLANS = 6
"""Plans on one page."""

MOST_BUSES = 60
"""Rows of differences on one page; of more buses, those that differ most are drawn."""

# The look: common practice, no source. All of it was chosen by looking.
_WIDTH = 6.3  # of both panels
_LEFT, _RIGHT = 2.15, 2.3  # beside them: names of the buses; names of the plans
_TOP, _BOTTOM = 0.66, 0.50
_HEADING = (0.34, 0.58)  # over each panel: what it shows, and the key of the lower
_BELOW = 0.56  # under a panel: its axis
_CURVES_HEIGHT = 3.3
_ROW, _ROW_PER_PLAN = 0.10, 0.085
_NAME_HEIGHT = 0.17  # of a name beside the curves
_LEAST_SPAN_LU = 8.0
_MOST_SPAN_LU = 50.0
_LEAST_DIFFERENCE_LU = 1.6
_MOST_DIFFERENCE_LU = 20.0  # further ones are at the edge, with their figure
_MOST_POINTS = 2000  # of a curve


@dataclass(frozen=True, slots=True, eq=False)
class PlanCurve:
    """One plan of a comparison.

    Attributes
    ----------
    label : str
        Name of the plan.
    time_s, short_term_lufs : ndarray, shape (windows,)
        Short-term loudness of the chosen bus, each window at its end; −inf for silence. May be empty.
    integrated_lufs : float or None
        Of the chosen bus.
    differences : mapping of str to (float or None)
        Bus → its integrated loudness minus that in the first plan, LU; None where it cannot be said. Those
        of the first plan are not drawn: they are the zero line.
    """

    label: str
    time_s: NDArray[np.float64]
    short_term_lufs: NDArray[np.float64]
    integrated_lufs: float | None
    differences: Mapping[str, float | None]


def draw_comparison(title: str, curves: Sequence[PlanCurve], target: Path) -> None:
    """Draw plans side by side on one page.

    Parameters
    ----------
    title : str
        What the page shows, as a rule the chosen bus.
    curves : sequence of PlanCurve
        Two to six; the first is what the others are compared with.
    target : Path
        A file in an existing folder; its suffix, .png, .svg or .pdf, says the format.

    Raises
    ------
    RoomplanError
        Another suffix, one plan or too many, a place that cannot be written, matplotlib not installed.

    Notes
    -----
    The file appears whole or not at all; an earlier one stays until then. Not done: nothing is computed but
    the places of lines. Of a long sound one of several windows is drawn. What is far under the loudness of
    the whole leaves the panel at its foot. Where a name has characters the built-in font lacks, the PNG and
    the PDF show boxes.
    """
    picture_format(target)
    if len(curves) < 2:
        raise RoomplanError("a comparison needs at least two plans", remedy="add another plan")
    if len(curves) > MOST_PLANS:
        raise RoomplanError(
            f"a picture compares at most {MOST_PLANS} plans, not {len(curves)}", remedy="choose fewer"
        )
    save_pages((_page(title, shown) for shown in [curves]), target)


class _Line(NamedTuple):
    """How the curve of a plan is drawn."""

    ink: str
    width: float
    dashes: tuple[float, ...]  # in points of the width; empty for an unbroken line


_LINES = (
    _Line("black", 1.3, ()),
    _Line("0.55", 1.9, ()),
    _Line("black", 1.2, (4.5, 2.0)),
    _Line("0.45", 1.5, (6.0, 1.6, 1.2, 1.6)),
    _Line("black", 1.4, (1.0, 1.4)),
    _Line("0.5", 1.3, (11.0, 3.0)),
)


class _Mark(NamedTuple):
    """How the differences of a plan are drawn."""

    marker: str
    face: str
    size: float


_MARKS = (  # from the second plan on
    _Mark("o", "black", 5.0),
    _Mark("s", "white", 4.6),
    _Mark("^", "0.6", 5.6),
    _Mark("D", "white", 4.4),
    _Mark("v", "black", 5.4),
)
_MARK_EDGE = 0.8


def _page(title: str, curves: Sequence[PlanCurve]) -> Figure:
    buses, left_out = _rows(curves)
    row = _ROW + _ROW_PER_PLAN * (len(curves) - 1)
    rows_height = row * max(len(buses), 2)
    sheet = new_sheet(
        _LEFT + _WIDTH + _RIGHT,
        _TOP + sum(_HEADING) + _CURVES_HEIGHT + rows_height + 2 * _BELOW + _BOTTOM,
    )
    sheet.title(title)
    down = _TOP
    sheet.heading(_LEFT, down + 0.16, "Short-term loudness, 3 s")
    sheet.heading(_LEFT + _WIDTH + 0.12, down + 0.16, "integrated, LUFS")
    down += _HEADING[0]
    _draw_curves(sheet.panel(_LEFT, down, _WIDTH, _CURVES_HEIGHT), curves)
    down += _CURVES_HEIGHT + _BELOW
    first = shortened(curves[0].label, 2.4, 8.5)
    sheet.heading(_LEFT, down + 0.16, f"Integrated loudness of every bus against {first}")
    down += _HEADING[1]
    _key(sheet, curves, down - 0.08)
    _draw_differences(sheet.panel(_LEFT, down, _WIDTH, rows_height), curves, buses, row)
    down += rows_height + _BELOW
    if left_out:
        note = f"not drawn: {left_out} of the buses, which differ less; they are in the table"
        sheet.small_print(_LEFT, down, note)
    sheet.caution()
    return sheet.figure


# --- loudness over time -----------------------------------------------------------------------------------


def _draw_curves(axes: Axes, curves: Sequence[PlanCurve]) -> None:
    low, high = _levels(curves)
    end_s = max((float(curve.time_s[-1]) for curve in curves if curve.time_s.size), default=1.0)
    axes.set_ylim(low, high)
    axes.set_ylabel("LUFS")
    grid_of_levels(axes)
    time_axis(axes, end_s)
    for number, (curve, line) in enumerate(zip(curves, _LINES, strict=False)):
        step = math.ceil(max(curve.time_s.size, 1) / _MOST_POINTS)
        shown = np.maximum(curve.short_term_lufs[::step], low - 10.0)  # silence leaves the panel
        axes.plot(curve.time_s[::step], shown, zorder=3.0 - 0.1 * number, **_look(line))
    if not any(np.isfinite(curve.short_term_lufs).any() for curve in curves):
        say_why(axes, "silent, or shorter than 3 s")
    _name_curves(axes, curves, low, high)


def _look(line: _Line) -> dict[str, Any]:
    look: dict[str, Any] = {"color": line.ink, "linewidth": line.width}
    return look | ({"dashes": line.dashes, "dash_capstyle": "butt"} if line.dashes else {})


def _levels(curves: Sequence[PlanCurve]) -> tuple[float, float]:
    """Ends of the scale: from the loudest window to somewhat under what counts."""
    highest, lowest = [], []
    for curve in curves:
        finite = curve.short_term_lufs[np.isfinite(curve.short_term_lufs)]
        whole = curve.integrated_lufs
        highest += [float(finite.max())] if finite.size else []
        if whole is not None:
            highest.append(whole)
            counting = finite[finite >= whole - 20.0]  # as for the loudness range, EBU Tech 3342
            lowest += [whole, *([float(np.percentile(counting, 5.0))] if counting.size else [])]
    high = max(highest, default=0.0) + 1.5
    low = min(lowest, default=high - _LEAST_SPAN_LU) - 2.5
    return lower_end(low, high, least=_LEAST_SPAN_LU, most=_MOST_SPAN_LU), high


def _name_curves(axes: Axes, curves: Sequence[PlanCurve], low: float, high: float) -> None:
    """Beside the panel: a tick at each integrated loudness, and what belongs to it.

    Curves end in silence, all at one place: so the names are at the loudness of the whole.
    """
    per_lu = _CURVES_HEIGHT / (high - low)
    levels = [low if c.integrated_lufs is None else c.integrated_lufs for c in curves]
    ticks = [float(np.clip((value - low) * per_lu, 0.0, _CURVES_HEIGHT)) for value in levels]
    places = _spread(ticks, _NAME_HEIGHT, _CURVES_HEIGHT)
    for curve, line, tick, place in zip(curves, _LINES, ticks, places, strict=False):
        if curve.integrated_lufs is not None:
            _draw_beside(axes, (0.0, 0.10), (tick, tick), {"color": line.ink, "linewidth": line.width})
            _draw_beside(axes, (0.10, 0.22), (tick, place), {"color": "0.6", "linewidth": 0.5})
        _draw_beside(axes, (0.24, 0.62), (place, place), _look(line))
        name = shortened(curve.label, _RIGHT - 1.25, 8.0)
        write(
            axes,
            1.0 + 0.68 / _WIDTH,
            place / _CURVES_HEIGHT,
            f"{level(curve.integrated_lufs)}  {name}",
            transform=axes.transAxes,
            va="center_baseline",
            fontsize=8,
        )


def _draw_beside(axes: Axes, x: Sequence[float], y: Sequence[float], look: Mapping[str, Any]) -> None:
    """Draw a line to the right of the curves; inches from the foot of the panel's right side."""
    from matplotlib.lines import Line2D

    line = Line2D(
        [1.0 + value / _WIDTH for value in x],
        [value / _CURVES_HEIGHT for value in y],
        transform=axes.transAxes,
        clip_on=False,
        **look,
    )
    axes.add_line(line)


def _spread(wanted: Sequence[float], least: float, most: float) -> list[float]:
    """Places near the wanted ones, from 0 to `most`, in their order and at least so far apart."""
    order = sorted(range(len(wanted)), key=lambda index: (wanted[index], -index))
    # groups that touch are put about the mean of what their members want
    groups: list[list[int]] = []
    for index in order:
        groups.append([index])
        while (
            len(groups) > 1
            and _bounds(groups[-2], wanted, least, most)[1] + least
            > (_bounds(groups[-1], wanted, least, most)[0])
        ):
            last = groups.pop()
            groups[-1] += last
    places = [0.0] * len(wanted)
    for group in groups:
        start, _ = _bounds(group, wanted, least, most)
        for rank, index in enumerate(group):
            places[index] = start + rank * least
    return places


def _bounds(group: Sequence[int], wanted: Sequence[float], least: float, most: float) -> tuple[float, float]:
    """First and last place of names that are close together."""
    length = least * (len(group) - 1)
    start = sum(wanted[index] for index in group) / len(group) - 0.5 * length
    start = min(max(start, 0.0), most - length)
    return start, start + length


# --- differences ------------------------------------------------------------------------------------------


def _rows(curves: Sequence[PlanCurve]) -> tuple[list[str], int]:
    """Buses of all plans in their order, and how many of them have no room."""
    buses = list(dict.fromkeys(bus for curve in curves for bus in curve.differences))
    if len(buses) <= MOST_BUSES:
        return buses, 0

    def largest(bus: str) -> float:
        return max(
            (abs(value) for c in curves[1:] if (value := c.differences.get(bus)) is not None), default=0.0
        )

    kept = set(sorted(buses, key=largest, reverse=True)[:MOST_BUSES])
    return [bus for bus in buses if bus in kept], len(buses) - MOST_BUSES


def _draw_differences(axes: Axes, curves: Sequence[PlanCurve], buses: Sequence[str], row: float) -> None:
    others = curves[1:]
    values = [value for c in others for bus in buses if (value := c.differences.get(bus)) is not None]
    low = max(min([-_LEAST_DIFFERENCE_LU, *values]), -_MOST_DIFFERENCE_LU)
    high = min(max([_LEAST_DIFFERENCE_LU, *values]), _MOST_DIFFERENCE_LU)
    margin = 0.03 * (high - low)  # no marker runs into the names
    axes.set_xlim(low - margin, high + margin)
    axes.set_axisbelow(True)
    axes.set_ylim(max(len(buses), 2) - 0.5, -0.5)
    axes.set_xlabel("difference, LU")
    axes.set_yticks(range(len(buses)), [printable(shortened(bus, _LEFT - 0.3, 7.5)) for bus in buses])
    axes.tick_params(axis="y", length=0.0)
    for name in axes.get_yticklabels():
        name.set_parse_math(False)
    axes.axvspan(-1.0, 1.0, color="0.93", linewidth=0.0, zorder=0)
    axes.axvline(0.0, color="black", linewidth=0.8, zorder=1)
    for edge in range(1, len(buses)):
        axes.axhline(edge - 0.5, color="0.85", linewidth=0.4, zorder=1)
    lane = _ROW_PER_PLAN / row
    for number, (curve, mark) in enumerate(zip(others, _MARKS, strict=False)):
        shift = lane * (number - 0.5 * (len(others) - 1))
        for place, bus in enumerate(buses):
            value = curve.differences.get(bus)
            if value is not None:
                _draw_difference(axes, float(value), place + shift, mark, (low, high))
    for place, bus in enumerate(buses):
        without = [curve.label for curve in others if curve.differences.get(bus) is None]
        if without:
            names = "any plan" if len(without) == len(others) > 1 else ", ".join(without)
            write(
                axes,
                1.0 + 0.12 / _WIDTH,
                place,
                shortened(f"no figure: {names}", _RIGHT - 0.2, 7.0),
                transform=axes.get_yaxis_transform(),
                va="center",
                fontsize=7,
                color="0.25",
            )


def _draw_difference(axes: Axes, value: float, place: float, mark: _Mark, ends: tuple[float, float]) -> None:
    shown = min(max(value, ends[0]), ends[1])
    axes.plot(
        [shown],
        [place],
        linestyle="none",
        marker=mark.marker,
        color="black",
        markerfacecolor=mark.face,
        markeredgewidth=_MARK_EDGE,
        markersize=mark.size,
        clip_on=False,
        zorder=3,
    )
    if shown != value:
        axes.annotate(
            level(value),
            (shown, place),
            (7.0 if value < 0.0 else -7.0, 0.0),
            textcoords="offset points",
            ha="left" if value < 0.0 else "right",
            va="center",
            fontsize=6.5,
        )


def _key(sheet: Sheet, curves: Sequence[PlanCurve], from_top: float) -> None:
    from matplotlib.patches import Patch

    room = (_WIDTH + _RIGHT - 1.4) / len(curves) - 0.3
    entries: list[tuple[Artist, str]] = [
        (
            marker_sample(mark.marker, "black", mark.size, mark.face, _MARK_EDGE),
            shortened(curve.label, room, 7.5),
        )
        for curve, mark in zip(curves[1:], _MARKS, strict=False)
    ]
    entries.append((Patch(facecolor="0.93", edgecolor="0.8", linewidth=0.4), "±1 LU"))
    sheet.key(entries, "lower left", (_LEFT, from_top), sample=1.4)
