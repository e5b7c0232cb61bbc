"""Synthetic room files: read, checked, frozen.

Conventions
-----------
The file speaks in metres, seconds, hertz and degrees; nothing is converted. Coordinates and seats are those
of `roomplan.rooms.geometry`. Every fault is a `Problem` with file, line and column, and all are found at
once.

The keys of a room file
-----------------------
title : text
character : text, optional — one line on what the room suits
dimensions : {length, width, height} of the nearest shoebox, m
reverberation_time : s per octave band, all of "63", "125", "250", "500", "1000", "2000", "4000", "8000" (in
    quotes: keys are text)
seed : whole number from which the room's noise grows
source_height : m above the floor, optional, default 1.5 (ISO 3382-1, source on a stage; from memory)
microphones : name → {positions: one or two [x, y, z], pattern, aims: degrees right of the stage, optional};
    `main` is needed
reference_seat : {distance, angle}, the seat that fixes the room's level

Sources
-------
Shortest possible reverberation: Sabine's equation with every surface open and ISO 9613-1 air at 20 °C, 50 %
(attenuation at exact mid-bands, computed from the standard's formulae with an independent library).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from roomplan.documents.source import Document, read_document
from roomplan.documents.suggest import did_you_mean
from roomplan.errors import Place, Problem
from roomplan.plan.model import Seat
from roomplan.resources import bundled_folder
from roomplan.rooms.geometry import PATTERNS, seat_fault

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

__all__ = [
    "BAND_CENTRES_HZ",
    "MicrophoneSetup",
    "RoomSpecification",
    "bundled_rooms",
    "load_room_specification",
    "scale_reverberation",
]

BAND_CENTRES_HZ = (63, 125, 250, 500, 1000, 2000, 4000, 8000)

# Energy attenuation of air in 1/m, ISO 9613-1 at 20 °C, 50 %, 101.325 kPa, exact mid-bands: dB/m over 4.343.
_AIR_PER_M: dict[int, float] = dict(
    zip(
        BAND_CENTRES_HZ,
        (2.828e-5, 1.0254e-4, 3.0349e-4, 6.2940e-4, 1.07409e-3, 2.26925e-3, 6.77403e-3, 2.392667e-2),
        strict=True,
    )
)

# What a room file may ask for. The limits are far outside anything built; common practice, no source.
_SIDE_M = (1.5, 200.0)
_TIME_S = (0.1, 20.0)
_SEED = (0, 2**32 - 1)
_DISTANCE_M = (0.5, 200.0)
_HEIGHT_M = (0.0, 200.0)
_DEFAULT_SOURCE_HEIGHT_M = 1.5


@dataclass(frozen=True, slots=True)
class MicrophoneSetup:
    """One microphone or a pair: points in metres, one pattern, directions in degrees right of the stage."""

    name: str
    positions_m: tuple[tuple[float, float, float], ...]
    pattern: str
    aims_deg: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class RoomSpecification:
    """A synthetic room as its file describes it."""

    name: str
    title: str
    dimensions_m: tuple[float, float, float]  # length, width, height
    reverberation_time_s: Mapping[int, float]  # nominal octave centre in Hz → s
    seed: int
    microphones: Mapping[str, MicrophoneSetup]  # `main` first
    reference_seat: Seat
    source: Path
    character: str = ""
    source_height_m: float = _DEFAULT_SOURCE_HEIGHT_M

    @property
    def volume_m3(self) -> float:
        """Volume of the shoebox."""
        length, width, height = self.dimensions_m
        return length * width * height

    @property
    def surface_m2(self) -> float:
        """Surface of the shoebox."""
        length, width, height = self.dimensions_m
        return 2.0 * (length * width + length * height + width * height)

    @property
    def mid_reverberation_time_s(self) -> float:
        """Mean of the 500 and 1000 Hz octaves (ISO 3382-1:2009, clause 9.1)."""
        return (self.reverberation_time_s[500] + self.reverberation_time_s[1000]) / 2.0


def bundled_rooms() -> dict[str, Path]:
    """Names of the rooms that come with the program → their files, in alphabetical order."""
    return {file.stem: file for file in sorted(bundled_folder("irs_synthetic").glob("*.yaml"))}


def load_room_specification(
    name_or_path: str | Path, *, place: Place | None = None
) -> tuple[RoomSpecification | None, list[Problem]]:
    """Read a room by its bundled name or from a file.

    Parameters
    ----------
    name_or_path : str or Path
        A `str` is the name of a bundled room; a `Path` is a room file.
    place : Place, optional
        Where the room was asked for: an unknown name is reported there.

    Returns
    -------
    specification : RoomSpecification or None
        None when anything is wrong.
    problems : list of Problem
        All of them, each with its line and column.
    """
    if isinstance(name_or_path, Path):
        path = name_or_path
    else:
        rooms = bundled_rooms()
        if name_or_path not in rooms:
            guess = did_you_mean(name_or_path, rooms)
            hint = f"did you mean {guess}? " if guess else ""
            remedy = f"{hint}the bundled rooms are {', '.join(rooms)}; a room file of your own needs a path"
            return None, [Problem(f"there is no bundled room {name_or_path!r}", place, remedy)]
        path = rooms[name_or_path]
    document, problems = read_document(path)
    if document is None:
        return None, problems
    reader = _Reader(document)
    specification = _read_room(reader, path)
    problems.extend(reader.problems)
    return (None if problems else specification), problems


def scale_reverberation(spec: RoomSpecification, scale: float) -> RoomSpecification:
    """Give the same room with every reverberation time multiplied by `scale`."""
    times = {centre: scale * time for centre, time in spec.reverberation_time_s.items()}
    return replace(spec, reverberation_time_s=times)


class _Reader:
    """Takes values out of a document one by one and notes every fault with its place."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self.data = document.data
        self.problems: list[Problem] = []

    def fault(self, path: tuple[str | int, ...], what: str, remedy: str, *, key: bool = False) -> None:
        places = self.document.places
        self.problems.append(Problem(what, places.of(path) if key else places.value(path), remedy))

    def mapping(
        self,
        path: tuple[str | int, ...],
        value: object,
        *,
        needed: Iterable[str] | None,
        optional: Iterable[str] = (),
    ) -> dict[str, Any]:
        """Give a mapping by its keys as text; with `needed`, unknown and missing keys are faults."""
        name = ".".join(map(str, path)) or "the room file"
        if not isinstance(value, dict):
            expected = f"give a mapping with {', '.join(needed)}" if needed is not None else "give a mapping"
            self.fault(path, f"{name} is {_shown(value)}, not a mapping", expected)
            return {}
        found = {str(key): item for key, item in value.items()}
        if needed is None:
            return found
        needed = tuple(needed)
        known = (*needed, *optional)
        for key in value:
            if str(key) not in known:
                guess = did_you_mean(str(key), known)
                hint = f"did you mean {guess}?" if guess else f"known here: {', '.join(known)}"
                self.fault((*path, key), f"unknown key {str(key)!r} in {name}", hint, key=True)
        for key in needed:
            if key not in found and not self.document.places.was_refused((*path, key)):
                self.fault(path, f"{name} has no {key}", f"add `{key}:`", key=bool(path))
        return found

    def number(
        self, path: tuple[str | int, ...], value: object, limits: tuple[float, float], unit: str
    ) -> float:
        """Give a finite number inside `limits`; NaN stands for a fault already noted."""
        name = ".".join(map(str, path))
        low, high = limits
        span = f"{low:g} to {high:g} {unit}".rstrip()
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.fault(path, f"{name} is {_shown(value)}, not a number", f"give {span}")
        elif not low <= value <= high:
            self.fault(path, f"{name} is {value:g} {unit}".rstrip(), f"give {span}")
        else:
            return float(value)
        return math.nan

    def text(self, path: tuple[str | int, ...], value: object) -> str:
        if isinstance(value, str) and value.strip():
            return value.strip()
        self.fault(path, f"{'.'.join(map(str, path))} is {_shown(value)}, not a text", "give a line of text")
        return ""


def _shown(value: object) -> str:
    if value is None:
        return "empty"
    if isinstance(value, dict):
        return "a mapping"
    if isinstance(value, list):
        return "a list"
    return repr(value) if isinstance(value, str) else str(value)


def _read_room(reader: _Reader, path: Path) -> RoomSpecification | None:
    needed = ("title", "dimensions", "reverberation_time", "seed", "microphones", "reference_seat")
    room = reader.mapping((), reader.data, needed=needed, optional=("character", "source_height"))
    if any(key not in room for key in needed):
        return None
    title = reader.text(("title",), room["title"])
    character = reader.text(("character",), room["character"]) if "character" in room else ""
    sides = _read_sides(reader, room["dimensions"])
    times = _read_times(reader, room["reverberation_time"])
    seed = room["seed"]
    if isinstance(seed, bool) or not isinstance(seed, int):
        reader.fault(("seed",), f"seed is {_shown(seed)}, not a whole number", "give 0 to 4294967295")
        seed = 0
    reader.number(("seed",), seed, _SEED, "")
    source_height = room.get("source_height", _DEFAULT_SOURCE_HEIGHT_M)
    source_height = reader.number(("source_height",), source_height, _HEIGHT_M, "m")
    microphones = _read_microphones(reader, room["microphones"])
    seat = _read_seat(reader, room["reference_seat"])
    if reader.problems or seat is None:
        return None
    spec = RoomSpecification(
        name=path.stem,
        title=title,
        dimensions_m=sides,
        reverberation_time_s=times,
        seed=seed,
        microphones=microphones,
        reference_seat=seat,
        source=path,
        character=character,
        source_height_m=source_height,
    )
    _check_geometry(reader, spec)
    return spec


def _read_sides(reader: _Reader, value: object) -> tuple[float, float, float]:
    keys = ("length", "width", "height")
    found = reader.mapping(("dimensions",), value, needed=keys)
    sides = [
        reader.number(("dimensions", key), found[key], _SIDE_M, "m") if key in found else math.nan
        for key in keys
    ]
    return sides[0], sides[1], sides[2]


def _read_times(reader: _Reader, value: object) -> dict[int, float]:
    path = ("reverberation_time",)
    found = reader.mapping(path, value, needed=[str(centre) for centre in BAND_CENTRES_HZ])
    return {
        centre: reader.number((*path, str(centre)), found[str(centre)], _TIME_S, "s")
        for centre in BAND_CENTRES_HZ
        if str(centre) in found
    }


def _read_seat(reader: _Reader, value: object) -> Seat | None:
    path = ("reference_seat",)
    found = reader.mapping(path, value, needed=("distance", "angle"))
    if not {"distance", "angle"} <= set(found):
        return None
    distance = reader.number((*path, "distance"), found["distance"], _DISTANCE_M, "m")
    angle = reader.number((*path, "angle"), found["angle"], (-180.0, 180.0), "degrees right of centre")
    return Seat(distance, angle, reader.document.places.of(path))


def _read_microphones(reader: _Reader, value: object) -> dict[str, MicrophoneSetup]:
    path = ("microphones",)
    found = reader.mapping(path, value, needed=None)
    if isinstance(value, dict) and "main" not in found:
        reader.fault(
            path, "microphones has no set-up named main", "distances count from `main`: add it", key=True
        )
    setups = {}
    for name, given in found.items():
        if not re.fullmatch(r"[A-Za-z0-9_-]+", name):
            reader.fault(
                (*path, name),
                f"microphones: the name {name!r} is not plain",
                "use letters, digits, _ and -",
                key=True,
            )
            continue
        setups[name] = _read_setup(reader, (*path, name), name, given)
    main = {"main": setups["main"]} if "main" in setups else {}
    return main | setups


def _read_setup(reader: _Reader, path: tuple[str, ...], name: str, value: object) -> MicrophoneSetup:
    found = reader.mapping(path, value, needed=("positions", "pattern"), optional=("aims",))
    points: list[tuple[float, float, float]] = []
    given = found.get("positions", [])
    if "positions" in found and not (isinstance(given, list) and len(given) in (1, 2)):
        count = f"{len(given)} points" if isinstance(given, list) else _shown(given)
        reader.fault(
            (*path, "positions"), f"{name}: positions is {count}", "give one or two points [x, y, z]"
        )
        given = []
    for index, point in enumerate(given):
        here = (*path, "positions", index)
        if not (isinstance(point, list) and len(point) == 3):
            reader.fault(
                here, f"{name}: a position is {_shown(point)}, not three numbers", "give [x, y, z] in metres"
            )
            continue
        x, y, z = (reader.number((*here, i), c, (-200.0, 200.0), "m") for i, c in enumerate(point))
        points.append((x, y, z))
    pattern = found.get("pattern", "omni")
    if pattern not in PATTERNS:
        guess = did_you_mean(str(pattern), PATTERNS)
        hint = f"did you mean {guess}?" if guess else f"give one of {', '.join(PATTERNS)}"
        reader.fault((*path, "pattern"), f"{name}: there is no pattern {_shown(pattern)}", hint)
        pattern = "omni"
    aims = found.get("aims", [0.0] * len(points))
    if not isinstance(aims, list) or (points and len(aims) != len(points)):
        count = f"{len(aims)} angles" if isinstance(aims, list) else _shown(aims)
        reader.fault(
            (*path, "aims"),
            f"{name}: aims is {count} for {len(points)} positions",
            "give one angle per position",
        )
        aims = []
    degrees = "degrees right of the stage"
    angles = [reader.number((*path, "aims", i), a, (-180.0, 180.0), degrees) for i, a in enumerate(aims)]
    return MicrophoneSetup(name, tuple(points), pattern, tuple(angles))


def _check_geometry(reader: _Reader, spec: RoomSpecification) -> None:
    """Refuse microphones and seats outside the walls, and times no surface could give."""
    length, width, height = spec.dimensions_m
    if not spec.source_height_m < height:
        reader.fault(
            ("source_height",),
            f"source_height is {spec.source_height_m:g} m, above the ceiling",
            f"give less than {height:g} m",
        )
    for name, setup in spec.microphones.items():
        for index, (x, y, z) in enumerate(setup.positions_m):
            if not (0.0 < x < length and abs(y) < width / 2.0 and 0.0 < z < height):
                reader.fault(
                    ("microphones", name, "positions", index),
                    f"{name}: the microphone at [{x:g}, {y:g}, {z:g}] is outside the walls",
                    f"x lies in 0 to {length:g}, y in {-width / 2:g} to {width / 2:g}, z in 0 to {height:g}",
                )
    if not reader.problems:
        fault = seat_fault(spec, spec.reference_seat)
        if fault is not None:
            reader.fault(("reference_seat",), *fault)
    for centre, time in spec.reverberation_time_s.items():
        # Sabine with an absorption area of at most S + 4mV: open windows all round. 0.161 = 24 ln 10 / c.
        shortest = 0.161 * spec.volume_m3 / (spec.surface_m2 + 4.0 * _AIR_PER_M[centre] * spec.volume_m3)
        if time < shortest:
            reader.fault(
                ("reverberation_time", str(centre)),
                f"reverberation_time at {centre} Hz is {time:g} s: in these dimensions even open walls "
                f"give {shortest:.2f} s",
                f"give at least {shortest:.2f} s or smaller dimensions",
            )
