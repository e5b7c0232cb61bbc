"""One picture of a synthetic room: plan and side view in metres, and how the response of a seat decays.

Conventions
-----------
Plan and side view on the left, over the reverberation times; reflections and spectrogram of a seat on the
right. Ink is black and grey, and nothing depends on colour.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.show.figure_files import picture_format, save_pages
from roomplan.show.room_canvas import PAGE, Drawing
from roomplan.show.room_decay_panels import draw_spectrogram, draw_times
from roomplan.show.room_panels import draw_pattern
from roomplan.show.room_tables import grouped, size_words
from roomplan.show.room_views import draw_plan, draw_side, views
from roomplan.show.sheet import MARGIN, Sheet, new_sheet, shortened
from roomplan.show.tables import figure, level

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from matplotlib.figure import Figure

    from roomplan.rooms.portrait import RoomPortrait

__all__ = ["draw_room"]


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


def _page(portrait: RoomPortrait) -> Figure:
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    sheet = new_sheet(*PAGE)
    axes = sheet.figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0.0, sheet.width)
    axes.set_ylim(0.0, sheet.height)
    axes.set_axis_off()
    # words are measured as a PNG will have them
    drawing = Drawing(sheet, axes, FigureCanvasAgg(sheet.figure).get_renderer())
    _head(sheet, portrait)
    plan, side = views(portrait.spec)
    draw_plan(drawing, portrait, plan)
    draw_side(drawing, portrait, side)
    draw_pattern(drawing, portrait)
    draw_spectrogram(drawing, portrait)
    draw_times(drawing, portrait)
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
