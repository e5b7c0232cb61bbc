"""What the cache keeps as a table for a terminal."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from roomplan.show.tables import DASH, plain_table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.table import Table

    from roomplan.files.cache import CacheEntry

__all__ = ["age_words", "cache_table", "entry_count", "size_words"]


def cache_table(entries: Sequence[CacheEntry]) -> Table:
    """Entries, what each is, and when it was last used."""
    table = plain_table("Kept from earlier runs")
    table.add_column("what")
    table.add_column("plan")
    table.add_column("last used", justify="right", no_wrap=True)
    table.add_column("size", justify="right", no_wrap=True)
    now = time.time()
    for entry in entries:
        table.add_row(
            entry.title,
            entry.source or DASH,
            DASH if not entry.created else age_words(now - entry.used_s),
            size_words(entry.size_bytes),
        )
    return table


def entry_count(entries: int) -> str:
    """How many entries, in words."""
    return f"{entries} {'entry' if entries == 1 else 'entries'}"


def size_words(size: int) -> str:
    """Size in the largest unit that fits."""
    for unit, factor in (("GB", 1e9), ("MB", 1e6)):
        if size >= factor:
            return f"{size / factor:.1f} {unit}"
    return f"{size / 1e3:.0f} kB"


def age_words(seconds: float) -> str:
    """Age in the largest unit that fits."""
    for unit, length in (("day", 86_400), ("hour", 3_600), ("minute", 60)):
        number = int(seconds // length)
        if number >= 1:
            return f"{number} {unit}{'' if number == 1 else 's'} ago"
    return "now"
