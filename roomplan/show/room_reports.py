"""Synthetic rooms as tables for a terminal, and the JSON documents of `rooms` and `synthesise`.

Conventions
-----------
As in `report.documents`: units are in the keys, null where a figure cannot be said, and why in `reasons`.
Times of reflections count from the direct sound, their levels too. Left and right are those of somebody who
faces the stage.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from rich.text import Text

from roomplan._version import __version__
from roomplan.cautions import MUSIC_ONLY, RESPONSE
from roomplan.report.documents import Document, rounded, rounded_ms
from roomplan.rooms.spec import BAND_CENTRES_HZ, SURFACES
from roomplan.show.tables import figure, figure_columns, in_ms, level, note, plain_table

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from rich.table import Table

    from roomplan.plan.model import Seat
    from roomplan.rooms.portrait import PortraitFigures, RoomPortrait
    from roomplan.rooms.spec import MicrophoneSetup, RoomSpecification

__all__ = [
    "LEVEL_NOTE",
    "WrittenResponse",
    "describe_setup",
    "grouped",
    "list_document",
    "list_table",
    "metres",
    "response_document",
    "response_lines",
    "room_document",
    "room_tables",
    "seat_words",
    "size_words",
]

LEVEL_NOTE = "amplitude 1 is the direct sound at 10 m; never normalised, so that seats keep their proportions"

MOST_REFLECTIONS = 10  # of the table; the document holds all

# Where one kind of pair ends and the next begins; common practice, no source.
COINCIDENT_M = 0.03
NEAR_COINCIDENT_M = 0.6
ANGLED_DEG = 20.0  # between two aims

_PATTERNS = {
    "omni": "omni",
    "wide_cardioid": "wide-cardioid",
    "cardioid": "cardioid",
    "figure_eight": "figure-of-eight",
}
_CHANNELS = {1: ("mono",), 2: ("L", "R"), 4: ("LL", "LR", "RL", "RR")}


@dataclass(frozen=True, slots=True)
class WrittenResponse:
    """What `synthesise` has written: the file and what is known of it.

    Attributes
    ----------
    spread_m : float
        Between two sources; 0 for one.
    peak : float
        Largest absolute value.
    direct : bool
        Whether the file holds the direct sound; `figures` always do.
    distance_m : float
        Way of the direct sound to the middle of the set-up.
    first_reflection_s : float or None
        After the direct sound.
    """

    file: Path
    spec: RoomSpecification
    seat: Seat
    spread_m: float
    microphones: str
    sample_rate: int
    channels: int
    frames: int
    peak: float
    direct: bool
    figures: PortraitFigures
    distance_m: float
    first_reflection_s: float | None

    @property
    def peak_dbfs(self) -> float | None:
        """Peak in dB; None for silence."""
        return 20.0 * math.log10(self.peak) if self.peak > 0.0 else None


# --- words


def grouped(value: float) -> str:
    """Whole number with its thousands apart, as the room files write it: 17 204."""
    return f"{value:,.0f}".replace(",", " ")


def metres(value: float) -> str:
    """Length to the centimetre, without idle zeros."""
    return f"{round(value, 2) + 0.0:g}"


def size_words(spec: RoomSpecification) -> str:
    """Length × width × height in metres."""
    return " × ".join(metres(side) for side in spec.dimensions_m)


def seat_words(seat: Seat) -> str:
    """Where a seat is, seen from the main microphones: "9 m, 20° to the right"."""
    angle = round(seat.angle_deg, 1) + 0.0
    if angle == 0.0:
        return f"{metres(seat.distance_m)} m, straight ahead"
    if abs(angle) == 180.0:
        return f"{metres(seat.distance_m)} m, straight behind"
    side = "right" if angle > 0.0 else "left"
    return f"{metres(seat.distance_m)} m, {abs(angle):g}° to the {side}"


def describe_setup(setup: MicrophoneSetup) -> str:
    """Describe a set-up in words.

    Returns
    -------
    str
        Such as "spaced omni pair, 1.2 m apart, 3 m up, 17 m from the stage wall".
    """
    points = np.array(setup.positions_m)
    x, y, z = np.mean(points, axis=0)
    pattern = _PATTERNS[setup.pattern]
    words = []
    if len(points) == 1:
        words.append(f"one {pattern} microphone")
    else:
        apart = float(np.linalg.norm(points[1] - points[0]))
        angled = abs(setup.aims_deg[1] - setup.aims_deg[0]) >= ANGLED_DEG and setup.pattern != "omni"
        if len(points) == 3:
            kind = "wide"
        elif apart <= COINCIDENT_M:
            kind = "coincident"
        elif apart <= NEAR_COINCIDENT_M and angled:
            kind = "near-coincident"
        else:
            kind = "spaced"
        words.append(f"{kind} {pattern} pair")
        if apart > COINCIDENT_M:
            words.append(f"{metres(apart)} m apart")
        if len(points) == 3:
            words.append("with a centre that goes to both sides at −3 dB")
    if setup.pattern != "omni":
        words += _aim_words(setup)
    words += [f"{metres(z)} m up", f"{round(float(x), 1):g} m from the stage wall"]
    if abs(y) >= 0.05:
        words.append(f"{metres(abs(y))} m {'right' if y > 0 else 'left'} of the centre line")
    return ", ".join(words)


def _aim_words(setup: MicrophoneSetup) -> list[str]:
    """Where the microphones of a set-up look."""
    aims = [round(aim, 1) + 0.0 for aim in setup.aims_deg]
    if len(set(aims)) == 1:
        named = {0.0: "aimed at the stage", 180.0: "aimed at the far wall", -180.0: "aimed at the far wall"}
        words = [named.get(aims[0], f"aimed {_angle(aims[0])} of the stage")]
    elif aims[0] == -aims[1] and aims[0] < 0 and (len(aims) == 2 or aims[2] == 0.0):
        words = [f"aimed {aims[1]:g}° to either side"]
    else:
        words = ["aimed " + " and ".join(_angle(aim) for aim in aims) + " of the stage"]
    tilts = {round(tilt, 1) + 0.0 for tilt in setup.tilts_deg}
    if tilts != {0.0}:
        words.append("tilted " + " and ".join(_tilt(tilt) for tilt in sorted(tilts)))
    return words


def _angle(aim: float) -> str:
    return f"{abs(aim):g}° {'right' if aim >= 0 else 'left'}"


def _tilt(tilt: float) -> str:
    return f"{abs(tilt):g}° {'up' if tilt >= 0 else 'down'}"


def surface_words(surfaces: Sequence[str]) -> str:
    """Names of surfaces for a reader."""
    return ", ".join(name.replace("_", " ") for name in surfaces)


def _air_words(spec: RoomSpecification) -> str:
    return f"{spec.temperature_c:g} °C, {spec.humidity_percent:g} % humidity".replace("-", "−")


def _scattering_words(spec: RoomSpecification) -> str:
    """Scattering of the surfaces, those of one value together, the most first."""
    values = list(dict.fromkeys(spec.scattering[name] for name in SURFACES))
    if len(values) == 1:
        return f"{values[0]:g} everywhere"
    by_value = {value: [name for name in SURFACES if spec.scattering[name] == value] for value in values}
    ordered = sorted(by_value.items(), key=lambda entry: len(entry[1]))
    first = [f"{surface_words(names)} {value:g}" for value, names in ordered[:-1]]
    return "; ".join([*first, f"elsewhere {ordered[-1][0]:g}"])


def _stage_words(spec: RoomSpecification) -> str:
    stage = spec.stage
    if stage is None:
        return "none given"
    along = f"{metres(stage.from_m)} to {metres(stage.to_m)} m from the stage wall"
    return f"{along}, {metres(stage.width_m)} m wide"


def _milliseconds(seconds: float | None, digits: int = 1) -> str:
    return figure(in_ms(seconds), digits)


# --- tables


def list_table(rooms: Sequence[RoomSpecification]) -> Table:
    """One row for each room."""
    table = plain_table(
        "Bundled rooms",
        "RT: mean of the 500 and 1000 Hz octaves · roomplan rooms NAME shows one in full",
    )
    table.add_column("room", no_wrap=True)
    figure_columns(table, ("volume m³", "RT s", "length × width × height m"))
    table.add_column("suits", min_width=24)
    for spec in rooms:
        table.add_row(
            spec.name,
            grouped(spec.volume_m3),
            figure(spec.mid_reverberation_time_s),
            size_words(spec),
            Text(spec.character),
        )
    return table


def room_tables(portrait: RoomPortrait) -> list[Table | Text]:
    """Everything known of a room: what it is, how it decays, what a seat gets, its first reflections."""
    items: list[Table | Text] = [_facts_table(portrait), _decay_table(portrait), _reflection_table(portrait)]
    for key, reason in portrait.measured.reasons.items():
        items.append(Text(f"no {key}: {reason}"))
    if portrait.to_come is None:
        items.append(Text("these microphones pick up almost no direct sound from this seat"))
    items.append(note(MUSIC_ONLY))
    return items


def _facts_table(portrait: RoomPortrait) -> Table:
    spec, theory = portrait.spec, portrait.theory
    table = plain_table(spec.title)
    table.show_header = False
    table.add_column("", no_wrap=True)
    table.add_column("")

    def row(name: str, words: str) -> None:
        table.add_row(Text(name), Text(words))

    if spec.character:
        row("suits", spec.character)
    row(
        "size",
        f"{size_words(spec)} m, {grouped(spec.volume_m3)} m³, {grouped(spec.surface_m2)} m² of surface",
    )
    decay = "reverberation times" if spec.absorption is None else "materials"
    if spec.absorption is not None and spec.decay_scale != 1.0:
        decay += f", their decay scaled by {spec.decay_scale:g}"
    row("decay given by", f"{decay}; RT {figure(spec.mid_reverberation_time_s)} s (500 and 1000 Hz)")
    row("air", _air_words(spec))
    row("scattering", _scattering_words(spec))
    row("stage", f"{_stage_words(spec)}; sources {metres(spec.source_height_m)} m up")
    row("mixing time", f"{_milliseconds(portrait.mixing_time_s, 0)} ms after the direct sound")
    row("critical distance", f"{figure(portrait.critical_distance_m, 1)} m, omnidirectional")
    row("mean free path", f"{figure(portrait.mean_free_path_m, 1)} m")
    row("Schroeder frequency", f"{figure(portrait.schroeder_frequency_hz, 0)} Hz")
    table.add_section()
    for name, setup in spec.microphones.items():
        row(name, describe_setup(setup))
    table.add_section()
    which = "reference seat" if portrait.at_reference_seat else "seat"
    away = f"{figure(portrait.distance_m, 1)} m of air to {portrait.microphones}"
    row(which, f"{seat_words(portrait.seat)}; {away}")
    row(
        "C80 there",
        f"{level(portrait.measured.c80_mid_db)} dB (revised theory, omnidirectional: "
        f"{level(theory.clarity_db)} dB)",
    )
    row("strength G there", f"{level(theory.strength_db)} dB by revised theory")
    row("first reflections", _first_words(portrait))
    return table


def _first_words(portrait: RoomPortrait) -> str:
    """First reflection and, as the floor is nearly always it, the first from elsewhere."""
    first = portrait.reflections[:1]
    others = [found for found in portrait.reflections[1:] if "floor" not in found.surfaces]
    words = [
        f"{_milliseconds(found.after_direct_s)} ms ({surface_words(found.surfaces)})"
        for found in (*first, *others[:1])
    ]
    return ", then ".join(words) + " after the direct sound; the first is the initial time delay gap (ITDG)"


def _decay_table(portrait: RoomPortrait) -> Table:
    spec = portrait.spec
    table = plain_table(
        "Decay by octave",
        "measured: T30 of the response of this seat, mean of its channels",
    )
    table.add_column("Hz", no_wrap=True)
    figure_columns(table, map(str, BAND_CENTRES_HZ))
    times = [figure(spec.reverberation_time_s[centre]) for centre in BAND_CENTRES_HZ]
    table.add_row("RT asked for, s" if spec.absorption is None else "RT of the materials, s", *times)
    table.add_row(
        "measured, s",
        *(figure(portrait.measured.t30_s[centre]) for centre in BAND_CENTRES_HZ),
        end_section=True,
    )
    if spec.absorption is not None:
        for name in SURFACES:
            given = spec.absorption[name]
            table.add_row(surface_words([name]), *(figure(given[centre]) for centre in BAND_CENTRES_HZ))
    implied = "mean absorption" if spec.absorption is not None else "absorption implied"
    table.add_row(implied, *(figure(portrait.mean_absorption[centre]) for centre in BAND_CENTRES_HZ))
    return table


def _reflection_table(portrait: RoomPortrait) -> Table:
    shown = portrait.reflections[:MOST_REFLECTIONS]
    window = _milliseconds(portrait.window_s, 0)
    table = plain_table(
        f"First reflections at {portrait.microphones}",
        f"{len(shown)} of {len(portrait.reflections)} within {window} ms · dB re the direct sound, 500 and "
        "1000 Hz, omnidirectional",
    )
    figure_columns(table, ("after direct ms", "dB"))
    table.add_column("surfaces")
    for reflection in shown:
        hits = f" ({reflection.order} hits)" if reflection.order > len(reflection.surfaces) else ""
        table.add_row(
            _milliseconds(reflection.after_direct_s),
            level(reflection.level_db),
            surface_words(reflection.surfaces) + hits,
        )
    return table


def response_lines(written: WrittenResponse) -> list[Text]:
    """Summary of a written response."""
    spec, figures = written.spec, written.figures
    channels = _CHANNELS[written.channels]
    kind = {1: "mono", 2: "stereo (L, R)", 4: f"true stereo ({', '.join(channels)}: in, out)"}
    sources = "one source" if written.spread_m == 0.0 else f"two sources {metres(written.spread_m)} m apart"
    peak = level(written.peak_dbfs)
    over = ": fine in the float file, a converter will clip" if written.peak > 1.0 else ""
    seconds = written.frames / written.sample_rate
    what = f"{kind[written.channels]}, {seconds:.2f} s at {written.sample_rate} Hz, WAV, 32-bit float"
    away = f"{written.microphones} microphones {figure(written.distance_m, 1)} m away"
    first = f"first reflection {_milliseconds(written.first_reflection_s)} ms after the direct sound"
    measured = f"T30 {figure(figures.t30_mid_s)} s, C80 {level(figures.c80_mid_db)} dB (500 and 1000 Hz)"
    lines = [
        f"{written.file}: {what}",
        f"{spec.title}, seat {seat_words(written.seat)}, {sources}, {away}",
        f"{measured}, {first}",
        f"peak {peak} dBFS{over} · {LEVEL_NOTE}",
    ]
    if not written.direct:
        lines.insert(3, "the direct sound is left out (C80 includes it): in a plan, use direct: absent")
    lines += [f"no {key}: {figures.reasons[key]}" for key in _SHOWN if key in figures.reasons]
    return [Text(line) for line in (*lines, RESPONSE)]


_SHOWN = ("t30_mid_s", "c80_mid_db")

ROOMS_SCHEMA = "roomplan.rooms/1"
ROOM_SCHEMA = "roomplan.room/1"
RESPONSE_SCHEMA = "roomplan.synthesise/1"


# --- documents


def list_document(rooms: Sequence[RoomSpecification]) -> Document:
    """Bundled rooms (`roomplan.rooms/1`)."""
    return {
        "schema": ROOMS_SCHEMA,
        "roomplan": __version__,
        "rooms": [_room_head(spec) for spec in rooms],
        "note": MUSIC_ONLY,
    }


def room_document(portrait: RoomPortrait) -> Document:
    """One room in full (`roomplan.room/1`)."""
    spec, theory, measured = portrait.spec, portrait.theory, portrait.measured
    stage = spec.stage
    return {
        "schema": ROOM_SCHEMA,
        "roomplan": __version__,
        **_room_head(spec),
        "surface_m2": rounded(spec.surface_m2, 2),
        "decay_from": "times" if spec.absorption is None else "materials",
        "decay_scale": rounded(spec.decay_scale, 4),
        "bands": [
            {
                "centre_hz": centre,
                "reverberation_time_s": rounded(spec.reverberation_time_s[centre], 4),
                "mean_absorption": rounded(portrait.mean_absorption[centre], 4),
                "absorption": None
                if spec.absorption is None
                else {name: rounded(spec.absorption[name][centre], 4) for name in SURFACES},
                "t30_s": rounded(measured.t30_s[centre], 4),
            }
            for centre in BAND_CENTRES_HZ
        ],
        "scattering": {name: spec.scattering[name] for name in SURFACES},
        "temperature_c": spec.temperature_c,
        "humidity_percent": spec.humidity_percent,
        "stage": None
        if stage is None
        else {"from_m": stage.from_m, "to_m": stage.to_m, "width_m": stage.width_m},
        "source_height_m": spec.source_height_m,
        "mixing_time_ms": rounded_ms(portrait.mixing_time_s, 2),
        "critical_distance_m": rounded(portrait.critical_distance_m, 3),
        "mean_free_path_m": rounded(portrait.mean_free_path_m, 3),
        "schroeder_frequency_hz": rounded(portrait.schroeder_frequency_hz, 2),
        "microphones": [_setup(setup) for setup in spec.microphones.values()],
        "seat": {
            "distance_m": portrait.seat.distance_m,
            "angle_deg": portrait.seat.angle_deg,
            "reference": portrait.at_reference_seat,
            "microphones": portrait.microphones,
            "direct_path_m": rounded(portrait.distance_m, 3),
            "t30_mid_s": rounded(measured.t30_mid_s, 4),
            "c80_mid_db": rounded(measured.c80_mid_db, 3),
            "theory_c80_db": rounded(theory.clarity_db, 3),
            "theory_strength_db": rounded(theory.strength_db, 3),
            "first_reflection_ms": rounded_ms(portrait.first_reflection_s, 3),
            "window_ms": rounded_ms(portrait.window_s, 3),
            "reflections": [
                {
                    "after_direct_ms": rounded_ms(reflection.after_direct_s, 3),
                    "level_db": rounded(reflection.level_db, 3),
                    "order": reflection.order,
                    "surfaces": list(reflection.surfaces),
                }
                for reflection in portrait.reflections
            ],
        },
        "reasons": dict(measured.reasons),
        "note": MUSIC_ONLY,
    }


def response_document(written: WrittenResponse) -> Document:
    """A written response (`roomplan.synthesise/1`)."""
    figures = written.figures
    return {
        "schema": RESPONSE_SCHEMA,
        "roomplan": __version__,
        "file": str(written.file),
        "room": written.spec.name,
        "seat": {"distance_m": written.seat.distance_m, "angle_deg": written.seat.angle_deg},
        "spread_m": written.spread_m,
        "microphones": written.microphones,
        "direct": written.direct,
        "sample_rate": written.sample_rate,
        "channels": list(_CHANNELS[written.channels]),
        "frames": written.frames,
        "duration_s": rounded(written.frames / written.sample_rate, 4),
        "peak_dbfs": rounded(written.peak_dbfs, 3),
        "direct_path_m": rounded(written.distance_m, 3),
        "t30_mid_s": rounded(figures.t30_mid_s, 4),
        "c80_mid_db": rounded(figures.c80_mid_db, 3),
        "first_reflection_ms": rounded_ms(written.first_reflection_s, 3),
        "reasons": {key: figures.reasons[key] for key in _SHOWN if key in figures.reasons},
        "level_note": LEVEL_NOTE,
        "hearing_note": RESPONSE,
        "note": MUSIC_ONLY,
    }


def _room_head(spec: RoomSpecification) -> Document:
    length, width, height = spec.dimensions_m
    return {
        "name": spec.name,
        "title": spec.title,
        "character": spec.character,
        "file": str(spec.source),
        "length_m": length,
        "width_m": width,
        "height_m": height,
        "volume_m3": rounded(spec.volume_m3, 2),
        "reverberation_time_mid_s": rounded(spec.mid_reverberation_time_s, 4),
    }


def _setup(setup: MicrophoneSetup) -> Document:
    return {
        "name": setup.name,
        "description": describe_setup(setup),
        "pattern": setup.pattern,
        "positions_m": [list(point) for point in setup.positions_m],
        "aims_deg": list(setup.aims_deg),
        "tilts_deg": list(setup.tilts_deg),
    }
