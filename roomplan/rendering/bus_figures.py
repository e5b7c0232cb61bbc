"""Figures of every bus: loudness, decay, wet-to-dry, wet arrival, the decay to −40 dB and width.

Conventions
-----------
The *composite* of a section is its dry impulse plus all its sends, for independent left and right inputs of
equal power (one input when the section is mono); energies are summed over inputs and output channels. Time
0 is the dry sound. EDT, T20 and T30 come from the wet composite alone; C80, D50 and centre time have the dry
impulse in. A room is the sum of the energies of its sends in use at their gains; a group, the wet bus and
the mix are their sections' composites weighted by the K-weighted power of their dry, to four digits (0.002
dB): a power that was metered and one that follows from kept cross powers give the same figures. Late
correlation is that of the two channels of a bus's wet sound, as `roomplan.rooms.late_likeness` has it.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import field
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from roomplan.files.digests import digest_of
from roomplan.frozen_classes import frozen_class
from roomplan.loudness.meter import passing_blocks, power_over_blocks, why_nothing_passes
from roomplan.plan.bus_name import BusName
from roomplan.rendering.composite_parts import (
    composite_digest,
    outline_of_room,
    outline_of_section,
    position_of,
    room_digest,
    sends_to,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from numpy.typing import NDArray

    from roomplan.acoustics.energies import SoundEnergies
    from roomplan.acoustics.figures import DecayFigures
    from roomplan.files.cache import Cache
    from roomplan.loudness.meter import Loudness
    from roomplan.rendering.kept_decays import KeptDecays, MeasuredDecay
    from roomplan.rooms.late_likeness import LatePowers
    from roomplan.session.buses import Bus
    from roomplan.session.response_matrices import ResponseMatrix
    from roomplan.session.session import SectionSource, Session

    Matrices = Mapping[tuple[str, int], ResponseMatrix]

__all__ = [
    "NO_WIDTH",
    "BusFigures",
    "DecayOfBus",
    "SectionPowers",
    "decay_of_buses",
    "gated_power",
    "power_ratio",
]

NO_WIDTH = "too little of its wet sound is late, in one of its channels or in both"
_ROOM_KINDS = {"room", "room_position"}
_MOST_FORMS_BYTES = 128_000_000  # of one composite, for memory's sake
_MOST_FORMS_OF_PLAN_BYTES = 512_000_000  # a quarter of what the cache holds by default


@frozen_class
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
    late_correlation: float | None
    reasons: Mapping[str, str]


@frozen_class
class DecayOfBus:
    """What the composite of a bus says; None with a reason where it has none."""

    decay: DecayFigures | None
    wet_onset_s: float | None
    decay_to_minus_40_s: float | None
    late_correlation: float | None
    reasons: dict[str, str] = field(default_factory=dict)


@frozen_class
class SectionPowers:
    """K-weighted power of a section's dry and wet, each over the blocks in which it passes the gates."""

    dry: float
    wet: float


@frozen_class
class _Mixture:
    """What is measured for a bus: composites and the weights of their powers."""

    parts: tuple[tuple[BusName, float], ...]
    with_dry: bool


class _Composites:
    """Composites of sections and rooms: what they are made of, and their energies once they are measured.

    A section is a composite where it has a send in use, a room or position where one goes to it.
    """

    def __init__(
        self, session: Session, matrices: Matrices, rooms: Iterable[Bus], cache: Cache | None
    ) -> None:
        self._cache = cache
        self._session = session
        self._matrices = matrices
        self._rooms = {bus.name: bus for bus in rooms}
        self._frames = max((matrix.taps for matrix in matrices.values()), default=0)
        self._identities: dict[BusName, str | None] = {}
        self.measured: dict[BusName, SoundEnergies] = {}
        self._late: dict[BusName, LatePowers] = {}

    def identity(self, name: BusName) -> str | None:
        """Digest of everything the energies follow from; None where there is no such composite."""
        if name not in self._identities:
            self._identities[name] = self._digest(name)
        return self._identities[name]

    def energies(self, name: BusName) -> SoundEnergies:
        """Energies of a composite at its levels; those of sections are all of one length."""
        digest = self.identity(name)
        assert digest is not None  # noqa: S101 - it is a composite
        # not loaded where nothing is measured
        from roomplan.rendering import composites
        from roomplan.rendering.late_forms import late_powers_of_section

        session, matrices, cache = self._session, self._matrices, self._cache
        rate, title = session.sample_rate, f"{name}: decay"
        if name in self._rooms:
            position = position_of(self._rooms[name])
            return composites.energies_of_room(
                *(session, matrices, name.subject, position, cache),
                digest=digest,
                sample_rate=rate,
                title=title,
                most_bytes=self._most_bytes,
            )
        section = session.section(name.subject)
        self._late[name] = late_powers_of_section(section, matrices, cache, sample_rate=rate, title=title)
        return composites.energies_of_section(
            *(section, matrices, cache),
            digest=digest,
            sample_rate=rate,
            frames=self._frames,
            title=title,
            most_bytes=self._most_bytes,
        )

    def figures(self, mixture: _Mixture) -> MeasuredDecay:
        """Figures of a mixture of composites that are measured."""
        from roomplan.rendering.composites import figures_of_mixture

        parts = [(self.measured[name], weight) for name, weight in mixture.parts]
        late = [(self._late[name], weight) for name, weight in mixture.parts if name in self._late]
        return figures_of_mixture(parts, late, with_dry=mixture.with_dry)

    @cached_property
    def _most_bytes(self) -> float:
        """Largest forms of a composite: with all of a plan too large together, its larger ones have none."""
        session, matrices = self._session, self._matrices
        outlines = [outline_of_section(s, matrices, frames=self._frames) for s in session.sections]
        for bus in self._rooms.values():
            outline, _powers = outline_of_room(session, matrices, bus.name.subject, position_of(bus))
            outlines.append(outline)
        if sum(outline.forms_bytes for outline in outlines) <= _MOST_FORMS_OF_PLAN_BYTES:
            return _MOST_FORMS_BYTES
        return min(_MOST_FORMS_BYTES, _MOST_FORMS_OF_PLAN_BYTES / len(outlines))

    def _digest(self, name: BusName) -> str | None:
        rate = self._session.sample_rate
        if name not in self._rooms:
            section = self._session.section(name.subject)
            return composite_digest(section, self._matrices, sample_rate=rate, frames=self._frames)
        position = position_of(self._rooms[name])
        return room_digest(self._session, self._matrices, name.subject, position, sample_rate=rate)


def decay_of_buses(
    session: Session,
    matrices: Matrices,
    buses: tuple[Bus, ...],
    powers: Mapping[str, SectionPowers],
    *,
    kept: KeptDecays,
    cache: Cache | None,
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
    kept : KeptDecays
        What was found before is not found again.
    cache : Cache or None
        Where energies are looked for, and kept.
    workers : int
        Threads; the energies of different sections and rooms are independent.
    progress : callable
        Told (done, all).
    """
    heard = [bus for bus in buses if bus.factors]
    rooms = [bus for bus in heard if bus.kind in _ROOM_KINDS]
    composites = _Composites(session, matrices, rooms, cache)
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
        figures = pool.map(composites.figures, missing.values())
        found = dict(zip(missing, figures, strict=True))
    kept.add(found, energies)
    reasons = {name: one for name, one in mixtures.items() if isinstance(one, str)}
    none = {name: DecayOfBus(None, None, None, None, {"decay": reason}) for name, reason in reasons.items()}
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


def _decay_of_bus(session: Session, bus: Bus, found: MeasuredDecay) -> DecayOfBus:
    """Figures of a bus with the arrival of its wet."""
    if bus.kind in _ROOM_KINDS:
        onset = _room_onset(session, bus)
    elif bus.kind in {"section", "section_wet"}:
        onset = _earliest([session.section(bus.name.subject)])
    else:
        onset = _earliest([s for s in _members(session, bus) if any(not send.muted for send in s.sends)])
    reasons = {} if found.reason is None else {"decay_to_minus_40_s": found.reason}
    if found.late_correlation is None:
        of_room = bus.kind in _ROOM_KINDS
        reasons["late_correlation"] = "that of a room is under `rooms`" if of_room else NO_WIDTH
    return DecayOfBus(found.decay, onset, found.decay_to_minus_40_s, found.late_correlation, reasons)


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
    sends = sends_to(session, bus.name.subject, position_of(bus))
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
