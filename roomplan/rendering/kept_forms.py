"""Forms of composites that were measured before, by what the composites are made of at any level.

Conventions
-----------
An entry of the cache is `paths.npy`, the samples of the paths, `forms.npy`, all arrays of the bands one
behind the other, and `forms.json`: numbers, shapes, and a digest of all that. They come back as they were, to
the last bit. What is not as it was written is not there.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import fields
from typing import TYPE_CHECKING, Any

import numpy as np

from roomplan._version import __version__
from roomplan.acoustics.energy_forms import BandForms, EnergyForms, Paths
from roomplan.files.digests import digest_of
from roomplan.scipy_kernels import scipy_version

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from roomplan.acoustics.filters import BandPass
    from roomplan.files.cache import Cache, CacheEntry

__all__ = ["KeptForms"]

_VERSION = 2  # of how forms are measured: raise it when that changes
_NUMBERS = ("rate", "middle_s", "mean_lead_s", "bandwidth_hz")
_ARRAYS = tuple(one.name for one in fields(BandForms) if one.name not in {*_NUMBERS, "content"})


class KeptForms:
    """Forms in a cache; without one nothing is kept. Safe to be asked by several threads."""

    def __init__(self, cache: Cache | None) -> None:
        self._cache = cache

    def get(
        self,
        of: str,
        *,
        with_samples: Callable[[NDArray[Any]], Paths],
        sample_rate: float,
        filters: Sequence[BandPass],
    ) -> EnergyForms | None:
        """Forms of a composite by its digest; None where they were not measured before.

        Parameters
        ----------
        with_samples : callable
            Gives the paths of the composite with their samples.
        """
        if self._cache is None:
            return None
        key = _key(of)
        entry = self._cache.unread_entry(key)  # the digest says more than its checksums
        if entry is None:
            return None
        found = _decoded(entry, with_samples, sample_rate, filters)
        if found is None:
            self._cache.forget(key)
        return found

    def put(self, of: str, forms: EnergyForms, *, title: str) -> None:
        """Keep forms; `title` says to a person of what."""
        if self._cache is None:
            return
        numbers = [_encoded(look, band) for look, band in forms.bands.items()]
        arrays = [getattr(band, name).ravel() for band in forms.bands.values() for name in _ARRAYS]
        values = np.concatenate([np.zeros(0), *arrays])
        if not np.isfinite(values).all():
            return
        with self._cache.writing(_key(of), title=title) as new:
            new.save_array("paths", forms.paths.samples)
            new.save_array("forms", values)
            digest = _digest(numbers, forms.paths.samples, values)
            new.save_document("forms", {"digest": digest, "bands": numbers})


def _key(of: str) -> str:
    return digest_of("energy forms", _VERSION, __version__, np.__version__, scipy_version(), of)


def _encoded(look: BandPass, band: BandForms) -> dict[str, Any]:
    return {
        "centre_hz": float(look.centre_hz),
        "numbers": [float(getattr(band, name)) for name in _NUMBERS],
        "content": int(band.content),
        "shapes": [list(getattr(band, name).shape) for name in _ARRAYS],
    }


def _digest(numbers: Any, samples: NDArray[Any], values: NDArray[np.float64]) -> str:
    digest = hashlib.sha256(json.dumps([numbers, list(samples.shape)], sort_keys=True).encode())
    for array in (samples, values):
        digest.update(np.ascontiguousarray(array).data)
    return digest.hexdigest()


def _decoded(
    entry: CacheEntry,
    with_samples: Callable[[NDArray[Any]], Paths],
    sample_rate: float,
    filters: Sequence[BandPass],
) -> EnergyForms | None:
    """Forms of an entry; None where it is not as it is written."""
    try:
        content, samples, values = entry.document("forms"), entry.array("paths"), entry.array("forms")
        if samples is None or values is None or samples.dtype not in {np.dtype("f4"), np.dtype("f8")}:
            return None
        numbers = content["bands"]
        if values.dtype != np.float64 or content["digest"] != _digest(numbers, samples, values):
            return None
        looks = {look.centre_hz: look for look in filters}
        bands, place = {}, 0
        for one in numbers:
            arrays = {}
            for name, shape in zip(_ARRAYS, one["shapes"], strict=True):
                size = int(np.prod(shape))
                arrays[name] = values[place : place + size].reshape(shape)
                place += size
            numbered = dict(zip(_NUMBERS, one["numbers"], strict=True))
            bands[looks[one["centre_hz"]]] = BandForms(**numbered, content=one["content"], **arrays)
        return EnergyForms(with_samples(samples), sample_rate, tuple(filters), bands)
    except (KeyError, TypeError, ValueError, AttributeError, IndexError, RecursionError):
        return None
