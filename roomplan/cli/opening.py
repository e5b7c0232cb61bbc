"""Tables that several commands show of a plan."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.table import Table

    from roomplan.rendering.result import Rendering

__all__ = ["margin_tables"]


def margin_tables(rendering: Rendering) -> list[Table]:
    """Table of the margins a plan asks for, if it asks for any."""
    if not rendering.margins:
        return []
    from roomplan.report.comparison import Compared
    from roomplan.report.documents import sound_part
    from roomplan.show.compare_tables import margin_table

    table = margin_table([Compared("dB", sound_part(rendering), "sound")])
    return [] if table is None else [table]
