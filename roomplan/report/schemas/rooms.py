"""JSON schemas of rooms and their written responses."""

from __future__ import annotations

from typing import get_args

from roomplan.plan.model import SourceKind
from roomplan.report.rooms import RESPONSE_SCHEMA, ROOM_SCHEMA, ROOMS_SCHEMA
from roomplan.report.schemas.parts import CENTRE, HEARING_NOTE, NOTE, REASONS
from roomplan.report.schemas.values import (
    Schema,
    count,
    document,
    figure,
    list_of,
    map_of,
    number,
    object_of,
    one_of,
    or_none,
    text,
    truth,
)

__all__ = ["one_room_schema", "rooms_schema", "synthesise_schema"]

_ROOM_HEAD = {
    "name": text(),
    "title": text(),
    "character": text(),
    "file": text(),
    "length_m": number(),
    "width_m": number(),
    "height_m": number(),
    "volume_m3": number(),
    "reverberation_time_mid_s": figure(),
}

_PANEL = {
    "name": text(),
    "centre_m": list_of(number()),
    "size_m": list_of(number(), "Across and along."),
    "aim_deg": number(),
    "tilt_deg": number(),
    "absorption": map_of(number(), "By octave centre."),
    "scattering": number(),
}
_BODIES = {
    "name": text(),
    "area_m2": number(),
    "from_m": number(),
    "to_m": number(),
    "width_m": number(),
    "clear_m": number(),
    "heights_m": list_of(number()),
}


def rooms_schema() -> Schema:
    """Return the schema of `rooms`."""
    return document(ROOMS_SCHEMA, "roomplan rooms", {"rooms": list_of(object_of(_ROOM_HEAD)), **NOTE})


_BAND = {
    **CENTRE,
    "reverberation_time_s": figure("As the file asks for it, or as its materials give it."),
    "mean_absorption": figure(),
    "absorption": or_none(map_of(number()), "By surface, of a room from materials."),
    "t30_s": figure("As the response measures it."),
    "late_correlation": figure("Of the set-up's two channels in a diffuse field; null where one is heard."),
}


def one_room_schema() -> Schema:
    """Return the schema of `one_room`."""
    setup = {
        "name": text(),
        "description": text(),
        "pattern": text(),
        "positions_m": list_of(list_of(number())),
        "aims_deg": list_of(number()),
        "tilts_deg": list_of(number()),
    }
    reflection = {
        "after_direct_ms": number(),
        "level_db": number("Against the direct sound."),
        "order": count(),
        "surfaces": list_of(text()),
    }
    seat = {
        "distance_m": number(),
        "angle_deg": number(),
        "reference": truth("Whether it is the reference seat."),
        "microphones": text(),
        "direct_path_m": number(),
        "t30_mid_s": figure(),
        "c80_mid_db": figure(),
        "theory_c80_db": figure(),
        "theory_strength_db": figure(),
        "first_reflection_ms": figure(),
        "window_ms": figure("How long the reflections are listed."),
        "reflections": list_of(object_of(reflection)),
    }
    stage = object_of({"from_m": number(), "to_m": number(), "width_m": number()})
    return document(
        ROOM_SCHEMA,
        "roomplan rooms ROOM",
        {
            **_ROOM_HEAD,
            "surface_m2": number(),
            "decay_from": one_of(("times", "materials")),
            "decay_scale": number(),
            "bands": list_of(object_of(_BAND)),
            "scattering": map_of(number(), "By surface."),
            "panels": list_of(object_of(_PANEL)),
            "scatterers": list_of(object_of(_BODIES)),
            "temperature_c": number(),
            "humidity_percent": number(),
            "stage": or_none(stage),
            "source_height_m": number(),
            "mixing_time_ms": number("After the direct sound."),
            "critical_distance_m": figure(),
            "mean_free_path_m": number(),
            "schroeder_frequency_hz": figure(),
            "microphones": list_of(object_of(setup)),
            "seat": object_of(seat),
            "reasons": REASONS,
            **NOTE,
        },
    )


def synthesise_schema() -> Schema:
    """Return the schema of `synthesise`."""
    return document(
        RESPONSE_SCHEMA,
        "roomplan synthesise",
        {
            "file": text(),
            "room": text(),
            "seat": object_of({"distance_m": number(), "angle_deg": number()}),
            "spread_m": number(),
            "source": one_of(get_args(SourceKind), "How its sound is directed."),
            "microphones": text(),
            "direct": truth("Whether the direct sound is in it."),
            "sample_rate": count(),
            "channels": list_of(one_of(("mono", "L", "R", "LL", "LR", "RL", "RR"))),
            "frames": count(),
            "duration_s": number(),
            "peak_dbfs": figure(),
            "direct_path_m": number(),
            "t30_mid_s": figure(),
            "c80_mid_db": figure(),
            "first_reflection_ms": figure(),
            "reasons": REASONS,
            "level_note": text("What amplitude 1 is."),
            **HEARING_NOTE,
            **NOTE,
        },
    )
