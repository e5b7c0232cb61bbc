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

from roomplan.plan import model
from roomplan.plan.base_shape import TAG, Shape
from roomplan.plan.faults import DocumentKind
from roomplan.plan.names import LONGEST_NAME
from roomplan.plan.target_shape import BalanceShape, TargetShape
from roomplan.plan.values import (
    NOTE,
    Choice,
    Label,
    ListOf,
    MappingOf,
    Moment,
    Number,
    Otherwise,
    PictureRate,
    Start,
    Text,
    Thinned,
    Truth,
    one_of,
)
from roomplan.timecode import FrameRate

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

    file: Annotated[str, Text("a stem's name or a pattern", '"*choir*"', model.LONGEST_STEM)] = Field(
        description="Name with or without extension, or a pattern in which case is ignored."
    )
    level: Decibels = Field(default=0.0, description="Level of this stem within the section, dB.")
    pan: Annotated[PanOrNone, Otherwise("0; a mono stem follows the section's seat")] = Field(
        default=None, description="Pan within the section, −100 (left) to 100 (right)."
    )


class SendShape(Shape):
    """One send with more than a level."""

    level: Decibels = Field(description="Send level, dB.")
    position: Annotated[
        PositionOrNone,
        Otherwise(
            "the position named like the section, else `default` (synthetic rooms: `main`), else the only one"
        ),
    ] = Field(default=None, description="Position of the room to send to.")
    pre_delay: Annotated[PreDelayOrNone, Otherwise("the room's")] = Field(
        default=None, description="Pre-delay of this send instead of the room's, ms or a note value."
    )
    low_cut: Annotated[LowCut, Otherwise("the room's")] = Field(
        default=None, description="Low cut of this send instead of the room's, Hz, or `off`."
    )
    high_cut: Annotated[HighCut, Otherwise("the room's")] = Field(
        default=None, description="High cut of this send instead of the room's, Hz, or `off`."
    )


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
    | Annotated[
        list[SendItem],
        ListOf("at least one send; `off` switches a send off", on_page="a list of those"),
        Tag(TAG + "list"),
    ],
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

    synthetic: Annotated[
        str | None,
        Text("a bundled room or the path of a room file", "larkmere_hall"),
        Otherwise("`responses` are needed"),
    ] = Field(
        default=None,
        description="A bundled room's name, or the path of a room file (with a / or ending in .yaml).",
    )
    responses: Annotated[ResponsesShape, Otherwise("`synthetic` is needed")] = Field(
        default=None,
        description="Impulse responses: one file, position → file, or {left, right}, also for a position. "
        "Two stereo files are true stereo, two mono files one stereo response.",
    )
    level: Decibels = Field(default=0.0, description="Level of the room's return, dB.")
    mute: Annotated[bool, Truth()] = Field(default=False, description="Switch the return off.")
    width: Percent = Field(
        default=100.0, description="Width of the return, %; 0 is mono, 100 leaves it alone."
    )
    wiring: Annotated[
        model.Wiring | None,
        Choice(get_args(model.Wiring)),
        Otherwise("by the kind of files; in a synthetic room by the section"),
    ] = Field(default=None, description="How the section's left and right are sent into the response.")
    normalise: Annotated[model.Normalise, Choice(get_args(model.Normalise))] = Field(
        default="loudness",
        description="By which measure 0 dB of send returns as strong as it went in; "
        "`none` leaves the response alone.",
    )
    gain_position: Annotated[
        str | None,
        Text("the name of a position", "front", 60),
        Otherwise("`default`, else the first; in a synthetic room its reference seat"),
    ] = Field(default=None, description="The position whose response sets the gain of the whole room.")
    direct: Annotated[model.Direct, Choice(get_args(model.Direct))] = Field(
        default="drop",
        description="The direct sound in the response: `drop` it (the dry path has it), `keep` it (for "
        "sections whose dry path is off), or `absent` (the file has none).",
    )
    align: Annotated[
        model.Align | None, Choice(get_args(model.Align)), Otherwise("each; synthetic rooms: room")
    ] = Field(
        default=None, description="Time 0 at the onset of each position, or at the earliest of the room."
    )
    pre_delay: PreDelay = Field(
        default=0.0,
        description='Added to the gap before the first reflection, ms or a note value such as "1/64".',
    )
    low_cut: Annotated[LowCut, Otherwise("off")] = Field(
        default=None, description="Low cut of the return, 12 dB per octave, Hz, or `off`."
    )
    high_cut: Annotated[HighCut, Otherwise("off")] = Field(
        default=None, description="High cut of the return, 12 dB per octave, Hz, or `off`."
    )
    decay_scale: Annotated[float | None, Number("", 0.3, 1.5, "0.8"), Otherwise("1")] = Field(
        default=None, description="Factor on the decay time of every band."
    )
    reverberation_time: Annotated[
        float | None, Number("s", 0.05, 30, "2.2"), Otherwise("that of the response")
    ] = Field(
        default=None,
        description="Instead of `decay_scale`: the reverberation time to scale to at mid frequencies, s.",
    )
    trim_tail: Annotated[bool, Truth()] = Field(
        default=True, description="Cut the tail where it meets its noise floor, or at −100 dB."
    )


class GroupShape(Shape):
    """Sections that share sends and are delivered together."""

    sections: Annotated[
        list[Annotated[str, Text("the name of a section", "violins", 60)]],
        ListOf("a list of section names, such as [violins, cellos]"),
    ] = Field(description="The sections; each is in at most one group.")
    sends: Sends = Field(default={}, description="Sends of every section here without its own, dB.")
    level: Decibels = Field(default=0.0, description="Level of the group, dB.")


_SAMPLE_RATE = Number("Hz", model.LOWEST_PLAN_RATE, model.HIGHEST_PLAN_RATE, "48000", whole=True)
_STEMS = 'a list of names or patterns, such as ["*choir*"]'

StemItem = Annotated[
    Annotated[
        str,
        Text("a stem's name, a pattern or {file: …, level: …, pan: …}", '"*choir*"', model.LONGEST_STEM),
        Tag(TAG + "value"),
    ]
    | Annotated[StemShape, Tag(TAG + "mapping")],
    Discriminator(lambda value: TAG + "mapping" if isinstance(value, dict) else TAG + "value"),
]

Stems = Annotated[
    Annotated[str, Text("a stem's name or a pattern", '"*choir*"', model.LONGEST_STEM), Tag(TAG + "value")]
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
    pan: Annotated[PanOrNone, Otherwise("0; a mono stem follows its seat: 100 · angle / 45°")] = Field(
        default=None, description="Pan of the dry path, −100 (left) to 100 (right)."
    )
    width: Percent = Field(
        default=100.0, description="Width of the dry path, before the pan, %; 0 is mono, 100 leaves it alone."
    )
    seat: Annotated[
        SeatShape | None,
        MappingOf("a mapping such as {distance: 12, angle: -20}"),
        Otherwise("the reference seat of each room"),
    ] = Field(default=None, description="Where the section sits.")
    source: Annotated[model.SourceKind, Choice(get_args(model.SourceKind), names="kind of source")] = Field(
        default="even",
        description="How its sound is directed, which darkens what rooms return of it at the same level; "
        "`even` changes nothing.",
    )
    sends: Sends = Field(default={}, description="Room → send: dB, `off`, a mapping, or a list of sends.")
    optional: Annotated[bool, Truth()] = Field(
        default=False, description="Leave the section out where none of its stems is there."
    )
    versions: Annotated[
        model.Versions | None, Choice(get_args(model.Versions)), Otherwise("several are a problem")
    ] = Field(
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
    mute: Annotated[bool | None, Truth(), Otherwise("as it is")] = Field(
        default=None, description="Switch it off (`true`) or on (`false`)."
    )


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


# Room for the longest name and the kind that may be before it.
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

    folder: Annotated[
        str | None,
        Text("the path of a folder", "out/reel_2"),
        Otherwise("a folder of the delivery's name beside the plan"),
    ] = Field(
        default=None,
        description="Where the files and the delivery's report.json go, relative to this file. "
        "May hold {cue}, {version}, {title}, {rate} (Hz), {bits} and {delivery}.",
    )
    file_name: Annotated[
        str | None, Text("a name without ending", '"{cue}_{bus}"', 200), Otherwise("the names of the buses")
    ] = Field(
        default=None, description="Name of every file, without ending, with the fields of `folder` and {bus}."
    )
    format: Annotated[model.Container, Choice(get_args(model.Container))] = Field(
        default="wav", description="Kind of the sound files."
    )
    bit_depth: Annotated[
        model.BitDepth | None, Choice(get_args(model.BitDepth)), Otherwise("32f for wav, 24 for flac")
    ] = Field(default=None, description="Bits per sample; 32f is floating point, for wav alone.")
    sample_rate: Annotated[int | None, _SAMPLE_RATE, Otherwise("the plan's")] = Field(
        default=None, description="Sample rate of the files, Hz."
    )
    write: Annotated[
        list[Annotated[model.Family, Choice(get_args(model.Family))]],
        ListOf(f"a list of {one_of(get_args(model.Family))}"),
    ] = Field(default=["mix", "prints", "rooms"], description="The families of files to write.")


_ROOMS = "a mapping of names to rooms, such as {hall: {synthetic: larkmere_hall}}"
_SECTIONS = 'a mapping of names to sections, such as {choir: {stems: ["*choir*"]}}'


class PlanShape(Shape):
    """A plan: dry stems, the rooms they are sent through, and what is delivered."""

    title: Annotated[
        str | None, Text("a title", "Ice Harbour, reel 2", 200), Otherwise("the file's name")
    ] = Field(default=None, description="Title of the cue.")
    extends: Annotated[str | None, Text("the path of one plan", "base.yaml"), Otherwise("no other plan")] = (
        Field(
            default=None,
            description="Another plan that this one starts from, relative to this file: mappings merge key "
            "by key, lists and single values replace, `null` removes.",
        )
    )
    cue: Annotated[str | None, Label("the name or number of a cue", '"1m4"'), Otherwise("none")] = Field(
        default=None, description="Name or number of the cue, for {cue} in names."
    )
    version: Annotated[str | None, Label("a version", '3 or "2b"'), Otherwise("none")] = Field(
        default=None, description="Version, for {version} in names; a text in quotes or a whole number."
    )
    strict: Annotated[bool, Truth()] = Field(
        default=False, description="Refuse stems that otherwise only give a warning."
    )
    frame_rate: Annotated[FrameRate | None, PictureRate(), Otherwise("none")] = Field(
        default=None, description='Frames per second of the picture, such as 25 or "29.97df" (drop-frame).'
    )
    start: Annotated[str | None, Start(), Otherwise("the earliest time reference of the stems")] = Field(
        default=None, description="Timecode of the first frame of every file; needs `frame_rate`."
    )
    sample_rate: Annotated[
        int | None,
        _SAMPLE_RATE,
        Otherwise("that of most stems, the higher of two"),
    ] = Field(
        default=None, description="Sample rate of everything, Hz; other stems are resampled with a warning."
    )
    tempo: Annotated[float | None, Number("quarter notes per minute", 20, 400, "84"), Otherwise("none")] = (
        Field(default=None, description="Quarter notes per minute; only for pre-delays in note values.")
    )
    stems: Annotated[str | None, Text("the path of a folder", "stems"), Otherwise("the plan's folder")] = (
        Field(default=None, description="Folder of the stems, relative to this file.")
    )
    trim: Decibels = Field(default=0.0, description="Level on every bus alike, dB.")
    tail: Annotated[
        float | Literal["full", "none"], Number("s", 0, 600, "4", above=True, words=("full", "none"))
    ] = Field(
        default="full",
        description="How long the files go on after the last stem: s, `none`, or `full` (until all is 80 dB "
        "under the loudest 400 ms).",
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
        BalanceShape | None,
        MappingOf("a mapping such as {sends: {from: -40, to: 0}, locked: [brass]}"),
        Otherwise("sends from −40 to 0 dB, levels by ±6 dB"),
    ] = Field(default=None, description="What `roomplan balance` may move for the targets.")
    reference_section: Annotated[
        str | None,
        Text("the name of a section", "melody_strings", LONGEST_NAME),
        Otherwise("the nearest section of each room"),
    ] = Field(
        default=None, description="For depth: the section that keeps its written wet-to-dry in its main room."
    )
    deliveries: Annotated[
        dict[str, DeliveryShape],
        MappingOf("a mapping of names to deliveries, such as {session: {folder: out}}"),
    ] = Field(
        default={},
        description="What is written, by name; none written: `render` beside the plan, WAV 32f, with mix, "
        "prints and rooms.",
    )


PLAN = DocumentKind(
    PlanShape,
    "the plan",
    missing_remedies=_MISSING_REMEDIES,
    not_yet=_NOT_YET,
    stand_ins={(1, "rooms"): dict, (1, "sections"): dict, (3, "stems"): Thinned, (3, "sections"): Thinned},
)
