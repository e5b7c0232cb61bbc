"""`roomplan cache`: what is kept from earlier runs, and how to remove it."""

from __future__ import annotations

from typing import Annotated

import typer

from roomplan.cli.environment import StageProgress, emit, show
from roomplan.cli.parameters import AsJson, Quiet, help_of

__all__ = ["register"]

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
    """Show what is kept from earlier runs, or remove it: measurements of plans, responses, sound of sends.

    The cache only saves time and is safe to remove; when it is full, what has gone unused for longest is
    deleted, sound first. The environment variable ROOMPLAN_CACHE names another folder, or off;
    ROOMPLAN_CACHE_SIZE is its largest size in MB; ROOMPLAN_CACHE_SOUND=off keeps no sound.

    Example: roomplan cache

    Example: roomplan cache --clear
    """
    from roomplan.api.kept_results import kept_results

    with StageProgress(quiet=quiet) as progress:
        progress.note("clearing" if clear else "looking")
        found = kept_results(clear=clear)
    kept, entries, removed = found.cache, found.entries, found.removed
    if as_json:
        from roomplan.report.cache import cache_document
        from roomplan.report.documents import to_text

        emit(to_text(cache_document(kept, entries, removed)))
        return
    from roomplan.show.cache_tables import cache_table, entry_count, size_words

    if kept is None:
        show(OFF)
    elif removed is not None:
        show(f"removed {entry_count(removed.entries)}, {size_words(removed.size_bytes)}")
        if entries:
            show(f"{entry_count(len(entries))} in use by another program kept")
    else:
        total, limit = sum(entry.size_bytes for entry in entries), size_words(kept.limit_bytes)
        sound = sum(entry.size_bytes for entry in entries if entry.is_sound)
        of_it = f", {size_words(sound)} of it sound" if sound else ""
        show(str(kept.folder), f"{entry_count(len(entries))}, {size_words(total)} of at most {limit}{of_it}")
        if entries:
            show(cache_table(entries))
