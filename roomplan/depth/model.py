"""What the depth of a plan is made of: figures of seats, sections in their rooms, and their sends."""

from __future__ import annotations

from dataclasses import field
from typing import TYPE_CHECKING, Literal

from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from collections.abc import Mapping

    from roomplan.plan.model import Seat

__all__ = ["Depth", "PlannedSend", "SeatFigures", "SectionDepth", "SectionInRoom", "SendChange"]

LARGE_CHANGE_DB = 6.0  # common practice, no source


@frozen_class
class SeatFigures:
    """What a room says of one seat, or of the place a response was recorded at.

    Attributes
    ----------
    source : str
        `theory` of a synthetic room, or `measured` from a response.
    reverberation_time_s : float or None
        Mid; of the specification, or T30 (else T20) of the response.
    direct_to_reverberant_db, clarity_db : float or None
        Direct over all reflected sound, and C80 with the direct sound in; mid.
    air_loss_db : float or None
        What air takes off 8 kHz over the way of the direct sound, more than off 1 kHz.
    arrival_s : float or None
        Time of the direct sound from the seat to the microphones.
    pre_delay_s : float or None
        Gap between the direct sound and the first reflection that the floor has no part in.
    directivity_index_db : float
        What the kind of source adds to the direct-to-reverberant ratio of an even one; mid.
    reasons : mapping of str to str
        Attribute that is None → why.
    """

    source: Literal["theory", "measured"]
    reverberation_time_s: float | None
    direct_to_reverberant_db: float | None
    clarity_db: float | None
    distance_m: float | None = None
    volume_m3: float | None = None
    critical_distance_m: float | None = None
    air_loss_db: float | None = None
    arrival_s: float | None = None
    pre_delay_s: float | None = None
    directivity_index_db: float = 0.0
    reasons: Mapping[str, str] = field(default_factory=dict)


@frozen_class
class PlannedSend:
    """One send of a section into its main room.

    Attributes
    ----------
    index : int
        Among the section's sends.
    position : str or None
        As the plan has it; None where it names none.
    heard_at : str
        The position that is used.
    level_db : float
        As written.
    cuts_hz : tuple of two floats
        Low and high cut of what is sent.
    """

    index: int
    position: str | None
    heard_at: str
    level_db: float
    cuts_hz: tuple[float, float] = (0.0, 0.0)


@frozen_class
class SectionInRoom:
    """A section in its main room, as the plan has it.

    Attributes
    ----------
    room : str or None
        The main room; None for a section without a send in use.
    sends : tuple of PlannedSend
        All into the main room.
    wet_to_dry_db : float or None
        What these sends return over the section's dry sound.
    obstacle : str or None
        Why no send can be proposed; None where one can.
    note : str or None
        What a reader should know of the choice of the room.
    dry_db : float
        Level of the dry path.
    locked : bool
        Whether the plan says that its sends stay as they are.
    """

    section: str
    seat: Seat | None
    room: str | None
    figures: SeatFigures | None
    sends: tuple[PlannedSend, ...]
    wet_to_dry_db: float | None
    obstacle: str | None
    note: str | None = None
    dry_db: float = 0.0
    locked: bool = False


@frozen_class
class SendChange:
    """A send and what it shall be."""

    section: str
    room: str
    send: PlannedSend
    after_db: float


@frozen_class
class SectionDepth:
    """A section and what its depth asks for.

    Attributes
    ----------
    arrival_delay_s : float or None
        After the section whose direct sound arrives first.
    wanted_db : float or None
        Wet-to-dry that its depth asks for.
    proposed_db : tuple of float, or None
        Levels of `place.sends`, in their order; those that change are rounded to 0.1 dB.
    """

    place: SectionInRoom
    arrival_delay_s: float | None
    wanted_db: float | None
    proposed_db: tuple[float, ...] | None


@frozen_class
class Depth:
    """The depth of a plan.

    Attributes
    ----------
    sections : tuple of SectionDepth
        In the order of the plan.
    mode : str
        `relative` to a reference section, or `absolute`.
    reference_sections : dict
        Main room → the section that keeps its sends there; empty when absolute, or when nothing can be
        proposed.
    amount : float or None
        Share of the differences, 0 to 1; None when absolute.
    notes : tuple of str
        What a reader should know of the choice of the reference section.
    """

    sections: tuple[SectionDepth, ...]
    mode: Literal["relative", "absolute"]
    reference_sections: dict[str, str]
    amount: float | None
    notes: tuple[str, ...] = ()

    @property
    def changes(self) -> tuple[SendChange, ...]:
        """Sends that shall be something else than what is written."""
        return tuple(
            SendChange(found.place.section, found.place.room, send, after)
            for found in self.sections
            if found.proposed_db is not None and found.place.room is not None
            for send, after in zip(found.place.sends, found.proposed_db, strict=True)
            if after != send.level_db
        )

    @property
    def large_changes(self) -> tuple[SendChange, ...]:
        """Changes that nobody should write without listening."""
        return tuple(one for one in self.changes if abs(one.after_db - one.send.level_db) > LARGE_CHANGE_DB)
