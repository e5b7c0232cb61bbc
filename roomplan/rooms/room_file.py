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
    quotes: keys are text); or, in its place,
materials : {floor, ceiling, stage_wall, far_wall, left_wall, right_wall}, each the name of a row of
    `roomplan.rooms.materials` or {"125", …, "4000"; optional "63", "8000"} → absorption coefficient, 0 to 1
scattering : one number for all surfaces, or {any surface, walls} → number, 0 to 1, optional; 0.3, floor 0.7
temperature, humidity : °C and % of the room's air, optional, default 20 and 50
stage : {from, to, width} of the players' zone, optional: m along the hall, m about the centre line
seed : whole number from which the room's noise grows
source_height : m above the floor, optional, default 1.5 (ISO 3382-1, source on a stage; from memory)
microphones : name → {positions: one, two or three [x, y, z] (left, right, centre), pattern, aims: degrees
    right of the stage, optional, tilts: degrees above the horizontal, optional}; `main` is needed
reference_seat : {distance, angle, spread: m, optional}, the seat of whoever has none

Sources
-------
Shortest possible reverberation: Sabine's equation with every surface open, and the room's own air (ISO
9613-1) at exact mid-bands. A time that air alone would not allow is taken as it is: a room for music
production may ring longer than a real one.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from roomplan.acoustics.bands import exact_mid_band
from roomplan.acoustics.room_formulas import (
    ENERGY_DB,
    air_attenuation,
    sabine_reverberation_time,
    speed_of_sound,
)
from roomplan.documents.source import Document, in_file_order, read_document
from roomplan.documents.suggest import Guesses, did_you_mean
from roomplan.documents.wording import number, quoted
from roomplan.errors import Place, Problem
from roomplan.plan.model import DEFAULT_SPREAD_M, Seat
from roomplan.resources import bundled_folder
from roomplan.rooms.field import decay_times_of_materials
from roomplan.rooms.geometry import PATTERNS, seat_fault
from roomplan.rooms.materials import MATERIALS, OPTIONAL_BANDS_HZ, REQUIRED_BANDS_HZ, all_bands
from roomplan.rooms.spec import (
    BAND_CENTRES_HZ,
    DEFAULT_SOURCE_HEIGHT_M,
    SURFACES,
    MicrophoneSetup,
    RoomSpecification,
    Stage,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from roomplan.documents.places import KeyPath

__all__ = ["DEFAULT_FLOOR_SCATTERING", "DEFAULT_SCATTERING", "bundled_rooms", "load_room_specification"]

# Walls with some relief; a floor with players, stands and chairs on it. Common practice, no source.
DEFAULT_SCATTERING = 0.3
DEFAULT_FLOOR_SCATTERING = 0.7
DEFAULT_TEMPERATURE_C = 20.0
DEFAULT_HUMIDITY_PERCENT = 50.0

_WALLS = ("stage_wall", "far_wall", "left_wall", "right_wall")

# What a room file may ask for. The limits are far outside anything built; common practice, no source.
_SIDE_M = (1.5, 200.0)
_TIME_S = (0.1, 20.0)
_SEED = (0, 2**32 - 1)
_DISTANCE_M = (0.5, 200.0)
_SPREAD_M = (0.0, 20.0)
_LENGTH_M = (0.0, 200.0)
_SHARE = (0.0, 1.0)
_POSITION_M = (-200.0, 200.0)
_TURN_DEG = (-180.0, 180.0)
_TILT_DEG = (-90.0, 90.0)
_TEMPERATURE_C = (-10.0, 45.0)
_HUMIDITY_PERCENT = (10.0, 100.0)
_MOST_MICROPHONES = 3
_LONGEST_LINE = 1000  # characters

_NEEDED = ("title", "dimensions", "seed", "microphones", "reference_seat")
_EITHER = ("reverberation_time", "materials")
_OPTIONAL = ("character", "scattering", "temperature", "humidity", "stage", "source_height")


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
        Where the room was asked for: an unknown name and a missing file are reported there.

    Returns
    -------
    specification : RoomSpecification or None
        None when anything is wrong.
    problems : list of Problem
        All of them in file order, each with its line and column. Whether the reference seat is free is only
        looked at once everything else is right.

    Notes
    -----
    Where the file gives materials, `reverberation_time_s` is the T30 of their decay. Not done: no judgement
    whether a time suits the volume or the use, and none whether a time could be built.
    """
    if isinstance(name_or_path, Path):
        path = name_or_path
    else:
        rooms = bundled_rooms()
        if name_or_path not in rooms:
            hint = _hint(name_or_path, rooms)
            remedy = f"{hint}the bundled rooms are {', '.join(rooms)}; a room file of your own needs a path"
            return None, [Problem(f"there is no bundled room {quoted(name_or_path)}", place, remedy)]
        path = rooms[name_or_path]
    document, problems = read_document(path)
    if document is None:
        if place is not None and not path.is_file():  # no line of it can be at fault: the one that asks is
            problems = [Problem(f"room file {path}: {one.what}", place, one.remedy) for one in problems]
        return None, problems
    reader = _Reader(document, problems)
    specification = _read_room(reader, path)
    problems = in_file_order(reader.problems, document.files)
    return (None if problems else specification), problems


class _Reader:
    """Takes values out of a document one by one and notes every fault with its place."""

    def __init__(self, document: Document, problems: Iterable[Problem]) -> None:
        self.document = document
        self.data = document.data
        self.problems = list(problems)
        self.guesses = Guesses()

    def fault(self, path: KeyPath, what: str, remedy: str, *, key: bool = False) -> None:
        places = self.document.places
        self.problems.append(Problem(what, places.of(path) if key else places.value(path), remedy))

    def mapping(
        self,
        path: KeyPath,
        value: object,
        *,
        needed: Iterable[str] = (),
        optional: Iterable[str] = (),
    ) -> dict[str, Any]:
        """Give a mapping without its unknown keys; unknown and missing keys are faults."""
        name = _dotted(path)
        needed, optional = tuple(needed), tuple(optional)
        known = (*needed, *optional)
        if not isinstance(value, dict):
            expected = f"give a mapping with {', '.join(needed or known)}"
            self.fault(path, f"{name} is {_shown(value)}, not a mapping", expected)
            return {}
        for key in value:
            if key not in known:
                guess = (
                    None if key.isdigit() else self.guesses.nearest(key, known)
                )  # 16000 is no slip for 1000
                hint = f"did you mean {guess}?" if guess else f"known here: {', '.join(known)}"
                self.fault((*path, key), f"unknown key {quoted(key)} in {name}", hint, key=True)
        for key in needed:
            if not self.has(path, value, key):
                shown = f'"{key}"' if key.isdigit() else key
                self.fault(path, f"{name} has no {key}", f"add `{shown}:`", key=bool(path))
        return {key: item for key, item in value.items() if key in known}

    def has(self, path: KeyPath, value: Mapping[str, Any], key: str) -> bool:
        """Tell whether the file has a key, be it one whose value was refused already."""
        return key in value or self.document.places.was_refused((*path, key))

    def number(self, path: KeyPath, value: object, limits: tuple[float, float], unit: str) -> float:
        """Give a finite number inside `limits`; NaN stands for a fault already noted."""
        name = _dotted(path)
        low, high = limits
        span = f"{low:.10g} to {high:.10g} {unit}".rstrip()
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.fault(path, f"{name} is {_shown(value)}, not a number", f"give {span}")
        elif not low <= value <= high:
            self.fault(path, f"{name} is {number(value)} {unit}".rstrip(), f"give {span}")
        else:
            return float(value)
        return math.nan

    def text(self, path: KeyPath, value: object) -> str:
        """Give a text without the space around it; an empty one stands for a fault already noted."""
        name = _dotted(path)
        if not (isinstance(value, str) and value.strip()):
            self.fault(path, f"{name} is {_shown(value)}, not a text", "give a line of text")
            return ""
        line = value.strip()
        if "\n" in line or "\t" in line or len(line) > _LONGEST_LINE:
            what = "has line breaks or tabs" if len(line) <= _LONGEST_LINE else f"has {len(line)} characters"
            self.fault(path, f"{name} {what}", f"give one line of at most {_LONGEST_LINE} characters")
        return line


def _dotted(path: KeyPath) -> str:
    return ".".join(map(str, path)) or "the room file"


def _hint(word: str, known: Iterable[str]) -> str:
    guess = did_you_mean(word, known)
    return f"did you mean {guess}? " if guess else ""


def _shown(value: object) -> str:
    if value is None:
        return "empty"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return number(value)
    if isinstance(value, dict):
        return "a mapping"
    return quoted(value) if isinstance(value, str) else "a list"


@dataclass(frozen=True, slots=True)
class _Air:
    """The room's air; NaN where the file gives none that is right."""

    temperature_c: float
    humidity_percent: float

    def attenuation(self) -> dict[int, float]:
        """Octave centre → dB per metre at the exact mid-band."""
        losses = air_attenuation(
            np.array([exact_mid_band(centre) for centre in BAND_CENTRES_HZ]),
            temperature_c=self.temperature_c,
            humidity_percent=self.humidity_percent,
        )
        return dict(zip(BAND_CENTRES_HZ, losses.tolist(), strict=True))


def _read_room(reader: _Reader, path: Path) -> RoomSpecification | None:
    room = reader.mapping((), reader.data, needed=_NEEDED, optional=(*_EITHER, *_OPTIONAL))
    _check_one_of_either(reader)
    title = reader.text(("title",), room["title"]) if "title" in room else ""
    character = reader.text(("character",), room["character"]) if "character" in room else ""
    sides = _read_sides(reader, room["dimensions"]) if "dimensions" in room else None
    times = _read_times(reader, room["reverberation_time"]) if "reverberation_time" in room else None
    absorption = _read_materials(reader, room["materials"]) if "materials" in room else None
    scattering = _read_scattering(reader, room)
    air = _Air(
        _read_optional(reader, room, "temperature", DEFAULT_TEMPERATURE_C, _TEMPERATURE_C, "°C"),
        _read_optional(reader, room, "humidity", DEFAULT_HUMIDITY_PERCENT, _HUMIDITY_PERCENT, "%"),
    )
    stage = _read_stage(reader, room["stage"]) if "stage" in room else None
    seed = _read_seed(reader, room["seed"]) if "seed" in room else 0
    height = _read_optional(reader, room, "source_height", DEFAULT_SOURCE_HEIGHT_M, _LENGTH_M, "m")
    microphones = _read_microphones(reader, room["microphones"]) if "microphones" in room else {}
    seat = _read_seat(reader, room["reference_seat"]) if "reference_seat" in room else None
    if sides is not None:
        _check_inside(reader, sides, height, microphones, stage)
        if times is not None:
            _check_times(reader, sides, times, air)
    if reader.problems or sides is None or seat is None or (times is None and absorption is None):
        return None
    spec = RoomSpecification(
        name=path.stem,
        title=title,
        dimensions_m=sides,
        reverberation_time_s=times if times is not None else dict.fromkeys(BAND_CENTRES_HZ, math.nan),
        seed=seed,
        microphones=microphones,
        reference_seat=seat,
        source=path,
        absorption=absorption,
        scattering=scattering,
        character=character,
        stage=stage,
        temperature_c=air.temperature_c,
        humidity_percent=air.humidity_percent,
        source_height_m=height,
    )
    # Both sources of the seat: a stereo stem without a seat of its own sits there.
    fault = seat_fault(spec, seat, 2)
    if fault is not None:
        reader.fault(("reference_seat",), *fault)
    return spec if absorption is None else _with_decay_of_materials(reader, spec, absorption)


def _check_one_of_either(reader: _Reader) -> None:
    given = [key for key in _EITHER if reader.has((), reader.data, key)]
    if not given:
        reader.fault(
            (),
            "the room file has neither reverberation_time nor materials",
            "add `reverberation_time:`, seconds per octave band, or `materials:`, one for each surface",
        )
    elif len(given) == 2:
        reader.fault(
            ("materials",),
            "the room file has both reverberation_time and materials",
            "keep one: the times that are wanted, or the materials they follow from",
            key=True,
        )


def _read_optional(
    reader: _Reader,
    room: Mapping[str, Any],
    key: str,
    default: float,
    limits: tuple[float, float],
    unit: str,
) -> float:
    return reader.number((key,), room[key], limits, unit) if key in room else default


def _read_seed(reader: _Reader, value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        reader.fault(
            ("seed",), f"seed is {_shown(value)}, not a whole number", f"give {_SEED[0]} to {_SEED[1]}"
        )
        return 0
    reader.number(("seed",), value, _SEED, "")
    return value


def _read_sides(reader: _Reader, value: object) -> tuple[float, float, float] | None:
    """Length, width and height; None stands for a fault already noted."""
    keys = ("length", "width", "height")
    found = reader.mapping(("dimensions",), value, needed=keys)
    sides = [reader.number(("dimensions", key), found[key], _SIDE_M, "m") for key in keys if key in found]
    if len(sides) < len(keys) or any(map(math.isnan, sides)):
        return None
    return sides[0], sides[1], sides[2]


def _read_times(reader: _Reader, value: object) -> dict[int, float]:
    path = ("reverberation_time",)
    found = reader.mapping(path, value, needed=map(str, BAND_CENTRES_HZ))
    return {
        centre: reader.number((*path, str(centre)), found[str(centre)], _TIME_S, "s")
        for centre in BAND_CENTRES_HZ
        if str(centre) in found
    }


def _read_materials(reader: _Reader, value: object) -> dict[str, dict[int, float]]:
    """Surface → octave centre → coefficient; surfaces with faults are left out."""
    path = ("materials",)
    found = reader.mapping(path, value, needed=SURFACES)
    absorption = {}
    for surface in SURFACES:
        if surface in found:
            coefficients = _read_coefficients(reader, (*path, surface), found[surface])
            if coefficients is not None:
                absorption[surface] = coefficients
    return absorption


def _read_coefficients(reader: _Reader, path: KeyPath, value: object) -> dict[int, float] | None:
    if isinstance(value, str):
        if value in MATERIALS:
            return dict(MATERIALS[value].absorption)
        remedy = f"{_hint(value, MATERIALS)}the materials are {', '.join(MATERIALS)}"
        reader.fault(path, f"{_dotted(path)}: there is no material {quoted(value)}", remedy)
        return None
    if not isinstance(value, dict):
        bands = ", ".join(f'"{centre}"' for centre in REQUIRED_BANDS_HZ)
        reader.fault(
            path,
            f"{_dotted(path)} is {_shown(value)}, neither a material nor a mapping",
            f"give the name of a material or coefficients for {bands}",
        )
        return None
    found = reader.mapping(
        path, value, needed=map(str, REQUIRED_BANDS_HZ), optional=map(str, OPTIONAL_BANDS_HZ)
    )
    coefficients = {
        int(centre): reader.number((*path, centre), given, _SHARE, "") for centre, given in found.items()
    }
    complete = all(centre in coefficients for centre in REQUIRED_BANDS_HZ)
    return all_bands(coefficients) if complete else None


def _read_scattering(reader: _Reader, room: Mapping[str, Any]) -> dict[str, float]:
    """Share per surface; NaN stands for a fault already noted."""
    path = ("scattering",)
    shares = dict.fromkeys(SURFACES, DEFAULT_SCATTERING) | {"floor": DEFAULT_FLOOR_SCATTERING}
    if "scattering" not in room:
        return shares
    value = room["scattering"]
    if isinstance(value, dict):
        found = reader.mapping(path, value, optional=("walls", *SURFACES))
        given = {key: reader.number((*path, key), share, _SHARE, "") for key, share in found.items()}
        walls = given.pop("walls", None)
        if walls is not None:
            shares |= dict.fromkeys(_WALLS, walls)
        return shares | given
    if isinstance(value, bool) or not isinstance(value, int | float):
        reader.fault(
            path,
            f"scattering is {_shown(value)}, neither a number nor a mapping",
            f"give 0 to 1, or a mapping with any of walls, {', '.join(SURFACES)}",
        )
        return shares
    return dict.fromkeys(SURFACES, reader.number(path, value, _SHARE, ""))


def _read_stage(reader: _Reader, value: object) -> Stage | None:
    """The players' zone; None stands for a fault already noted."""
    path = ("stage",)
    keys = ("from", "to", "width")
    found = reader.mapping(path, value, needed=keys)
    ends = [reader.number((*path, key), found[key], _LENGTH_M, "m") for key in keys if key in found]
    if len(ends) < len(keys) or any(map(math.isnan, ends)):
        return None
    start, end, width = ends
    if not start < end:
        reader.fault(
            (*path, "to"), f"stage.to is {end:g} m, not beyond stage.from", f"give more than {start:g} m"
        )
        return None
    if not width > 0.0:
        reader.fault((*path, "width"), "stage.width is 0 m", "give more than 0 m, or leave out `stage`")
        return None
    return Stage(start, end, width)


def _read_seat(reader: _Reader, value: object) -> Seat | None:
    path = ("reference_seat",)
    found = reader.mapping(path, value, needed=("distance", "angle"), optional=("spread",))
    seat = {"spread": DEFAULT_SPREAD_M}
    for key, limits, unit in (
        ("distance", _DISTANCE_M, "m"),
        ("angle", _TURN_DEG, "degrees right of centre"),
        ("spread", _SPREAD_M, "m"),
    ):
        if key in found:
            seat[key] = reader.number((*path, key), found[key], limits, unit)
    if not {"distance", "angle"} <= set(seat):
        return None
    return Seat(seat["distance"], seat["angle"], reader.document.places.of(path), seat["spread"])


def _read_microphones(reader: _Reader, value: object) -> dict[str, MicrophoneSetup]:
    path = ("microphones",)
    if not isinstance(value, dict):
        reader.fault(
            path, f"microphones is {_shown(value)}, not a mapping", "give set-ups by name, `main` first"
        )
        return {}
    if not reader.has(path, value, "main"):
        guess = did_you_mean("main", value)
        remedy = "distances count from `main`: " + (f"is it {quoted(guess)}?" if guess else "add it")
        reader.fault(path, "microphones has no set-up named main", remedy, key=True)
    setups = {}
    for name, given in value.items():
        if not re.fullmatch(r"[A-Za-z0-9_-]+", name):
            reader.fault(
                (*path, name),
                f"microphones: the name {quoted(name)} is not plain",
                "use letters, digits, _ and -",
                key=True,
            )
            continue
        setup = _read_setup(reader, (*path, name), name, given)
        if setup is not None:
            setups[name] = setup
    main = {"main": setups["main"]} if "main" in setups else {}
    return main | setups


def _read_setup(reader: _Reader, path: KeyPath, name: str, value: object) -> MicrophoneSetup | None:
    found = reader.mapping(path, value, needed=("positions", "pattern"), optional=("aims", "tilts"))
    pattern = found.get("pattern", "omni")
    if not (isinstance(pattern, str) and pattern in PATTERNS):
        guess = did_you_mean(pattern, PATTERNS) if isinstance(pattern, str) else None
        hint = f"did you mean {guess}?" if guess else f"give one of {', '.join(PATTERNS)}"
        reader.fault((*path, "pattern"), f"{name}: there is no pattern {_shown(pattern)}", hint)
    points = _read_positions(reader, (*path, "positions"), name, found.get("positions"))
    aims, tilts = (
        _read_angles(reader, (*path, key), name, found[key], points, limits, unit)
        if key in found
        else (0.0,) * len(points or ())
        for key, limits, unit in (
            ("aims", _TURN_DEG, "degrees right of the stage"),
            ("tilts", _TILT_DEG, "degrees above the horizontal"),
        )
    )
    return None if not points else MicrophoneSetup(name, points, str(pattern), aims, tilts)


def _read_positions(
    reader: _Reader, path: KeyPath, name: str, value: object
) -> tuple[tuple[float, float, float], ...] | None:
    """Points of a set-up, NaN where a coordinate is at fault; None without points to count."""
    if value is None and not reader.document.places.has(path):
        return None  # missing: noted already
    thinned = reader.document.places.was_thinned
    if isinstance(value, list) and thinned(path):
        return None  # an entry was refused already
    if not (isinstance(value, list) and 1 <= len(value) <= _MOST_MICROPHONES):
        count = f"{len(value)} points" if isinstance(value, list) else _shown(value)
        reader.fault(
            path,
            f"{name}: positions is {count}",
            "give one, two or three points [x, y, z]: left, right, centre",
        )
        return None
    points = []
    for index, point in enumerate(value):
        here = (*path, index)
        if not (isinstance(point, list) and len(point) == 3):
            if not (isinstance(point, list) and thinned(here)):
                what = f"{name}: a position is {_shown_list(point)}, not three numbers"
                reader.fault(here, what, "give [x, y, z] in metres")
            points.append((math.nan,) * 3)
            continue
        x, y, z = (reader.number((*here, i), c, _POSITION_M, "m") for i, c in enumerate(point))
        points.append((x, y, z))
    return tuple(points)


def _read_angles(
    reader: _Reader,
    path: KeyPath,
    name: str,
    value: object,
    points: tuple[tuple[float, float, float], ...] | None,
    limits: tuple[float, float],
    unit: str,
) -> tuple[float, ...]:
    if isinstance(value, list) and reader.document.places.was_thinned(path):
        return ()  # an entry was refused already
    if not isinstance(value, list) or (points is not None and len(value) != len(points)):
        count = _count(len(value), "angle") if isinstance(value, list) else _shown(value)
        beside = "" if points is None else f" for {_count(len(points), 'position')}"
        reader.fault(path, f"{name}: {path[-1]} is {count}{beside}", "give one angle per position")
        return ()
    return tuple(reader.number((*path, i), angle, limits, unit) for i, angle in enumerate(value))


def _shown_list(value: object) -> str:
    return _count(len(value), "entry") if isinstance(value, list) else _shown(value)


def _count(many: int, what: str) -> str:
    if many == 1:
        return f"{many} {what}"
    return f"{many} {what[:-1]}ies" if what.endswith("y") else f"{many} {what}s"


def _check_inside(
    reader: _Reader,
    sides: tuple[float, float, float],
    source_height: float,
    microphones: Mapping[str, MicrophoneSetup],
    stage: Stage | None,
) -> None:
    """Refuse sources, microphones and a stage outside the walls; what is NaN was refused before."""
    length, width, height = sides
    if source_height >= height:
        reader.fault(
            ("source_height",),
            f"source_height is {source_height:g} m, above the ceiling",
            f"give less than {height:g} m",
        )
    for name, setup in microphones.items():
        for index, (x, y, z) in enumerate(setup.positions_m):
            inside = 0.0 < x < length and abs(y) < width / 2.0 and 0.0 < z < height
            if not inside and not math.isnan(x + y + z):
                reader.fault(
                    ("microphones", name, "positions", index),
                    f"{name}: the microphone at [{x:g}, {y:g}, {z:g}] is outside the walls",
                    f"x lies in 0 to {length:g}, y in {-width / 2:g} to {width / 2:g}, z in 0 to {height:g}",
                )
    if stage is not None and stage.to_m > length:
        reader.fault(
            ("stage", "to"),
            f"stage.to is {stage.to_m:g} m, behind the far wall",
            f"give at most {length:g} m",
        )
    if stage is not None and stage.width_m > width:
        reader.fault(
            ("stage", "width"),
            f"stage.width is {stage.width_m:g} m, wider than the room",
            f"give at most {width:g} m",
        )


def _check_times(
    reader: _Reader, sides: tuple[float, float, float], times: Mapping[int, float], air: _Air
) -> None:
    """Refuse times no surface could give: Sabine with open windows all round, and air."""
    if math.isnan(air.temperature_c + air.humidity_percent):
        return
    length, width, height = sides
    volume = length * width * height
    surface = 2.0 * (length * width + length * height + width * height)
    attenuation = air.attenuation()
    for centre, time in times.items():
        area = surface + 4.0 * volume * attenuation[centre] / ENERGY_DB
        shortest = sabine_reverberation_time(volume, area, sound_speed=speed_of_sound(air.temperature_c))
        if time < shortest:
            reader.fault(
                ("reverberation_time", str(centre)),
                f"reverberation_time at {centre} Hz is {time:g} s: in these dimensions even open walls "
                f"give {shortest:.2f} s",
                f"give at least {_rounded_up(shortest):g} s or smaller dimensions",
            )


def _rounded_up(seconds: float) -> float:
    """Round up to 10 ms, so that the time shown is one the room accepts."""
    return math.ceil(seconds * 100.0) / 100.0


def _with_decay_of_materials(
    reader: _Reader, spec: RoomSpecification, absorption: Mapping[str, Mapping[int, float]]
) -> RoomSpecification | None:
    """Give the room with the times its materials leave; None where these are not those of a room."""
    path = ("materials",)
    least, most = _TIME_S
    times = decay_times_of_materials(spec)
    for centre, time in times.items():
        if all(absorption[surface][centre] == 1.0 for surface in SURFACES):
            what = f"the materials absorb everything at {centre} Hz: nothing is left to reverberate"
            reader.fault(path, what, "give at least one surface less than 1 there", key=True)
        elif time < least:
            what = f"the materials leave {time:.2g} s of reverberation at {centre} Hz"
            reader.fault(path, what, f"give less absorption there, for at least {least:g} s", key=True)
        elif time > most:
            what = f"the materials leave {time:.3g} s of reverberation at {centre} Hz"
            reader.fault(path, what, f"give more absorption there, for at most {most:g} s", key=True)
    return None if reader.problems else replace(spec, reverberation_time_s=times)
