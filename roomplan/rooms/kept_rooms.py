"""Rooms that were prepared before: their gain, wirings, onsets and lengths, without a sample being read.

Conventions
-----------
An entry of the cache is one document, `room.json`. Its key holds everything `prepare_room` goes by: the
requests, what the plan says of the room's responses, and the content of their files or the identity of a
synthetic room. The samples themselves are prepared again, or found with the responses of synthetic rooms,
when somebody asks for them; their digest says that they are those the figures were found for.
"""

from __future__ import annotations

import math
import threading
from typing import TYPE_CHECKING, Any

import numpy as np

from roomplan._version import __version__
from roomplan.errors import AudioError, PlanError, Problem, RoomplanError
from roomplan.files.digests import digest_of
from roomplan.rooms.prepared import PreparedPosition, PreparedResponse, PreparedRoom
from roomplan.rooms.response_cache import KeptResponses
from roomplan.rooms.room_facts import facts_of_room
from roomplan.rooms.source_kinds import directivity_of

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping

    from numpy.typing import NDArray

    from roomplan.errors import Place
    from roomplan.files.cache import Cache
    from roomplan.plan.model import Room, Seat
    from roomplan.rooms.prepared import PositionRequest

__all__ = ["KeptRooms"]

_VERSION = 6  # of whatever decides how a room is prepared: raise it when that changes
_WIRINGS = {"one_source", "per_channel", "true_stereo"}
_MOST_FRAMES = 1 << 28
_MOST_ALIKE = 1.0 + 1e-9  # a correlation is rounded


class KeptRooms:
    """Rooms of a cache; safe to be asked by several threads."""

    def __init__(self, cache: Cache) -> None:
        self._cache = cache
        self._responses = KeptResponses(cache)

    def prepare(
        self, room: Room, requests: Collection[PositionRequest], *, sample_rate: int
    ) -> tuple[PreparedRoom | None, list[Problem]]:
        """As `prepare_room`; a room that was prepared before has its samples read when they are asked for."""
        wanted = list(dict.fromkeys(requests))
        key = self._key(room, wanted, sample_rate)
        if key is None:  # which the preparation explains
            return self.prepare_anew(room, wanted, sample_rate=sample_rate)
        entry = self._cache.entry(key)
        if entry is not None:
            samples = _Samples(self, key, room, wanted, sample_rate)
            found = _read(entry.document("room"), room, wanted, samples.of)
            if found is not None:
                return found, []
            self._cache.forget(key)
        prepared, problems = self.prepare_anew(room, wanted, sample_rate=sample_rate)
        # again: a file may have been replaced between its digest and its reading
        if prepared is not None and self._key(room, wanted, sample_rate) == key:
            with self._cache.writing(key, title=f"{room.name} as used") as new:
                new.save_document("room", _document(prepared, room, wanted))
        return prepared, problems

    def prepare_anew(
        self, room: Room, requests: Collection[PositionRequest], *, sample_rate: int
    ) -> tuple[PreparedRoom | None, list[Problem]]:
        """Prepare a room from its responses."""
        # a room that was prepared before needs nothing of what prepares one
        from roomplan.rooms.preparation import prepare_room

        return prepare_room(room, requests, sample_rate=sample_rate, store=self._responses)

    def forget(self, key: str) -> None:
        """Forget a room that does not keep what it promises."""
        self._cache.forget(key)

    def _key(self, room: Room, requests: list[PositionRequest], sample_rate: int) -> str | None:
        """Key of a prepared room; None where its files cannot be read."""
        try:
            source = _recorded(room, self._cache) if room.synthetic is None else _synthetic(room, self._cache)
        except AudioError:
            return None
        if source is None:
            return None
        said = [
            room.wiring,
            room.normalise,
            room.gain_position,
            room.direct,
            room.align,
            room.decay_scale,
            room.reverberation_time_s,
            room.trim_tail,
            room.width,
        ]
        asked = [[one.position, _seat(one.seat), one.channels, _source(one)] for one in requests]
        return digest_of(
            *("prepared room", _VERSION, __version__, np.__version__),
            *(room.name, said, asked, sample_rate, source),
        )


class _Samples:
    """Samples of a room whose figures were found: prepared once, when the first of them is asked for."""

    def __init__(
        self, rooms: KeptRooms, key: str, room: Room, requests: list[PositionRequest], sample_rate: int
    ) -> None:
        self._rooms = rooms
        self._key = key
        self._room = room
        self._requests = requests
        self._sample_rate = sample_rate
        self._lock = threading.Lock()
        self._prepared: PreparedRoom | None = None

    def of(self, request: PositionRequest, digest: str) -> NDArray[np.float64]:
        """Samples of one response.

        Raises
        ------
        RoomplanError
            A file was changed or removed since the room was opened.
        """
        response = self._all().positions[request].response
        if response.digest != digest:
            self._rooms.forget(self._key)
            raise RoomplanError(
                f"room {self._room.name}: its responses are not those that it was opened with",
                remedy="run the command again",
            )
        return response.samples

    def _all(self) -> PreparedRoom:
        with self._lock:
            if self._prepared is None:
                prepared, problems = self._rooms.prepare_anew(
                    self._room, self._requests, sample_rate=self._sample_rate
                )
                if prepared is None:
                    raise PlanError(problems)
                self._prepared = prepared
            return self._prepared


def _recorded(room: Room, cache: Cache) -> list[Any]:
    """Files of a recorded room by place and content, in the order of the plan."""
    return [
        [name, one.listed, [[str(file), cache.files.digest(file)] for file in one.files]]
        for name, one in (room.responses or {}).items()
    ]


def _synthetic(room: Room, cache: Cache) -> Mapping[str, Any] | None:
    """What a synthetic room is, but for its names; None where its file has a fault."""
    facts, _problems = facts_of_room(room, cache)
    if facts is None:
        return None
    return {"sound": facts.sound, "stage": facts.stage, "microphones": list(facts.microphones)}


def _seat(seat: Seat | None) -> list[float] | None:
    return None if seat is None else [float(seat.distance_m), float(seat.angle_deg), float(seat.spread_m)]


def _source(request: PositionRequest) -> list[Any] | None:
    directivity = directivity_of(request.source)
    return None if directivity is None else [list(directivity.index_db), directivity.beam]


def _places(room: Room) -> dict[str | None, Place]:
    """Where in the plan a warning is: at the response of a name, else at the room."""
    return {None: room.place, **{name: one.place for name, one in (room.responses or {}).items()}}


def _document(prepared: PreparedRoom, room: Room, requests: list[PositionRequest]) -> dict[str, Any]:
    """`room.json`."""
    names = {place: name for name, place in _places(room).items()}
    return {
        "gain": prepared.gain,
        "gain_db": prepared.gain_db,
        "gain_position": prepared.gain_position,
        "gain_wiring": prepared.gain_wiring,
        "direct_found": prepared.direct_found,
        "late_correlation": prepared.late_correlation,
        "warnings": [[one.what, names[one.place], one.remedy] for one in prepared.warnings if one.place],
        "positions": [
            [
                position.position,
                position.wiring,
                position.onset_s,
                position.off_stage_m,
                position.response.frames,
                position.response.channels,
                position.response.digest,
            ]
            for position in (prepared.positions[request] for request in requests)
        ],
    }


def _read(
    document: Any,
    room: Room,
    requests: list[PositionRequest],
    samples: Callable[[PositionRequest, str], NDArray[np.float64]],
) -> PreparedRoom | None:
    """Room of a document; None when that is not as it is written."""
    try:
        places = _places(room)
        gain, gain_db = float(document["gain"]), float(document["gain_db"])
        warnings = tuple(
            Problem(_text(what), places[name], None if remedy is None else _text(remedy))
            for what, name, remedy in document["warnings"]
        )
        responses: dict[str, PreparedResponse] = {}
        positions: dict[PositionRequest, PreparedPosition] = {}
        for request, values in zip(requests, document["positions"], strict=True):
            name, wiring, onset_s, off_stage_m, frames, channels, digest = values
            times = float(onset_s), float(off_stage_m)
            if not (_is_count(frames) and channels in {1, 2, 4} and all(map(_is_length, times))):
                return None
            if wiring not in _WIRINGS or (wiring == "true_stereo" and channels != 4):
                return None
            read = _reader(samples, request, _text(digest))
            fresh = PreparedResponse(read, frames=frames, channels=channels, digest=digest)
            response = responses.setdefault(digest, fresh)
            positions[request] = PreparedPosition(_text(name), response, wiring, *times)
        wiring = document["gain_wiring"]
        if not (math.isfinite(gain) and gain > 0.0 and math.isfinite(gain_db) and wiring in _WIRINGS):
            return None
        return PreparedRoom(
            name=room.name,
            gain=gain,
            gain_db=gain_db,
            gain_position=_text(document["gain_position"]),
            gain_wiring=wiring,
            positions=positions,
            direct_found=document["direct_found"] is True,
            late_correlation=_correlation(document["late_correlation"]),
            warnings=warnings,
        )
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError):
        return None


def _reader(
    samples: Callable[[PositionRequest, str], NDArray[np.float64]], request: PositionRequest, digest: str
) -> Callable[[], NDArray[np.float64]]:
    return lambda: samples(request, digest)


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(value)
    return value


def _correlation(value: Any) -> float | None:
    found = None if value is None else float(value)
    if found is not None and not abs(found) <= _MOST_ALIKE:
        raise ValueError(value)
    return found


def _is_count(value: Any) -> bool:
    return type(value) is int and 0 < value <= _MOST_FRAMES


def _is_length(value: float) -> bool:
    return math.isfinite(value) and value >= 0.0
