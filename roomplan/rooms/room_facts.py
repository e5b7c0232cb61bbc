"""What a plan needs of a synthetic room before it makes a response: its positions, and what tells it apart.

Conventions
-----------
Kept by the content of the room's file, so that a plan whose rooms were heard reads none of their files. Only
a room without faults is kept; whatever else a file holds is read, and explained, anew.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from roomplan._version import __version__
from roomplan.errors import AudioError
from roomplan.files.digests import digest_of, file_digest
from roomplan.frozen_classes import frozen_class
from roomplan.rooms.algorithm import ALGORITHM
from roomplan.rooms.bundled import bundled_rooms

if TYPE_CHECKING:
    from roomplan.errors import Problem
    from roomplan.files.cache import Cache
    from roomplan.plan.model import Room
    from roomplan.rooms.spec import RoomSpecification

__all__ = ["RoomFacts", "facts_of_room", "specification_of"]

_VERSION = 2  # of what is kept, and of how a file is read: raise it when that changes


@frozen_class
class RoomFacts:
    """What is known of a synthetic room.

    Attributes
    ----------
    microphones : tuple of str
        Names of its set-ups, `main` first.
    stage : list of float or None
        Where the players' zone begins and ends, and how wide it is, in metres.
    sound : dict
        Identity of the responses of its reference seat, but for the rate, which is 0.
    """

    microphones: tuple[str, ...]
    stage: list[float] | None
    sound: dict[str, Any]


def facts_of_room(room: Room, cache: Cache | None) -> tuple[RoomFacts | None, list[Problem]]:
    """Facts of a synthetic room, kept or from its file.

    Returns
    -------
    facts : RoomFacts or None
        None when anything is wrong with the file.
    problems : list of Problem
        All of them.
    """
    content = _content(room) if cache is not None else None
    if cache is None or content is None:
        return _read(room)
    key = digest_of("synthetic room", _VERSION, __version__, ALGORITHM, content)
    entry = cache.entry(key)
    if entry is not None:
        kept = _kept(entry.document("facts"))
        if kept is not None:
            return kept, []
        cache.forget(key)
    facts, problems = _read(room)
    if facts is not None and _content(room) == content:  # it may have been replaced meanwhile
        with cache.writing(key, title=f"positions of {room.name}") as new:
            new.save_document(
                "facts",
                {"microphones": list(facts.microphones), "stage": facts.stage, "sound": facts.sound},
            )
    return facts, problems


def specification_of(room: Room) -> tuple[RoomSpecification | None, list[Problem]]:
    """Read the file of a synthetic room."""
    # a room that was read before needs nothing of what reads one
    from roomplan.rooms.room_file import load_room_specification

    source = room.synthetic
    return load_room_specification(source if isinstance(source, str | Path) else "", place=room.place)


def _content(room: Room) -> str | None:
    """Digest of a room's file; None where it has none, which reading it explains."""
    source = room.synthetic
    path = source if isinstance(source, Path) else bundled_rooms().get(source or "")
    try:
        return file_digest(path) if path is not None and path.is_file() else None
    except (AudioError, OSError, ValueError):  # ValueError: a path with a null character
        return None


def _read(room: Room) -> tuple[RoomFacts | None, list[Problem]]:
    from roomplan.rooms.store import response_identity

    spec, problems = specification_of(room)
    if spec is None:
        return None, problems
    stage = spec.stage
    sound = response_identity(spec, seat=spec.reference_seat, microphones="", sources=2, sample_rate=0)
    on_stage = None if stage is None else [float(stage.from_m), float(stage.to_m), float(stage.width_m)]
    return RoomFacts(tuple(spec.microphones), on_stage, sound), problems


def _kept(document: Any) -> RoomFacts | None:
    """Facts of a document; None when that is not as it is written."""
    try:
        microphones, stage, sound = (document[name] for name in ("microphones", "stage", "sound"))
        right = all(isinstance(name, str) for name in microphones) and isinstance(sound, dict)
        if stage is not None:
            stage = [float(length) for length in stage]
        return RoomFacts(tuple(microphones), stage, sound) if right and microphones else None
    except (TypeError, KeyError, ValueError, OverflowError):
        return None
