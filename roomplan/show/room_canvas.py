"""The page of a room's picture: its measures, and a panel over all of it that knows where its words are.

Conventions
-----------
Sizes are inches and points, y upwards.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple

from roomplan.show.sheet import Sheet, on_white, write

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import numpy as np
    from matplotlib.axes import Axes
    from matplotlib.backend_bases import RendererBase
    from matplotlib.text import Text
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

__all__ = [
    "PAGE",
    "PANEL_LEFT",
    "PANEL_WIDTH",
    "SMALL",
    "TINY",
    "TOP",
    "Box",
    "Drawing",
    "bare_panel",
    "heading",
]

# The look: common practice, no source. All of it was chosen by looking.
PAGE = (11.6, 10.4)
TOP = 1.22  # under the page's heading
PANEL_LEFT, PANEL_WIDTH = 7.15, 4.20
SMALL, TINY = 7.5, 6.5


class Box(NamedTuple):
    """A rectangle on the page, in inches."""

    left: float
    bottom: float
    right: float
    top: float

    @property
    def outline(self) -> tuple[list[float], list[float]]:
        """Its corners, around and back to the first: across, and up."""
        return (
            [self.left, self.right, self.right, self.left, self.left],
            [self.bottom, self.bottom, self.top, self.top, self.bottom],
        )

    def meets(self, other: Box) -> bool:
        """Whether two share more than an edge."""
        return (
            self.left < other.right
            and other.left < self.right
            and self.bottom < other.top
            and other.bottom < self.top
        )


@dataclass
class Drawing:
    """The whole page as one panel in inches, upwards, which knows where its words are."""

    sheet: Sheet
    axes: Axes
    renderer: RendererBase
    taken: list[Box] = field(default_factory=list)

    def extent(self, text: Text) -> Box:
        """Where words are, as they will be drawn."""
        box = text.get_window_extent(self.renderer)
        dots = self.sheet.figure.dpi
        return Box(box.x0 / dots, box.y0 / dots, box.x1 / dots, box.y1 / dots)

    def words(self, x: float, y: float, text: str, **settings: Any) -> Text:
        """Put words at a place, and keep others off it."""
        made = write(self.axes, x, y, text, **settings)
        self.taken.append(self.extent(made))
        return made

    def keep_free(self, x: float, y: float, radius: float) -> None:
        """Keep words off a place."""
        self.taken.append(Box(x - radius, y - radius, x + radius, y + radius))

    def place(
        self, text: str, candidates: Iterable[tuple[float, float]], bounds: Box, **settings: Any
    ) -> Text | None:
        """Put words, by their middle, at the first of some places that is free; None when there is none."""
        made = write(self.axes, 0.0, 0.0, text, ha="center", va="center", bbox=on_white(0.8), **settings)
        zero = self.extent(made)
        wide, high = (zero.right - zero.left) / 2.0 + 0.015, (zero.top - zero.bottom) / 2.0 + 0.01
        for x, y in candidates:
            box = Box(x - wide, y - high, x + wide, y + high)
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
        """Draw a line, black and thin unless told otherwise."""
        (made,) = self.axes.plot(xs, ys, **{"color": "black", "linewidth": 0.6, **settings})
        return made


def bare_panel(drawing: Drawing, left: float, bottom: float, size: tuple[float, float]) -> Axes:
    """Axes by their lower left corner, width and height, with nothing behind them."""
    sheet = drawing.sheet
    axes = sheet.panel(left, sheet.height - bottom - size[1], *size)
    axes.patch.set_visible(False)
    return axes


def heading(drawing: Drawing, x: float, y: float, bold: str, plain: str = "") -> None:
    """Name of a part of the page, and beside it what its signs mean."""
    made = drawing.words(x, y, bold, fontsize=9, fontweight="bold")
    if plain:
        drawing.words(drawing.extent(made).right + 0.12, y, plain, fontsize=SMALL, color="0.25")
