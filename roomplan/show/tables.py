"""Tables for a tired person at midnight: one row per section, short notes, nothing that has to be decoded.

Conventions
-----------
Tables are rich tables. A cell, heading or title given as a plain text becomes one printable line, whatever
names it holds; a rich text keeps its own lines. A figure that does not exist is a dash. Levels carry one
decimal, times two.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from rich import box
from rich.table import Table
from rich.text import Text

from roomplan.foreign_text import printable, printable_lines
from roomplan.plan.bus_name import BusName

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from rich.console import RenderableType
    from rich.style import StyleType

    from roomplan.acoustics.analysis import BandFigures
    from roomplan.errors import Problem
    from roomplan.plan.model import Section
    from roomplan.rendering.bus_figures import BusFigures
    from roomplan.rendering.result import Rendering
    from roomplan.session.session import SectionSource

__all__ = [
    "DASH",
    "DECAY_RANGE",
    "at_position",
    "band_name",
    "band_table",
    "decay_range",
    "figure",
    "figure_columns",
    "file_names",
    "in_ms",
    "level",
    "marked",
    "note",
    "octave_tables",
    "plain_table",
    "room_table",
    "section_table",
    "send_matrix",
    "verdict_word",
    "warning_lines",
]

DASH = "–"
DECAY_RANGE = Text("decay\nrange dB")  # heading: how much of a decay is above the noise
_SECTION_HEADINGS = (
    *("wet/dry dB", Text("wet arrival\nms"), Text("to −40 dB\ns"), Text("late\ncorr.")),
    *("C80 dB", "LUFS", Text("peak\ndBTP")),
)


class _PrintableTable(Table):
    """A table in which names show what they are."""

    def add_column(self, header: RenderableType = "", footer: RenderableType = "", **settings: Any) -> None:
        super().add_column(_printable_cell(header), _printable_cell(footer), **settings)

    def add_row(
        self,
        *renderables: RenderableType | None,
        style: StyleType | None = None,
        end_section: bool = False,
    ) -> None:
        cells = (None if cell is None else _printable_cell(cell) for cell in renderables)
        super().add_row(*cells, style=style, end_section=end_section)


def _printable_cell(cell: RenderableType) -> RenderableType:
    if isinstance(cell, Text):
        shown = printable_lines(cell.plain)
        return cell if shown == cell.plain else Text(shown, style=cell.style)
    return printable(cell) if isinstance(cell, str) else cell


def plain_table(title: str, caption: str | None = None) -> Table:
    """Empty table in the house style."""
    return _PrintableTable(
        title=printable(title),
        caption=None if caption is None else printable_lines(caption),
        title_justify="left",
        caption_justify="left",
        title_style="bold",
        caption_style="dim",
        box=box.SIMPLE_HEAD,
        pad_edge=False,
    )


def figure_columns(table: Table, headings: Iterable[RenderableType]) -> None:
    """Add columns whose cells are figures, one under the other."""
    for heading in headings:
        table.add_column(heading, justify="right", no_wrap=True)


def note(caution: str) -> Text:
    """Caution as the last line of an output."""
    return Text(caution, style="dim")


def level(value: float | None, digits: int = 1) -> str:
    """Signed level or a dash; the minus is the typographic one."""
    if value is None:
        return DASH
    text = f"{round(value, digits) + 0.0:+.{digits}f}"  # never minus zero
    return text.replace("-", "−")


def figure(value: float | None, digits: int = 2) -> str:
    """Plain figure or a dash."""
    if value is None:
        return DASH
    return f"{round(value, digits) + 0.0:.{digits}f}".replace("-", "−")  # never minus zero


def decay_range(range_db: float | None) -> str:
    """Whole decibels, rounded down as the reasons beside it are: 24.9 dB are not the 25 dB an EDT needs."""
    return figure(None if range_db is None else math.floor(range_db), 0)


def verdict_word(band: BandFigures) -> str:
    """Verdict on the decay times of a band; unusable is only said of a row without any figure."""
    return "no decay time" if band.verdict == "unusable" and band.c80_db is not None else band.verdict


def marked(text: str, *, doubtful: bool) -> str:
    """Figure with the mark of doubt where it is doubtful."""
    return f"{text}?" if doubtful else text


def in_ms(seconds: float | None) -> float | None:
    """Milliseconds, which are what a reader of short times expects."""
    return None if seconds is None else 1000.0 * seconds


def band_name(centre_hz: float | None) -> str:
    """Name of a band by its nominal centre; the mean of the middle bands has none."""
    return "mid" if centre_hz is None else f"{centre_hz:g} Hz"


def at_position(position: str | None) -> str:
    """Words for the position a send goes to, with a space before; the usual ones need none."""
    return "" if position in {None, "default", "main"} else f" at {position}"


def file_names(files: Sequence[Path]) -> list[str]:
    """Names of files; with their folders where these differ."""
    several = len({file.parent for file in files}) > 1
    return [str(file) if several else file.name for file in files]


def section_table(rendering: Rendering) -> Table:
    """One row per section, then groups and the mix: what a practitioner asks first."""
    table = plain_table(
        f"{rendering.session.plan.title}: what every section gets",
        "wet/dry: negative means wet under dry · to −40 dB: decay of a hit with its reverb"
        " · late corr.: of the channels of its wet sound; 1 is mono",
    )
    table.add_column("bus")
    figure_columns(table, _SECTION_HEADINGS)
    table.add_column("notes")
    session = rendering.session
    rows = [BusName.of_section(s.name) for s in session.sections]
    rows += [BusName.of_group(name) for name in session.plan.groups]
    rows += [BusName.of_alternate(name) for name in session.plan.alternates]
    muted = {BusName.of_section(s.name) for s in session.sections if s.muted}
    for number, name in enumerate([*rows, "mix"]):
        if number in {len(session.sections), len(rows)}:
            table.add_section()
        bus = rendering.bus(name)
        label = name.removeprefix("section:") + (" (muted)" if name in muted else "")
        notes = [str(n) for n, w in enumerate(rendering.warnings, start=1) if w.subject == name]
        table.add_row(label.replace(":", " "), *_bus_cells(bus), " ".join(notes))
    return table


def _bus_cells(bus: BusFigures) -> list[str]:
    return [
        level(bus.wet_to_dry_db),
        figure(in_ms(bus.wet_onset_s), 1),
        figure(bus.decay_to_minus_40_s),
        figure(bus.late_correlation),
        level(bus.decay.mid.c80_db if bus.decay else None),
        level(bus.loudness.integrated_lufs),
        level(bus.true_peak_dbtp),
    ]


def room_table(rendering: Rendering) -> Table:
    """One row per room return: loudness and mid-band decay of what is in use."""
    table = plain_table(
        "Rooms as used",
        "times: mean of the 500 and 1000 Hz octaves · gain: makes 0 dB of send return as loud as it went in"
        " · late corr.: correlation of the channels of the return, from 80 ms and 500 Hz on; 1 is mono",
    )
    table.add_column("room")
    figure_columns(table, ("gain dB", "LUFS", "EDT s", "T20 s", "T30 s", "onset ms", "late corr."))
    for name, room in rendering.session.rooms.items():
        bus = rendering.bus(BusName.of_room(name))
        mid = bus.decay.mid if bus.decay else None
        table.add_row(
            name,
            level(room.gain_db),
            level(bus.loudness.integrated_lufs),
            figure(mid.edt_s if mid else None),
            figure(mid.t20_s if mid else None),
            figure(mid.t30_s if mid else None),
            figure(in_ms(bus.wet_onset_s), 1),
            figure(room.late_correlation),
        )
    return table


def band_table(name: str, bands: Sequence[BandFigures], mid: BandFigures) -> Table:
    """Octave bands down, figures across, with the verdict of each band."""
    table = plain_table(name)
    table.add_column("octave", justify="right")
    figure_columns(table, ("EDT s", "T20 s", "T30 s", "C80 dB", "D50", "Ts ms", DECAY_RANGE))
    table.add_column("verdict")
    for band in [*bands, mid]:
        if band is mid:
            table.add_section()
        table.add_row(band_name(band.centre_hz), *_band_cells(band), _verdict(band))
    return table


def _band_cells(band: BandFigures) -> list[str]:
    return [
        figure(band.edt_s),
        figure(band.t20_s),
        figure(band.t30_s),
        level(band.c80_db),
        figure(band.d50),
        figure(in_ms(band.centre_time_s), 0),
        decay_range(band.decay_range_db),
    ]


def _verdict(band: BandFigures) -> str:
    reasons = list(dict.fromkeys(band.reasons.values()))
    return f"{verdict_word(band)}: {reasons[0]}" if reasons else verdict_word(band)


def octave_tables(rendering: Rendering) -> list[Table]:
    """Octave tables of every section, group and room that has a decay."""
    return [
        band_table(bus.name, bus.decay.bands, bus.decay.mid)
        for bus in rendering.buses
        if bus.decay is not None and bus.name.kind in {"section", "group", "room"} and not bus.name.part
    ]


def send_matrix(rendering: Rendering) -> Table:
    """Sections down, rooms across: level, position, wiring, wet arrival and what returns of each send."""
    table = plain_table(
        f"{rendering.session.plan.title}: sends",
        "level · position · wiring · wet arrival after dry · return against the section's dry",
    )
    table.add_column("section")
    table.add_column("dry dB", justify="right")
    for room in rendering.session.rooms:
        table.add_column(room)
    ratios = {(s.section, s.send): s.wet_to_dry_db for s in rendering.sends}
    for section in rendering.session.sections:
        table.add_row(
            _section_cell(rendering.session.plan.sections[section.name], muted=section.muted),
            "off"
            if section.dry_gain is None
            else level(rendering.session.plan.sections[section.name].dry_db),
            *(_send_cell(section, room, ratios) for room in rendering.session.rooms),
            end_section=True,
        )
    return table


def _section_cell(section: Section, *, muted: bool) -> Text:
    name = section.name + (" (muted)" if muted else "")
    return Text(name if section.source == "even" else f"{name}\nsource: {section.source}")


def _send_cell(section: SectionSource, room: str, ratios: dict[tuple[str, int], float | None]) -> Text:
    lines = []
    for index, send in enumerate(section.sends):
        if send.room != room:
            continue
        ratio = ratios[section.name, index]
        wet = "dry is off" if section.dry_gain is None else f"wet/dry {level(ratio)}"
        lines.append(
            f"{level(send.level_db)} dB {send.position}\n"
            f"{send.wiring.replace('_', ' ')}, {figure(1000.0 * send.wet_onset_s, 1)} ms\n{wet}"
        )
    return Text("\n".join(lines) or DASH)


def warning_lines(warnings: Sequence[Problem]) -> list[Text]:
    """Warnings, numbered as in the notes column, one a line, for the end of a report."""
    return [Text(f"note {number}: {warning}") for number, warning in enumerate(warnings, start=1)]
