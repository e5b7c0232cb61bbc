"""Rows for a spreadsheet, in which words stay words.

Conventions
-----------
A number is written as it is, negative ones with their sign; None is an empty cell. A text that a table
program would take for a formula gets an apostrophe in front, as one types it there.

Sources
-------
- RFC 4180: commas, quotes and line ends inside a cell.
- OWASP, *CSV Injection*: the characters that begin a formula, full-width ones among them.
"""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING

from roomplan.errors import RoomplanError
from roomplan.files.whole_file import write_whole
from roomplan.foreign_text import printable_lines

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

__all__ = ["csv_text", "write_table_file"]

_FORMULA_SIGNS = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20")


def csv_text(rows: Iterable[Sequence[str | float | None]]) -> str:
    """Rows as the text of a CSV file, each ended by a line feed.

    Parameters
    ----------
    rows : iterable of sequence of (str, int, float or None)
        The heading first.
    """
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    for row in rows:
        writer.writerow([_words(cell) if isinstance(cell, str) else cell for cell in row])
    return stream.getvalue()


def _words(text: str) -> str:
    shown = printable_lines(text)  # also no tab and no return, which would hide a sign behind them
    return f"'{shown}" if shown.lstrip().startswith(_FORMULA_SIGNS) else shown


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
