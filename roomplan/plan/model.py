"""The plan as the rest of the program sees it: names resolved, units converted, paths absolute.

Conventions
-----------
Levels in decibels (`_db`), times in seconds (`_s`), frequencies in hertz (`_hz`), distances in metres
(`_m`), angles in degrees right of centre (`_deg`). Percentages of the file are factors here: a `width` of
1.0 is the file's 100. `pan` keeps the file's −100 (left) … 100 (right). Every object carries the `Place` it
was written at, so that whoever finds a fault later can still point to a line.

Notes
-----
Nothing here touches sound files: stem patterns are not matched, responses are not opened and the positions
of synthetic rooms are not known. Which position a send without a `position` takes is decided later.
"""

from __future__ import annotations

from dataclasses import field
from typing import TYPE_CHECKING, Literal

from roomplan.frozen_classes import frozen_class
from roomplan.plan.targets import BalanceLimits, Band, Target

if TYPE_CHECKING:
    from pathlib import Path

    from roomplan.errors import Place
    from roomplan.plan.bus_name import BusName
    from roomplan.timecode import FrameRate, Timecode

__all__ = [
    "DEFAULT_SPREAD_M",
    "HIGHEST_PLAN_RATE",
    "LONGEST_STEM",
    "LOWEST_PLAN_RATE",
    "UNLISTED_POSITION",
    "Align",
    "Alternate",
    "AlternateChange",
    "Band",
    "BitDepth",
    "Container",
    "Delivery",
    "Direct",
    "Family",
    "Group",
    "Margin",
    "Normalise",
    "Passage",
    "Plan",
    "ResponseFiles",
    "Room",
    "Seat",
    "Section",
    "Send",
    "SourceKind",
    "StemEntry",
    "Versions",
    "Wiring",
]

SourceKind = Literal["even", "voice", "strings", "woodwinds", "brass", "percussion"]
Versions = Literal["newest", "all"]
Wiring = Literal["one_source", "per_channel", "true_stereo"]
Normalise = Literal["loudness", "energy", "peak", "none"]
Direct = Literal["drop", "keep", "absent"]
Align = Literal["each", "room"]
Container = Literal["wav", "flac"]
BitDepth = Literal[16, 24, "32f"]
Family = Literal["mix", "prints", "dry", "wet", "rooms", "groups", "alternates", "alternate_groups"]

# Between the two sources of a stereo stem; about two desks of strings. Common practice, no source.
DEFAULT_SPREAD_M = 3.0

# Sample rates of a plan in hertz: those at which loudness is measured.
LOWEST_PLAN_RATE, HIGHEST_PLAN_RATE = 8_000, 192_000

# Characters of a stem's name: file systems take no more (common practice, no source).
LONGEST_STEM = 255

# The position under which a room's only response is kept when the file lists no positions.
UNLISTED_POSITION = "default"


@frozen_class
class Seat:
    """Where a section sits, seen from the microphones."""

    distance_m: float
    angle_deg: float  # degrees right of centre
    place: Place
    spread_m: float = DEFAULT_SPREAD_M  # between the two sources of a stereo stem, across the line of sight


@frozen_class
class StemEntry:
    """One entry of a section's `stems`: a file name with or without extension, or a pattern."""

    pattern: str
    level_db: float
    pan: float | None
    place: Place


@frozen_class
class Send:
    """One way from a section into a room.

    None means the room's own value; 0.0 in a cut means that it is switched off here. A send that is `off`
    does not exist.
    """

    room: str
    level_db: float
    position: str | None
    pre_delay_s: float | None
    low_cut_hz: float | None
    high_cut_hz: float | None
    place: Place


@frozen_class
class Section:
    """One section of the ensemble with every send it has, its group's and the shared ones merged in."""

    name: str
    stems: tuple[StemEntry, ...]  # empty only when the plan has problems
    level_db: float  # moves dry and sends together
    mute: bool
    dry_db: float | None  # None: the dry path is off
    delay_s: float  # of dry and sends
    pan: float | None  # of the dry path; None: the seat decides
    width: float  # of the dry path; 1.0 leaves it alone
    seat: Seat | None
    sends: tuple[Send, ...]  # in the order of the plan's rooms
    group: str | None
    place: Place
    optional: bool = False  # a cue may lack its stems: the section is then left out of the session
    source: SourceKind = "even"  # how its sound is directed
    versions: Versions | None = None  # which versions of one stem are played; None: several are a problem


@frozen_class
class Group:
    """Sections with shared sends (already merged into them), a level and buses of their own."""

    name: str
    sections: tuple[str, ...]
    level_db: float
    place: Place


@frozen_class
class UnusedSend:
    """A send that every section it is meant for has another entry for, or none has it left."""

    group: str | None  # None: one of `shared_sends`
    room: str
    place: Place


@frozen_class
class ResponseFiles:
    """The file of one position, or its left and right file."""

    files: tuple[Path, ...]
    place: Place
    listed: bool  # False: the room gives its files without naming positions


@frozen_class
class Room:
    """One room: where its responses come from and how they are prepared and returned."""

    name: str
    synthetic: str | Path | None  # a bundled room's name, or the absolute path of a room file
    responses: dict[str, ResponseFiles] | None  # position → files, in the order written
    level_db: float  # of the return
    mute: bool
    width: float  # of the return; 1.0 leaves it alone
    wiring: Wiring | None  # None: the kind of response decides
    normalise: Normalise
    gain_position: str | None  # whose response sets the gain; None: the default
    direct: Direct
    align: Align | None  # None: `each` for files, `room` for synthetic rooms
    pre_delay_s: float
    low_cut_hz: float | None
    high_cut_hz: float | None
    decay_scale: float | None
    reverberation_time_s: float | None  # at most one of this and `decay_scale`
    trim_tail: bool
    place: Place


@frozen_class
class AlternateChange:
    """What an alternate mix changes in one section, its group's changes merged in. Levels are added.

    `sends` holds a room only where something changes there: its level is added to every send of the section
    into that room.
    """

    level_db: float  # to the section's own: dry and sends together
    mute: bool | None  # None: as the section has it
    place: Place
    dry_db: float | None = 0.0  # to the section's own dry level; None: the dry path is off
    sends: dict[str, float | None] = field(default_factory=dict)  # room → dB; None: those sends are off


@frozen_class
class Alternate:
    """A second mix of the same components with a few levels changed."""

    name: str
    changes: dict[str, AlternateChange]  # by section; what is said of a group is in each of its sections
    place: Place


@frozen_class
class Passage:
    """A span of the cue with figures of its own; whether the sound is long enough is found later."""

    name: str
    start_s: float
    end_s: float  # after `start_s`
    place: Place


@frozen_class
class Margin:
    """How far one section or group is to be measured over another.

    Both are bus names as in reports, `section:choir` or `group:strings`; neither holds the other.
    """

    of: BusName
    over: BusName
    band: Band  # the whole spectrum, or that of speech, 1 to 4 kHz
    place: Place


@frozen_class
class Delivery:
    """Which families of files are written, where and how.

    `file_name` is a template without an ending: see `roomplan.plan.templates`. The folder has its fields
    filled in.
    """

    name: str
    folder: Path
    container: Container
    bit_depth: BitDepth
    write: tuple[Family, ...]
    place: Place
    sample_rate: int | None = None  # None: the session's
    file_name: str | None = None  # None: the names of the buses


@frozen_class
class Plan:
    """A whole plan."""

    source: Path
    title: str
    sample_rate: int | None  # None: the stems' own
    stems_folder: Path
    trim_db: float  # on every bus alike
    tail: float | Literal["full", "none"]
    rooms: dict[str, Room]
    groups: dict[str, Group]
    sections: dict[str, Section]
    alternates: dict[str, Alternate]
    passages: dict[str, Passage]
    margins: tuple[Margin, ...]
    deliveries: dict[str, Delivery]
    documents: tuple[Path, ...]  # every plan file read, this one first
    place: Place
    cue: str | None = None
    version: str | None = None
    strict: bool = False  # what is otherwise a warning about the stems is a problem
    frame_rate: FrameRate | None = None
    start: Timecode | None = None  # of the first frame of every file; at `frame_rate`
    key_places: dict[str, Place] = field(default_factory=dict)  # of the values at the top that are written
    targets: tuple[Target, ...] = ()
    balance: BalanceLimits = BalanceLimits()
    reference_section: str | None = None  # of depth; None: the nearest section of each room
    unused_sends: tuple[UnusedSend, ...] = ()

    def place_of(self, key: str) -> Place:
        """Return where the value of a key at the top is, or the plan itself where it has none."""
        return self.key_places.get(key, self.place)
