"""What is kept from earlier runs, and its removal."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from roomplan.files.cache import Cache

if TYPE_CHECKING:
    from collections.abc import Sequence

    from roomplan.files.cache import CacheEntry, Removed

__all__ = ["KeptResults", "kept_results"]


@dataclass(frozen=True, slots=True)
class KeptResults:
    """The user's cache, None where it is off; its entries, the last used first; what was removed before."""

    cache: Cache | None
    entries: Sequence[CacheEntry] = ()
    removed: Removed | None = None


def kept_results(*, clear: bool = False) -> KeptResults:
    """Look at the user's cache; with `clear`, remove everything first, also what others are writing."""
    cache = Cache.open()
    if cache is None:
        return KeptResults(None)
    removed = cache.clear() if clear else None
    return KeptResults(cache, cache.entries(), removed)
