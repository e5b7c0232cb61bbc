"""What a plan file may say: one class per mapping, one field per key.

Conventions
-----------
Values are as written in the file: decibels, milliseconds, hertz, metres, degrees and percent, the unit in
each field's description. Everything a single mapping can decide about itself is checked here; what needs
more than one (names that must exist, `low_cut` under `high_cut`) is decided in `resolve`. The JSON schema
for editors comes from these classes too.

Notes
-----
Defaults are those of the file format. None as a default means that the key's absence has a meaning of its
own; a None in the file never gets this far (`null` only removes what an extended plan has).
"""

from __future__ import annotations

from typing import Annotated, Any, Literal, get_args

from pydantic import Discriminator, Field, Tag

from roomplan.audio.timecode import FrameRate
from roomplan.plan import model
from roomplan.plan.base_shape import TAG, Shape
from roomplan.plan.faults import DocumentKind
from roomplan.plan.names import LONGEST_NAME
from roomplan.plan.targets import BalanceShape, TargetShape
from roomplan.plan.values import (
    NOTE,
    Choice,
    Label,
    ListOf,
    MappingOf,
    Moment,
    Number,
    PictureRate,
    Start,
    Text,
    Thinned,
    Truth,
    one_of,
)

__all__ = [
    "PLAN",
    "AlternateChangeShape",
    "DeliveryShape",
    "GroupShape",
    "MarginShape",
    "PairShape",
    "PassageShape",
    "PlanShape",
    "RoomShape",
    "SeatShape",
    "SectionShape",
    "SendShape",
    "Shape",
    "StemShape",
]

# Keys that are reserved for something that is not built.
_NOT_YET = {("RoomShape", "feeds"): "a room cannot feed another room yet"}

# What to write where a required key is missing.
_MISSING_REMEDIES = {
    "angle": "degrees right of centre, such as `angle: -20`",
    "distance": "metres from the microphones, such as `distance: 12`",
    "file": "a stem's name or a pattern, such as `file: choir`",
    "from": 'where the passage begins, such as `from: "0:12.5"`',
    "left": "both files, `{left: a.wav, right: b.wav}`",
    "level": "the send in dB, such as `level: -9`",
    "of": "the section or group that should be on top, such as `of: choir`",
    "over": "the section or group it should be over, such as `over: strings`",
    "right": "both files, `{left: a.wav, right: b.wav}`",
    "rooms": "at least one, such as `rooms: {hall: {synthetic: larkmere_hall}}`",
    "sections": "at least one, such as `sections: [violins, cellos]` in a group or "
    '`sections: {choir: {stems: ["*choir*"]}}` in a plan',
    "stems": 'names or patterns, such as `stems: ["*choir*"]`',
    "to": 'where the passage ends, such as `to: "0:48"`',
}


def _form(value: Any) -> str:
    """Name the form of a value that may be a mapping, a list or a single value."""
    if isinstance(value, dict):
        return TAG + "mapping"
    return TAG + "list" if isinstance(value, list) else TAG + "value"


def _form_of_stems(value: Any) -> str:
    return TAG + "value" if isinstance(value, str) else TAG + "list"


def _form_of_responses(value: Any) -> str:
    """Name the form of `responses`: exactly `left` and `right` are a pair, other keys are positions."""
    if not isinstance(value, dict):
        return TAG + "value"
    return TAG + "pair" if value and set(value) <= {"left", "right"} else TAG + "positions"


Decibels = Annotated[float, Number("dB", -120, 24, "-6")]
DecibelsOrOff = Annotated[float | Literal["off"], Number("dB", -120, 24, "-6", words=("off",))]
Percent = Annotated[float, Number("%", 0, 200, "80")]
PanOrNone = Annotated[float | None, Number("(left −100, right 100)", -100, 100, "-30")]
LowCut = Annotated[float | Literal["off"] | None, Number("Hz", 10, 20000, "90", words=("off",))]
HighCut = Annotated[float | Literal["off"] | None, Number("Hz", 20, 20000, "8000", words=("off",))]
_PRE_DELAY = Number(
    "ms", 0, 4000, "20", pattern=NOTE, also='a note value such as "1/64", "dotted 1/32" or "triplet 1/16"'
)
PreDelay = Annotated[float | str, _PRE_DELAY]
PreDelayOrNone = Annotated[float | str | None, _PRE_DELAY]
PositionOrNone = Annotated[str | None, Text("the name of a position", "rear", 60)]
FilePath = Annotated[str, Text("the path of a sound file", "irs/nave_front.wav")]


class SeatShape(Shape):
    """Where a section sits, seen from the microphones."""

    distance: Annotated[float, Number("m", 0, 200, "12", above=True)] = Field(
        description="Distance from the microphones in metres."
    )
    angle: Annotated[float, Number("degrees", -180, 180, "-20")] = Field(
        description="Angle in degrees, right of centre positive."
    )
    spread: Annotated[float, Number("m", 0, 20, "3")] = Field(
        default=model.DEFAULT_SPREAD_M,
        description="Metres between the two sources of a stereo section, across the line of sight; "
        "0 makes it one source. Synthetic rooms only.",
    )


class StemShape(Shape):
    """One stem with a level and a pan of its own."""

    file: Annotated[str, Text("a stem's name or a pattern", '"*choir*"', 255)] = Field(
        description="Name with or without extension, or a pattern in which case is ignored."
    )
    level: Decibels = Field(default=0.0, description="Level of this stem within the section, dB.")
    pan: PanOrNone = Field(default=None, description="Pan within the section, −100 (left) to 100 (right).")


class SendShape(Shape):
    """One send with more than a level."""

    level: Decibels = Field(description="Send level, dB.")
    position: PositionOrNone = Field(default=None, description="Position of the room to send to.")
    pre_delay: PreDelayOrNone = Field(
        default=None, description="Pre-delay of this send instead of the room's, ms or a note value."
    )
    low_cut: LowCut = Field(default=None, description="Low cut instead of the room's, Hz, or `off`.")
    high_cut: HighCut = Field(default=None, description="High cut instead of the room's, Hz, or `off`.")


_SEND_MAPPING = "a mapping such as {level: -9, position: rear}"

SendItem = Annotated[
    Annotated[float, Number("dB", -120, 24, "-9", also=_SEND_MAPPING), Tag(TAG + "value")]
    | Annotated[SendShape, Tag(TAG + "mapping")],
    Discriminator(lambda value: TAG + "mapping" if isinstance(value, dict) else TAG + "value"),
]

SendEntry = Annotated[
    Annotated[
        float | Literal["off"],
        Number("dB", -120, 24, "-9", words=("off",), also=_SEND_MAPPING),
        Tag(TAG + "value"),
    ]
    | Annotated[SendShape, Tag(TAG + "mapping")]
    | Annotated[list[SendItem], ListOf("at least one send; `off` switches a send off"), Tag(TAG + "list")],
    Discriminator(_form),
]

Sends = Annotated[dict[str, SendEntry], MappingOf("a mapping of rooms to send levels, such as {hall: -9}")]


class PairShape(Shape):
    """A left and a right file."""

    left: FilePath = Field(description="The file for the left input, or the left channel's mono file.")
    right: FilePath = Field(description="The file for the right input, or the right channel's mono file.")


_RESPONSES = "the path of a sound file, a mapping of positions to files, or {left: a.wav, right: b.wav}"

ResponseEntry = Annotated[
    Annotated[
        str,
        Text("the path of a sound file or {left: a.wav, right: b.wav}", "irs/front.wav"),
        Tag(TAG + "value"),
    ]
    | Annotated[PairShape, Tag(TAG + "mapping")],
    Discriminator(lambda value: TAG + "mapping" if isinstance(value, dict) else TAG + "value"),
]

ResponsesShape = Annotated[
    Annotated[str | None, Text(_RESPONSES, "irs/nave.wav"), Tag(TAG + "value")]
    | Annotated[PairShape, Tag(TAG + "pair")]
    | Annotated[dict[str, ResponseEntry], MappingOf(_RESPONSES, filled=True), Tag(TAG + "positions")],
    Discriminator(_form_of_responses),
]


class RoomShape(Shape):
    """A room: exactly one of `synthetic` and `responses`, and how it is prepared and returned."""

    synthetic: Annotated[str | None, Text("a bundled room or the path of a room file", "larkmere_hall")] = (
        Field(
            default=None,
            description="A bundled room's name, or the path of a room file (with a / or ending in .yaml).",
        )
    )
    responses: ResponsesShape = Field(
        default=None,
        description="Impulse responses: one file, position → file, or {left, right}, also for a position.",
    )
    level: Decibels = Field(default=0.0, description="Level of the room's return, dB.")
    mute: Annotated[bool, Truth()] = Field(default=False, description="Switch the return off.")
    width: Percent = Field(
        default=100.0, description="Width of the return, %; 0 is mono, 100 leaves it alone."
    )
    wiring: Annotated[model.Wiring | None, Choice(get_args(model.Wiring))] = Field(
        default=None,
        description="How left and right meet the response; the default follows the kind of response.",
    )
    normalise: Annotated[model.Normalise, Choice(get_args(model.Normalise))] = Field(
        default="loudness", description="What the room's gain makes equal at a send of 0 dB."
    )
    gain_position: Annotated[str | None, Text("the name of a position", "front", 60)] = Field(
        default=None, description="The position whose response sets the gain of the whole room."
    )
    direct: Annotated[model.Direct, Choice(get_args(model.Direct))] = Field(
        default="drop",
        description="The direct sound in the response: dropped, kept, or absent from the file.",
    )
    align: Annotated[model.Align | None, Choice(get_args(model.Align))] = Field(
        default=None, description="Time 0 at each position's own onset, or at the room's earliest."
    )
    pre_delay: PreDelay = Field(
        default=0.0,
        description='Added to the gap before the first reflection, ms or a note value such as "1/64".',
    )
    low_cut: LowCut = Field(default=None, description="Second-order low cut of the return, Hz, or `off`.")
    high_cut: HighCut = Field(default=None, description="Second-order high cut of the return, Hz, or `off`.")
    decay_scale: Annotated[float | None, Number("", 0.3, 1.5, "0.8")] = Field(
        default=None, description="Factor on the decay time of every band."
    )
    reverberation_time: Annotated[float | None, Number("s", 0.05, 30, "2.2")] = Field(
        default=None, description="The reverberation time to scale to at mid frequencies, s."
    )
    trim_tail: Annotated[bool, Truth()] = Field(
        default=True, description="Cut the tail where it meets the noise floor."
    )


class GroupShape(Shape):
    """Sections that share sends and are delivered together."""

    sections: Annotated[
        list[Annotated[str, Text("the name of a section", "violins", 60)]],
        ListOf("a list of section names, such as [violins, cellos]"),
    ] = Field(description="The sections; each is in at most one group.")
    sends: Sends = Field(default={}, description="Sends of every section here without its own, dB.")
    level: Decibels = Field(default=0.0, description="Level of the group, dB.")


_STEMS = 'a list of names or patterns, such as ["*choir*"]'

StemItem = Annotated[
    Annotated[
        str,
        Text("a stem's name, a pattern or {file: …, level: …, pan: …}", '"*choir*"', 255),
        Tag(TAG + "value"),
    ]
    | Annotated[StemShape, Tag(TAG + "mapping")],
    Discriminator(lambda value: TAG + "mapping" if isinstance(value, dict) else TAG + "value"),
]

Stems = Annotated[
    Annotated[str, Text("a stem's name or a pattern", '"*choir*"', 255), Tag(TAG + "value")]
    | Annotated[list[StemItem], ListOf(_STEMS), Tag(TAG + "list")],
    Discriminator(_form_of_stems),
]


class SectionShape(Shape):
    """One section of the ensemble."""

    stems: Stems = Field(
        description="Names or patterns of its stems, or {file, level, pan}; joined into one signal."
    )
    level: Decibels = Field(default=0.0, description="Level of dry and sends together, dB.")
    mute: Annotated[bool, Truth()] = Field(default=False, description="Switch the section off.")
    dry: DecibelsOrOff = Field(default=0.0, description="Level of the dry path, dB, or `off`.")
    delay: Annotated[float, Number("ms", 0, 10000, "15")] = Field(
        default=0.0, description="Delay of dry and sends, ms."
    )
    pan: PanOrNone = Field(default=None, description="Pan of the dry path, −100 (left) to 100 (right).")
    width: Percent = Field(
        default=100.0, description="Width of the dry path, %; 0 is mono, 100 leaves it alone."
    )
    seat: Annotated[SeatShape | None, MappingOf("a mapping such as {distance: 12, angle: -20}")] = Field(
        default=None, description="Where the section sits."
    )
    sends: Sends = Field(default={}, description="Room → send: dB, `off`, a mapping, or a list of sends.")
    optional: Annotated[bool, Truth()] = Field(
        default=False, description="Leave the section out where none of its stems is there."
    )
    versions: Annotated[model.Versions | None, Choice(get_args(model.Versions))] = Field(
        default=None,
        description="Which of several versions or takes of one stem are played: `newest`, or `all` together.",
    )


_CHANGES_OF_SENDS = "a mapping of rooms to changes, such as {hall: 2} or {hall: off}"


class AlternateChangeShape(Shape):
    """What an alternate mix changes in one section or group."""

    level: Decibels = Field(default=0.0, description="Added to the level, dB.")
    dry: DecibelsOrOff = Field(default=0.0, description="Added to the level of the dry path, dB, or `off`.")
    sends: Annotated[dict[str, DecibelsOrOff], MappingOf(_CHANGES_OF_SENDS)] = Field(
        default={}, description="Room → what is added to all sends into it, dB, or `off`."
    )
    mute: Annotated[bool | None, Truth()] = Field(default=None, description="Switch it off or on.")


class PassageShape(Shape):
    """A span of the cue."""

    start: Annotated[float | str, Moment()] = Field(
        alias="from",
        description='Where it begins: s, minutes and seconds such as "0:12.5", or timecode.',
    )
    end: Annotated[float | str, Moment()] = Field(
        alias="to",
        description='Where it ends: s, minutes and seconds such as "1:02:03.5", or timecode; after `from`.',
    )


# Room for the longest name and the kind that may stand before it.
_BUS = Text("the name of a section or group", "choir", LONGEST_NAME + len("section:"))


class MarginShape(Shape):
    """How far one section or group is to be measured over another."""

    of: Annotated[str, _BUS] = Field(description="The section or group that should be on top.")
    over: Annotated[str, _BUS] = Field(description="The section or group it should be over.")
    band: Annotated[model.Band, Choice(get_args(model.Band))] = Field(
        default="full", description="The whole spectrum, or `speech`: 1 to 4 kHz."
    )


class DeliveryShape(Shape):
    """Which files are written, where and how."""

    folder: Annotated[str | None, Text("the path of a folder", "out/reel_2")] = Field(
        default=None,
        description="The folder, relative to this file; the delivery's name beside the plan otherwise. "
        "May hold {cue}, {version}, {title}, {rate}, {bits} and {delivery}.",
    )
    file_name: Annotated[str | None, Text("a name without ending", '"{cue}_{bus}"', 200)] = Field(
        default=None,
        description="Name of every file, without ending, with the fields of `folder` and {bus}; "
        "the names of the buses otherwise.",
    )
    format: Annotated[model.Container, Choice(get_args(model.Container))] = Field(
        default="wav", description="Kind of the sound files."
    )
    bit_depth: Annotated[model.BitDepth | None, Choice(get_args(model.BitDepth))] = Field(
        default=None, description="Bits per sample; 32f (float) is the default of wav, 24 of flac."
    )
    sample_rate: Annotated[int | None, Number("Hz", 8000, 192000, "48000", whole=True)] = Field(
        default=None, description="Sample rate of the files, Hz; the plan's otherwise."
    )
    write: Annotated[
        list[Annotated[model.Family, Choice(get_args(model.Family))]],
        ListOf(f"a list of {one_of(get_args(model.Family))}"),
    ] = Field(default=["mix", "prints", "rooms"], description="The families of files to write.")


_ROOMS = "a mapping of names to rooms, such as {hall: {synthetic: larkmere_hall}}"
_SECTIONS = 'a mapping of names to sections, such as {choir: {stems: ["*choir*"]}}'


class PlanShape(Shape):
    """A plan: dry stems, the rooms they are sent through, and what is delivered."""

    title: Annotated[str | None, Text("a title", "Ice Harbour, reel 2", 200)] = Field(
        default=None, description="Title of the cue; the file's name otherwise."
    )
    extends: Annotated[str | None, Text("the path of one plan", "base.yaml")] = Field(
        default=None, description="Another plan that this one starts from, relative to this file."
    )
    cue: Annotated[str | None, Label("the name or number of a cue", '"1m4"')] = Field(
        default=None, description="Name or number of the cue, for {cue} in names."
    )
    version: Annotated[str | None, Label("a version", '3 or "2b"')] = Field(
        default=None, description="Version, for {version} in names; a text in quotes or a whole number."
    )
    strict: Annotated[bool, Truth()] = Field(
        default=False, description="Refuse stems that otherwise only give a warning."
    )
    frame_rate: Annotated[FrameRate | None, PictureRate()] = Field(
        default=None, description='Frames per second of the picture, such as 25 or "29.97df" (drop-frame).'
    )
    start: Annotated[str | None, Start()] = Field(
        default=None,
        description="Timecode of the first frame of every file; needs `frame_rate`. The stems' own "
        "time references otherwise.",
    )
    sample_rate: Annotated[int | None, Number("Hz", 8000, 192000, "48000", whole=True)] = Field(
        default=None, description="Sample rate of everything, Hz; that of most stems otherwise."
    )
    tempo: Annotated[float | None, Number("quarter notes per minute", 20, 400, "84")] = Field(
        default=None, description="Quarter notes per minute; only for pre-delays in note values."
    )
    stems: Annotated[str | None, Text("the path of a folder", "stems")] = Field(
        default=None,
        description="Folder of the stems, relative to this file; the plan's own folder otherwise.",
    )
    trim: Decibels = Field(default=0.0, description="Level on every bus alike, dB.")
    tail: Annotated[
        float | Literal["full", "none"], Number("s", 0, 600, "4", above=True, words=("full", "none"))
    ] = Field(
        default="full",
        description="How long the files go on after the last stem: s, `full` (until quiet) or `none`.",
    )
    rooms: Annotated[dict[str, RoomShape], MappingOf(_ROOMS)] = Field(
        description="The rooms, by name.", json_schema_extra={"minProperties": 1}
    )
    shared_sends: Sends = Field(default={}, description="Sends of every section without its own, dB.")
    groups: Annotated[
        dict[str, GroupShape], MappingOf("a mapping of names to groups, such as {strings: …}")
    ] = Field(default={}, description="Sections that share sends and are delivered together, by name.")
    sections: Annotated[dict[str, SectionShape], MappingOf(_SECTIONS)] = Field(
        description="The sections of the ensemble, by name.", json_schema_extra={"minProperties": 1}
    )
    alternates: Annotated[
        dict[
            str,
            Annotated[
                dict[str, AlternateChangeShape], MappingOf("a mapping of sections to {level: …, sends: …}")
            ],
        ],
        MappingOf("a mapping of names to changes, such as {choir_up: {choir: {level: 1.5}}}"),
    ] = Field(default={}, description="Alternate mixes: name → section or group → what changes.")
    passages: Annotated[
        dict[str, PassageShape],
        MappingOf('a mapping of names to passages, such as {verse: {from: "0:12.5", to: "0:48"}}'),
    ] = Field(default={}, description="Spans of the cue with figures of their own, by name.")
    margins: Annotated[
        list[MarginShape], ListOf("a list of margins, such as [{of: choir, over: strings}]")
    ] = Field(default=[], description="Which section or group is measured over which.")
    targets: Annotated[
        list[TargetShape], ListOf("a list of targets, such as [{of: choir, wet_to_dry: -6}]")
    ] = Field(default=[], description="What the plan should reach: one target in each entry.")
    balance: Annotated[
        BalanceShape | None, MappingOf("a mapping such as {sends: {from: -40, to: 0}, locked: [brass]}")
    ] = Field(default=None, description="What `roomplan balance` may move for the targets.")
    reference_section: Annotated[
        str | None, Text("the name of a section", "melody_strings", LONGEST_NAME)
    ] = Field(
        default=None, description="For depth: the section that keeps its written wet-to-dry in its main room."
    )
    deliveries: Annotated[
        dict[str, DeliveryShape],
        MappingOf("a mapping of names to deliveries, such as {session: {folder: out}}"),
    ] = Field(default={}, description="What is written, by name.")


PLAN = DocumentKind(
    PlanShape,
    "the plan",
    missing_remedies=_MISSING_REMEDIES,
    not_yet=_NOT_YET,
    stand_ins={(1, "rooms"): dict, (1, "sections"): dict, (3, "stems"): Thinned, (3, "sections"): Thinned},
)
