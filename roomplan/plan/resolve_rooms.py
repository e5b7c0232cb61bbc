"""The rooms of a plan: where their responses come from and what contradicts itself in them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.documents.wording import quoted
from roomplan.plan import model
from roomplan.plan.names import name_problems
from roomplan.plan.shape import PairShape

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from roomplan.documents.places import KeyPath
    from roomplan.plan.reading import Reading
    from roomplan.plan.shape import RoomShape

__all__ = ["position_exists", "resolve_room"]


def resolve_room(reading: Reading, name: str, shape: RoomShape) -> model.Room | None:
    """Return a room, or None when it is not known where its responses come from.

    Parameters
    ----------
    name : str
        The room's name.
    shape : RoomShape
        The room as written.
    """
    places = reading.places
    path: KeyPath = ("rooms", name)
    synthetic = _synthetic(reading, shape, path)
    responses = _responses(reading, shape, path)
    both = shape.synthetic is not None and shape.responses is not None
    if both:
        reading.refuse(
            f"{name}: the room has both `synthetic` and `responses`",
            places.of((*path, "responses")),
            "one of them (`synthetic: null` removes an inherited one)",
        )
    if shape.synthetic is None and shape.responses is None:
        refused = any(places.was_refused((*path, key)) for key in ("synthetic", "responses"))
        if not refused:
            remedy = "`synthetic: larkmere_hall` or `responses: nave.wav`"
            reading.refuse(f"{name}: the room has no sound", places.of(path), remedy)
    gain_position = shape.gain_position
    if gain_position is not None and not both:
        at = (*path, "gain_position")
        gain_position = (
            gain_position if position_exists(reading, name, gain_position, responses, at) else None
        )
    low = reading.cut_hz(shape.low_cut, (*path, "low_cut")) or None
    high = reading.cut_hz(shape.high_cut, (*path, "high_cut")) or None
    if not reading.cuts_in_order(low, high, places.of((*path, "high_cut"))):
        low = high = None
    decay_scale, reverberation_time = shape.decay_scale, shape.reverberation_time
    if decay_scale is not None and reverberation_time is not None:
        reading.refuse(
            f"{name}: `decay_scale` and `reverberation_time` both set the decay",
            places.of((*path, "reverberation_time")),
            "one of them",
        )
        decay_scale = reverberation_time = None
    pre_delay = reading.pre_delay_s(shape.pre_delay, (*path, "pre_delay"))
    if both or (synthetic is None and responses is None):
        return None
    return model.Room(
        name=name,
        synthetic=synthetic,
        responses=responses,
        level_db=shape.level,
        mute=shape.mute,
        width=shape.width / 100.0,
        wiring=shape.wiring,
        normalise=shape.normalise,
        gain_position=gain_position,
        direct=shape.direct,
        align=shape.align,
        pre_delay_s=pre_delay,
        low_cut_hz=low,
        high_cut_hz=high,
        decay_scale=decay_scale,
        reverberation_time_s=reverberation_time,
        trim_tail=shape.trim_tail,
        place=places.of(path),
    )


def _synthetic(reading: Reading, shape: RoomShape, path: KeyPath) -> str | Path | None:
    """Return a bundled room's name as it is, and the absolute path of a room file."""
    text = shape.synthetic
    if text is None:
        return None
    is_path = "/" in text or "\\" in text or text.startswith("~") or text.lower().endswith((".yaml", ".yml"))
    return reading.path(text, (*path, "synthetic")) if is_path else text


def _responses(reading: Reading, shape: RoomShape, path: KeyPath) -> dict[str, model.ResponseFiles] | None:
    """Return a room's files by position, without those whose path means nothing."""
    if shape.responses is None:
        return None
    base: KeyPath = (*path, "responses")
    if isinstance(shape.responses, dict):
        reading.problems.extend(name_problems("position", shape.responses, base, reading.places))
        entries = {name: (entry, (*base, name), True) for name, entry in shape.responses.items()}
    else:
        entries = {model.UNLISTED_POSITION: (shape.responses, base, False)}
    responses: dict[str, model.ResponseFiles] = {}
    for position, (entry, at, listed) in entries.items():
        if isinstance(entry, PairShape):
            files = (reading.path(entry.left, (*at, "left")), reading.path(entry.right, (*at, "right")))
        else:
            files = (reading.path(entry, at),)
        found = tuple(file for file in files if file is not None)
        if len(found) == len(files):
            responses[position] = model.ResponseFiles(found, reading.places.value(at), listed)
        else:
            reading.places.drop(at)  # so that a send to this position is not a fault of its own
    return responses or None


def position_exists(
    reading: Reading,
    room: str,
    name: str,
    responses: Mapping[str, model.ResponseFiles] | None,
    path: KeyPath,
) -> bool:
    """Tell whether a room has a position, and report it if not.

    Parameters
    ----------
    reading : Reading
        The plan being read; gets the problem.
    room, name : str
        The room and the position.
    responses : mapping or None
        The room's files by position; None for a synthetic room, whose positions are not known here.
    path : tuple
        Key path of the value that names the position.
    """
    if responses is None or name in responses:
        return True
    if reading.places.was_refused(("rooms", room, "responses", name)):
        return False
    remedy = "leave out the line: the room has one response"
    if any(files.listed for files in responses.values()):
        remedy = reading.nearest_or_all(name, (key for key, files in responses.items() if files.listed))
    what = f"{path[-1]}: the room {room} has no position {quoted(name)}"
    reading.refuse(what, reading.places.value(path), remedy)
    return False
