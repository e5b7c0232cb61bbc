"""A plan for a folder of stems before it is written: what is proposed, and how sure that is.

Conventions
-----------
Everything proposed carries `sure` and `why`; what is not sure is marked in the plan.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from roomplan.plan.model import DEFAULT_SPREAD_M

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from roomplan.plan.model import SourceKind

    from .cue import CueFacts
    from .listening import StemFile
    from .names import StemName
    from .patterns import StemText

__all__ = [
    "LeftOut",
    "Proposal",
    "ProposedGroup",
    "ProposedRoom",
    "ProposedSeat",
    "ProposedSection",
    "ProposedSend",
    "Reason",
]

# Why a file is left out: it cannot be rendered, the user said so, it belongs to another cue, it is a mix, a
# click or a room's return, or an earlier take of another file.
Reason = Literal["fault", "answer", "cue", "mix", "older"]


@dataclass(frozen=True, slots=True)
class ProposedRoom:
    """A bundled room, what it is used for, and the settings of its return (0 for none)."""

    name: str
    role: str
    remark: str
    pre_delay_ms: float = 0.0
    low_cut_hz: float = 0.0
    high_cut_hz: float = 0.0


@dataclass(frozen=True, slots=True)
class ProposedSend:
    """A send in dB, `off` when None; `low_cut_hz` 0 leaves the room's."""

    level_db: float | None
    low_cut_hz: float = 0.0
    position: str | None = None


@dataclass(frozen=True, slots=True)
class ProposedSeat:
    """Where a section sits: as `plan.model.Seat`, without a place in a file."""

    distance_m: float
    angle_deg: float
    spread_m: float = DEFAULT_SPREAD_M


@dataclass(frozen=True, slots=True)
class ProposedSection:
    """A section.

    Attributes
    ----------
    texts : tuple of StemText
        What its `stems` say.
    seat : ProposedSeat or None
        None where the rooms have no place for one: then it plays from their reference seats.
    typical : ProposedSeat
        Where it would sit in a large room.
    sends : mapping
        Room → send, its own only: not those of its group.
    alternative : str or None
        What it could be instead.
    remarks : tuple of str
        What a practitioner should know: silence, a missing half, other rates.
    sources : int
        Points of its seat it plays from: 1 where everything in it is mono.
    source : str
        How its sound is directed.
    """

    name: str
    family: str
    files: tuple[StemFile, ...]
    texts: tuple[StemText, ...]
    seat: ProposedSeat | None
    typical: ProposedSeat
    sends: Mapping[str, ProposedSend]
    group: str | None
    sure: bool
    why: str
    alternative: str | None
    remarks: tuple[str, ...] = ()
    sources: int = 2
    source: SourceKind = "even"


@dataclass(frozen=True, slots=True)
class ProposedGroup:
    """Sections of one family and the sends they share."""

    name: str
    sections: tuple[str, ...]
    sends: Mapping[str, ProposedSend]


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A file that is in no section, and why."""

    file: StemFile
    kind: Reason
    why: str
    sure: bool = True


@dataclass(frozen=True, slots=True)
class Proposal:
    """A whole plan before it is written.

    `sample_rate` is None where the stems agree. `stems` are the files of the sections and their names,
    `facts` what they say of the cue. `remarks` concern the folder as a whole.
    """

    title: str
    folder: Path
    sample_rate: int | None
    rooms: tuple[ProposedRoom, ...]
    shared_sends: Mapping[str, ProposedSend]
    groups: tuple[ProposedGroup, ...]
    sections: tuple[ProposedSection, ...]
    left_out: tuple[LeftOut, ...]
    facts: CueFacts
    stems: tuple[tuple[StemFile, StemName], ...]
    remarks: tuple[str, ...] = ()

    @property
    def unsure(self) -> tuple[ProposedSection, ...]:
        """Sections to be looked at."""
        return tuple(section for section in self.sections if not section.sure)
