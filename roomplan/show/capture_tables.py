"""What was captured, as tables and lines for a terminal.

Conventions
-----------
"?" behind a range says that it is too small for T30, a dash that nothing can be read from it. What is wrong
comes with its time in the recording and with what would mend it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from roomplan.capture.bangs import BangFault
from roomplan.report.capture_words import BANG_LIMITS, said_of, verdict_of
from roomplan.show.measure_tables import decay_table
from roomplan.show.tables import DASH, band_name, decay_range, figure, figure_columns, level, plain_table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.table import Table

    from roomplan.capture.result import Capture, Finding
    from roomplan.report.captures import CapturedBangs, CapturedRoom, CapturedSweeps, ResponseFile

__all__ = ["bang_tables", "file_lines", "room_lines", "sweep_tables"]

T30_RANGE_DB, T20_RANGE_DB = 45.0, 35.0  # ISO 3382-1:2009, 5.3.3 (from memory)
_LEAST_RANGE_DB = 25.0  # what an EDT asks for
_KINDS = {"mono": "mono", "stereo": "stereo (L, R)", "true_stereo": "true stereo (LL, LR, RL, RR: in, out)"}
_FAULTS = {
    BangFault.CLIPPED: "clipped",
    BangFault.DOUBLE: "two in one",
    BangFault.CUT_SHORT: "cut short: not down in the noise",
}
_MOST_OF_A_KIND = 3
MARGIN_OVER_FLOOR_DB = 3.0
"""A harmonic less far over what noise alone would read as is none."""


def sweep_tables(one: CapturedSweeps) -> list[Table | Text]:
    """Range of every octave, what the sweeps told, and what is wrong."""
    capture = one.capture
    paths = list(dict.fromkeys((entry.side, entry.channel) for entry in capture.ranges))
    table = plain_table(
        f"{one.recording.name} · {verdict_of(capture.findings)}",
        "decay range over the noise, dB: 45 for T30, 35 for T20 (ISO 3382-1) · ? too little for T30 · "
        "– too little for anything",
    )
    headings = [f"{side}\n→ channel {channel + 1}" for side, channel in paths]
    figure_columns(table, ("band", *map(Text, headings)))
    reached = {(entry.side, entry.channel, entry.frequency_hz): entry.range_db for entry in capture.ranges}
    for centre in dict.fromkeys(entry.frequency_hz for entry in capture.ranges):
        table.add_row(band_name(centre), *(_range(reached.get((*path, centre))) for path in paths))
    return [table, *_told(capture), *_finding_lines(capture.findings)]


def _range(range_db: float | None) -> str:
    if range_db is None or range_db < _LEAST_RANGE_DB:
        return DASH
    return f"{decay_range(range_db)}{'' if range_db >= T30_RANGE_DB else '?'}"


def _told(capture: Capture) -> list[Text]:
    """Takes, drift and distortion in a line each."""
    takes = ", ".join(f"{take.side} at {take.start_s:.2f} s" for take in capture.takes)
    lines = [f"sweeps found: {takes}"]
    if capture.drift_ppm is not None and not any(found.code == "drift" for found in capture.findings):
        lines.append(f"drift of the clocks: {level(capture.drift_ppm)} ppm")
    harmonics = []
    for order in sorted({entry.order for entry in capture.harmonics}):
        heard = [
            entry.level_db
            for entry in capture.harmonics
            if entry.order == order and entry.level_db >= entry.floor_db + MARGIN_OVER_FLOOR_DB
        ]
        if heard:
            harmonics.append(f"{order}. {level(max(heard))} dB")
    if harmonics:
        lines.append(f"harmonics against the fundamental, the loudest channel: {', '.join(harmonics)}")
    elif capture.harmonics:
        lines.append("harmonics: none over the noise")
    return [Text(line) for line in lines]


def _finding_lines(findings: Sequence[Finding]) -> list[Text]:
    """Findings, the worst of each kind; a row for every octave of every channel would hide the others."""
    lines = []
    for code in dict.fromkeys(finding.code for finding in findings):
        same = [finding for finding in findings if finding.code == code]
        if code == "short_range":
            same.sort(key=lambda finding: -(finding.level_db or 0.0))
        for finding in same[:_MOST_OF_A_KIND]:
            said = said_of(finding)
            mark = "note" if finding.severity == "remark" else finding.severity
            lines.append(Text(f"{mark}: {said.what} — {said.remedy}"))
        if len(same) > _MOST_OF_A_KIND:
            lines.append(Text(f"… and {len(same) - _MOST_OF_A_KIND} more of this kind; --json has all"))
    return lines


def bang_tables(one: CapturedBangs) -> list[Table | Text]:
    """The bangs in the order of time with their rank, and the averaged figures of the good ones."""
    centres = list(dict.fromkeys(centre for bang in one.bangs for centre in bang.range_db))
    table = plain_table(
        f"{one.recording.name} · bangs: {len(one.bangs)}, of use: {len(one.ranked)}",
        "decay range over the noise, dB, the smallest over the channels · ranked by the smallest of a row",
    )
    figure_columns(table, ("at s", "rank", "peak dBFS", *map(band_name, centres)))
    table.add_column("")
    ranks = {id(bang): str(place) for place, bang in enumerate(one.ranked, start=1)}
    for bang in one.bangs:
        faults = ", ".join(_FAULTS[fault] for fault in sorted(bang.faults))
        cells = (decay_range(bang.range_db.get(centre)) for centre in centres)
        table.add_row(figure(bang.time_s), ranks.get(id(bang), DASH), level(bang.peak_dbfs), *cells, faults)
    items: list[Table | Text] = [table]
    count = len(one.ranked)
    for number, figures in enumerate(one.figures, start=1):
        title = f"{count} bangs, energies averaged" if count > 1 else "the one bang of use"
        if len(one.figures) > 1:
            title += f" · channel {number}"
        items.append(decay_table(title, figures.bands, (figures.mid,)))
    return [*items, Text(BANG_LIMITS)]


def file_lines(files: Sequence[ResponseFile]) -> list[Text]:
    """What was written."""
    lines = []
    for written in files:
        channels = ", ".join(map(str, written.channels))
        plural = "s" if len(written.channels) > 1 else ""
        heard = f"{_KINDS[written.kind]} from channel{plural} {channels}"
        length = f"{written.frames / written.sample_rate:.2f} s at {written.sample_rate} Hz"
        ahead = f"direct sound after {1000.0 * written.pre_delay_s:.1f} ms"
        lines.append(Text(f"{written.file}: {heard}, {length}, {ahead}"))
    return lines


def room_lines(room: CapturedRoom) -> list[Text]:
    """The room for a plan, or where it was written."""
    if room.plan is None:
        return [Text("for a plan, under rooms:"), *(Text(f"  {line}") for line in room.text.splitlines())]
    return [Text(f"{room.plan} has the room {room.name} now; the old file is {room.backup}")]
