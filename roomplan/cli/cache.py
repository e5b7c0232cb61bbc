"""`roomplan cache`: what is kept from earlier runs, and how to remove it."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Annotated, Any

import typer

from roomplan.cli.environment import StageProgress, emit, show
from roomplan.cli.parameters import AsJson, Quiet, help_of

if TYPE_CHECKING:
    from rich.table import Table

    from roomplan.files.cache import Cache, CacheEntry, Removed

__all__ = ["CACHE_SCHEMA", "register"]

CACHE_SCHEMA = "roomplan.cache/1"

OFF = "the cache is off (ROOMPLAN_CACHE)"


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command("cache", help=help_of(cache))(cache)


def cache(
    *,
    clear: Annotated[bool, typer.Option("--clear", help="Remove everything that is kept.")] = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Show what is kept from earlier runs, or remove it: measurements of plans, responses of rooms.

    The cache only saves time and is safe to remove; when it is full, what has gone unused for longest is
    deleted. The environment variable ROOMPLAN_CACHE names another folder, or off; ROOMPLAN_CACHE_SIZE is
    its largest size in MB.

    Example: roomplan cache

    Example: roomplan cache --clear
    """
    from roomplan.files.cache import Cache

    with StageProgress(quiet=quiet) as progress:
        progress.note("clearing" if clear else "looking")
        kept = Cache.open()
        removed = kept.clear() if kept is not None and clear else None
        entries = [] if kept is None else kept.entries()
    if as_json:
        from roomplan.report.documents import to_text

        emit(to_text(_document(kept, entries, removed)))
    elif kept is None:
        show(OFF)
    elif removed is not None:
        show(f"removed {_count(removed.entries)}, {_size(removed.size_bytes)}")
        if entries:
            show(f"{_count(len(entries))} in use by another program kept")
    else:
        total = sum(entry.size_bytes for entry in entries)
        show(str(kept.folder), f"{_count(len(entries))}, {_size(total)} of at most {_size(kept.limit_bytes)}")
        if entries:
            show(_table(entries))


def _document(kept: Cache | None, entries: list[CacheEntry], removed: Removed | None) -> dict[str, Any]:
    from roomplan._version import __version__

    return {
        "schema": CACHE_SCHEMA,
        "roomplan": __version__,
        "folder": None if kept is None else str(kept.folder),
        "limit_bytes": None if kept is None else kept.limit_bytes,
        "entries": [
            {
                "key": entry.key,
                "title": entry.title,
                "plan": entry.source,
                "created": entry.created or None,
                "unused_s": max(0, round(time.time() - entry.used_s)),
                "size_bytes": entry.size_bytes,
                "parts": entry.parts,
            }
            for entry in entries
        ],
        "size_bytes": sum(entry.size_bytes for entry in entries),
        "removed": None
        if removed is None
        else {"entries": removed.entries, "size_bytes": removed.size_bytes},
    }


def _table(entries: list[CacheEntry]) -> Table:
    from roomplan.show.tables import DASH, plain_table

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
            DASH if not entry.created else _age(now - entry.used_s),
            _size(entry.size_bytes),
        )
    return table


def _count(entries: int) -> str:
    return f"{entries} {'entry' if entries == 1 else 'entries'}"


def _size(size: int) -> str:
    for unit, factor in (("GB", 1e9), ("MB", 1e6)):
        if size >= factor:
            return f"{size / factor:.1f} {unit}"
    return f"{size / 1e3:.0f} kB"


def _age(seconds: float) -> str:
    """Age in the largest unit that fits."""
    for unit, length in (("day", 86_400), ("hour", 3_600), ("minute", 60)):
        number = int(seconds // length)
        if number >= 1:
            return f"{number} {unit}{'' if number == 1 else 's'} ago"
    return "now"
