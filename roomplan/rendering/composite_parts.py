"""What the composites of sections and rooms are made of; no sample is touched.

Conventions
-----------
A composite is that of `rendering.bus_figures`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from roomplan.files.digests import digest_of
from roomplan.session.response_matrices import section_outline

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    from numpy.typing import NDArray

    from roomplan.session.buses import Bus
    from roomplan.session.response_matrices import ResponseMatrix
    from roomplan.session.session import SectionSource, Session

    Matrices = Mapping[tuple[str, int], ResponseMatrix]

__all__ = [
    "CompositeOutline",
    "PathOutline",
    "composite_digest",
    "dry_heights",
    "outline_of_room",
    "outline_of_section",
    "position_of",
    "room_digest",
    "sends_to",
]


@dataclass(frozen=True, slots=True)
class PathOutline:
    """One response of a composite.

    Attributes
    ----------
    source, channel : int
        Whose gain it has, and where it goes.
    gain : float
        Its own.
    section, send, place : SectionSource, int, int
        Where it is found: in the paths of `section_response`.
    """

    source: int
    channel: int
    gain: float
    section: SectionSource
    send: int
    place: int


@dataclass(frozen=True, slots=True)
class CompositeOutline:
    """What a composite is made of, at any level.

    Attributes
    ----------
    alike : tuple of int
        Of each channel: the number of the distinct one that it is equal to.
    frames : int
        Length that it is counted as.
    """

    paths: tuple[PathOutline, ...]
    alike: tuple[int, ...]
    frames: int

    @property
    def pairs(self) -> int:
        """Pairs of sources that meet in a channel, every source with itself among them."""
        met: dict[int, set[int]] = {}
        for path in self.paths:
            met.setdefault(path.channel, set()).add(path.source)
        return len({(i, j) for sources in met.values() for i in sources for j in sources if i <= j})

    @property
    def forms_bytes(self) -> int:
        """About how large the forms of its energies are: samples of all paths, and as much for every pair."""
        return 8 * self.frames * (len(self.paths) + self.pairs)

    def digest(self, matrices: Matrices, *, sample_rate: int) -> str:
        """Digest of everything that the forms of its energies follow from."""
        told = [
            [
                matrices[path.section.name, path.send].identity,
                path.section.signal_channels,
                *(path.place, path.source, path.channel, path.gain),
            ]
            for path in self.paths
        ]
        return digest_of("forms of a composite", sample_rate, self.frames, list(self.alike), told)


def outline_of_section(section: SectionSource, matrices: Matrices, *, frames: int) -> CompositeOutline:
    """Composite of a section: its sends in use are the sources, in their order."""
    channels: dict[int, list[PathOutline]] = {c: [] for c in range(section.signal_channels * 2)}
    cells: dict[int, list[tuple[int, float, tuple[int, ...]]]] = {c: [] for c in channels}
    used = [index for index, send in enumerate(section.sends) if not send.muted]
    for source, index in enumerate(used):
        outline = section_outline(section, matrices[section.name, index])
        for place, (heard, output, gain, numbers) in enumerate(outline):
            channel = heard * 2 + output
            channels[channel].append(PathOutline(source, channel, gain, section, index, place))
            cells[channel].append((source, gain, numbers))
    distinct: dict[tuple[tuple[int, float, tuple[int, ...]], ...], int] = {}
    alike = tuple(distinct.setdefault(tuple(cells[channel]), len(distinct)) for channel in channels)
    first = {number: alike.index(number) for number in distinct.values()}
    paths = [
        PathOutline(path.source, number, path.gain, section, path.send, path.place)
        for number, channel in first.items()
        for path in channels[channel]
    ]
    return CompositeOutline(tuple(paths), alike, frames)


def outline_of_room(
    session: Session, matrices: Matrices, room: str, position: str | None
) -> tuple[CompositeOutline, list[float]]:
    """Composite of a room: every response of a send in use is a source with a channel of its own.

    Returns
    -------
    outline : CompositeOutline
    powers : list of float
        Of each source: sends that share a response share its channel, and their powers add.
    """
    paths: dict[tuple[str, int, tuple[int, ...]], PathOutline] = {}
    powers: list[float] = []
    frames = 0
    for section, index, level in sends_to(session, room, position):
        matrix = matrices[section.name, index]
        frames = max(frames, matrix.taps)
        for place, (_heard, _output, gain, numbers) in enumerate(section_outline(section, matrix)):
            key = matrix.identity, section.signal_channels if len(numbers) > 1 else 0, numbers
            if key not in paths:
                paths[key] = PathOutline(len(paths), len(paths), 1.0, section, index, place)
                powers.append(0.0)
            powers[paths[key].source] += (level * gain) ** 2
    return CompositeOutline(tuple(paths.values()), tuple(range(len(paths))), frames), powers


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
