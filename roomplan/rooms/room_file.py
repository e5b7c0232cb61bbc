"""Synthetic room files: read, checked, frozen.

Conventions
-----------
The file speaks in metres, seconds, hertz and degrees; nothing is converted. Coordinates and seats are those
of `roomplan.rooms.geometry`. Every fault is a `Problem` with file, line and column, and all are found at
once. What its keys are is said by `roomplan.rooms.room_shape`.

Sources
-------
Shortest possible reverberation: Sabine's equation with every surface open, and the room's own air (ISO
9613-1) at exact mid-bands. A time that air alone would not allow is taken as it is: a room for music
production may ring longer than a real one.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.bands import exact_mid_band
from roomplan.acoustics.room_formulas import (
    ENERGY_DB,
    air_attenuation,
    sabine_reverberation_time,
    speed_of_sound,
)
from roomplan.documents.source import in_file_order, read_document
from roomplan.documents.suggest import did_you_mean
from roomplan.documents.wording import quoted
from roomplan.errors import Place, Problem
from roomplan.frozen_classes import frozen_class
from roomplan.plan.faults import checked_shape
from roomplan.plan.model import Seat
from roomplan.rooms.bundled import bundled_rooms
from roomplan.rooms.field import decay_times_of_materials
from roomplan.rooms.geometry import seat_fault
from roomplan.rooms.room_fittings import PLAIN_NAME, coefficients, panels_of, scatterers_of
from roomplan.rooms.room_shape import (
    DEFAULT_FLOOR_SCATTERING,
    DEFAULT_SCATTERING,
    LONGEST_TIME_S,
    NEEDED,
    ROOM_FILE,
    SHORTEST_TIME_S,
    MaterialsShape,
    ScatteringShape,
)
from roomplan.rooms.spec import BAND_CENTRES_HZ, SURFACES, MicrophoneSetup, RoomSpecification, Stage

if TYPE_CHECKING:
    from collections.abc import Mapping

    from roomplan.documents.places import KeyPath
    from roomplan.documents.source import Document
    from roomplan.rooms.room_shape import (
        DimensionsShape,
        MicrophonesShape,
        ReferenceSeatShape,
        RoomFileShape,
        StageShape,
        TimesShape,
    )

__all__ = ["bundled_rooms", "load_room_specification"]

_WALLS = ("stage_wall", "far_wall", "left_wall", "right_wall")
_EITHER = ("reverberation_time", "materials")


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
            near = did_you_mean(name_or_path, rooms)
            hint = f"did you mean {near}? " if near else ""
            remedy = f"{hint}the bundled rooms are {', '.join(rooms)}; a room file of your own needs a path"
            return None, [Problem(f"there is no bundled room {quoted(name_or_path)}", place, remedy)]
        path = rooms[name_or_path]
    try:
        content = path.read_bytes()
    except OSError:
        _document, problems = read_document(path)  # which says why
        if place is not None and not path.is_file():  # no line of it can be at fault: the one that asks is
            problems = [Problem(f"room file {path}: {one.what}", place, one.remedy) for one in problems]
        return None, problems
    specification, found = _read_room(path, content)
    return specification, list(found)


@lru_cache(maxsize=32)
def _read_room(path: Path, content: bytes) -> tuple[RoomSpecification | None, tuple[Problem, ...]]:  # noqa: ARG001 - a file that has changed is another
    """Room of a file; a plan asks for each of its rooms several times."""
    document, problems = read_document(path)
    if document is None:
        return None, tuple(problems)
    room = _Room(document, problems)
    shape, found = checked_shape(document.data, document.places, ROOM_FILE)
    room.problems += found
    specification = None if shape is None else room.specification(shape, path)
    problems = in_file_order(room.problems, document.files)
    return (None if problems else specification), tuple(problems)


@frozen_class
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


class _Room:
    """One room file on its way from what it says to what it means; notes every fault with its place."""

    def __init__(self, document: Document, problems: list[Problem]) -> None:
        self.places = document.places
        self.problems = problems
        # now, as checking takes out what it refuses
        self._check_either(
            [key for key in _EITHER if key in document.data or self.places.was_refused((key,))]
        )

    def fault(self, path: KeyPath, what: str, remedy: str, *, key: bool = False) -> None:
        """Note a fault of the value at `path`, or of its key."""
        self.problems.append(Problem(what, self.places.of(path) if key else self.places.value(path), remedy))

    def specification(self, shape: RoomFileShape, path: Path) -> RoomSpecification | None:
        """Return the room; None, with the faults noted, where there is none."""
        for key in NEEDED:
            if key not in shape.model_fields_set and not self.places.was_refused((key,)):
                self.fault((), f"the room file has no {key}", f"add `{key}:`")
        air = _Air(shape.temperature, shape.humidity)
        setups = self._microphones(shape.microphones)
        stage = None if shape.stage is None else self._stage(shape.stage)
        sides = None if shape.dimensions is None else _sides(shape.dimensions)
        times = None if shape.reverberation_time is None else _times(shape.reverberation_time)
        panels, scatterers = (), ()
        if sides is not None:
            panels = panels_of(shape.panels, sides, self.fault)
            scatterers = scatterers_of(shape.scatterers, sides, self.fault)
            self._check_inside(sides, shape.source_height, setups, stage)
            if times is not None:
                self._check_times(sides, times, air)
        if self.problems or sides is None or shape.reference_seat is None:
            return None
        absorption = None if shape.materials is None else _absorption(shape.materials)
        seat = _seat(shape.reference_seat, self.places.of(("reference_seat",)))
        spec = RoomSpecification(
            name=path.stem,
            title=(shape.title or "").strip(),
            dimensions_m=sides,
            reverberation_time_s=times if times is not None else dict.fromkeys(BAND_CENTRES_HZ, math.nan),
            seed=shape.seed or 0,
            microphones=setups,
            reference_seat=seat,
            source=path,
            absorption=absorption,
            scattering=_scattering(shape.scattering),
            character=shape.character.strip(),
            stage=stage,
            temperature_c=air.temperature_c,
            humidity_percent=air.humidity_percent,
            source_height_m=shape.source_height,
            panels=panels,
            scatterers=scatterers,
        )
        # Both sources of the seat: a stereo stem without a seat of its own sits there.
        fault = seat_fault(spec, seat, 2)
        if fault is not None:
            self.fault(("reference_seat",), *fault)
        return spec if absorption is None else self._with_decay_of_materials(spec, absorption)

    def _check_either(self, given: list[str]) -> None:
        """Note a room with neither times nor materials, or with both."""
        if not given:
            self.fault(
                (),
                "the room file has neither reverberation_time nor materials",
                "add `reverberation_time:`, seconds per octave band, or `materials:`, one for each surface",
            )
        elif len(given) == 2:
            self.fault(
                ("materials",),
                "the room file has both reverberation_time and materials",
                "keep one: the times that are wanted, or the materials they follow from",
                key=True,
            )

    def _stage(self, shape: StageShape) -> Stage | None:
        """Return the players' zone; None when it is none."""
        if not shape.start < shape.end:
            what = f"stage.to is {shape.end:g} m, not beyond stage.from"
            self.fault(("stage", "to"), what, f"give more than {shape.start:g} m")
        elif not shape.width > 0.0:
            what = "stage.width is 0 m"
            self.fault(("stage", "width"), what, "give more than 0 m, or leave out `stage`")
        else:
            return Stage(shape.start, shape.end, shape.width)
        return None

    def _microphones(self, shapes: Mapping[str, MicrophonesShape]) -> dict[str, MicrophoneSetup]:
        path = ("microphones",)
        if not (shapes or self.places.has(path)):
            return {}  # missing or refused: noted already
        if "main" not in shapes and not self.places.was_refused((*path, "main")):
            guess = did_you_mean("main", shapes)
            remedy = "distances count from `main`: " + (f"is it {quoted(guess)}?" if guess else "add it")
            self.fault(path, "microphones has no set-up named main", remedy, key=True)
        setups = {}
        for name, shape in shapes.items():
            if not re.fullmatch(PLAIN_NAME, name):
                what = f"microphones: the name {quoted(name)} is not plain"
                self.fault((*path, name), what, "use letters, digits, _ and -", key=True)
                continue
            here = (*path, name)
            aims, tilts = (
                self._angles((*here, key), angles, len(shape.positions))
                for key, angles in (("aims", shape.aims), ("tilts", shape.tilts))
            )
            points = tuple((x, y, z) for x, y, z in shape.positions)
            setups[name] = MicrophoneSetup(name, points, shape.pattern, aims, tilts)
        main = {"main": setups["main"]} if "main" in setups else {}
        return main | setups

    def _angles(self, path: KeyPath, angles: list[float] | None, count: int) -> tuple[float, ...]:
        if angles is None:
            return (0.0,) * count
        refused = any(map(self.places.was_thinned, (path, (*path[:-1], "positions"))))
        if len(angles) != count and not (refused or self.places.was_refused((*path[:-1], "positions"))):
            what = f"{path[-2]}: {path[-1]} is {_count(len(angles), 'angle')} for {_count(count, 'position')}"
            self.fault(path, what, "give one angle per position")
        return tuple(angles)

    def _check_inside(
        self,
        sides: tuple[float, float, float],
        source_height: float,
        microphones: Mapping[str, MicrophoneSetup],
        stage: Stage | None,
    ) -> None:
        """Refuse sources, microphones and a stage outside the walls; what is NaN was refused before."""
        length, width, height = sides
        if source_height >= height:
            self.fault(
                ("source_height",),
                f"source_height is {source_height:g} m, above the ceiling",
                f"give less than {height:g} m",
            )
        for name, setup in microphones.items():
            for index, (x, y, z) in enumerate(setup.positions_m):
                inside = 0.0 < x < length and abs(y) < width / 2.0 and 0.0 < z < height
                if not inside and not math.isnan(x + y + z):
                    self.fault(
                        ("microphones", name, "positions", index),
                        f"{name}: the microphone at [{x:g}, {y:g}, {z:g}] is outside the walls",
                        f"x lies in 0 to {length:g}, y in {-width / 2:g} to {width / 2:g}, "
                        f"z in 0 to {height:g}",
                    )
        if stage is not None and stage.to_m > length:
            self.fault(
                ("stage", "to"),
                f"stage.to is {stage.to_m:g} m, behind the far wall",
                f"give at most {length:g} m",
            )
        if stage is not None and stage.width_m > width:
            self.fault(
                ("stage", "width"),
                f"stage.width is {stage.width_m:g} m, wider than the room",
                f"give at most {width:g} m",
            )

    def _check_times(self, sides: tuple[float, float, float], times: Mapping[int, float], air: _Air) -> None:
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
                self.fault(
                    ("reverberation_time", str(centre)),
                    f"reverberation_time at {centre} Hz is {time:g} s: in these dimensions even open walls "
                    f"give {shortest:.2f} s",
                    f"give at least {_rounded_up(shortest):g} s or smaller dimensions",
                )

    def _with_decay_of_materials(
        self, spec: RoomSpecification, absorption: Mapping[str, Mapping[int, float]]
    ) -> RoomSpecification | None:
        """Give the room with the times its materials leave; None where these are not those of a room."""
        path = ("materials",)
        least, most = SHORTEST_TIME_S, LONGEST_TIME_S
        times = decay_times_of_materials(spec)
        for centre, time in times.items():
            if all(absorption[surface][centre] == 1.0 for surface in SURFACES):
                what = f"the materials absorb everything at {centre} Hz: nothing is left to reverberate"
                self.fault(path, what, "give at least one surface less than 1 there", key=True)
            elif time < least:
                what = f"the materials leave {time:.2g} s of reverberation at {centre} Hz"
                self.fault(path, what, f"give less absorption there, for at least {least:g} s", key=True)
            elif time > most:
                what = f"the materials leave {time:.3g} s of reverberation at {centre} Hz"
                self.fault(path, what, f"give more absorption there, for at most {most:g} s", key=True)
        return None if self.problems else replace(spec, reverberation_time_s=times)


def _count(many: int, what: str) -> str:
    return f"{many} {what}" if many == 1 else f"{many} {what}s"


def _sides(shape: DimensionsShape) -> tuple[float, float, float]:
    return shape.length, shape.width, shape.height


def _seat(shape: ReferenceSeatShape, place: Place) -> Seat:
    return Seat(shape.distance, shape.angle, place, shape.spread)


def _times(shape: TimesShape) -> dict[int, float]:
    """Octave centre → s; NaN where the file gives none that is right."""
    return {centre: getattr(shape, f"octave_{centre}") for centre in BAND_CENTRES_HZ}


def _absorption(shape: MaterialsShape) -> dict[str, dict[int, float]]:
    """Surface → octave centre → coefficient."""
    return {surface: coefficients(getattr(shape, surface)) for surface in SURFACES}


def _scattering(given: ScatteringShape | float | None) -> dict[str, float]:
    """Surface → share."""
    shares = dict.fromkeys(SURFACES, DEFAULT_SCATTERING) | {"floor": DEFAULT_FLOOR_SCATTERING}
    if given is None:
        return shares
    if not isinstance(given, ScatteringShape):
        return dict.fromkeys(SURFACES, given)
    if given.walls is not None:
        shares |= dict.fromkeys(_WALLS, given.walls)
    return shares | {surface: share for surface in SURFACES if (share := getattr(given, surface)) is not None}


def _rounded_up(seconds: float) -> float:
    """Round up to 10 ms, so that the time shown is one the room accepts."""
    return math.ceil(seconds * 100.0) / 100.0
