"""What a room file may say: one class per mapping, one field per key, and the JSON schema from them.

Conventions
-----------
The file speaks in metres, seconds, hertz and degrees; nothing is converted. Coordinates and seats are those
of `roomplan.rooms.geometry`. Everything a single value can decide about itself is checked here; what needs
more than one (a microphone outside the walls, a time that no surface could give) is for `room_file`. The
limits are far outside anything built; common practice, no source.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import Discriminator, Field, Tag

from roomplan.documents.wording import key_shown
from roomplan.plan.base_shape import TAG, Shape
from roomplan.plan.faults import DocumentKind
from roomplan.plan.model import DEFAULT_SPREAD_M
from roomplan.plan.values import Choice, ListOf, MappingOf, Number, Text, Thinned
from roomplan.rooms.geometry import PATTERNS
from roomplan.rooms.materials import MATERIALS, REQUIRED_BANDS_HZ
from roomplan.rooms.spec import BAND_CENTRES_HZ, DEFAULT_SOURCE_HEIGHT_M, SURFACES

if TYPE_CHECKING:
    from collections.abc import Iterable

    from roomplan.documents.places import KeyPath

__all__ = [
    "DEFAULT_FLOOR_SCATTERING",
    "DEFAULT_SCATTERING",
    "LONGEST_TIME_S",
    "ROOM_FILE",
    "SHORTEST_TIME_S",
    "CoefficientsShape",
    "MicrophonesShape",
    "PanelShape",
    "RoomFileShape",
    "ScatterersShape",
    "ScatteringShape",
    "room_schema",
]

# Walls with some relief; a floor with players, stands and chairs on it. Common practice, no source.
DEFAULT_SCATTERING = 0.3
DEFAULT_FLOOR_SCATTERING = 0.7
DEFAULT_TEMPERATURE_C = 20.0
DEFAULT_HUMIDITY_PERCENT = 50.0

SHORTEST_TIME_S, LONGEST_TIME_S = 0.1, 20.0
_MOST_MICROPHONES = 3
_LARGEST_SEED = 2**32 - 1

NEEDED = ("title", "dimensions", "seed", "microphones", "reference_seat")


def _form(value: Any) -> str:
    return TAG + "mapping" if isinstance(value, dict) else TAG + "value"


def _bands(centres: Iterable[int], example: float) -> str:
    """Return octave bands as a file has them: its keys are text."""
    return "{" + ", ".join(f'"{centre}": {example:g}' for centre in centres) + "}"


_Side = Annotated[float, Number("m", 1.5, 200, "30")]
_Time = Annotated[float, Number("s", SHORTEST_TIME_S, LONGEST_TIME_S, "2.1")]
_Share = Annotated[float, Number("", 0, 1, "0.3")]
_ShareOrNone = Annotated[float | None, Number("", 0, 1, "0.3")]
_Length = Annotated[float, Number("m", 0, 200, "12")]
_Coordinate = Annotated[float, Number("m", -200, 200, "3.4")]
_Azimuth = Annotated[float, Number("degrees right of the stage", -180, 180, "-45")]
_Tilt = Annotated[float, Number("degrees above the horizontal", -90, 90, "-10")]
_Point = Annotated[
    list[_Coordinate], ListOf("three numbers [x, y, z] in metres, such as [16, 0.35, 3.4]", fewest=3, most=3)
]
_ANGLES = "one angle per position, such as [-45, 45]"


class DimensionsShape(Shape):
    """The nearest shoebox."""

    length: _Side = Field(description="From the wall behind the stage to the far wall, m.")
    width: _Side = Field(description="From left to right, m.")
    height: _Side = Field(description="From floor to ceiling, m.")


class TimesShape(Shape):
    """Reverberation time per octave band."""

    octave_63: _Time = Field(alias="63", description="At 63 Hz, s.")
    octave_125: _Time = Field(alias="125", description="At 125 Hz, s.")
    octave_250: _Time = Field(alias="250", description="At 250 Hz, s.")
    octave_500: _Time = Field(alias="500", description="At 500 Hz, s.")
    octave_1000: _Time = Field(alias="1000", description="At 1 kHz, s.")
    octave_2000: _Time = Field(alias="2000", description="At 2 kHz, s.")
    octave_4000: _Time = Field(alias="4000", description="At 4 kHz, s.")
    octave_8000: _Time = Field(alias="8000", description="At 8 kHz, s.")


class CoefficientsShape(Shape):
    """Absorption coefficients of one surface per octave band."""

    octave_63: _ShareOrNone = Field(default=None, alias="63", description="At 63 Hz; as at 125 otherwise.")
    octave_125: _Share = Field(alias="125", description="At 125 Hz.")
    octave_250: _Share = Field(alias="250", description="At 250 Hz.")
    octave_500: _Share = Field(alias="500", description="At 500 Hz.")
    octave_1000: _Share = Field(alias="1000", description="At 1 kHz.")
    octave_2000: _Share = Field(alias="2000", description="At 2 kHz.")
    octave_4000: _Share = Field(alias="4000", description="At 4 kHz.")
    octave_8000: _ShareOrNone = Field(default=None, alias="8000", description="At 8 kHz; as at 4 otherwise.")


_Surface = Annotated[
    Annotated[
        str,
        Choice(tuple(MATERIALS), also=f"coefficients, such as {_bands(REQUIRED_BANDS_HZ, 0.1)}"),
        Tag(TAG + "value"),
    ]
    | Annotated[CoefficientsShape, Tag(TAG + "mapping")],
    Discriminator(_form),
]


class MaterialsShape(Shape):
    """What every surface is made of: a material's name, or coefficients."""

    stage_wall: _Surface = Field(description="The wall behind the stage.")
    far_wall: _Surface = Field(description="The wall across from the stage.")
    left_wall: _Surface = Field(description="On the left for somebody who faces the stage.")
    right_wall: _Surface = Field(description="On the right for somebody who faces the stage.")
    floor: _Surface = Field(description="With what is on it.")
    ceiling: _Surface = Field(description="The ceiling.")


class ScatteringShape(Shape):
    """Share of the reflected energy that is not mirrored, per surface."""

    walls: _ShareOrNone = Field(default=None, description="Of all four walls.")
    stage_wall: _ShareOrNone = Field(default=None, description="Of this wall instead.")
    far_wall: _ShareOrNone = Field(default=None, description="Of this wall instead.")
    left_wall: _ShareOrNone = Field(default=None, description="Of this wall instead.")
    right_wall: _ShareOrNone = Field(default=None, description="Of this wall instead.")
    floor: _ShareOrNone = Field(default=None, description="Of the floor.")
    ceiling: _ShareOrNone = Field(default=None, description="Of the ceiling.")


class StageShape(Shape):
    """The players' zone."""

    start: _Length = Field(alias="from", description="Where it begins along the hall, m.")
    end: _Length = Field(alias="to", description="Where it ends along the hall, m.")
    width: _Length = Field(description="About the centre line, m.")


class PanelShape(Shape):
    """A thin rectangle that mirrors sound, such as a wall of the stage or a canopy."""

    centre: _Point = Field(description="Its middle, [x, y, z] in m.")
    size: Annotated[
        list[_Length], ListOf("two lengths in metres, across and along, such as [12, 3]", fewest=2, most=2)
    ] = Field(description="Its horizontal side and the other one, m.")
    material: _Surface = Field(description="A material's name, or coefficients.")
    aim: _Azimuth = Field(default=0.0, description="Where it looks, degrees right of the stage.")
    tilt: _Tilt = Field(default=0.0, description="And degrees above the horizontal; −90 looks down.")
    scattering: _Share = Field(
        default=DEFAULT_SCATTERING, description="Share of the reflected energy that is not mirrored."
    )


class ScatterersShape(Shape):
    """Bodies that scatter sound from somewhere in a part of the room: risers, balconies, columns."""

    area: Annotated[float, Number("m²", 0, 20_000, "60")] = Field(description="Surface of all of them, m².")
    start: _Length = Field(alias="from", description="Where they begin along the hall, m.")
    end: _Length = Field(alias="to", description="Where they end along the hall, m.")
    width: Annotated[float | None, Number("m", 0, 200, "12")] = Field(
        default=None, description="About the centre line, m; the room's otherwise."
    )
    clear: _Length = Field(default=0.0, description="Width about the centre line that is free of them, m.")
    heights: Annotated[list[_Length], ListOf("two heights in metres, such as [0, 1.2]", fewest=2, most=2)] = (
        Field(description="From and to above the floor, m.")
    )


class MicrophonesShape(Shape):
    """One set-up: left, right and centre, or some of them."""

    positions: Annotated[
        list[_Point],
        ListOf(
            "one, two or three points [x, y, z]: left, right, centre; such as "
            "[[16, -0.35, 3.4], [16, 0.35, 3.4]]",
            most=_MOST_MICROPHONES,
        ),
    ] = Field(description="Points [x, y, z] in m: left, right, centre.")
    pattern: Annotated[str, Choice(tuple(PATTERNS))] = Field(description="Of every microphone.")
    aims: Annotated[list[_Azimuth] | None, ListOf(_ANGLES)] = Field(
        default=None, description="Degrees right of the stage, one for each position; 0 otherwise."
    )
    tilts: Annotated[list[_Tilt] | None, ListOf(_ANGLES)] = Field(
        default=None, description="Degrees above the horizontal, one for each position; 0 otherwise."
    )


class ReferenceSeatShape(Shape):
    """Where whoever has no seat sits."""

    distance: Annotated[float, Number("m", 0.5, 200, "9")] = Field(
        description="Metres from the `main` microphones."
    )
    angle: Annotated[float, Number("degrees right of centre", -180, 180, "-20")] = Field(
        description="Degrees, right of centre positive."
    )
    spread: Annotated[float, Number("m", 0, 20, "3")] = Field(
        default=DEFAULT_SPREAD_M, description="Metres between the two sources of a stereo stem."
    )


class RoomFileShape(Shape):
    """A synthetic room."""

    # Which keys are needed is for `room_file`, which looks on without them.

    title: Annotated[str | None, Text("a title", "Larkmere Hall")] = Field(
        default=None, description="The room's name, as people say it."
    )
    character: Annotated[str, Text("a line on what the room suits", "warm and even, for an orchestra")] = (
        Field(default="", description="One line on what the room suits.")
    )
    dimensions: Annotated[
        DimensionsShape | None, MappingOf("a mapping such as {length: 30, width: 20, height: 10}")
    ] = Field(default=None, description="The nearest shoebox, m.")
    reverberation_time: Annotated[
        TimesShape | None, MappingOf(f"a mapping of octave bands, {_bands(BAND_CENTRES_HZ, 2)}")
    ] = Field(default=None, description="Seconds per octave band; or `materials`.")
    materials: Annotated[
        MaterialsShape | None, MappingOf("a mapping of surfaces to materials, such as {floor: brick, …}")
    ] = Field(default=None, description="What the surfaces are made of, instead of `reverberation_time`.")
    scattering: Annotated[
        Annotated[
            float | None,
            Number("", 0, 1, "0.3", also=f"a mapping with any of walls, {', '.join(SURFACES)}"),
            Tag(TAG + "value"),
        ]
        | Annotated[ScatteringShape, Tag(TAG + "mapping")],
        Discriminator(_form),
    ] = Field(
        default=None,
        description="Share of the reflected energy that is not mirrored: one for all surfaces, or by "
        f"surface; {DEFAULT_SCATTERING:g} and {DEFAULT_FLOOR_SCATTERING:g} for the floor otherwise.",
    )
    temperature: Annotated[float, Number("°C", -10, 45, "20")] = Field(
        default=DEFAULT_TEMPERATURE_C, description="Of the room's air, °C."
    )
    humidity: Annotated[float, Number("%", 10, 100, "50")] = Field(
        default=DEFAULT_HUMIDITY_PERCENT, description="Relative humidity of the room's air, %."
    )
    stage: Annotated[StageShape | None, MappingOf("a mapping such as {from: 1.5, to: 14, width: 19}")] = (
        Field(default=None, description="The players' zone, m.")
    )
    panels: Annotated[
        dict[str, PanelShape],
        MappingOf("panels by name, such as {canopy: {centre: [7, 0, 9], size: [12, 8], tilt: -90, …}}"),
    ] = Field(default={}, description="Name → stage wall, canopy or other rectangle.")
    scatterers: Annotated[
        dict[str, ScatterersShape],
        MappingOf("bodies by name, such as {risers: {area: 60, from: 2, to: 11, heights: [0, 1]}}"),
    ] = Field(default={}, description="Name → risers, balconies, columns or other bodies.")
    seed: Annotated[int | None, Number("", 0, _LARGEST_SEED, "1201", whole=True)] = Field(
        default=None, description="Whole number from which the room's noise grows."
    )
    # ISO 3382-1, source on a stage; from memory
    source_height: Annotated[float, Number("m", 0, 200, "1.5")] = Field(
        default=DEFAULT_SOURCE_HEIGHT_M, description="Metres above the floor."
    )
    microphones: Annotated[
        dict[str, MicrophonesShape],
        MappingOf("set-ups by name, `main` first, such as {main: {positions: [[16, 0, 3]], pattern: omni}}"),
    ] = Field(default={}, description="Name → set-up; distances count from `main`.")
    reference_seat: Annotated[
        ReferenceSeatShape | None, MappingOf("a mapping such as {distance: 9, angle: 0}")
    ] = Field(default=None, description="The seat of whoever has none.")


def _dotted(path: KeyPath) -> str:
    """Return how a message names a node of a room file: several mappings have keys of the same name."""
    text = ""
    for step in path:
        text += f", entry {step + 1}" if isinstance(step, int) else f".{key_shown(step)}"
    return text.removeprefix(".")


def _not_a_number() -> float:
    return math.nan


def _plain_pattern() -> str:
    return "omni"


# NaN is no fault of the file and no figure: whatever counts with it says nothing.
ROOM_FILE = DocumentKind(
    RoomFileShape,
    "the room file",
    stand_ins={
        **{(2, str(centre)): _not_a_number for centre in BAND_CENTRES_HZ},
        (3, "positions"): Thinned,
        (3, "pattern"): _plain_pattern,
    },
    node=_dotted,
)


def _without_null(schema: Any) -> Any:
    """Return a schema without `null`: what is absent is left out of a room file."""
    if isinstance(schema, list):
        return [_without_null(one) for one in schema if one != {"type": "null"}]
    if not isinstance(schema, dict):
        return schema
    kept = {key: _without_null(value) for key, value in schema.items() if value is not None}
    forms = kept.get("anyOf", [])
    if len(forms) != 1:
        return kept
    return {key: value for key, value in kept.items() if key != "anyOf"} | forms[0]


def room_schema() -> dict[str, Any]:
    """Return the JSON schema (draft 2020-12) of a room file.

    Notes
    -----
    A room that satisfies the schema may still have problems: a microphone outside the walls, a time that no
    surface could give.
    """
    from roomplan.plan.schema import DIALECT, titled  # which loads the classes of plans

    schema = _without_null(titled(RoomFileShape.model_json_schema(mode="validation")))
    schema["properties"]["microphones"]["required"] = ["main"]
    return {
        "$schema": DIALECT,
        **schema,
        "title": "roomplan room",
        "required": list(NEEDED),
        "oneOf": [{"required": ["reverberation_time"]}, {"required": ["materials"]}],
    }
