"""Comparisons as tables for a terminal.

Conventions
-----------
One table for each plan against the first: the first plan's figure, and the difference. Plus is louder,
wetter, longer, clearer. Where there are many, one table shows one bus of all.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich.text import Text

from roomplan.foreign_text import printable
from roomplan.plan.bus_name import BusName
from roomplan.report.comparison import Compared, differences_of_bus, figure_of_bus, plan_changes
from roomplan.report.documents import sound_part
from roomplan.show.tables import DASH, figure, figure_columns, level, plain_table

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from rich.table import Table

    from roomplan.rendering.result import Rendering
    from roomplan.report.comparison import ComparedCue
    from roomplan.report.documents import Document

__all__ = [
    "change_lines",
    "comparison_table",
    "course_table",
    "margin_table",
    "margin_tables",
    "moved_buses",
    "passage_table",
    "summary_table",
]

_ANSWERED = {
    "sound": "measured just now",
    "matrix": "taken from an earlier pass over the same sounds",
    "report": "from its report",
}


def change_lines(compared: Sequence[Compared]) -> list[Text]:
    """What each plan says differently from the first, and where its figures come from."""
    first = compared[0]
    lines = [Text(f"{first.label}: {_ANSWERED[first.answered_from]}")]
    for other in compared[1:]:
        lines.append(Text(f"{other.label}: {_ANSWERED[other.answered_from]}"))
        changes = plan_changes(first.document, other.document)
        lines += [Text(f"  {change}") for change in changes or ["the plans are the same"]]
    return lines


def comparison_table(first: Compared, other: Compared, *, buses: Collection[str] | None = None) -> Table:
    """Buses down, the mix first: loudness of the first plan, and what the other adds to it.

    With `buses`, only these, such as those of `moved_buses`.
    """
    table = plain_table(
        f"{other.label} against {first.label}",
        "LUFS: the first plan; the rest: the change in the second, in LU, dB, s · in brackets: JND "
        "(ISO 3382-1, Table A.1)",
    )
    table.add_column("bus")
    figure_columns(
        table,
        (
            *("LUFS", "loudness", Text("short\nterm"), "LRA", "wet/dry", Text("true\npeak")),
            *("EDT s", "C80 dB", "tail s", Text("late\ncorr.")),
        ),
    )
    ours = {bus["name"]: bus for bus in first.document["buses"]}
    names = [bus["name"] for bus in other.document["buses"] if bus["name"] in ours]
    theirs = {bus["name"]: bus for bus in other.document["buses"]}
    differences = {name: differences_of_bus(ours[name], theirs[name]) for name in _ordered(names)}
    shown = [name for name in differences if buses is None or name in buses]
    for number, name in enumerate(shown):
        found = differences[name]
        following = shown[number + 1 : number + 2]
        table.add_row(
            name,
            level(ours[name]["loudness"]["integrated_lufs"]),
            level(found["integrated_lu"]),
            level(found["short_term_max_lu"]),
            level(found["loudness_range_lu"]),
            level(found["wet_to_dry_db"]),
            level(found["true_peak_db"]),
            _with_steps(found["edt_s"], found["edt_steps"], 2),
            _with_steps(found["c80_db"], found["c80_steps"], 1),
            level(found["decay_to_minus_40_s"], 2),
            level(found["late_correlation"], 2),
            end_section=bool(following) and _rank(name) != _rank(following[0]),
        )
    return table


# Figures of the table and half a step of their last digit: a difference of less is printed as 0.
_PRINTED = {
    "integrated_lu": 0.05,
    "short_term_max_lu": 0.05,
    "loudness_range_lu": 0.05,
    "wet_to_dry_db": 0.05,
    "true_peak_db": 0.05,
    "edt_s": 0.005,
    "c80_db": 0.05,
    "decay_to_minus_40_s": 0.005,
    "late_correlation": 0.005,
}


def moved_buses(first: Compared, other: Compared) -> tuple[list[str], int]:
    """Buses of both of which a figure of the table moves as it is printed, and how many do not move."""
    ours = {bus["name"]: bus for bus in first.document["buses"]}
    moved, still = [], 0
    for bus in other.document["buses"]:
        if bus["name"] in ours:
            found = differences_of_bus(ours[bus["name"]], bus)
            if any(abs(found[key] or 0.0) >= least for key, least in _PRINTED.items()):
                moved.append(bus["name"])
            else:
                still += 1
    return moved, still


def course_table(compared: Sequence[Compared]) -> Table | None:
    """Loudness of one bus over time, steps down and plans across; None where it was not asked for."""
    steps = [one.document.get("course", {}).get("steps", []) for one in compared]
    rows = _rows(steps, ("from_s", "to_s"))
    if not rows:
        return None
    bus = compared[0].document["course"]["bus"]
    table = plain_table(f"{bus}: loudness over time, LUFS, and the difference to the first plan, LU")
    figure_columns(table, ("from", "to", *(one.label for one in compared)))
    for key, entries in sorted(rows.items()):
        values = [None if entry is None else entry["integrated_lufs"] for entry in entries]
        table.add_row(*map(_clock, key), *_with_differences(values))
    return table


def _rows(
    columns: Sequence[Sequence[Document]], keys: tuple[str, ...]
) -> dict[tuple[Any, ...], list[Document | None]]:
    """Entries of each plan beside those of the others with the same keys; None where a plan has none."""
    rows: dict[tuple[Any, ...], list[Document | None]] = {}
    for column, entries in enumerate(columns):
        for entry in entries:
            row = rows.setdefault(tuple(entry[key] for key in keys), [None] * len(columns))
            row[column] = entry
    return rows


def _clock(seconds: float) -> str:
    """Minutes and seconds, with hundredths where there are any."""
    hundredths = round(100.0 * seconds)
    minutes, rest = divmod(hundredths, 6000)
    text = f"{minutes}:{rest // 100:02}"
    return text if rest % 100 == 0 else f"{text}.{rest % 100:02}"


def _with_differences(values: Sequence[float | None]) -> list[str]:
    """Figures of one row, each but the first with its difference to the first."""
    cells = []
    for column, value in enumerate(values):
        text = level(value)
        if column and value is not None and values[0] is not None:
            text += f" ({level(value - values[0])})"
        cells.append(text)
    return cells


def summary_table(cues: Sequence[ComparedCue], bus: str) -> Table:
    """One bus of every plan and cue: its figures, and what differs from the first version of the cue."""
    several = len(cues) > 1 or cues[0].name != ""
    table = plain_table(
        f"{bus}: all versions",
        "in brackets: the difference to the first version · changes: number of changes in the plan",
    )
    if several:
        table.add_column("cue")
    table.add_column("version")
    figure_columns(
        table,
        ("LUFS", "short-term", "LRA LU", "true peak", "wet/dry dB", "C80 dB", "tail s", "changes"),
    )
    for cue in cues:
        there = [one for one in cue.versions if one is not None]
        first = there[0]
        for number, one in enumerate(there):
            name = [cue.name if number == 0 else ""] if several else []
            table.add_row(
                *name, one.label, *_summary_cells(first, one, bus), end_section=several and one is there[-1]
            )
    return table


_SUMMARY = (
    "integrated_lu",
    "short_term_max_lu",
    "loudness_range_lu",
    "true_peak_db",
    "wet_to_dry_db",
    "c80_db",
    "decay_to_minus_40_s",
)


def _summary_cells(first: Compared, one: Compared, bus: str) -> list[str]:
    found = [
        next((entry for entry in plan.document["buses"] if entry["name"] == bus), None)
        for plan in (first, one)
    ]
    reference, ours = found
    if ours is None:
        return [DASH] * (len(_SUMMARY) + 1)
    differences = differences_of_bus(reference, ours) if reference is not None and one is not first else {}
    cells = []
    for key in _SUMMARY:
        value = figure_of_bus(ours, key)
        digits = 2 if key.endswith("_s") else 1
        text = (
            figure(value, digits)
            if key in {"loudness_range_lu", "decay_to_minus_40_s"}
            else level(value, digits)
        )
        change = differences.get(key)
        cells.append(text if change is None else f"{text} ({level(change, digits)})")
    changes = "" if one is first else str(len(plan_changes(first.document, one.document)))
    return [*cells, changes]


def _with_steps(difference: float | None, steps: float | None, digits: int) -> str:
    if difference is None or steps is None:
        return DASH
    return f"{level(difference, digits)} ({level(steps)})"


def _rank(name: str) -> int:
    return 0 if name == "mix" else 1 if BusName(name).is_wet else 2


def _ordered(names: Sequence[str]) -> list[str]:
    """The mix first, then the wet buses: they are what a comparison of rooms is about."""
    return sorted(names, key=_rank)


def margin_table(compared: Sequence[Compared]) -> Table | None:
    """Margins down, plans across; None when no plan asks for one."""
    rows = _rows([one.document.get("margins", []) for one in compared], ("of", "over", "band", "passage"))
    if not rows:
        return None
    table = plain_table(
        "Margins, dB",
        "kept 90 % of the time the first bus sounds (10th percentile of 3 s) · speech: 1–4 kHz",
    )
    for heading in ("of", "over", "band", "passage"):
        table.add_column(heading)
    figure_columns(table, (one.label for one in compared))
    reasons: list[str] = []
    for (of, over, band, passage), entries in rows.items():
        cells = []
        for entry in entries:
            cells.append(level(None if entry is None else entry["margin_db"]))
            if entry is not None and entry["reason"]:
                reasons.append(f"{of} over {over}: {entry['reason']}")
        table.add_row(of, over, band, passage or "whole", *cells)
    for reason in dict.fromkeys(reasons):
        table.caption = f"{table.caption}\n{printable(reason)}"
    return table


def margin_tables(rendering: Rendering) -> list[Table]:
    """Table of the margins of one plan, if it asks for any."""
    if not rendering.margins:
        return []
    table = margin_table([Compared("dB", sound_part(rendering), "sound")])
    return [] if table is None else [table]


def passage_table(compared: Sequence[Compared]) -> Table | None:
    """Integrated loudness of sections, groups and the mix in each passage, with what differs."""
    rows = _rows(
        [
            [
                entry
                for entry in one.document.get("passages", [])
                if entry["bus"].count(":") <= 1 and entry["bus"] not in {"dry", "wet"}
            ]
            for one in compared
        ],
        ("passage", "bus"),
    )
    if not rows:
        return None
    table = plain_table("Passages: integrated loudness, LUFS, and the difference to the first plan, LU")
    table.add_column("passage")
    table.add_column("bus")
    figure_columns(table, (one.label for one in compared))
    for key, entries in rows.items():
        values = [None if entry is None else entry["loudness"]["integrated_lufs"] for entry in entries]
        table.add_row(*key, *_with_differences(values))
    return table
