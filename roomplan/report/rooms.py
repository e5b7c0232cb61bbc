"""Synthetic rooms and their responses as plain values: the documents of `rooms` and `synthesise`.

Conventions
-----------
As in `documents`; why a figure is null is in `reasons`. Times of reflections count from the direct sound,
their levels too. Left and right are those of somebody who faces the stage.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from roomplan._version import __version__
from roomplan.cautions import MUSIC_ONLY, RESPONSE
from roomplan.frozen_classes import frozen_class
from roomplan.report.documents import Document, rounded, rounded_ms
from roomplan.rooms.spec import BAND_CENTRES_HZ, SURFACES

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from roomplan.plan.model import Seat, SourceKind
    from roomplan.rooms.portrait import PortraitFigures, RoomPortrait
    from roomplan.rooms.spec import MicrophoneSetup, Panel, RoomSpecification, Scatterers

__all__ = [
    "CHANNELS",
    "LEVEL_NOTE",
    "RESPONSE_SCHEMA",
    "ROOMS_SCHEMA",
    "ROOM_SCHEMA",
    "SHOWN",
    "WrittenResponse",
    "describe_setup",
    "list_document",
    "metres",
    "response_document",
    "room_document",
]

ROOMS_SCHEMA = "roomplan.rooms/1"
ROOM_SCHEMA = "roomplan.room/1"
RESPONSE_SCHEMA = "roomplan.synthesise/1"

LEVEL_NOTE = "amplitude 1 is the direct sound at 10 m; never normalised, so that seats keep their proportions"
CHANNELS = {1: ("mono",), 2: ("L", "R"), 4: ("LL", "LR", "RL", "RR")}
SHOWN = ("t30_mid_s", "c80_mid_db")  # of a response, with their reasons

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


@frozen_class
class WrittenResponse:
    """What `synthesise` has written: the file and what is known of it.

    Attributes
    ----------
    spread_m : float
        Between two sources; 0 for one.
    source : str
        How their sound is directed.
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
    source: SourceKind
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


def metres(value: float) -> str:
    """Length to the centimetre, without idle zeros."""
    return f"{round(value, 2) + 0.0:g}"


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


def _panel(panel: Panel) -> Document:
    return {
        "name": panel.name,
        "centre_m": [rounded(at, 3) for at in panel.centre_m],
        "size_m": list(panel.size_m),
        "aim_deg": panel.aim_deg,
        "tilt_deg": panel.tilt_deg,
        "absorption": {str(centre): share for centre, share in panel.absorption.items()},
        "scattering": panel.scattering,
    }


def _scatterers(bodies: Scatterers) -> Document:
    return {
        "name": bodies.name,
        "area_m2": bodies.area_m2,
        "from_m": bodies.from_m,
        "to_m": bodies.to_m,
        "width_m": bodies.width_m,
        "clear_m": bodies.clear_m,
        "heights_m": list(bodies.heights_m),
    }


def list_document(rooms: Sequence[RoomSpecification]) -> Document:
    """Bundled rooms (`roomplan.rooms/1`)."""
    return {
        "schema": ROOMS_SCHEMA,
        "roomplan": __version__,
        "rooms": [_room_head(spec) for spec in rooms],
        "note": MUSIC_ONLY,
    }


def _band(portrait: RoomPortrait, centre: int) -> Document:
    spec, alike = portrait.spec, portrait.late_correlation
    return {
        "centre_hz": centre,
        "reverberation_time_s": rounded(spec.reverberation_time_s[centre], 4),
        "mean_absorption": rounded(portrait.mean_absorption[centre], 4),
        "absorption": None
        if spec.absorption is None
        else {name: rounded(spec.absorption[name][centre], 4) for name in SURFACES},
        "t30_s": rounded(portrait.measured.t30_s[centre], 4),
        "late_correlation": None if alike is None else rounded(alike[centre], 4),
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
        "bands": [_band(portrait, centre) for centre in BAND_CENTRES_HZ],
        "scattering": {name: spec.scattering[name] for name in SURFACES},
        "panels": [_panel(panel) for panel in spec.panels],
        "scatterers": [_scatterers(bodies) for bodies in spec.scatterers],
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
        "source": written.source,
        "microphones": written.microphones,
        "direct": written.direct,
        "sample_rate": written.sample_rate,
        "channels": list(CHANNELS[written.channels]),
        "frames": written.frames,
        "duration_s": rounded(written.frames / written.sample_rate, 4),
        "peak_dbfs": rounded(written.peak_dbfs, 3),
        "direct_path_m": rounded(written.distance_m, 3),
        "t30_mid_s": rounded(figures.t30_mid_s, 4),
        "c80_mid_db": rounded(figures.c80_mid_db, 3),
        "first_reflection_ms": rounded_ms(written.first_reflection_s, 3),
        "reasons": {key: figures.reasons[key] for key in SHOWN if key in figures.reasons},
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
