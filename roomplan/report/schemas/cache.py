"""JSON schema of the document of `cache`."""

from __future__ import annotations

from roomplan.report.cache import CACHE_SCHEMA
from roomplan.report.schemas.values import (
    Schema,
    count,
    count_or_none,
    document,
    list_of,
    object_of,
    or_none,
    text,
    text_or_none,
)

__all__ = ["cache_schema"]


def cache_schema() -> Schema:
    """Return the schema of `cache`."""
    entry = {
        "key": text(),
        "title": text(),
        "plan": text_or_none(),
        "created": text_or_none(),
        "unused_s": count(),
        "size_bytes": count(),
        "parts": {"type": "object", "description": "What it is of."},
    }
    removed = object_of({"entries": count(), "size_bytes": count()})
    return document(
        CACHE_SCHEMA,
        "roomplan cache",
        {
            "folder": text_or_none("Null: the cache is off."),
            "limit_bytes": count_or_none(),
            "entries": list_of(object_of(entry)),
            "size_bytes": count(),
            "removed": or_none(removed, "With --clear."),
        },
    )
