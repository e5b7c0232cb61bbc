"""Loudness of sound files as tables for a terminal.

Conventions
-----------
Differences are file minus reference. A dash is a figure that cannot be given; the lines below the table say
why.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from rich.text import Text

from roomplan.loudness.roles import ChannelRole
from roomplan.report.loudness import loudness_differences, without_sign_of_zero
from roomplan.show.tables import figure, figure_columns, file_names, level, plain_table

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from rich.table import Table

    from roomplan.measuring.loudness import MeteredFile

__all__ = ["difference_table", "loudness_table", "notes"]


class _Figure(NamedTuple):
    """Attribute of `ProgrammeLoudness`, heading, unit, and how it is written."""

    key: str
    heading: str
    unit: str
    text: Callable[[float | None, int], str]


_FIGURES = (
    _Figure("integrated_lufs", "integrated\n", "LUFS", level),
    _Figure("momentary_max_lufs", "momentary\nmax ", "LUFS", level),
    _Figure("short_term_max_lufs", "short-term\nmax ", "LUFS", level),
    _Figure("loudness_range_lu", "LRA\n", "LU", figure),
    _Figure("true_peak_dbtp", "true peak\n", "dBTP", level),
    _Figure("sample_peak_dbfs", "sample\npeak ", "dBFS", level),
    _Figure("peak_to_loudness_db", "PLR\n", "dB", figure),
)
# A figure, and the one whose reason is also its own: where 400 ms are missing, 3 s are.
_CAUSES = {
    "integrated_lufs": None,
    "momentary_max_lufs": "integrated_lufs",
    "short_term_max_lufs": "momentary_max_lufs",
    "loudness_range_lu": "short_term_max_lufs",
    "true_peak_dbtp": None,
    "sample_peak_dbfs": "true_peak_dbtp",
    "peak_to_loudness_db": "integrated_lufs",
}
_OBVIOUS_ROLES = {(ChannelRole.MONO,), (ChannelRole.LEFT, ChannelRole.RIGHT)}


def loudness_table(metered: Sequence[MeteredFile], *, reference: MeteredFile | None) -> Table:
    """One row per file, and one for the reference.

    Parameters
    ----------
    metered : sequence of MeteredFile
        At least one.
    """
    rows = [*metered, *([reference] if reference is not None else [])]
    told = any(file.loudness.roles not in _OBVIOUS_ROLES for file in rows)
    table = plain_table(
        "Loudness (ITU-R BS.1770, EBU Tech 3341 and 3342)",
        "momentary: 400 ms · short-term: 3 s · LRA: loudness range · PLR: true peak over integrated · "
        "– no figure",
    )
    table.add_column("file", overflow="fold", min_width=12)
    if told:
        table.add_column("channels", overflow="fold")
    headings = ("length\ns", *(entry.heading + entry.unit for entry in _FIGURES))
    figure_columns(table, map(Text, headings))
    names = file_names([file.path for file in rows])
    for file, plain_name in zip(rows, names, strict=True):
        name = plain_name
        if file is reference:
            table.add_section()
            name += " (reference)"
        roles = [" ".join(file.loudness.roles)] if told else []
        cells = (entry.text(getattr(file.loudness, entry.key), 1) for entry in _FIGURES)
        table.add_row(name, *roles, figure(file.info.duration_s, 1), *cells)
    return table


def difference_table(metered: Sequence[MeteredFile], *, reference: MeteredFile) -> Table:
    """One row per file: every figure minus that of the reference."""
    table = plain_table(
        f"Difference to {reference.path.name}, LU and dB",
        "positive: louder, wider or higher than the reference",
    )
    table.add_column("file", overflow="fold", min_width=12)
    figure_columns(table, (Text(entry.heading.rstrip()) for entry in _FIGURES))
    for file, name in zip(metered, file_names([file.path for file in metered]), strict=True):
        found = loudness_differences(file.loudness, reference.loudness)
        table.add_row(name, *(level(without_sign_of_zero(value, 1)) for value in found.values()))
    return table


def notes(metered: Sequence[MeteredFile]) -> list[Text]:
    """Why figures are missing: a line for each file that misses one.

    What misses a figure for the reason of another does not repeat it.
    """
    lines: dict[str, None] = {}
    for file, name in zip(metered, file_names([file.path for file in metered]), strict=True):
        reasons = file.loudness.reasons
        told = dict.fromkeys(
            reasons[key] for key, cause in _CAUSES.items() if key in reasons and cause not in reasons
        )
        if told:
            lines[f"{name}: {'; '.join(told)}"] = None
    return [Text(line) for line in lines]
