"""Many renders in one table: for a terminal, for a spreadsheet, as a document.

Conventions
-----------
One row for each plan, in the order in which they were named; a plan that failed has its reason in its row.
Figures are those of the mix.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from roomplan._version import __version__
from roomplan.cautions import LEVELS, MUSIC_ONLY
from roomplan.errors import RoomplanError
from roomplan.files.whole_file import write_whole
from roomplan.report.csv_rows import csv_text
from roomplan.report.documents import Document, rounded
from roomplan.show.tables import DASH, figure, figure_columns, level, plain_table

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from rich.table import Table

    from roomplan.report.reproduction import Input

__all__ = [
    "RENDER_MANY_SCHEMA",
    "JobSummary",
    "failure_lines",
    "inputs_table",
    "summary_csv",
    "summary_document",
    "summary_table",
    "write_table_file",
]

RENDER_MANY_SCHEMA = "roomplan.render_many/2"


@dataclass(frozen=True, slots=True)
class JobSummary:
    """What came of rendering one plan; figures are those of the mix.

    Attributes
    ----------
    title : str
        The file's name where the plan could not be read.
    files : int
        Sound files written.
    change_lu : float or None
        Loudness of the mix against the earlier render; None where there is none to compare with.
    seconds : float
        From its beginning to its end.
    folders : tuple of Path
        Those that hold a report.
    problems : tuple of str
        Why it failed; empty when it is done.
    """

    plan: Path
    title: str
    cue: str | None
    version: str | None
    files: int
    duration_s: float | None
    integrated_lufs: float | None
    true_peak_dbtp: float | None
    loudness_range_lu: float | None
    wet_to_dry_db: float | None
    change_lu: float | None
    warnings: tuple[str, ...]
    seconds: float
    folders: tuple[Path, ...]
    problems: tuple[str, ...]


def summary_table(summaries: Sequence[JobSummary]) -> Table:
    """Return one row for each plan; those that failed say so."""
    against = any(one.change_lu is not None for one in summaries)
    table = plain_table(
        f"{len(summaries)} plans",
        "figures of the mix · took: run time"
        + (" · change: of the mix against the earlier render, LU" if against else ""),
    )
    table.add_column("cue")
    figure_columns(table, ("files", "length s", "LUFS", "dBTP", "LRA LU", "wet/dry dB", "warnings", "took s"))
    if against:
        figure_columns(table, ("change",))
    table.add_column("folder", overflow="fold")
    for one in summaries:
        name = one.cue or one.title
        took = figure(one.seconds, 1)
        if one.problems:
            reason, *more = one.problems
            reason += f" (and {len(more)} more)" if more else ""
            table.add_row(name, *[DASH] * 7, took, *([DASH] if against else []), f"failed: {reason}")
            continue
        table.add_row(
            name,
            str(one.files),
            figure(one.duration_s, 1),
            level(one.integrated_lufs),
            level(one.true_peak_dbtp),
            figure(one.loudness_range_lu, 1),
            level(one.wet_to_dry_db),
            str(len(one.warnings)),
            took,
            *([level(one.change_lu)] if against else []),
            ", ".join(str(folder) for folder in one.folders),
        )
    return table


def failure_lines(summaries: Sequence[JobSummary]) -> list[str]:
    """Return every problem of the plans that failed, a line each."""
    return list(dict.fromkeys(problem for one in summaries for problem in one.problems))


_COLUMNS = (
    "plan", "cue", "version", "title", "state", "files", "duration_s", "integrated_lufs", "true_peak_dbtp",
    "loudness_range_lu", "wet_to_dry_db", "change_lu", "warnings", "seconds", "folders", "reason",
)  # fmt: skip


def summary_csv(summaries: Sequence[JobSummary]) -> str:
    """Rows for a table file: one for each plan. An empty cell is a figure that does not exist."""
    rows: list[Sequence[str | float | None]] = [_COLUMNS]
    for one in summaries:
        entry = _entry(one)
        entry["warnings"] = len(one.warnings)
        entry["folders"] = " ".join(entry["folders"])
        entry["reason"] = " ".join(one.problems)
        rows.append([entry[column] for column in _COLUMNS])
    return csv_text(rows)


def summary_document(summaries: Sequence[JobSummary]) -> Document:
    """Return several renders (`roomplan.render_many/2`); each one's own report is in its folder."""
    return {
        "schema": RENDER_MANY_SCHEMA,
        "roomplan": __version__,
        "plans": [_entry(one) for one in summaries],
        "done": sum(not one.problems for one in summaries),
        "failed": sum(bool(one.problems) for one in summaries),
        "note": MUSIC_ONLY,
        "hearing_note": LEVELS,
    }


def _entry(one: JobSummary) -> Document:
    return {
        "plan": str(one.plan),
        "cue": one.cue,
        "version": one.version,
        "title": one.title,
        "state": "failed" if one.problems else "done",
        "files": one.files,
        "duration_s": rounded(one.duration_s, 4),
        "integrated_lufs": rounded(one.integrated_lufs, 3),
        "true_peak_dbtp": rounded(one.true_peak_dbtp, 3),
        "loudness_range_lu": rounded(one.loudness_range_lu, 3),
        "wet_to_dry_db": rounded(one.wet_to_dry_db, 3),
        "change_lu": rounded(one.change_lu, 3),
        "warnings": list(one.warnings),
        "seconds": rounded(one.seconds, 2),
        "folders": [str(folder) for folder in one.folders],
        "problems": list(one.problems),
    }


def inputs_table(inputs: Sequence[Input]) -> Table:
    """Return every input of a report with what has become of it."""
    table = plain_table(
        "Inputs compared with the report", "compared by content, so a copied file is the same"
    )
    for heading in ("state", "kind", "of", "file"):
        table.add_column(heading, overflow="fold")
    for one in inputs:
        table.add_row(one.state, one.kind, one.of or "", one.file)
    return table


def write_table_file(target: Path, text: str) -> None:
    """Write a table file; the earlier one stays whole until the new one is.

    Raises
    ------
    RoomplanError
        When it cannot be written.
    """
    try:
        write_whole(target, text.encode("utf-8"))
    except OSError as error:
        raise RoomplanError(
            f"{target}: cannot be written ({error.strerror or error})", remedy="name a file in another folder"
        ) from error
