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
    """Entries, what each is, and when it was last used; the sound of a plan is one row."""
    table = plain_table("Kept from earlier runs")
    table.add_column("what")
    table.add_column("plan")
    table.add_column("last used", justify="right", no_wrap=True)
    table.add_column("size", justify="right", no_wrap=True)
    now = time.time()
    of_plan: dict[str | None, list[CacheEntry]] = {}
    for entry in entries:
        if entry.is_sound:
            of_plan.setdefault(entry.source, []).append(entry)
        else:
            _add(table, entry.title, [entry], now)
    for sound in of_plan.values():
        _add(table, sound[0].title if len(sound) == 1 else f"sound of {len(sound)} sends", sound, now)
    return table


def _add(table: Table, title: str, entries: Sequence[CacheEntry], now: float) -> None:
    """Add the row of entries for one plan."""
    used_s = max(entry.used_s for entry in entries)
    table.add_row(
        title,
        entries[0].source or DASH,
        age_words(now - used_s) if any(entry.created for entry in entries) else DASH,
        size_words(sum(entry.size_bytes for entry in entries)),
    )


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
