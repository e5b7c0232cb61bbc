"""What `new` found in a folder of stems, as a table and lines for a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from roomplan.drafting.filling import Filling
from roomplan.drafting.writing import shown
from roomplan.report.drafts import draft_rows, proposed_sections
from roomplan.show.tables import DASH, plain_table

if TYPE_CHECKING:
    from rich.table import Table

    from roomplan.drafting.proposal import Proposal

__all__ = ["draft_lines", "draft_table"]


def draft_table(draft: Proposal | Filling) -> Table:
    """One row for every file: its section, seat and sends, and why."""
    table = plain_table(f"{shown(draft.title)}: what was found", "sure: ? marks what to look at")
    for heading in ("file", "section", "seat m, °", "sends dB", "sure", "because"):
        table.add_column(heading)
    before = None
    for row in draft_rows(draft):
        again = row.section is not None and row.section == before
        before = row.section
        seat, sends = "", ""
        if row.proposed is not None and not again:
            at = row.proposed.seat
            seat = DASH if at is None else f"{at.distance_m:g}, {at.angle_deg:g}".replace("-", "−")
            sends = ", ".join(
                f"{room} {'off' if send.level_db is None else f'{send.level_db:g}'.replace('-', '−')}"
                for room, send in row.sends.items()
            )
        table.add_row(
            shown(row.file.name, 44),
            DASH if row.section is None else "″" if again else row.section,
            seat,
            sends,
            "yes" if row.sure else "?",
            shown(row.why, 60),
        )
    return table


def draft_lines(draft: Proposal | Filling) -> list[Text]:
    """Lines under the table: what concerns the folder, and the template's sections without stems."""
    lines = [f"note: {shown(remark, 300)}" for remark in (*draft.remarks, *draft.facts.remarks)]
    for section in proposed_sections(draft):
        lines += [
            f"note: {section.name}: {shown(remark.removeprefix('? '), 300)}" for remark in section.remarks
        ]
    if isinstance(draft, Filling) and draft.missing:
        lines.append(f"without stems here: {', '.join(draft.missing)}")
    return [Text(line) for line in lines]
