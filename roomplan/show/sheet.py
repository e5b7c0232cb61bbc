"""How every picture looks: a page measured in inches, its words, panels, keys and axes.

Conventions
-----------
Ink is black and grey; sizes are inches, from the left and from the top of the page, and points. No picture
depends on what the user has set for others. matplotlib is imported when a page is made, not before.
"""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from roomplan.cautions import MUSIC_ONLY
from roomplan.foreign_text import printable

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.text import Text

__all__ = [
    "DOTS_PER_INCH",
    "MARGIN",
    "STYLE",
    "Sheet",
    "grid_of_levels",
    "letters_in",
    "lower_end",
    "marker_sample",
    "new_sheet",
    "octaves_from_1_khz",
    "on_white",
    "say_why",
    "shortened",
    "time_axis",
    "write",
]

# The look: common practice, no source. All of it was chosen by looking.
DOTS_PER_INCH = 120  # of a PNG
MARGIN = 0.2  # of words that belong to the whole page
STYLE = {
    "axes.labelsize": 8,
    "axes.linewidth": 0.6,
    "font.family": "sans-serif",
    "font.size": 8,
    "hatch.linewidth": 0.5,
    "legend.fontsize": 7.5,
    "path.simplify": False,
    "pdf.fonttype": 42,  # text stays text
    "svg.fonttype": "none",
    "svg.hashsalt": "roomplan",
    "xtick.labelsize": 8,
    "xtick.major.width": 0.6,
    "ytick.labelsize": 8,
    "ytick.major.width": 0.6,
}
_TITLE_SIZE, _REASON_SIZE = 12.0, 8.0  # points
_MINUTES_FROM_S = 120.0
_TIME_STEPS_S = (15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1800.0, 3600.0)
_MOST_TIME_STEPS = 12


@dataclass(frozen=True, slots=True)
class Sheet:
    """One page; places on it are inches from its left and from its top."""

    figure: Figure
    width: float
    height: float

    def words(self, x: float, from_top: float, text: str, **settings: Any) -> Text:
        """Put words on the page, by their left end and their base line unless the settings say otherwise."""
        place = (x / self.width, 1.0 - from_top / self.height)
        return self.figure.text(*place, printable(text), parse_math=False, **settings)

    def title(self, text: str, from_top: float = 0.34) -> None:
        """Name of the page, shortened to its width."""
        text = shortened(text, self.width - 2 * MARGIN, _TITLE_SIZE)
        self.words(MARGIN, from_top, text, fontsize=_TITLE_SIZE, fontweight="bold")

    def heading(self, x: float, from_top: float, text: str, **settings: Any) -> None:
        """Name of a panel."""
        self.words(x, from_top, text, **{"fontsize": 8.5, "fontweight": "bold", **settings})

    def small_print(self, x: float, from_top: float, text: str, **settings: Any) -> None:
        """Put a note on the page."""
        self.words(x, from_top, text, fontsize=7, color="0.25", **settings)

    def caution(self, from_bottom: float = 0.2) -> None:
        """Say at the foot what the figures are not for."""
        self.small_print(MARGIN, self.height - from_bottom, MUSIC_ONLY)

    def panel(self, left: float, from_top: float, width: float, height: float) -> Axes:
        """Axes with a left and a lower side."""
        bottom = self.height - from_top - height
        axes = self.figure.add_axes(
            (left / self.width, bottom / self.height, width / self.width, height / self.height)
        )
        for side in ("right", "top"):
            axes.spines[side].set_visible(False)
        return axes

    def key(
        self,
        entries: Sequence[tuple[Artist, str]],
        corner: Literal["lower left", "upper left"],
        place: tuple[float, float],
        *,
        apart: float = 1.4,
        sample: float = 1.8,
    ) -> None:
        """Put samples and what they mean in one line.

        Parameters
        ----------
        corner : {"lower left", "upper left"}
            The corner of the key that is at the place.
        apart, sample : float
            Between entries, and the length of a sample; both in widths of the font.
        """
        key = self.figure.legend(
            [artist for artist, _ in entries],
            [printable(words) for _, words in entries],
            loc=corner,
            bbox_to_anchor=(place[0] / self.width, 1.0 - place[1] / self.height),
            ncols=len(entries),
            frameon=False,
            borderpad=0.0,
            borderaxespad=0.0,
            columnspacing=apart,
            handlelength=sample,
            handletextpad=0.5,
        )
        for text in key.get_texts():
            text.set_parse_math(False)


def new_sheet(width: float, height: float) -> Sheet:
    """Empty page."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), dpi=DOTS_PER_INCH, facecolor="white")
    return Sheet(figure, width, height)


def letters_in(width: float, font: float) -> int:
    """How many letters of a font, in points, fit into a width in inches, near enough."""
    return max(12, int(width * 72.0 / (0.58 * font)))


def shortened(text: str, width: float, font: float) -> str:
    """Text that fits, its middle left out: both the folder's name and the ending tell files apart."""
    most = letters_in(width, 1.12 * font)
    if len(text) <= most:
        return text
    return f"{text[: most // 2]}…{text[len(text) - most // 2 + 1 :]}"


def write(axes: Axes, x: float, y: float, text: str, **settings: Any) -> Text:
    """Put words, which are no formula, at a place of a panel."""
    return axes.text(x, y, printable(text), parse_math=False, **settings)


def on_white(pad: float) -> dict[str, Any]:
    """Ground of words that lie over lines."""
    return {"facecolor": "white", "edgecolor": "none", "pad": pad}


def say_why(axes: Axes, reason: str) -> None:
    """Say why a panel has nothing to show, in its middle, in lines that it has room for."""
    width = axes.bbox.width / axes.figure.dpi
    text = textwrap.fill(printable(f"nothing to draw: {reason}"), letters_in(width, _REASON_SIZE))
    axes.text(
        0.5,
        0.5,
        text,
        transform=axes.transAxes,
        ha="center",
        va="center",
        fontsize=_REASON_SIZE,
        parse_math=False,
        bbox=on_white(3.0),
    )


def marker_sample(
    marker: str, ink: str, size: float, face: str | None = None, edge_width: float = 1.0
) -> Artist:
    """Marker for a key."""
    from matplotlib.lines import Line2D

    return Line2D(
        [],
        [],
        linestyle="none",
        marker=marker,
        color=ink,
        markerfacecolor=face or ink,
        markeredgewidth=edge_width,
        markersize=size,
    )


def grid_of_levels(axes: Axes) -> None:
    """Thin lines behind what is drawn, at the ticks of the upright axis."""
    axes.grid(axis="y", color="0.9", linewidth=0.5)
    axes.set_axisbelow(True)


def lower_end(low: float, high: float, *, least: float, most: float) -> float:
    """Lower end of a scale that is asked for from `low`, and spans neither too little nor too much."""
    return min(max(low, high - most), high - least)


def time_axis(axes: Axes, end_s: float) -> None:
    """Time across a panel, from 0: in seconds, or in minutes and seconds where it is long."""
    axes.set_xlim(0.0, end_s)
    if end_s < _MINUTES_FROM_S:
        axes.set_xlabel("time, s")
        return
    step = next((step for step in _TIME_STEPS_S if end_s / step <= _MOST_TIME_STEPS), None)
    step = step or _TIME_STEPS_S[-1] * math.ceil(end_s / _TIME_STEPS_S[-1] / _MOST_TIME_STEPS)
    ticks = np.arange(0.0, end_s, step)
    axes.set_xticks(ticks, [f"{tick // 60:.0f}:{tick % 60:02.0f}" for tick in ticks])
    axes.set_xlabel("time, min:s")


def octaves_from_1_khz(frequency_hz: float) -> float:
    """Place of a frequency on an axis of octaves."""
    return math.log2(frequency_hz / 1000.0)
