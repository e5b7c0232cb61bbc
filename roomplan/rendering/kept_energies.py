"""Energies of composites that were measured before, by what they are made of.

Conventions
-----------
An entry of the cache is `energies.npy`, all arrays of a sound one behind the other, float64, and
`energies.json`: its numbers, how long each array is, and a digest of all that. They come back as they were,
to the last bit: what moved is measured, and sums with what did not are made anew. What is not as it was
written is not there.
"""

from __future__ import annotations

import hashlib
import json
import math
from typing import TYPE_CHECKING, Any

import numpy as np

from roomplan._version import __version__
from roomplan.acoustics.analysis import SoundEnergies
from roomplan.acoustics.energies import BandEnergies
from roomplan.acoustics.filters import BandPass
from roomplan.files.digests import digest_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from roomplan.acoustics.filters import Filter
    from roomplan.files.cache import Cache

__all__ = ["KeptEnergies"]

_VERSION = 1  # of how energies are measured: raise it when that changes

_SOUND_NUMBERS = ("sample_rate", "impulse", "meeting")
_SOUND_ARRAYS = ("broadband", "dropped")
_BAND_NUMBERS = ("rate", "middle_s", "mean_lead_s", "power", "lead", "bandwidth_hz", "outside")
_BAND_ARRAYS = ("envelope", "ahead", "ahead_with_dry", "early", "early_with_dry", "late", "inside")


class KeptEnergies:
    """Energies in a cache; without one nothing is kept. Safe to be asked by several threads."""

    def __init__(self, cache: Cache | None) -> None:
        self._cache = cache

    def get(self, of: str) -> SoundEnergies | None:
        """Energies of a composite by its digest; None where they were not measured before."""
        if self._cache is None:
            return None
        key = _key(of)
        entry = self._cache.entry(key)
        if entry is None:
            return None
        found = _decoded(entry.document("energies"), entry.array("energies"))
        if found is None:
            self._cache.forget(key)
        return found

    def put(self, of: str, sound: SoundEnergies, *, title: str) -> None:
        """Keep energies; `title` says to a person of what."""
        if self._cache is None or not all(isinstance(look, BandPass) for look in sound.bands):
            return
        arrays = [getattr(sound, name) for name in _SOUND_ARRAYS]
        arrays += [getattr(band, name) for band in sound.bands.values() for name in _BAND_ARRAYS]
        numbers = _encoded(sound)
        if not all(math.isfinite(number) for number in _numbers_in(numbers)):
            return
        samples = np.concatenate([np.asarray(one, np.float64) for one in arrays])
        with self._cache.writing(_key(of), title=title) as new:
            new.save_array("energies", samples)
            new.save_document("energies", {"digest": _digest(numbers, samples), "sound": numbers})


def _key(of: str) -> str:
    return digest_of("energies", _VERSION, __version__, np.__version__, of)


def _encoded(sound: SoundEnergies) -> dict[str, Any]:
    return {
        "onset": int(sound.onset),
        "problem": sound.problem,
        "numbers": [float(getattr(sound, name)) for name in _SOUND_NUMBERS],
        "lengths": [len(getattr(sound, name)) for name in _SOUND_ARRAYS],
        "bands": [
            {
                "centre_hz": float(look.centre_hz or 0.0),
                "fraction": look.fraction if isinstance(look, BandPass) else 0,
                "content": int(band.content),
                "numbers": [float(getattr(band, name)) for name in _BAND_NUMBERS],
                "lengths": [len(getattr(band, name)) for name in _BAND_ARRAYS],
            }
            for look, band in sound.bands.items()
        ],
    }


def _numbers_in(document: dict[str, Any]) -> list[float]:
    return [*document["numbers"], *(number for band in document["bands"] for number in band["numbers"])]


def _digest(numbers: Any, samples: NDArray[np.float64]) -> str:
    text = json.dumps(numbers, sort_keys=True).encode()
    return hashlib.sha256(text + samples.tobytes()).hexdigest()


def _decoded(content: Any, samples: NDArray[Any] | None) -> SoundEnergies | None:
    """Energies of an entry; None where it is not as it is written."""
    try:
        document = content["sound"]
        if samples is None or samples.dtype != np.float64 or content["digest"] != _digest(document, samples):
            return None
        return _sound(document, samples)
    except (KeyError, TypeError, ValueError, AttributeError, RecursionError):
        return None


def _sound(document: Any, samples: NDArray[np.float64]) -> SoundEnergies:
    """Energies as they were written."""
    place = 0

    def taken(names: tuple[str, ...], lengths: list[int]) -> dict[str, Any]:
        nonlocal place
        arrays: dict[str, Any] = {}
        for name, length in zip(names, lengths, strict=True):
            arrays[name] = samples[place : place + length]
            place += length
        return arrays

    whole = taken(_SOUND_ARRAYS, document["lengths"])
    bands: dict[Filter, BandEnergies] = {
        BandPass(one["centre_hz"], one["fraction"]): BandEnergies(
            **dict(zip(_BAND_NUMBERS, one["numbers"], strict=True)),
            **taken(_BAND_ARRAYS, one["lengths"]),
            content=one["content"],
        )
        for one in document["bands"]
    }
    numbers = dict(zip(_SOUND_NUMBERS, document["numbers"], strict=True))
    return SoundEnergies(
        **numbers, **whole, onset=document["onset"], bands=bands, problem=document["problem"]
    )
