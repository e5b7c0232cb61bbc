"""Figures of every bus: loudness, decay, wet-to-dry, wet arrival and the decay to −40 dB.

Conventions
-----------
The *composite* of a section is its dry impulse plus all its sends, for independent left and right inputs of
equal power (one input when the section is mono); energies are summed over inputs and output channels. Time
0 is the dry sound. EDT, T20 and T30 come from the wet composite alone; C80, D50 and centre time have the dry
impulse in. A room is the sum of the energies of its sends in use at their gains; a group, the wet bus and
the mix are their sections' composites weighted by the K-weighted power of their dry.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.analysis import (
    DecayFigures,
    SoundEnergies,
    add_energies,
    composite_energies,
    decay_of_energies,
    level_time_of_energies,
)
from roomplan.loudness.meter import passing_blocks, power_over_blocks, why_nothing_passes
from roomplan.session.response_matrices import section_response

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from roomplan.loudness.meter import Loudness
    from roomplan.plan.bus_name import BusName
    from roomplan.session.buses import Bus
    from roomplan.session.response_matrices import ResponseMatrix
    from roomplan.session.session import SectionSource, Session

    Matrices = Mapping[tuple[str, int], ResponseMatrix]

__all__ = [
    "BusFigures",
    "DecayOfBus",
    "SectionPowers",
    "decay_of_buses",
    "gated_power",
    "power_ratio",
    "room_composite",
    "section_composite",
]


@dataclass(frozen=True)
class BusFigures:
    """All figures of one bus; None with an entry in `reasons` where there is nothing to report."""

    name: BusName
    loudness: Loudness
    sample_peak_dbfs: float | None
    true_peak_dbtp: float | None
    decay: DecayFigures | None
    wet_to_dry_db: float | None
    wet_onset_s: float | None
    decay_to_minus_40_s: float | None
    reasons: Mapping[str, str]


@dataclass(frozen=True)
class DecayOfBus:
    """What the composite of a bus says; None with a reason where it has none."""

    decay: DecayFigures | None
    wet_onset_s: float | None
    decay_to_minus_40_s: float | None
    reasons: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class SectionPowers:
    """K-weighted power of a section's dry and wet, each over the blocks in which it passes the gates."""

    dry: float
    wet: float


@dataclass(frozen=True)
class _Composites:
    """Energies of every section that has a send in use, of every room and position, all of one length."""

    sections: Mapping[str, SoundEnergies]
    rooms: Mapping[str, SoundEnergies]


def section_composite(
    section: SectionSource, matrices: Matrices
) -> tuple[NDArray[np.float64], NDArray[np.float64] | None] | None:
    """Composite response of a section at the gains against its own signal.

    Returns
    -------
    wet : ndarray, shape (frames, signal channels × 2)
        Input by input, left and right output; time 0 is the dry sound.
    dry : ndarray, shape (signal channels × 2,), or None
        Heights of the dry impulse, None when the dry path is off.
    """
    heard = [(index, send) for index, send in enumerate(section.sends) if not send.muted]
    if not heard:
        return None
    taps = max(matrices[section.name, index].taps for index, _send in heard)
    wet = np.zeros((taps, section.signal_channels * 2), order="F")
    for index, send in heard:
        for source, output, gain, cell in section_response(section, matrices[section.name, index]):
            wet[: len(cell), source * 2 + output] += send.response_gain * gain * cell
    if section.dry_gain is None:
        return wet, None
    return wet, (section.dry_matrix * (section.dry_gain / section.gain)).T.reshape(-1)


def room_composite(
    session: Session, matrices: Matrices, room: str, position: str | None
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Responses of a room's sends in use, (frames, channels), and the power of each channel.

    Sends that share a response share its channels: their powers add.
    """
    channels: dict[int, tuple[NDArray[np.float64], float]] = {}
    for section in session.sections:
        for index, send in enumerate(section.sends):
            if section.muted or send.muted or send.room != room or position not in {None, send.position}:
                continue
            for _source, _output, gain, cell in section_response(section, matrices[section.name, index]):
                power = (send.response_gain * section.gain * gain) ** 2
                channels[id(cell)] = (cell, channels.get(id(cell), (cell, 0.0))[1] + power)
    if not channels:
        return None
    wet = np.zeros((max(len(cell) for cell, _power in channels.values()), len(channels)), order="F")
    for column, (cell, _power) in enumerate(channels.values()):
        wet[: len(cell), column] = cell
    return wet, np.array([power for _cell, power in channels.values()])


def decay_of_buses(
    session: Session,
    matrices: Matrices,
    buses: tuple[Bus, ...],
    powers: Mapping[str, SectionPowers],
    *,
    workers: int = 2,
    progress: Callable[[int, int], None] = lambda _done, _all: None,
) -> dict[str, DecayOfBus]:
    """Decay and clarity of every bus that holds a component.

    Parameters
    ----------
    session, matrices, buses
        As rendered.
    powers : mapping
        Section name → its K-weighted powers, the weights in groups and sums.
    workers : int
        Threads; the energies of different sections and rooms are independent.
    progress : callable
        Told (done, all).
    """
    heard = [bus for bus in buses if bus.factors]
    rooms = [bus for bus in heard if bus.kind in {"room", "room_position"}]
    frames = max((matrix.taps for matrix in matrices.values()), default=0)
    done = 0

    def counted(sound: SoundEnergies | None) -> SoundEnergies | None:
        nonlocal done
        done += 1
        progress(done, len(session.sections) + len(rooms))
        return sound

    def of_section(section: SectionSource) -> SoundEnergies | None:
        composite = section_composite(section, matrices)
        if composite is None:
            return counted(None)
        wet, dry = composite
        return counted(composite_energies(wet, dry=dry, sample_rate=session.sample_rate, frames=frames))

    def of_room(bus: Bus) -> SoundEnergies | None:
        position = bus.name.part if bus.kind == "room_position" else None
        composite = room_composite(session, matrices, bus.name.subject, position)
        if composite is None:
            return counted(None)
        wet, powers = composite
        return counted(composite_energies(wet, dry=None, sample_rate=session.sample_rate, weights=powers))

    with ThreadPoolExecutor(workers) as pool:
        by_section = zip(session.sections, pool.map(of_section, session.sections), strict=True)
        sections = {section.name: sound for section, sound in by_section if sound is not None}
        by_room = zip(rooms, pool.map(of_room, rooms), strict=True)
        composites = _Composites(sections, {bus.name: sound for bus, sound in by_room if sound is not None})
        found = pool.map(lambda bus: _decay_of_bus(session, bus, composites, powers), heard)
        return dict(zip((bus.name for bus in heard), found, strict=True))


def _decay_of_bus(
    session: Session, bus: Bus, composites: _Composites, powers: Mapping[str, SectionPowers]
) -> DecayOfBus:
    if bus.kind in {"dry", "section_dry", "group_dry"}:
        return DecayOfBus(None, None, None, {"decay": "a dry bus has no reverberation"})
    if bus.kind in {"alternate", "alternate_group"}:
        return DecayOfBus(None, None, None, {"decay": "not measured for alternates: see the sections"})
    if bus.kind in {"room", "room_position"}:
        if bus.name not in composites.rooms:
            return DecayOfBus(None, None, None, {"decay": "no section sends to this room"})
        return _measured(composites.rooms[bus.name], _room_onset(session, bus), with_dry=False)
    if bus.kind in {"section", "section_wet"}:
        section = session.section(bus.name.subject)
        if section.name not in composites.sections:
            return DecayOfBus(None, None, None, {"decay": "the section has no send in use"})
        sound = composites.sections[section.name]
        return _measured(sound, _earliest([section]), with_dry=bus.kind == "section")
    members = [
        section
        for section in session.sections
        if not section.muted
        and section.name in composites.sections
        and (bus.kind in {"mix", "wet"} or section.name in session.plan.groups[bus.name.subject].sections)
    ]
    weighted = [
        (composites.sections[s.name], _source_weight(s, composites.sections[s.name], powers)) for s in members
    ]
    weighted = [(sound, weight) for sound, weight in weighted if weight > 0.0]
    if not weighted:
        reason = "no section of this bus has both a sound and a send in use"
        return DecayOfBus(None, None, None, {"decay": reason})
    return _measured(add_energies(weighted), _earliest(members), with_dry=bus.kind in {"mix", "group"})


def _measured(sound: SoundEnergies, wet_onset_s: float | None, *, with_dry: bool) -> DecayOfBus:
    """Figures of a composite; the tail is reported only with a dry impulse in it."""
    has_dry = with_dry and sound.has_dry
    decay = decay_of_energies(sound, with_dry=has_dry)
    if not has_dry:
        reason = "dry is off" if with_dry else "the bus holds no dry sound"
        return DecayOfBus(decay, wet_onset_s, None, {"decay_to_minus_40_s": reason})
    tail, why = level_time_of_energies(sound, with_dry=True)
    return DecayOfBus(decay, wet_onset_s, tail, {} if why is None else {"decay_to_minus_40_s": why})


def _source_weight(
    section: SectionSource, sound: SoundEnergies, powers: Mapping[str, SectionPowers]
) -> float:
    """Power of the section's signal at its level: its dry power, with what the dry path does taken out.

    Where the dry is off, the wet power over the energy of the wet composite, which is the same for a steady
    sound whose spectrum is near that of the response.
    """
    power = powers[section.name]
    if section.dry_gain is not None and section.gain > 0.0 and power.dry > 0.0:
        return power.dry / ((section.dry_gain / section.gain) ** 2 * float(np.sum(section.dry_matrix**2)))
    energy = float(np.sum(sound.broadband))
    return power.wet / energy if energy > 0.0 else 0.0


def _earliest(sections: list[SectionSource]) -> float | None:
    onsets = [send.wet_onset_s for s in sections for send in s.sends if not send.muted]
    return min(onsets, default=None)


def _room_onset(session: Session, bus: Bus) -> float | None:
    position = bus.name.part if bus.kind == "room_position" else None
    onsets = [
        send.wet_onset_s
        for section in session.sections
        for send in section.sends
        if not (section.muted or send.muted)
        and send.room == bus.name.subject
        and position in {None, send.position}
    ]
    return min(onsets, default=None)


def power_ratio(
    wet_sums: NDArray[np.float64], dry_sums: NDArray[np.float64], *, sample_rate: int
) -> tuple[float | None, str | None]:
    """Wet over dry in dB: K-weighted power over the blocks in which the dry passes its gates.

    Parameters
    ----------
    wet_sums, dry_sums : ndarray, shape (hops,)
        K-weighted energies per 20 ms.
    """
    passing = passing_blocks(dry_sums, sample_rate=sample_rate)
    if not bool(np.any(passing)):
        return None, why_nothing_passes("the dry sound", dry_sums)
    dry_power = power_over_blocks(dry_sums, passing, sample_rate=sample_rate)
    wet_power = power_over_blocks(wet_sums, passing, sample_rate=sample_rate)
    if wet_power <= 0.0:
        return None, "nothing comes back from the rooms"
    return 10.0 * math.log10(wet_power / dry_power), None


def gated_power(hop_sums: NDArray[np.float64], *, sample_rate: int) -> float:
    """Mean K-weighted power over the blocks that pass the gates of BS.1770; 0 when none does."""
    passing = passing_blocks(hop_sums, sample_rate=sample_rate)
    if not bool(np.any(passing)):
        return 0.0
    return power_over_blocks(hop_sums, passing, sample_rate=sample_rate)
