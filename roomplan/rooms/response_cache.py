"""Responses of synthetic rooms in the user's cache.

Conventions
-----------
An entry is the identity of a response (`roomplan.rooms.store`) and two arrays, float32, (frames, channels):
`reflected.npy`, and `direct.npy` up to its last sound. The values of a response are float32 already, so what
comes back is what was put in, sample for sample.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from roomplan.files.digests import digest_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from roomplan.files.cache import Cache, CacheEntry
    from roomplan.rooms.synthesis import SyntheticResponse

__all__ = ["KeptResponses"]

_VERSION = 1  # of the arrays of an entry


class KeptResponses:
    """A `roomplan.rooms.store.ResponseStore` in a cache; safe to be asked by several threads."""

    def __init__(self, cache: Cache) -> None:
        self._cache = cache

    def get(self, identity: Mapping[str, Any]) -> SyntheticResponse | None:
        """Response of this identity, sample for sample; None, and no entry, when it cannot be read."""
        key = _key(identity)
        entry = self._cache.entry(key)
        if entry is None:
            return None
        found = _read(entry, identity["sample_rate"])
        if found is None:
            self._cache.forget(key)
        return found

    def put(self, identity: Mapping[str, Any], response: SyntheticResponse, *, title: str) -> None:
        """Keep a response; `title` says to a person what it is."""
        sounding = np.flatnonzero(np.any(response.direct != 0.0, axis=1))
        direct = response.direct[: sounding[-1] + 1 if len(sounding) else 0]
        with self._cache.writing(_key(identity), title=title, parts=identity) as new:
            new.save_array("direct", direct.astype(np.float32))
            new.save_array("reflected", response.reflected.astype(np.float32))


def _key(identity: Mapping[str, Any]) -> str:
    return digest_of("response", _VERSION, dict(identity))


def _read(entry: CacheEntry, sample_rate: int) -> SyntheticResponse | None:
    direct, reflected = entry.array("direct"), entry.array("reflected")
    if direct is None or reflected is None:
        return None
    for array in (direct, reflected):
        if array.ndim != 2 or array.dtype != np.float32 or not np.isfinite(array).all():
            return None
    if direct.shape[1] != reflected.shape[1] or len(direct) > len(reflected):
        return None
    from roomplan.rooms.synthesis import SyntheticResponse

    whole = np.zeros(reflected.shape)
    whole[: len(direct)] = direct
    return SyntheticResponse(whole, reflected.astype(np.float64), sample_rate)
