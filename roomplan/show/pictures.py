"""Pictures of measured impulse responses: how each band dies away, how long it takes, and how sure that is.

Conventions
-----------
One page shows one response; columns are channels, and their scales are the same. From top to bottom: the
decay of every band with the line fitted to it, the times over frequency, and the frequencies and times at
which the sound has fallen by 10, 20 and 30 dB. Ink is black and grey, and nothing depends on colour; a
figure that does not exist is said to be missing, a doubtful one carries a question mark. Inside, sizes are
inches and points, frequencies log2(f / 1 kHz).
"""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from roomplan.errors import RoomplanError
from roomplan.foreign_text import printable
from roomplan.show.figure_files import picture_format, save_pages
from roomplan.show.sheet import (
    MARGIN,
    grid_of_levels,
    letters_in,
    marker_sample,
    new_sheet,
    octaves_from_1_khz,
    on_white,
    say_why,
    shortened,
    write,
)

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from roomplan.acoustics.curves import DecayCurve, FittedLine
    from roomplan.acoustics.doubt import Doubt
    from roomplan.acoustics.figures import BandFigures, DecayFigures

__all__ = ["MOST_CHANNELS", "PicturedChannel", "draw_responses"]

MOST_CHANNELS = 4
"""Columns of one page."""

_NAMES = {"t30_s": "T30", "t20_s": "T20", "t10_s": "T10", "edt_s": "EDT"}  # the best first
_CONTOURS_DB = (-10.0, -20.0, -30.0)
_FILLS = ("0.62", "0.74", "0.86", "0.95")  # down to each contour, and after the last

# The look: common practice, no source. All of it was chosen by looking.
_DEEPEST_DB = 65.0  # a decay is not followed further: what is below is heard by nobody
_PAST_TRUNCATION = 1.2  # the measured level is shown so much longer than the decay, to let the noise be seen
_MOST_DOTS = 120
_SHORTEST_S = 0.01  # of a time axis
_PANEL_WIDTHS = {1: 5.7, 2: 4.3, 3: 3.7, 4: 3.3}
_LEFT, _RIGHT = 0.80, 0.90  # beside a panel: names of the rows, figures of the rows
_HEADING = 0.50  # over a panel: what it shows, and its key
_BELOW = 0.52  # under a panel: its time or frequency axis
_TIMES_HEIGHT = 2.2
_MAP_HEIGHT = 2.4
_LEAST_ROW = 0.13
_NAME_SIZE = (0.48, 0.13)  # of a contour's name
_NOTE_LINE = 0.145
_MOST_NOTE_LINES = 7
_STEPS_PER_BAND = 16


@dataclass(frozen=True, slots=True)
class PicturedChannel:
    """One column of a page: a channel's name, its decay curves and its figures."""

    title: str
    curves: Sequence[DecayCurve]
    figures: DecayFigures


def draw_responses(pages: Sequence[tuple[str, Sequence[PicturedChannel]]], target: Path) -> None:
    """Draw responses, one to a page; more than one only into a .pdf.

    Parameters
    ----------
    pages : sequence of (str, sequence of PicturedChannel)
        Title of each page, as a rule the name of the file, and one to four channels.
    target : Path
        A file in an existing folder; its suffix, .png, .svg or .pdf, says the format.

    Raises
    ------
    RoomplanError
        Another suffix, several responses into one .png or .svg, no or too many channels, a place that cannot
        be written, matplotlib not installed.

    Notes
    -----
    The file appears whole or not at all; an earlier one stays until then. Not done: nothing is computed but
    the places of lines, and no decay is followed below 65 dB under its start. Where a name has characters
    the built-in font lacks, the PNG and the PDF show boxes.
    """
    kind = picture_format(target)
    if not pages:
        raise RoomplanError(f"{target}: no response to draw", remedy="name at least one")
    if len(pages) > 1 and kind != "pdf":
        raise RoomplanError(
            "a picture shows one response", remedy="choose one file, or name a .pdf for a page each"
        )
    for title, channels in pages:
        if not channels:
            raise RoomplanError(f"{printable(title)}: no channel to draw", remedy="name at least one")
        if len(channels) > MOST_CHANNELS:
            raise RoomplanError(
                f"{printable(title)}: a picture shows at most {MOST_CHANNELS} channels, "
                f"this response has {len(channels)}",
                remedy="choose fewer channels",
            )
    save_pages((_page(title, channels) for title, channels in pages), target)


class _Scales(NamedTuple):
    """What the columns of a page share."""

    width: float  # of a panel
    rows: int  # of the channel with the most curves
    row_db: float  # from one row to the next
    depth_db: float  # from the first row's start to the foot of the decays
    decay_s: float  # end of the time axis of the decays
    times_s: float  # end of the axis of reverberation times
    map_s: float  # end of the time axis of the map
    octaves: tuple[float, float]  # ends of the frequency axis
    spacing: float  # of the bands, in octaves
    ticks: tuple[float, ...]  # nominal frequencies that are named


def _page(title: str, channels: Sequence[PicturedChannel]) -> Figure:
    scales = _scales(channels)
    cell = _LEFT + scales.width + _RIGHT
    notes = [_note_lines(channel.figures, cell - MARGIN) for channel in channels]
    heights = (_decays_height(scales), _TIMES_HEIGHT, _MAP_HEIGHT)
    top, bottom = 0.80, 0.45 + _NOTE_LINE * max(len(lines) for lines in notes)
    sheet = new_sheet(cell * len(channels), top + sum(heights) + 3 * (_HEADING + _BELOW) + bottom)
    sheet.title(title)
    for column, (channel, lines) in enumerate(zip(channels, notes, strict=True)):
        left = column * cell
        sheet.words(left + MARGIN, 0.66, shortened(channel.title, cell - 2 * MARGIN, 10.0), fontsize=10)
        down = top
        for (draw, head), height in zip(_PANELS, heights, strict=True):
            down += _HEADING
            draw(sheet.panel(left + _LEFT, down, scales.width, height), channel, scales)
            if column == 0:
                heading = head(scales)
                sheet.heading(_LEFT, down - 0.30, heading.text, va="bottom")
                sheet.key(heading.key, "lower left", (_LEFT, down - 0.06))
            down += height + _BELOW
        for number, line in enumerate(lines):
            sheet.small_print(left + MARGIN, down + 0.08 + number * _NOTE_LINE, line, va="center")
    sheet.caution()
    return sheet.figure


def _decays_height(scales: _Scales) -> float:
    return max(3.9, _LEAST_ROW * scales.depth_db / scales.row_db)


def _scales(channels: Sequence[PicturedChannel]) -> _Scales:
    curves = [curve for channel in channels for curve in channel.curves]
    bands = [band for channel in channels for band in channel.figures.bands]
    rows = max(1, *(len(channel.curves) for channel in channels))
    row_db = float(np.clip(round(120.0 / rows), 6.0, 14.0))
    times, depths = [], [rows * row_db]
    for channel in channels:
        for row, curve in enumerate(channel.curves):
            shown, levels = _shown(curve)
            if shown.size:
                times.append(float(shown[-1]))
                depths.append(row * row_db - float(levels.min()))
    sounds = [float(curve.sound_times_s[-1]) for curve in curves if curve.sound_times_s.size]
    highest = [
        value + (_doubt(band, key).uncertainty or 0.0)
        for band in bands
        for key in (_best(band), "edt_s")
        if key is not None and (value := _time(band, key)) is not None
    ]
    falls = [fall for curve in curves if (fall := _fall_time(curve, _CONTOURS_DB[-1])) is not None]
    ends = [curve.truncation_s for curve in curves if curve.level_db.size and curve.truncation_s]
    map_s = 1.08 * max(ends, default=1.0)
    if falls:  # a record far longer than the decay would squeeze it against the axis
        map_s = min(map_s, 2.2 * max(falls))
    centres = sorted({c.centre_hz for c in (*curves, *bands) if c.centre_hz})
    octaves = [octaves_from_1_khz(centre) for centre in centres] or [0.0]
    spacing = float(np.median(np.diff(octaves))) if len(octaves) > 1 else 1.0
    return _Scales(
        width=_PANEL_WIDTHS[len(channels)],
        rows=rows,
        row_db=row_db,
        depth_db=max(depths) + 8.0,
        decay_s=max(1.06 * max(times or sounds, default=1.0), _SHORTEST_S),
        times_s=1.22 * max(highest, default=1.0),
        map_s=max(map_s, _SHORTEST_S),
        octaves=(octaves[0] - 0.6 * spacing, octaves[-1] + 0.6 * spacing),
        spacing=spacing,
        ticks=_named(centres),
    )


def _named(centres: Sequence[float]) -> tuple[float, ...]:
    """Return the octaves among the bands; all bands where there are few octaves."""
    octaves = [c for c in centres if abs(10.0 * math.log10(c / 1000.0) / 3.0 % 1.0 - 0.5) > 0.47]
    return tuple(octaves if 2 * len(octaves) >= min(len(centres), 6) else centres)


def _time(band: BandFigures, key: str) -> float | None:
    return getattr(band, key)


def _doubt(band: BandFigures, key: str) -> Doubt:
    """Uncertainty and verdict of one figure: the only place that knows where they are kept."""
    return band.doubt[key]


def _best(band: BandFigures) -> str | None:
    """Key of the reverberation time that is trusted most; the early decay time is none."""
    return next((key for key in _NAMES if key != "edt_s" and _time(band, key) is not None), None)


def _shown(curve: DecayCurve) -> tuple[NDArray, NDArray]:
    """Return the part of a curve that is drawn, times and levels: finite, and not below the deepest level."""
    keep = curve.level_db >= -_DEEPEST_DB
    if curve.truncation_s is not None:
        keep &= curve.times_s <= curve.truncation_s
    return curve.times_s[keep], curve.level_db[keep]


def _fall_time(curve: DecayCurve, level_db: float) -> float | None:
    """When a curve first is at a level; None when it does not come so far before its truncation."""
    times, levels = curve.times_s, curve.level_db
    below = np.flatnonzero(levels <= level_db)
    if not below.size:
        return None
    after = int(below[0])
    if after == 0:
        return float(times[0])
    share = (levels[after - 1] - level_db) / (levels[after - 1] - levels[after])
    time = float(times[after - 1] + share * (times[after] - times[after - 1]))
    return None if curve.truncation_s is not None and time > curve.truncation_s else time


# --- the decays -------------------------------------------------------------------------------------------


def _draw_decays(axes: Axes, channel: PicturedChannel, scales: _Scales) -> None:
    """Rows of decays, each starting at its own line, with the band's name before and its time behind."""
    axes.set(xlim=(0.0, scales.decay_s), ylim=(-scales.depth_db, 0.4 * scales.row_db), yticks=[])
    axes.set_xlabel("time from the onset, s")
    axes.spines["left"].set_visible(False)
    figures = {band.centre_hz or band.label: band for band in channel.figures.bands}
    crowded = scales.rows > 14
    font = 6.5 if crowded else 8.0
    beside = axes.get_yaxis_transform()
    for row, curve in enumerate(channel.curves):
        start = -row * scales.row_db
        axes.axhline(start, color="0.88", linewidth=0.5, zorder=0)
        write(axes, -0.015, start, curve.label, transform=beside, ha="right", va="center", fontsize=font)
        band = figures.get(curve.centre_hz or curve.label)
        key = None if band is None else _best(band) or ("edt_s" if band.edt_s is not None else None)
        _draw_decay(axes, curve, curve.fits.get(key or ""), start, crowded=crowded)
        figure = _figure_of_row(curve, band, key)
        write(axes, 1.015, start, figure, transform=beside, ha="left", va="center", fontsize=font)
    if channel.curves:
        _draw_scale_bar(axes, scales)
    else:
        _say_why(axes, channel.figures)


def _draw_decay(
    axes: Axes, curve: DecayCurve, line: FittedLine | None, start: float, *, crowded: bool
) -> None:
    ends = [curve.truncation_s * _PAST_TRUNCATION] if curve.truncation_s is not None else []
    keep = (curve.sound_db > -_DEEPEST_DB) & (curve.sound_db < 6.0)
    keep &= curve.sound_times_s <= min(ends, default=np.inf)
    dots = np.flatnonzero(keep)
    dots = dots[:: max(1, math.ceil(dots.size / _MOST_DOTS))]
    axes.plot(
        curve.sound_times_s[dots],
        curve.sound_db[dots] + start,
        ".",
        color="0.4",
        markersize=1.3 if crowded else 2.2,
        markeredgewidth=0,
        zorder=1,
    )
    times, levels = _shown(curve)
    axes.plot(times, levels + start, color="0.72", linewidth=1.6 if crowded else 2.6, zorder=2)
    if line is not None:
        axes.plot(
            [line.start_s, line.end_s],
            [line.start_db + start, line.end_db + start],
            color="black",
            linewidth=0.8 if crowded else 1.1,
            dashes=(3.5, 1.8),
            zorder=3,
        )
    if curve.truncation_s is not None and curve.truncation_db is not None and times.size:
        if curve.truncation_db < -_DEEPEST_DB:
            return
        axes.plot(
            [curve.truncation_s],
            [curve.truncation_db + start],
            "v" if curve.ends_in_noise else "|",
            color="black",
            markersize=3.2 if crowded else 4.8,
            zorder=4,
        )


def _figure_of_row(curve: DecayCurve, band: BandFigures | None, key: str | None) -> str:
    if band is None:  # a curve over the whole range: its figures are not among those of the bands
        return ""
    if key is None:
        return "no figure" if curve.level_db.size else "no decay"
    mark = " ?" if _doubt(band, key).verdict != "good" else ""
    return f"{_NAMES[key]} {_time(band, key):.2f} s{mark}"


def _draw_scale_bar(axes: Axes, scales: _Scales) -> None:
    """Twenty decibels, where the first row has long decayed."""
    at = 0.985 * scales.decay_s
    high = -0.25 * scales.row_db
    axes.plot([at, at], [high, high - 20.0], color="black", linewidth=1.0, marker="_", markersize=5)
    axes.text(at - 0.012 * scales.decay_s, high - 10.0, "20 dB", ha="right", va="center", fontsize=7.5)


def _say_why(axes: Axes, figures: DecayFigures) -> None:
    """Leave a panel that has nothing to show to the reason."""
    axes.set_axis_off()
    say_why(axes, figures.reasons.get("verdict", "no band of this channel has a decay time"))


# --- times over frequency ---------------------------------------------------------------------------------


def _draw_times(axes: Axes, channel: PicturedChannel, scales: _Scales) -> None:
    _frequency_axis(axes, scales)
    axes.set_ylim(0.0, scales.times_s)
    axes.set_ylabel("time to fall by 60 dB, s")
    grid_of_levels(axes)
    bands = [band for band in channel.figures.bands if band.centre_hz is not None]
    if all(_time(band, key) is None for band in bands for key in _NAMES):
        _say_why(axes, channel.figures)
        return
    crowded = len(bands) > 14
    shift = (0.36 if crowded else 0.2) * scales.spacing
    size = 3.6 if crowded else 5.5
    centres = [octaves_from_1_khz(band.centre_hz or 1.0) for band in bands]
    for key in _NAMES:
        marked = [
            (at - shift if key == "edt_s" else at, band)
            for at, band in zip(centres, bands, strict=True)
            if key == _best(band) or (key == "edt_s" and band.edt_s is not None)
        ]
        if marked:
            _mark(axes, key, marked, size)
    for at, band in zip(centres, bands, strict=True):
        if _best(band) is None:
            missing = "none" if band.edt_s is None else "EDT only"
            _write_upright(axes, at, 0.03 * scales.times_s, missing, va="bottom")
    axes.plot(centres, _known([band.t30_s for band in bands]), color="black", linewidth=0.7, zorder=2)


class _Mark(NamedTuple):
    """How one kind of figure is drawn; the early decay time stands back."""

    marker: str
    face: str
    ink: str
    size: float  # of a reverberation time's marker
    bar: float  # width of the bar, points


_MARKS = {
    "t30_s": _Mark("o", "black", "black", 1.0, 0.9),
    "t20_s": _Mark("o", "white", "black", 1.0, 0.9),
    "t10_s": _Mark("s", "white", "black", 0.95, 0.9),
    "edt_s": _Mark("^", "white", "0.45", 0.8, 0.5),
}


def _mark(axes: Axes, key: str, marked: Sequence[tuple[float, BandFigures]], size: float) -> None:
    """One kind of figure: markers, uncertainties, and question marks where in doubt."""
    mark = _MARKS[key]
    values = _known([_time(band, key) for _, band in marked])
    bars = _known([_doubt(band, key).uncertainty for _, band in marked])
    axes.errorbar(
        [at for at, _ in marked],
        values,
        yerr=bars,
        fmt=mark.marker,
        color=mark.ink,
        markerfacecolor=mark.face,
        markersize=mark.size * size,
        elinewidth=mark.bar,
        capsize=0.0 if key == "edt_s" else 0.5 * size,
        capthick=mark.bar,
        zorder=3 if key == "edt_s" else 4,
    )
    side = -1.0 if key == "edt_s" else 1.0  # under the early decay time, over the other
    for (at, band), end in zip(marked, values + side * np.nan_to_num(bars), strict=True):
        if _doubt(band, key).verdict == "good":
            continue
        axes.annotate(
            "?",
            (at, end),
            (0.0, side * 0.6 * size),
            textcoords="offset points",
            color=mark.ink,
            ha="center",
            va="top" if key == "edt_s" else "bottom",
            fontsize=7.5,
            fontweight="bold",
        )


def _frequency_axis(axes: Axes, scales: _Scales) -> None:
    axes.set_xlim(*scales.octaves)
    axes.set_xticks(
        [octaves_from_1_khz(centre) for centre in scales.ticks], [_nominal(centre) for centre in scales.ticks]
    )
    axes.set_xlabel("frequency, Hz")


def _write_upright(axes: Axes, x: float, y: float, text: str, *, va: str) -> None:
    """Say what is missing at a band."""
    write(axes, x, y, text, rotation=90, ha="center", va=va, fontsize=6.5, color="0.25")


def _nominal(centre_hz: float) -> str:
    return f"{centre_hz / 1000.0:g}k" if centre_hz >= 1000.0 else f"{centre_hz:g}"


# --- the map ----------------------------------------------------------------------------------------------


def _draw_map(axes: Axes, channel: PicturedChannel, scales: _Scales) -> None:
    """Time over frequency: contours of the fallen level, grey between them, hatched where the noise rules."""
    _frequency_axis(axes, scales)
    axes.set_ylim(0.0, scales.map_s)
    axes.set_ylabel("time from the onset, s")
    curves = sorted((c for c in channel.curves if c.centre_hz), key=lambda c: c.centre_hz or 0.0)
    if not any(curve.level_db.size for curve in curves):
        _say_why(axes, channel.figures)
        return
    centres = np.array([octaves_from_1_khz(curve.centre_hz or 1.0) for curve in curves])
    ends = _known([_end(curve) for curve in curves])
    falls = {level: _known([_fall_time(curve, level) for curve in curves]) for level in _CONTOURS_DB}
    half = 0.5 * scales.spacing
    fine = np.arange(centres[0] - half, centres[-1] + half, scales.spacing / _STEPS_PER_BAND)
    end = _between(fine, centres, ends, half)
    lower = np.zeros(fine.size)
    lines = []
    for level, fill in zip((*_CONTOURS_DB, None), _FILLS, strict=True):
        line = end if level is None else _between(fine, centres, falls[level], half)
        reached = np.where(np.isnan(line) | (line > end), end, line)
        axes.fill_between(fine, lower, reached, color=fill, linewidth=0, zorder=1)
        if level is not None:
            lines.append((level, np.where(line > end, np.nan, line)))
        lower = reached
    axes.fill_between(
        fine,
        end,
        max(scales.map_s, float(np.nanmax(end))),
        facecolor="white",
        edgecolor="0.6",
        hatch="////",
        linewidth=0,
        zorder=2,
    )
    axes.plot(fine, end, color="0.35", linewidth=0.7, dashes=(1.0, 1.5), zorder=3)
    for _, line in lines:
        axes.plot(fine, line, color="black", linewidth=1.0, zorder=4)
    _name_contours(axes, fine, lines, scales)
    for at, known in zip(centres, ends, strict=True):
        if np.isnan(known):
            _write_upright(axes, at, 0.5 * scales.map_s, "no decay", va="center")


def _known(values: Sequence[float | None]) -> NDArray[np.float64]:
    return np.array([np.nan if value is None else value for value in values])


def _end(curve: DecayCurve) -> float | None:
    if not curve.level_db.size:
        return None
    return float(curve.times_s[-1]) if curve.truncation_s is None else curve.truncation_s


def _between(
    fine: NDArray[np.float64], centres: NDArray[np.float64], values: NDArray[np.float64], half: float
) -> NDArray[np.float64]:
    """Values between neighbouring bands; a band beside a gap, or at an end, keeps its own half band."""
    result = np.full(fine.size, np.nan)
    known = np.flatnonzero(~np.isnan(values))
    for run in np.split(known, np.flatnonzero(np.diff(known) > 1) + 1):
        if run.size:
            inside = (fine >= centres[run[0]] - half) & (fine <= centres[run[-1]] + half)
            result[inside] = np.interp(fine[inside], centres[run], values[run])
    return result


def _name_contours(
    axes: Axes, fine: NDArray[np.float64], lines: Sequence[tuple[float, NDArray]], scales: _Scales
) -> None:
    """Put each contour's name where its line is highest, long enough for it, and clear of the other names."""
    across = scales.width / (scales.octaves[1] - scales.octaves[0])  # inches per octave
    up = _MAP_HEIGHT / scales.map_s
    taken: list[tuple[float, float]] = []
    for level, line in lines:
        finite = np.isfinite(line)
        if not finite.any():
            continue
        reach = math.ceil(0.5 * _NAME_SIZE[0] / across / (fine[1] - fine[0]))
        gaps = np.convolve(np.pad(~finite, reach, constant_values=True), np.ones(2 * reach + 1), "valid")
        fits = finite & (gaps < 0.5)
        order = [int(at) for at in np.argsort(-line, kind="stable") if (fits if fits.any() else finite)[at]]
        places = [(fine[at] * across, line[at] * up) for at in order]
        clear = [number for number, place in enumerate(places) if not _overlaps(place, taken)]
        chosen = clear[0] if clear else 0
        taken.append(places[chosen])
        axes.text(
            fine[order[chosen]],
            line[order[chosen]],
            f"−{-level:.0f} dB",
            ha="center",
            va="center",
            fontsize=7.5,
            zorder=5,
            bbox=on_white(0.8),
        )


def _overlaps(place: tuple[float, float], taken: Sequence[tuple[float, float]]) -> bool:
    return any(
        abs(place[0] - x) < _NAME_SIZE[0] and abs(place[1] - y) < 1.2 * _NAME_SIZE[1] for x, y in taken
    )


# --- headings and notes -----------------------------------------------------------------------------------


class _Heading(NamedTuple):
    """What a row of panels shows, and its key: (artist, words)."""

    text: str
    key: Sequence[tuple[Artist, str]]


def _head_decays(scales: _Scales) -> _Heading:
    from matplotlib.lines import Line2D

    return _Heading(
        f"Decay of each band – rows {scales.row_db:.0f} dB apart, each from its own 0 dB to "
        f"−{_DEEPEST_DB:.0f} dB at most",
        (
            (Line2D([], [], color="0.72", linewidth=2.6), "decay"),
            (Line2D([], [], color="black", linewidth=1.1, dashes=(3.5, 1.8)), "fitted line"),
            (marker_sample("v", "black", 4.8), "noise takes over"),
            (marker_sample("|", "black", 4.8), "recording ends"),
            (marker_sample(".", "0.4", 3.0), "as measured"),
        ),
    )


def _head_times(_scales: _Scales) -> _Heading:
    named = zip(_MARKS.values(), ("T30", "or else T20", "or else T10", "EDT"), strict=True)
    return _Heading(
        "How long it takes – bars: one standard deviation, by chance alone",
        (
            *(
                (marker_sample(mark.marker, mark.ink, 5.5 * mark.size, mark.face), text)
                for mark, text in named
            ),
            (marker_sample("$?$", "black", 5.0), "doubtful"),
        ),
    )


def _head_map(_scales: _Scales) -> _Heading:
    from matplotlib.patches import Patch

    return _Heading(
        "When the sound has fallen by 10, 20 and 30 dB",
        (
            (Patch(facecolor=_FILLS[0]), "louder"),
            (Patch(facecolor=_FILLS[3], edgecolor="0.6", linewidth=0.4), "quieter"),
            (
                Patch(facecolor="white", edgecolor="0.6", hatch="//////", linewidth=0.0),
                "no data: noise, or end of the recording",
            ),
        ),
    )


_PANELS = ((_draw_decays, _head_decays), (_draw_times, _head_times), (_draw_map, _head_map))


def _note_lines(figures: DecayFigures, width: float) -> list[str]:
    """Say which figures are missing or doubtful, and why; bands that miss the same share a note."""
    groups: dict[str, list[tuple[str, str | None]]] = {}
    for band in figures.bands:
        if band.centre_hz is not None:
            for what, key in _lacks(band):
                groups.setdefault(what, []).append((_nominal(band.centre_hz), _doubt(band, key).reason))
    lines: list[str] = []
    for what, found in groups.items():
        text = f"{what} at {', '.join(name for name, _ in found)} Hz"
        name, reason = next(((name, reason) for name, reason in found if reason), ("", None))
        if reason is not None:
            alone = all(other in {reason, None} for _, other in found)
            text += f": {reason}" + ("" if alone else f" ({name} Hz)")
        lines += textwrap.wrap(printable(text), letters_in(width, 7.0), subsequent_indent="   ")
    if len(lines) > _MOST_NOTE_LINES:
        lines = [*lines[: _MOST_NOTE_LINES - 1], "… more in the table"]
    return lines


def _lacks(band: BandFigures) -> list[tuple[str, str]]:
    """What a band lacks, and the figure that tells why: of missing ones the one that asks for least."""
    best = _best(band)
    if best is None:
        found = [("no decay time" if band.edt_s is None else "nothing but EDT", "t10_s")]
    else:
        found = [] if best == "t30_s" else [("no T30", "t30_s")]
        if _doubt(band, best).verdict != "good":
            return [*found, (f"doubtful {_NAMES[best]}", best)]
    if band.edt_s is not None and _doubt(band, "edt_s").verdict != "good":
        found.append(("doubtful EDT", "edt_s"))
    return found
