"""Many renders, one row each: rows for a spreadsheet, and the `roomplan.render_many/2` document.

Conventions
-----------
One row for each plan, in the order in which they were named. Figures are those of the mix.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from roomplan._version import __version__
from roomplan.cautions import LEVELS, MUSIC_ONLY
from roomplan.report.csv_rows import csv_text
from roomplan.report.documents import Document, rounded

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

__all__ = ["RENDER_MANY_SCHEMA", "JobSummary", "summary_csv", "summary_document"]

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
