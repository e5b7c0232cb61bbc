"""Many renders in one table for a terminal.

Conventions
-----------
One row for each plan, in the order in which they were named; a plan that failed has its reason in its row.
Figures are those of the mix.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.show.tables import DASH, figure, figure_columns, level, plain_table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.table import Table

    from roomplan.report.reproduction import Input
    from roomplan.report.summary import JobSummary

__all__ = ["failure_lines", "inputs_table", "summary_table"]


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
