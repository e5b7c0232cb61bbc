"""What portraits of synthetic rooms measure, in the user's cache.

Conventions
-----------
An entry is the identity of the response that was measured (`roomplan.rooms.store`) and one document,
`heard.json`. Numbers of JSON are exact, so what comes back is what was put in.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from roomplan._version import __version__
from roomplan.files.digests import digest_of
from roomplan.rooms.portrait import SAMPLE_RATE_HZ, EnergyToCome, HeardOfResponse, PortraitFigures
from roomplan.rooms.spec import BAND_CENTRES_HZ
from roomplan.rooms.spectrogram import Spectrogram
from roomplan.rooms.store import response_identity

if TYPE_CHECKING:
    from roomplan.files.cache import Cache
    from roomplan.plan.model import Seat
    from roomplan.rooms.spec import RoomSpecification

__all__ = ["KeptPortraits"]

_VERSION = 2  # of the document, and of how a response is measured within a version of the program


class KeptPortraits:
    """A `roomplan.rooms.portrait.PortraitStore` in a cache."""

    def __init__(self, cache: Cache) -> None:
        self._cache = cache

    def get(self, spec: RoomSpecification, seat: Seat, microphones: str) -> HeardOfResponse | None:
        """What was measured of this room from this seat; None, and no entry, when it cannot be read."""
        key = _key(_identity(spec, seat, microphones))
        entry = self._cache.entry(key)
        if entry is None:
            return None
        try:
            return _read(entry.document("heard"))
        except (KeyError, TypeError, ValueError):
            self._cache.forget(key)
            return None

    def put(self, spec: RoomSpecification, seat: Seat, microphones: str, heard: HeardOfResponse) -> None:
        """Keep what was measured."""
        identity = _identity(spec, seat, microphones)
        title = f"portrait of {spec.title}, seat {seat.distance_m:g} m {seat.angle_deg:g}°, {microphones}"
        with self._cache.writing(_key(identity), title=title, parts=identity) as new:
            new.save_document("heard", _written(heard))


def _identity(spec: RoomSpecification, seat: Seat, microphones: str) -> dict[str, Any]:
    return response_identity(spec, seat=seat, microphones=microphones, sources=1, sample_rate=SAMPLE_RATE_HZ)


def _key(identity: dict[str, Any]) -> str:
    return digest_of("portrait", _VERSION, __version__, identity)


def _written(heard: HeardOfResponse) -> dict[str, Any]:
    figures, to_come = heard.measured, heard.to_come
    return {
        "t30_s": [figures.t30_s[centre] for centre in BAND_CENTRES_HZ],
        "t30_mid_s": figures.t30_mid_s,
        "c80_mid_db": figures.c80_mid_db,
        "reasons": dict(figures.reasons),
        "to_come": None if to_come is None else [to_come.times_s.tolist(), to_come.level_db.tolist()],
        "spectrogram": _written_spectrogram(heard.spectrogram),
    }


def _written_spectrogram(found: Spectrogram) -> dict[str, Any]:
    return {
        "centres_hz": found.centres_hz.tolist(),
        "step_s": found.step_s,
        "level_db": found.level_db.tolist(),
        "t30_s": [None if np.isnan(time) else time for time in found.t30_s.tolist()],
    }


def _read(document: Any) -> HeardOfResponse:
    """What was written; a KeyError, TypeError or ValueError where it is something else."""
    times: dict[int, float | None] = dict(zip(BAND_CENTRES_HZ, map(_figure, document["t30_s"]), strict=True))
    reasons = {str(name): str(reason) for name, reason in dict(document["reasons"]).items()}
    figures = PortraitFigures(times, _figure(document["t30_mid_s"]), _figure(document["c80_mid_db"]), reasons)
    seen = _read_spectrogram(document["spectrogram"])
    if document["to_come"] is None:
        return HeardOfResponse(figures, None, seen)
    times_s, level_db = (np.array(values, dtype=np.float64) for values in document["to_come"])
    if times_s.ndim != 1 or times_s.shape != level_db.shape or not np.isfinite([times_s, level_db]).all():
        raise ValueError("no levels over time")
    return HeardOfResponse(figures, EnergyToCome(times_s, level_db), seen)


def _read_spectrogram(document: Any) -> Spectrogram:
    centres_hz, level_db = (np.array(document[name], dtype=np.float64) for name in ("centres_hz", "level_db"))
    times = [_figure(time) for time in document["t30_s"]]
    step_s = float(document["step_s"])
    if level_db.ndim != 2 or centres_hz.shape != level_db.shape[:1] or len(times) != len(centres_hz):
        raise ValueError("no levels over frequency")
    if not (np.isfinite(centres_hz).all() and np.isfinite(level_db).all() and 0.0 < step_s < np.inf):
        raise ValueError("no levels")
    t30_s = np.array([np.nan if time is None else time for time in times])
    return Spectrogram(centres_hz, step_s, level_db, t30_s)


def _figure(value: Any) -> float | None:
    found = None if value is None else float(value)
    if found is not None and not np.isfinite(found):
        raise ValueError("no figure")
    return found
