"""What the composites of sections and rooms are made of; no sample is touched.

Conventions
-----------
A composite is that of `rendering.bus_figures`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.files.digests import digest_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    from numpy.typing import NDArray

    from roomplan.session.buses import Bus
    from roomplan.session.response_matrices import ResponseMatrix
    from roomplan.session.session import SectionSource, Session

    Matrices = Mapping[tuple[str, int], ResponseMatrix]

__all__ = ["composite_digest", "dry_heights", "position_of", "room_digest", "sends_to"]


def dry_heights(section: SectionSource) -> NDArray[np.float64]:
    """Heights of the dry impulse in the channels of a composite, of a section whose dry path is on."""
    return (section.dry_matrix * ((section.dry_gain or 0.0) / section.gain)).T.reshape(-1)


def position_of(bus: Bus) -> str | None:
    """Position that a bus of a room is of; None: all of them."""
    return bus.name.part if bus.kind == "room_position" else None


def sends_to(session: Session, room: str, position: str | None) -> list[tuple[SectionSource, int, float]]:
    """Sends in use to a room: section, number, and gain against the signal of the stems."""
    return [
        (section, index, send.response_gain * section.gain)
        for section in session.sections
        for index, send in enumerate(section.sends)
        if not (section.muted or send.muted) and send.room == room and position in {None, send.position}
    ]


def composite_digest(
    section: SectionSource, matrices: Matrices, *, sample_rate: int, frames: int
) -> str | None:
    """Digest of everything that the energies of a section's composite follow from; None where it has none.

    Parameters
    ----------
    frames : int
        Length that the composite is counted as; 0 for its own.
    """
    sends = [
        [matrices[section.name, index].identity, send.response_gain]
        for index, send in enumerate(section.sends)
        if not send.muted
    ]
    dry = None
    if (
        section.dry_gain is not None
    ):  # what is left of the section's level in the last digits counts for nothing
        dry = [float(f"{height:.12e}") for height in dry_heights(section)]
    told = "composite of a section", sample_rate, frames, section.signal_channels, sends, dry
    return digest_of(*told) if sends else None


def room_digest(
    session: Session, matrices: Matrices, room: str, position: str | None, *, sample_rate: int
) -> str | None:
    """Digest of everything that the energies of a room follow from; None where no section sends to it."""
    sends = [
        [matrices[section.name, index].identity, section.signal_channels, gain]
        for section, index, gain in sends_to(session, room, position)
    ]
    most = max((gain for *_send, gain in sends), default=0.0) or 1.0
    told = [[identity, channels, float(f"{gain / most:.12e}")] for identity, channels, gain in sends]
    return digest_of("composite of a room", sample_rate, told) if sends else None
