"""Figures of every bus: loudness, decay, wet-to-dry, wet arrival and the decay to −40 dB.

Conventions
-----------
The *composite* of a section is its dry impulse plus all its sends, for independent left and right inputs of
equal power (one input when the section is mono); energies are summed over inputs and output channels. Time
0 is the dry sound. EDT, T20 and T30 come from the wet composite alone; C80, D50 and centre time have the dry
impulse in. A room is the sum of the energies of its sends in use at their gains; a group, the wet bus and
the mix are their sections' composites weighted by the K-weighted power of their dry, to four digits (0.002
dB): a power that was metered and one that follows from kept cross powers give the same figures.
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
from roomplan.files.digests import digest_of
from roomplan.loudness.meter import passing_blocks, power_over_blocks, why_nothing_passes
from roomplan.plan.bus_name import BusName
from roomplan.rendering.kept_decays import MeasuredDecay
from roomplan.session.response_matrices import section_response

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from numpy.typing import NDArray

    from roomplan.loudness.meter import Loudness
    from roomplan.rendering.kept_decays import KeptDecays
    from roomplan.rendering.kept_energies import KeptEnergies
    from roomplan.session.buses import Bus
    from roomplan.session.response_matrices import ResponseMatrix
    from roomplan.session.session import SectionSource, Session

    Matrices = Mapping[tuple[str, int], ResponseMatrix]

__all__ = [
    "BusFigures",
    "DecayOfBus",
    "SectionPowers",
    "composite_digest",
    "decay_of_buses",
    "gated_power",
    "power_ratio",
    "room_composite",
    "section_composite",
]

_ROOM_KINDS = {"room", "room_position"}


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
    return wet, _dry_heights(section)


def _dry_heights(section: SectionSource) -> NDArray[np.float64]:
    """Heights of the dry impulse in the channels of a composite, of a section whose dry path is on."""
    return (section.dry_matrix * ((section.dry_gain or 0.0) / section.gain)).T.reshape(-1)


def _position(bus: Bus) -> str | None:
    """Position that a bus of a room is of; None: all of them."""
    return bus.name.part if bus.kind == "room_position" else None


def _sends_to(session: Session, room: str, position: str | None) -> list[tuple[SectionSource, int, float]]:
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
        dry = [float(f"{height:.12e}") for height in _dry_heights(section)]
    told = "composite of a section", sample_rate, frames, section.signal_channels, sends, dry
    return digest_of(*told) if sends else None


def room_composite(
    session: Session, matrices: Matrices, room: str, position: str | None
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Responses of a room's sends in use, (frames, channels), and the power of each channel.

    Sends that share a response share its channels: their powers add.
    """
    channels: dict[int, tuple[NDArray[np.float64], float]] = {}
    for section, index, level in _sends_to(session, room, position):
        for _source, _output, gain, cell in section_response(section, matrices[section.name, index]):
            power = (level * gain) ** 2
            channels[id(cell)] = (cell, channels.get(id(cell), (cell, 0.0))[1] + power)
    if not channels:
        return None
    wet = np.zeros((max(len(cell) for cell, _power in channels.values()), len(channels)), order="F")
    for column, (cell, _power) in enumerate(channels.values()):
        wet[: len(cell), column] = cell
    return wet, np.array([power for _cell, power in channels.values()])


class _Composites:
    """Composites of sections and rooms: what they are made of, and their energies once they are measured.

    A section is a composite where it has a send in use, a room or position where one goes to it.
    """

    def __init__(
        self, session: Session, matrices: Matrices, rooms: Iterable[Bus], kept: KeptEnergies
    ) -> None:
        self._kept = kept
        self._session = session
        self._matrices = matrices
        self._rooms = {bus.name: bus for bus in rooms}
        self._frames = max((matrix.taps for matrix in matrices.values()), default=0)
        self._identities: dict[BusName, str | None] = {}
        self.measured: dict[BusName, SoundEnergies] = {}

    def identity(self, name: BusName) -> str | None:
        """Digest of everything the energies follow from; None where there is no such composite."""
        if name not in self._identities:
            self._identities[name] = self._digest(name)
        return self._identities[name]

    def energies(self, name: BusName) -> SoundEnergies:
        """Energies of a composite, kept or measured; those of sections are all of one length."""
        digest = self.identity(name)
        assert digest is not None  # noqa: S101 - it is a composite
        found = self._kept.get(digest)
        if found is None:
            found = self._measure(name)
            self._kept.put(digest, found, title=f"{name}: decay")
        return found

    def _measure(self, name: BusName) -> SoundEnergies:
        rate = self._session.sample_rate
        if name in self._rooms:
            bus = self._rooms[name]
            composite = room_composite(self._session, self._matrices, name.subject, _position(bus))
            assert composite is not None  # noqa: S101 - it has an identity
            weights = composite[1] / composite[1].max(
                initial=1e-300
            )  # no figure of a room depends on its level
            return composite_energies(composite[0], dry=None, sample_rate=rate, weights=weights)
        composite = section_composite(self._session.section(name.subject), self._matrices)
        assert composite is not None  # noqa: S101 - it has an identity
        wet, dry = composite
        return composite_energies(wet, dry=dry, sample_rate=rate, frames=self._frames)

    def _digest(self, name: BusName) -> str | None:
        rate = self._session.sample_rate
        if name not in self._rooms:
            section = self._session.section(name.subject)
            return composite_digest(section, self._matrices, sample_rate=rate, frames=self._frames)
        sends = [
            [self._matrices[section.name, index].identity, section.signal_channels, gain]
            for section, index, gain in _sends_to(self._session, name.subject, _position(self._rooms[name]))
        ]
        most = max((gain for *_send, gain in sends), default=0.0) or 1.0
        told = [[identity, channels, float(f"{gain / most:.12e}")] for identity, channels, gain in sends]
        return digest_of("composite of a room", rate, told) if sends else None


@dataclass(frozen=True)
class _Mixture:
    """What is measured for a bus: composites and the weights of their powers."""

    parts: tuple[tuple[BusName, float], ...]
    with_dry: bool


def decay_of_buses(
    session: Session,
    matrices: Matrices,
    buses: tuple[Bus, ...],
    powers: Mapping[str, SectionPowers],
    *,
    kept: KeptDecays,
    energies_kept: KeptEnergies,
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
    kept, energies_kept : KeptDecays, KeptEnergies
        What was found before is not found again.
    workers : int
        Threads; the energies of different sections and rooms are independent.
    progress : callable
        Told (done, all).
    """
    heard = [bus for bus in buses if bus.factors]
    rooms = [bus for bus in heard if bus.kind in _ROOM_KINDS]
    composites = _Composites(session, matrices, rooms, energies_kept)
    with ThreadPoolExecutor(workers) as pool:

        def measure(names: Iterable[BusName]) -> None:
            missing = [name for name in dict.fromkeys(names) if name not in composites.measured]
            for done, sound in enumerate(pool.map(composites.energies, missing), start=1):
                composites.measured[missing[done - 1]] = sound
                progress(done, len(missing))

        energies = _energies_without_dry(session, composites, kept, measure)
        mixtures = {bus.name: _mixture(session, bus, composites, powers, energies) for bus in heard}
        asked = {
            name: (_digest_of_mixture(mixture, composites), mixture)
            for name, mixture in mixtures.items()
            if isinstance(mixture, _Mixture)
        }
        known = {key: kept.decay(key) for key, _what in asked.values()}
        missing = {key: mixture for key, mixture in asked.values() if known[key] is None}
        measure(name for mixture in missing.values() for name, _weight in mixture.parts)
        figures = pool.map(lambda one: _measured(one, composites), missing.values())
        found = dict(zip(missing, figures, strict=True))
    kept.add(found, energies)
    reasons = {name: one for name, one in mixtures.items() if isinstance(one, str)}
    none = {name: DecayOfBus(None, None, None, {"decay": reason}) for name, reason in reasons.items()}
    measured = {
        bus.name: _decay_of_bus(session, bus, known[asked[bus.name][0]] or found[asked[bus.name][0]])
        for bus in heard
        if bus.name in asked
    }
    return {bus.name: (none | measured)[bus.name] for bus in heard}


def _energies_without_dry(
    session: Session,
    composites: _Composites,
    kept: KeptDecays,
    measure: Callable[[Iterable[BusName]], None],
) -> dict[str, float]:
    """Energy, by identity, of the composites whose weight it decides: sections with their dry off."""
    names = [BusName.of_section(section.name) for section in session.sections if section.dry_gain is None]
    identities = {name: composites.identity(name) for name in names}
    energies = {key: kept.energy(key) for key in identities.values() if key is not None}
    measure(name for name, key in identities.items() if key is not None and energies[key] is None)
    for name, key in identities.items():
        if key is not None and name in composites.measured:
            energies[key] = float(np.sum(composites.measured[name].broadband))
    return {key: energy for key, energy in energies.items() if energy is not None}


def _digest_of_mixture(mixture: _Mixture, composites: _Composites) -> str:
    parts = [[composites.identity(name), weight] for name, weight in mixture.parts]
    return digest_of("decay", parts, mixture.with_dry)


def _mixture(
    session: Session,
    bus: Bus,
    composites: _Composites,
    powers: Mapping[str, SectionPowers],
    energies: Mapping[str, float],
) -> _Mixture | str:
    """What is measured for a bus, or why nothing is."""
    if bus.kind in {"dry", "section_dry", "group_dry"}:
        return "a dry bus has no reverberation"
    if bus.kind in {"alternate", "alternate_group"}:
        return "not measured for alternates: see the sections"
    if bus.kind in _ROOM_KINDS:
        alone = composites.identity(bus.name) is not None
        return _Mixture(((bus.name, 1.0),), with_dry=False) if alone else "no section sends to this room"
    if bus.kind in {"section", "section_wet"}:
        name = BusName.of_section(bus.name.subject)
        if composites.identity(name) is None:
            return "the section has no send in use"
        return _Mixture(((name, 1.0),), with_dry=bus.kind == "section")
    weighted = []
    for section in _members(session, bus):
        identity = composites.identity(BusName.of_section(section.name))
        if identity is not None:
            weight = float(
                f"{_source_weight(section, powers[section.name], energies.get(identity, 0.0)):.3e}"
            )
            weighted.append((BusName.of_section(section.name), weight))
    weighted = [(name, weight) for name, weight in weighted if weight > 0.0]
    if not weighted:
        return "no section of this bus has both a sound and a send in use"
    return _Mixture(tuple(weighted), with_dry=bus.kind in {"mix", "group"})


def _members(session: Session, bus: Bus) -> list[SectionSource]:
    """Sections that are heard in the mix, its wet or a group."""
    return [
        section
        for section in session.sections
        if not section.muted
        and (bus.kind in {"mix", "wet"} or section.name in session.plan.groups[bus.name.subject].sections)
    ]


def _measured(mixture: _Mixture, composites: _Composites) -> MeasuredDecay:
    """Figures of a mixture; the tail is reported only with a dry impulse in it."""
    sound = add_energies([(composites.measured[name], weight) for name, weight in mixture.parts])
    has_dry = mixture.with_dry and sound.has_dry
    decay = decay_of_energies(sound, with_dry=has_dry)
    if not has_dry:
        return MeasuredDecay(decay, None, "dry is off" if mixture.with_dry else "the bus holds no dry sound")
    return MeasuredDecay(decay, *level_time_of_energies(sound, with_dry=True))


def _decay_of_bus(session: Session, bus: Bus, found: MeasuredDecay) -> DecayOfBus:
    """Figures of a bus with the arrival of its wet."""
    if bus.kind in _ROOM_KINDS:
        onset = _room_onset(session, bus)
    elif bus.kind in {"section", "section_wet"}:
        onset = _earliest([session.section(bus.name.subject)])
    else:
        onset = _earliest([s for s in _members(session, bus) if any(not send.muted for send in s.sends)])
    reasons = {} if found.reason is None else {"decay_to_minus_40_s": found.reason}
    return DecayOfBus(found.decay, onset, found.decay_to_minus_40_s, reasons)


def _source_weight(section: SectionSource, power: SectionPowers, energy: float) -> float:
    """Power of the section's signal at its level: its dry power, with what the dry path does taken out.

    Where the dry is off, the wet power over the energy of the wet composite, which is the same for a steady
    sound whose spectrum is near that of the response.
    """
    if section.dry_gain is not None and section.gain > 0.0 and power.dry > 0.0:
        return power.dry / ((section.dry_gain / section.gain) ** 2 * float(np.sum(section.dry_matrix**2)))
    return power.wet / energy if energy > 0.0 else 0.0


def _earliest(sections: list[SectionSource]) -> float | None:
    onsets = [send.wet_onset_s for s in sections for send in s.sends if not send.muted]
    return min(onsets, default=None)


def _room_onset(session: Session, bus: Bus) -> float | None:
    sends = _sends_to(session, bus.name.subject, _position(bus))
    return min((section.sends[index].wet_onset_s for section, index, _gain in sends), default=None)


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
