"""Measured responses as tables for a terminal.

Conventions
-----------
A dash is a figure the data do not support, "?" behind a figure says that it is doubtful; the last column says
why. Times in seconds unless the heading says otherwise.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from roomplan.acoustics.differences import describe
from roomplan.acoustics.figures import doubtful_figures
from roomplan.files.names import natural_order
from roomplan.report.measurements import numbered_channels
from roomplan.show.tables import (
    DASH,
    DECAY_RANGE,
    band_name,
    decay_range,
    figure,
    figure_columns,
    file_names,
    in_ms,
    level,
    marked,
    plain_table,
    verdict_word,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from rich.table import Table

    from roomplan.acoustics.correlation import BandCorrelation, Correlation
    from roomplan.acoustics.figures import BandFigures
    from roomplan.acoustics.response import ChannelFigures
    from roomplan.measuring.responses import MeasuredFile
    from roomplan.report.measurements import Against

__all__ = ["against_tables", "decay_table", "notes", "response_tables", "sort_measured", "summary_table"]

_HEADINGS = ("EDT s", "T20 s", "T30 s", "± s", "C50 dB", "C80 dB", "D50", "Ts ms", DECAY_RANGE)
_LEGEND = (
    "± one standard deviation of T30 (else T20) by chance · ? doubtful · – not supported by the data\n"
    "xi: how far the decay is from a straight line, in per mille (ISO 3382-2, Annex B)"
)


def response_tables(measured: MeasuredFile, *, binaural: bool) -> list[Table | Text]:
    """Bands of each channel, what the channel is like as a whole, and the correlation of two channels."""
    items: list[Table | Text] = []
    several = len(measured.channel_numbers) > 1
    for number, channel in numbered_channels(measured):
        title = f"{_name(measured)} · {measured.sample_rate} Hz · {measured.duration_s:.1f} s"
        items.append(_band_table(f"{title} · channel {number}" if several else title, channel))
        items.extend(_remarks(channel))
    if measured.figures.correlation:
        items.append(_correlation_table(measured.figures.correlation, binaural=binaural))
    elif binaural:
        items.append(Text("no IACC: it needs both ears, as two channels measured together"))
    return items


def notes(measured: MeasuredFile) -> list[Text]:
    """What looks wrong with the file."""
    return [Text(f"note: {warning}") for warning in measured.warnings]


def _name(measured: MeasuredFile) -> str:
    """Name of the file for a title."""
    return measured.path.name


def _band_table(title: str, channel: ChannelFigures) -> Table:
    return decay_table(title, channel.decay.bands, (channel.decay.mid, channel.broadband, channel.a_weighted))


def decay_table(title: str, bands: Sequence[BandFigures], wide: Sequence[BandFigures]) -> Table:
    """A row for each band, and for what covers several."""
    table = plain_table(title, _LEGEND)
    figure_columns(table, ("band", *_HEADINGS))
    table.add_column("verdict", min_width=24)
    for band in bands:
        table.add_row(band.label, *_cells(band), _verdict(band))
    table.add_section()
    for band in wide:
        table.add_row(band.label, *_cells(band), _verdict(band))
    return table


def _cells(band: BandFigures) -> list[str]:
    def shown(key: str, text: Callable[[float | None], str]) -> str:
        value = getattr(band, key)
        doubtful = value is not None and band.doubt[key].verdict == "doubtful"
        return marked(text(value), doubtful=doubtful)

    scatter = next((band.doubt[k].uncertainty for k in ("t30_s", "t20_s") if getattr(band, k)), None)
    return [
        shown("edt_s", figure),
        shown("t20_s", figure),
        shown("t30_s", figure),
        figure(scatter),
        shown("c50_db", level),
        shown("c80_db", level),
        shown("d50", figure),
        shown("centre_time_s", lambda value: figure(in_ms(value), 0)),
        decay_range(band.decay_range_db),
    ]


def _verdict(band: BandFigures) -> str:
    reasons = list(dict.fromkeys(band.reasons.values()))
    reason = band.reasons.get("verdict") or (reasons[0] if reasons else None)
    if band.verdict == "unusable" and reasons:
        reason = reasons[0]
    marks = doubtful_figures(band.doubt)
    if band.verdict == "good" and marks is not None:
        return f"good but for {marks}"
    word = verdict_word(band)
    text = f"{word}: {reason}" if reason else word
    if band.t20_s is None and band.t10_s is not None and band.doubt["t10_s"].verdict == "good":
        text += f"; T10 is {band.t10_s:.2f} s"
    return text


def _remarks(channel: ChannelFigures) -> list[Text]:
    lines = []
    for band in channel.decay.bands:
        slope = band.double_slope
        if slope is not None:
            lines.append(
                Text(
                    f"{band.label}: two decays, {slope.first_decay_time_s:.2f} s and then "
                    f"{slope.second_decay_time_s:.2f} s, crossing at {level(slope.crossing_level_db, 0)} dB "
                    f"after {slope.crossing_s:.2f} s"
                )
            )
    speech = channel.speech
    if speech.value is None:
        lines.append(Text(f"STI (estimate): {DASH} ({speech.reason})"))
    else:
        scatter = "" if speech.uncertainty is None else f" ± {speech.uncertainty:.2f}"
        doubt = f", doubtful: {speech.reason}" if speech.reason else ""
        lines.append(Text(f"STI (estimate): {speech.value:.2f}{scatter}, {speech.qualification}{doubt}"))
    return lines


def _correlation_table(bands: Sequence[BandCorrelation], *, binaural: bool) -> Table:
    name = "Interaural correlation (IACC)" if binaural else "Inter-channel correlation"
    table = plain_table(
        f"{name}, early (0 to 80 ms) and late",
        "largest correlation within ±1 ms · ± by chance · ? doubtful"
        + ("" if binaural else " · no IACC: the file is not declared binaural"),
    )
    figure_columns(table, ("band", *("early", "±", "at ms"), *("late", "±", "at ms")))
    table.add_column("", min_width=20)

    def cells(found: Correlation) -> list[str]:
        value = found.coefficient
        text = figure(abs(value)) if binaural and value is not None else level(value, 2)
        coefficient = marked(text, doubtful=found.verdict == "doubtful")
        return [coefficient, figure(found.uncertainty), level(in_ms(found.lag_s), 2)]

    for band in bands:
        reasons = [
            f"{part}: {f.reason}" for part, f in (("early", band.early), ("late", band.late)) if f.reason
        ]
        table.add_row(
            band_name(band.centre_hz), *cells(band.early), *cells(band.late), "; ".join(reasons[:1])
        )
    return table


_ATTRIBUTES = {
    "edt": "edt_s",
    "t20": "t20_s",
    "t30": "t30_s",
    "c50": "c50_db",
    "c80": "c80_db",
    "d50": "d50",
    "ts": "centre_time_s",
    "decay_range": "decay_range_db",
}
_VERDICTS = ("good", "doubtful", "unusable")


def sort_measured(
    measured: Sequence[MeasuredFile], key: str | None, *, centre_hz: float | None
) -> list[MeasuredFile]:
    """Files by a figure of their first channel's summary band, the largest first, those without it last.

    `key` is "file", "verdict", "sti", one of edt, t20, t30, c50, c80, d50, ts, decay_range, or None for the
    order given.
    """
    if key is None:
        return list(measured)
    if key == "file":
        return sorted(measured, key=lambda file: natural_order(file.path))

    def place(file: MeasuredFile) -> tuple[bool, float]:
        channel = file.figures.channels[0]
        band = summary_band(channel, centre_hz)
        if key == "verdict":
            return False, float(_VERDICTS.index(band.verdict))
        value = channel.speech.value if key == "sti" else getattr(band, _ATTRIBUTES[key])
        return value is None, 0.0 if value is None else -float(value)

    return sorted(measured, key=place)


def summary_band(channel: ChannelFigures, centre_hz: float | None) -> BandFigures:
    """Band a summary shows: the mean of the mid bands, or the one asked for."""
    if centre_hz is None:
        return channel.decay.mid
    return next(band for band in channel.decay.bands if band.centre_hz == centre_hz)


def summary_table(measured: Sequence[MeasuredFile], *, centre_hz: float | None, fraction: int) -> Table:
    """One row for each channel of many responses."""
    width = "octave" if fraction == 1 else "third octave"
    mids = "500 and 1000 Hz octaves" if fraction == 1 else "third octaves from 400 to 1250 Hz"
    what = f"mean of the {mids}" if centre_hz is None else f"{width} at {centre_hz:g} Hz"
    table = plain_table(
        f"{len(measured)} responses · {what}", f"{_LEGEND}\nmeasured alone, a file shows all its bands"
    )
    table.add_column("file", overflow="fold")
    figure_columns(table, ("channel", *_HEADINGS[:6], DECAY_RANGE, Text("STI\n(estimate)")))
    table.add_column("verdict", min_width=24)
    for file, name in zip(measured, file_names([file.path for file in measured]), strict=True):
        for number, channel in numbered_channels(file):
            band = summary_band(channel, centre_hz)
            cells = _cells(band)
            table.add_row(
                name, str(number), *cells[:6], cells[8], figure(channel.speech.value), _verdict(band)
            )
    return table


_SHOWN = ("edt_s", "t20_s", "t30_s", "c50_db", "c80_db", "d50", "centre_time_s")


def against_tables(measured: MeasuredFile, against: Mapping[tuple[Path, int], Against]) -> list[Table | Text]:
    """Differences to a reference in JND, band by band, and the largest in words."""
    items: list[Table | Text] = []
    several = len(measured.channel_numbers) > 1
    for number, _channel in numbered_channels(measured):
        found = against.get((measured.path, number))
        if found is None:
            continue
        title = _name(measured) + (f" · channel {number}" if several else "")
        table = plain_table(
            f"{title} against {found.reference.name}, in just-noticeable differences (JND)",
            "one JND: EDT and T 5 %, C 1 dB, D50 0.05, Ts 10 ms (ISO 3382-1, Table A.1; T and C50 by analogy)"
            "\nin brackets: the difference that chance alone can make",
        )
        figure_columns(table, ("band", "EDT", "T20", "T30", "C50", "C80", "D50", "Ts"))
        entries = {(entry.centre_hz, entry.key): entry for entry in found.differences}
        for centre in dict.fromkeys(entry.centre_hz for entry in found.differences):
            cells = []
            for key in _SHOWN:
                entry = entries.get((centre, key))
                text = level(entry.steps if entry else None)
                if entry is not None and entry.chance is not None and abs(entry.chance) < _CHANCE:
                    text = f"({text})"
                cells.append(text)
            table.add_row(band_name(centre), *cells)
        items.append(table)
        loudest = sorted(
            (e for e in found.differences if e.key in _SHOWN and e.steps is not None and abs(e.steps) >= 1.0),
            key=lambda e: -abs(e.steps or 0.0),
        )
        heard = [e for e in loudest if e.chance is None or abs(e.chance) >= _CHANCE]
        items.extend(Text(describe(entry)) for entry in heard[:_MOST_LINES])
        if not heard:
            items.append(Text("no difference reaches one JND beyond chance"))
        room = found.same_room
        items.append(
            Text(f"one room: {room.verdict} ({room.reason})" if room.reason else f"one room: {room.verdict}")
        )
    return items


_CHANCE = 2.0  # standard deviations; common practice
_MOST_LINES = 6
