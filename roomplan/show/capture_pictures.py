"""Pictures of captured sweeps: arrivals, ranges, distortion and decay, a page for each recording.

Conventions
-----------
Frequencies are octaves across; paths from a loudspeaker to a microphone share one ink in all panels, told
apart by their marks. Ink is black and grey.
"""

from __future__ import annotations

from itertools import cycle
from typing import TYPE_CHECKING

import numpy as np

from roomplan.errors import RoomplanError
from roomplan.report.capture_words import verdict_of
from roomplan.show.capture_tables import MARGIN_OVER_FLOOR_DB, T20_RANGE_DB, T30_RANGE_DB
from roomplan.show.figure_files import picture_format, require_picture_place, save_pages
from roomplan.show.sheet import (
    MARGIN,
    grid_of_levels,
    marker_sample,
    new_sheet,
    octaves_from_1_khz,
    say_why,
    time_axis,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from roomplan.capture.result import Capture
    from roomplan.report.captures import CapturedSweeps

    Path_ = tuple[str, int]

__all__ = ["draw_captures", "require_pages"]

# The look: common practice, no source. All of it was chosen by looking.
_SIZE = (9.6, 7.6)
_PANEL = (3.9, 2.4)
_COLUMNS, _ROWS = (0.75, 5.5), (1.1, 4.4)
_MARKS = ("o", "s", "^", "D", "v", "P", "X", "*")
_INKS = ("0.0", "0.35", "0.55", "0.7")
_DECAY_BLOCK_S = 0.01
_LOWEST_DB = -100.0
_LEAST_SPAN_DB = 60.0


def draw_captures(captured: Sequence[CapturedSweeps], target: Path) -> None:
    """Draw what sweeps told about a recording.

    Parameters
    ----------
    captured : sequence of CapturedSweeps
        One; for a PDF as many as you like.
    target : Path
        A file in an existing folder; its suffix, .png, .svg or .pdf, says the format.

    Raises
    ------
    RoomplanError
        Another suffix, several recordings and no PDF, a place that cannot be written.
    """
    require_pages(target, len(captured))
    save_pages(_pages(captured), target)


def require_pages(target: Path, recordings: int) -> None:
    """Refuse a picture that cannot show so many recordings or be written; asked before any work."""
    require_picture_place(target)
    if picture_format(target) != "pdf" and recordings > 1:
        raise RoomplanError(
            f"{target}: a picture shows one recording, not {recordings}", remedy="name a .pdf"
        )


def _pages(captured: Sequence[CapturedSweeps]) -> Iterator[Figure]:
    for one in captured:
        yield _page(one)


def _page(one: CapturedSweeps) -> Figure:
    capture = one.capture
    paths = _paths(capture)
    looks = {path: (mark, ink) for path, mark, ink in zip(paths, cycle(_MARKS), cycle(_INKS), strict=False)}
    sheet = new_sheet(*_SIZE)
    sheet.title(f"{one.recording.name} · {verdict_of(capture.findings)}")
    entries = [
        (marker_sample(mark, ink, 4.0), f"{side} → channel {channel + 1}")
        for (side, channel), (mark, ink) in list(looks.items())[:6]
    ]
    if entries:
        sheet.key(entries, "upper left", (MARGIN, 0.5))
    panels = [sheet.panel(left, top, *_PANEL) for top in _ROWS for left in _COLUMNS]
    names = (
        "Arrival of the direct sound by octave, ms",
        "Decay range over the noise, dB",
        "Harmonics against the fundamental, dB",
        "Level of the response, dB",
    )
    for place, name in enumerate(names):
        sheet.heading(_COLUMNS[place % 2], _ROWS[place // 2] - 0.12, name)
    _draw_arrivals(panels[0], capture, looks)
    _draw_ranges(panels[1], capture, looks)
    _draw_harmonics(panels[2], capture, looks)
    _draw_decay(panels[3], capture, looks)
    sheet.caution()
    return sheet.figure


def _paths(capture: Capture) -> list[Path_]:
    return [(side, channel) for side in capture.sides for channel in capture.channels]


def _say_why(axes: Axes, reason: str) -> None:
    axes.set_xticks([])
    axes.set_yticks([])
    say_why(axes, reason)


def _octave_axis(axes: Axes, centres: Sequence[float]) -> None:
    axes.set_xticks(
        [octaves_from_1_khz(centre) for centre in centres],
        [f"{centre / 1000:g}k" if centre >= 1000 else f"{centre:g}" for centre in centres],
    )
    axes.set_xlabel("octave, Hz")
    grid_of_levels(axes)


def _draw_arrivals(axes: Axes, capture: Capture, looks: dict[Path_, tuple[str, str]]) -> None:
    if not capture.arrivals:
        _say_why(axes, "no arrival was found octave by octave")
        return
    for path, (mark, ink) in looks.items():
        found = [each for each in capture.arrivals if (each.side, each.channel) == path]
        axes.plot(
            [octaves_from_1_khz(each.frequency_hz) for each in found],
            [1000.0 * each.seconds for each in found],
            mark,
            color=ink,
            markersize=4.0,
        )
    _octave_axis(axes, sorted({each.frequency_hz for each in capture.arrivals}))


def _draw_ranges(axes: Axes, capture: Capture, looks: dict[Path_, tuple[str, str]]) -> None:
    if not capture.ranges:
        _say_why(axes, "no decay was found in any octave")
        return
    for path, (mark, ink) in looks.items():
        found = [each for each in capture.ranges if (each.side, each.channel) == path]
        axes.plot(
            [octaves_from_1_khz(each.frequency_hz) for each in found],
            [each.range_db for each in found],
            mark,
            color=ink,
            markersize=4.0,
        )
    for level, name in ((T30_RANGE_DB, "T30"), (T20_RANGE_DB, "T20")):
        axes.axhline(level, color="0.3", linewidth=0.6, linestyle="--")
        axes.annotate(name, (1.0, level), xycoords=("axes fraction", "data"), fontsize=7, va="center")
    axes.set_ylim(bottom=0.0)
    _octave_axis(axes, sorted({each.frequency_hz for each in capture.ranges}))


def _draw_harmonics(axes: Axes, capture: Capture, looks: dict[Path_, tuple[str, str]]) -> None:
    if not capture.harmonics:
        _say_why(axes, "no harmonic was measured")
        return
    shift = 0.6 / max(1, len(looks))
    for place, (path, (mark, ink)) in enumerate(looks.items()):
        for each in capture.harmonics:
            if (each.side, each.channel) != path:
                continue
            at = each.order + (place - 0.5 * (len(looks) - 1)) * shift
            if each.level_db >= each.floor_db + MARGIN_OVER_FLOOR_DB:
                axes.plot([at], [each.level_db], mark, color=ink, markersize=4.0)
            axes.plot([at], [each.floor_db], "_", color="0.5", markersize=6.0)
    lowest = min(each.floor_db for each in capture.harmonics)
    highest = max(max(each.level_db, each.floor_db) for each in capture.harmonics)
    axes.set_ylim(lowest - 6.0, max(highest + 6.0, lowest + _LEAST_SPAN_DB))
    orders = sorted({each.order for each in capture.harmonics})
    axes.set_xticks(orders, [f"{order}." for order in orders])
    axes.set_xlabel("harmonic (dash: what noise alone would read as)")
    grid_of_levels(axes)


def _draw_decay(axes: Axes, capture: Capture, looks: dict[Path_, tuple[str, str]]) -> None:
    """Level of 10 ms after 10 ms, the loudest of all paths at 0 dB."""
    width = max(1, round(_DECAY_BLOCK_S * capture.sample_rate))
    powers = {}
    for side, response in zip(capture.sides, capture.responses, strict=True):
        count = len(response) // width
        blocks = response[: count * width].astype(float).reshape(count, width, -1)
        mean = np.mean(blocks * blocks, axis=1)
        for place, channel in enumerate(capture.channels):
            powers[side, channel] = mean[:, place]
    loudest = max((float(power.max(initial=0.0)) for power in powers.values()), default=0.0)
    if loudest <= 0.0:
        _say_why(axes, "the responses are silent")
        return
    lowest, end_s = 0.0, 0.0
    for path, power in powers.items():
        level = 10.0 * np.log10(np.maximum(power / loudest, 10.0 ** (_LOWEST_DB / 10.0)))
        axes.plot(np.arange(level.size) * _DECAY_BLOCK_S, level, color=looks[path][1], linewidth=0.7)
        lowest, end_s = min(lowest, float(level.min())), max(end_s, level.size * _DECAY_BLOCK_S)
    axes.set_ylim(lowest - 3.0, 3.0)
    time_axis(axes, end_s)
    grid_of_levels(axes)
