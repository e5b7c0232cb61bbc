"""Pictures of loudness over time: momentary thin, short-term thick, the whole as a line, its range shaded.

Conventions
-----------
Sounds are panels one above the other, with one time axis and one scale. A window is drawn at its end, as on a
running meter. Ink is black and grey, and nothing depends on colour; a panel without loudness says why.
Inside, sizes are inches and points.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from roomplan.errors import RoomplanError
from roomplan.loudness.gating import range_bounds
from roomplan.show.figure_files import picture_format, save_pages
from roomplan.show.sheet import (
    MARGIN,
    Sheet,
    grid_of_levels,
    lower_end,
    new_sheet,
    say_why,
    shortened,
    time_axis,
)
from roomplan.show.tables import figure, level

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from roomplan.loudness.programme import ProgrammeLoudness

__all__ = ["MOST_PANELS", "PicturedSound", "draw_loudness"]

MOST_PANELS = 8
"""Sounds on one page."""

# The look: common practice, no source. All of it was chosen by looking.
_WIDTH = 7.6  # of a panel
_LEFT, _RIGHT = 0.66, 0.24
_TOP, _BOTTOM = 0.70, 0.90
_HEADING = 0.58  # over a panel: its name, its figures
_HEIGHTS = ((1, 3.2), (3, 2.0), (MOST_PANELS, 1.3))  # of a panel, for so many of them
_MOST_POINTS = 1200  # of a line, each with what is highest and lowest around it
_LEAST_SPAN_LU = 20.0
_MOST_SPAN_LU = 70.0


@dataclass(frozen=True, slots=True)
class PicturedSound:
    """One panel: the name of a sound, its length and its loudness."""

    title: str
    duration_s: float
    loudness: ProgrammeLoudness


def draw_loudness(sounds: Sequence[PicturedSound], target: Path) -> None:
    """Draw the loudness of sounds over time.

    Parameters
    ----------
    sounds : sequence of PicturedSound
        One to eight; for a PDF as many as you like, eight to a page.
    target : Path
        A file in an existing folder; its suffix, .png, .svg or .pdf, says the format.

    Raises
    ------
    RoomplanError
        Another suffix, no sound or too many, a place that cannot be written, matplotlib not installed.

    Notes
    -----
    The file appears whole or not at all. Of long sounds only the highest and the lowest of neighbouring
    windows are drawn, so no maximum is lost. What is far under the loudness of the whole leaves its panel at
    the foot. Where a name has characters the built-in font lacks, the PNG and the PDF show boxes.
    """
    kind = picture_format(target)
    if not sounds:
        raise RoomplanError(f"{target}: no sound to draw", remedy="name at least one")
    if len(sounds) > MOST_PANELS and kind != "pdf":
        raise RoomplanError(
            f"a picture shows at most {MOST_PANELS} sounds, not {len(sounds)}",
            remedy="choose fewer, or name a .pdf",
        )
    save_pages(_pages(sounds), target)


class _Scales(NamedTuple):
    """What the panels of all pages share."""

    end_s: float
    low_lufs: float
    high_lufs: float


def _pages(sounds: Sequence[PicturedSound]) -> Iterator[Figure]:
    scales = _scales(sounds)
    for first in range(0, len(sounds), MOST_PANELS):
        yield _page(sounds[first : first + MOST_PANELS], scales)


def _scales(sounds: Sequence[PicturedSound]) -> _Scales:
    """Time until the longest sound ends; levels from the loudest 400 ms to somewhat under what counts."""
    highest, lowest = [], []
    for sound in sounds:
        loudness = sound.loudness
        if loudness.momentary_max_lufs is None:
            continue
        highest.append(loudness.momentary_max_lufs)
        bounds = range_bounds(loudness.over_time)
        if bounds is not None:
            lowest.append(bounds[0])
        if loudness.integrated_lufs is not None:
            lowest.append(loudness.integrated_lufs - 10.0)  # its relative gate
    high = max(highest, default=0.0) + 2.0
    low = min(lowest, default=high - _LEAST_SPAN_LU) - 4.0
    low = lower_end(low, high, least=_LEAST_SPAN_LU, most=_MOST_SPAN_LU)
    return _Scales(max(sound.duration_s for sound in sounds), low, high)


def _page(sounds: Sequence[PicturedSound], scales: _Scales) -> Figure:
    height = next(height for most, height in _HEIGHTS if len(sounds) <= most)
    sheet = new_sheet(_LEFT + _WIDTH + _RIGHT, _TOP + len(sounds) * (_HEADING + height) + _BOTTOM)
    sheet.title("Loudness over time")
    down = _TOP
    for number, sound in enumerate(sounds):
        sheet.heading(_LEFT, down + 0.27, shortened(sound.title, _WIDTH, 9.0), fontsize=9)
        sheet.words(_LEFT, down + 0.46, _figures(sound.loudness), fontsize=7.5)
        down += _HEADING
        axes = sheet.panel(_LEFT, down, _WIDTH, height)
        time_axis(axes, scales.end_s)
        if number < len(sounds) - 1:  # the numbers are only under the last
            axes.set_xlabel("")
            axes.tick_params(labelbottom=False)
        _draw(axes, sound, scales)
        down += height
    _key(sheet)
    sheet.caution()
    return sheet.figure


def _figures(loudness: ProgrammeLoudness) -> str:
    """Say all that can be said."""
    entries = (
        (loudness.integrated_lufs, f"integrated {level(loudness.integrated_lufs)} LUFS"),
        (loudness.loudness_range_lu, f"LRA {figure(loudness.loudness_range_lu, 1)} LU"),
        (loudness.momentary_max_lufs, f"momentary maximum {level(loudness.momentary_max_lufs)} LUFS"),
        (loudness.short_term_max_lufs, f"short-term maximum {level(loudness.short_term_max_lufs)} LUFS"),
        (loudness.true_peak_dbtp, f"true peak {level(loudness.true_peak_dbtp)} dBTP"),
    )
    return " · ".join(words for value, words in entries if value is not None)


def _draw(axes: Axes, sound: PicturedSound, scales: _Scales) -> None:
    loudness, over_time = sound.loudness, sound.loudness.over_time
    axes.set_ylim(scales.low_lufs, scales.high_lufs)
    axes.set_ylabel("LUFS")
    grid_of_levels(axes)
    if loudness.momentary_max_lufs is None:
        say_why(axes, loudness.reasons["momentary_max_lufs"])
        return
    floor = scales.low_lufs - 10.0  # under the panel
    bounds = range_bounds(loudness.over_time)
    if bounds is not None:
        axes.fill_between(
            [0.0, sound.duration_s], *bounds, facecolor="0.87", edgecolor="0.6", linewidth=0.5, zorder=1
        )
    axes.plot(
        *_thinned(over_time.momentary_time_s, over_time.momentary_lufs, floor),
        color="0.45",
        linewidth=0.6,
        zorder=2,
    )
    axes.plot(
        *_thinned(over_time.short_term_time_s, over_time.short_term_lufs, floor),
        color="black",
        linewidth=1.7,
        solid_joinstyle="round",
        zorder=3,
    )
    if loudness.integrated_lufs is not None:
        axes.plot(
            [0.0, sound.duration_s],
            [loudness.integrated_lufs] * 2,
            color="black",
            linewidth=0.9,
            dashes=(6.0, 3.0),
            zorder=4,
        )


def _key(sheet: Sheet) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    entries = (
        (Line2D([], [], color="0.45", linewidth=0.6), "momentary, 400 ms"),
        (Line2D([], [], color="black", linewidth=1.7), "short-term, 3 s"),
        (Line2D([], [], color="black", linewidth=0.9, dashes=(6.0, 3.0)), "integrated"),
        (
            Patch(facecolor="0.87", edgecolor="0.6", linewidth=0.5),
            "loudness range: 10th to 95th percentile of short-term",
        ),
    )
    sheet.key(entries, "upper left", (MARGIN, 0.50), apart=1.6, sample=2.4)


def _thinned(
    times: NDArray[np.float64], levels: NDArray[np.float64], floor: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lowest and highest of each run of neighbours, in their order; nothing under the floor."""
    shown = np.maximum(levels, floor)
    width = math.ceil(shown.size / _MOST_POINTS)
    if width < 3:
        return times, shown
    starts = range(0, shown.size, width)
    runs = [shown[start : start + width] for start in starts]
    kept = sorted(
        {
            start + int(at)
            for start, run in zip(starts, runs, strict=True)
            for at in (run.argmin(), run.argmax())
        }
    )
    return times[kept], shown[kept]
