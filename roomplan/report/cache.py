"""What the cache keeps as plain values: the `roomplan.cache/1` document."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from roomplan._version import __version__

if TYPE_CHECKING:
    from collections.abc import Sequence

    from roomplan.files.cache import Cache, CacheEntry, Removed
    from roomplan.report.documents import Document

__all__ = ["CACHE_SCHEMA", "cache_document"]

CACHE_SCHEMA = "roomplan.cache/1"


def cache_document(kept: Cache | None, entries: Sequence[CacheEntry], removed: Removed | None) -> Document:
    """Entries, the last used first, and what was removed before they were looked at."""
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
