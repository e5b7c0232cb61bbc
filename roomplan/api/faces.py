"""Results in a notebook: the tables of the terminal as HTML, with the same words.

Conventions
-----------
One table element for each table, one paragraph for each line. Everything a user named is escaped. No scripts,
no styles but the alignment of a cell, nothing from elsewhere: the notebook's own style applies.

Notes
-----
The tables are those of `roomplan.show`, so a notebook cannot say anything else than a terminal. Not done:
colours, pictures, and the styles that rich marks up.
"""

from __future__ import annotations

import html
from typing import TYPE_CHECKING

from rich.table import Table
from rich.text import Text

from roomplan.foreign_text import printable_lines

if TYPE_CHECKING:
    from collections.abc import Iterable

    from rich.console import RenderableType

__all__ = ["html_of"]


def html_of(items: Iterable[Table | Text | str]) -> str:
    """Tables and lines, one after the other, as one piece of HTML."""
    parts = (_table(item) if isinstance(item, Table) else f"<p>{_escaped(item)}</p>" for item in items)
    return f"<div>{''.join(parts)}</div>"


def _table(table: Table) -> str:
    parts = ["<table>"]
    if table.title:
        parts.append(f'<caption style="text-align:left"><b>{_escaped(table.title)}</b></caption>')
    if table.show_header:
        cells = (
            f'<th style="{_align(column.justify)}">{_escaped(column.header)}</th>' for column in table.columns
        )
        parts.append(f"<thead><tr>{''.join(cells)}</tr></thead>")
    parts.append("<tbody>")
    columns = [list(column.cells) for column in table.columns]
    for number, row in enumerate(table.rows):
        cells = (
            f'<td style="{_align(column.justify)}">{_escaped(cells[number])}</td>'
            for column, cells in zip(table.columns, columns, strict=True)
        )
        parts.append(f"<tr>{''.join(cells)}</tr>")
        if row.end_section and number + 1 < len(table.rows):
            parts.append("</tbody><tbody>")
    parts.append("</tbody></table>")
    if table.caption:
        parts.append(f"<p><small>{_escaped(table.caption)}</small></p>")
    return "".join(parts)


def _align(justify: str) -> str:
    side = {"right": "right", "center": "center"}.get(justify, "left")
    return f"text-align:{side};vertical-align:top"


def _escaped(content: RenderableType) -> str:
    """Words of a cell, safe in HTML; no table marks anything up, so brackets are brackets."""
    words = content.plain if isinstance(content, Text) else str(content)
    return html.escape(printable_lines(words)).replace("\n", "<br>")
