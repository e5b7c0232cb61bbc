"""Figures of every bus: loudness, decay, wet-to-dry, wet onset and the tail.

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

from roomplan.acoustics.analysis import DecayFigures, measure_composite, time_to_level
from roomplan.loudness.meter import passing_blocks, power_over_blocks
from roomplan.mixing.paths import section_response

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from roomplan.loudness.meter import Loudness
    from roomplan.mixing.buses import Bus, Component
    from roomplan.mixing.paths import ResponseMatrix
    from roomplan.mixing.session import SectionSource, Session

    Matrices = Mapping[tuple[str, int], ResponseMatrix]

__all__ = [
    "BusFigures",
    "Composite",
    "DecayOfBus",
    "build_composites",
    "decay_of_buses",
    "dry_component_powers",
    "power_ratio",
]


@dataclass(frozen=True)
class BusFigures:
    """All figures of one bus; None with an entry in `reasons` where there is nothing to report."""

    name: str
    loudness: Loudness
    sample_peak_dbfs: float | None
    decay: DecayFigures | None
    wet_to_dry_db: float | None
    wet_onset_s: float | None
    tail_to_minus_40_s: float | None
    reasons: Mapping[str, str]


@dataclass(frozen=True, eq=False)
class Composite:
    """Channels (frames, inputs × outputs) of one source, its dry impulse per channel, power weights."""

    wet: NDArray[np.float64]
    dry: NDArray[np.float64] | None
    weights: NDArray[np.float64]


@dataclass(frozen=True)
class DecayOfBus:
    """What the composite of a bus says; None with a reason where it has none."""

    decay: DecayFigures | None
    wet_onset_s: float | None
    tail_to_minus_40_s: float | None
    reasons: dict[str, str] = field(default_factory=dict)


def build_composites(session: Session, matrices: Matrices) -> dict[str, Composite]:
    """Composite response of every section that has a send in use; gains relative to the section's signal."""
    composites: dict[str, Composite] = {}
    for section in session.sections:
        heard = [(i, send) for i, send in enumerate(section.sends) if not send.muted]
        if not heard:
            continue
        taps = max(matrices[section.name, i].taps for i, _send in heard)
        channels = section.signal_channels * 2
        wet = np.zeros((taps, channels), order="F")
        for index, send in heard:
            for source, output, gain, cell in section_response(section, matrices[section.name, index]):
                wet[: len(cell), source * 2 + output] += send.response_gain * gain * cell
        dry = None
        if section.dry_gain is not None and section.gain > 0.0:
            dry = (section.dry_response * (section.dry_gain / section.gain)).T.reshape(-1)
        composites[section.name] = Composite(wet, dry, np.ones(channels))
    return composites


def _stacked(composites: list[tuple[Composite, float]], *, with_dry: bool) -> Composite | None:
    """Lay the channels of several composites side by side, weighted by the power of their sources."""
    if not composites:
        return None
    frames = max(len(c.wet) for c, _w in composites)
    wet = np.concatenate([np.pad(c.wet, ((0, frames - len(c.wet)), (0, 0))) for c, _w in composites], axis=1)
    weights = np.concatenate([c.weights * w for c, w in composites])
    dries = [c.dry if c.dry is not None else np.zeros(c.wet.shape[1]) for c, _w in composites]
    any_dry = with_dry and any(c.dry is not None for c, _w in composites)
    return Composite(wet, np.concatenate(dries) if any_dry else None, weights)


def _measured(composite: Composite, sample_rate: int, wet_onset_s: float | None, no_dry: str) -> DecayOfBus:
    decay = measure_composite(
        composite.wet, dry=composite.dry, sample_rate=sample_rate, weights=composite.weights
    )
    reasons: dict[str, str] = {}
    tail = None
    if composite.dry is None:
        reasons["tail_to_minus_40_s"] = no_dry
    else:
        tail, reason = time_to_level(
            composite.wet, dry=composite.dry, sample_rate=sample_rate, weights=composite.weights
        )
        if reason is not None:
            reasons["tail_to_minus_40_s"] = reason
    return DecayOfBus(decay, wet_onset_s, tail, reasons)


def decay_of_buses(
    session: Session,
    matrices: Matrices,
    buses: tuple[Bus, ...],
    dry_powers: Mapping[str, float],
    *,
    workers: int = 2,
    progress: Callable[[int, int], None] = lambda _done, _all: None,
) -> dict[str, DecayOfBus]:
    """Decay and clarity of every bus that has a composite.

    Parameters
    ----------
    session, matrices, buses
        As rendered.
    dry_powers : mapping
        Section name → K-weighted power of its dry component, the weight in groups and sums.
    workers : int
        Threads; the figures of different buses are independent.
    progress : callable
        Told (done, all).
    """
    composites = build_composites(session, matrices)
    jobs = {bus.name: bus for bus in buses if bus.factors}
    done = 0

    def work(bus: Bus) -> DecayOfBus:
        nonlocal done
        result = _decay_of_bus(session, matrices, bus, composites, dry_powers)
        done += 1
        progress(done, len(jobs))
        return result

    with ThreadPoolExecutor(workers) as pool:
        return dict(zip(jobs, pool.map(work, jobs.values()), strict=True))


def _decay_of_bus(
    session: Session,
    matrices: Matrices,
    bus: Bus,
    composites: dict[str, Composite],
    dry_powers: Mapping[str, float],
) -> DecayOfBus:
    rate = session.sample_rate
    sections = {s.name: s for s in session.sections}
    if bus.kind in {"dry", "section_dry", "group_dry"}:
        return DecayOfBus(None, None, None, {"decay": "a dry bus has no reverberation"})
    if bus.kind == "alternate":
        return DecayOfBus(
            None, None, None, {"decay": "an alternate changes levels, not decay: see the sections"}
        )
    if bus.kind in {"room", "room_position"}:
        return _room_decay(session, matrices, bus)
    if bus.kind in {"section", "section_wet"}:
        name = bus.parts[1]
        if name not in composites:
            return DecayOfBus(None, None, None, {"decay": "the section has no send in use"})
        composite = composites[name]
        with_dry = bus.kind == "section" and composite.dry is not None
        if not with_dry:
            composite = Composite(composite.wet, None, composite.weights)
        reason = "dry is off" if bus.kind == "section" else "the bus holds no dry sound"
        return _measured(composite, rate, _earliest([sections[name]]), reason)
    members = [
        s
        for s in session.sections
        if not s.muted
        and s.name in composites
        and (bus.kind in {"mix", "wet"} or s.name in session.plan.groups[bus.parts[1]].sections)
    ]
    weighted = [(composites[s.name], _source_weight(s, dry_powers)) for s in members]
    weighted = [(composite, weight) for composite, weight in weighted if weight > 0.0]
    stacked = _stacked(weighted, with_dry=bus.kind in {"mix", "group"})
    if stacked is None:
        return DecayOfBus(
            None, None, None, {"decay": "no section of this bus has both a sound and a send in use"}
        )
    reason = "dry is off" if bus.kind in {"mix", "group"} else "the bus holds no dry sound"
    return _measured(stacked, rate, _earliest(members), reason)


def _source_weight(section: SectionSource, dry_powers: Mapping[str, float]) -> float:
    """Power of the section's signal at its level, judged from its dry (whose own level is taken out)."""
    if section.dry_gain is None or section.dry_gain == 0.0:
        return section.gain**2
    relative = (section.dry_gain / section.gain) ** 2 * float(np.sum(section.dry_response**2))
    return dry_powers.get(section.name, 0.0) / relative if relative > 0.0 else 0.0


def _earliest(sections: list[SectionSource]) -> float | None:
    onsets = [send.wet_onset_s for s in sections for send in s.sends if not send.muted]
    return min(onsets, default=None)


def _room_decay(session: Session, matrices: Matrices, bus: Bus) -> DecayOfBus:
    """Energies of the sends in use at their gains; sends that share a response share its channels."""
    channels: dict[int, tuple[NDArray[np.float64], float]] = {}
    onsets = []
    for section in session.sections:
        if section.muted:
            continue
        for index, send in enumerate(section.sends):
            if send.room != bus.parts[1] or send.muted:
                continue
            if bus.kind == "room_position" and send.position != bus.parts[2]:
                continue
            onsets.append(send.wet_onset_s)
            for _source, _output, gain, cell in section_response(section, matrices[section.name, index]):
                power = (send.response_gain * section.gain * gain) ** 2
                before = channels.get(id(cell), (cell, 0.0))[1]
                channels[id(cell)] = (cell, before + power)
    if not channels:
        return DecayOfBus(None, None, None, {"decay": "no section sends to this room"})
    frames = max(len(cell) for cell, _w in channels.values())
    wet = np.zeros((frames, len(channels)), order="F")
    for column, (cell, _w) in enumerate(channels.values()):
        wet[: len(cell), column] = cell
    weights = np.array([power for _c, power in channels.values()])
    composite = Composite(wet, None, weights)
    return _measured(composite, session.sample_rate, min(onsets), "the bus holds no dry sound")


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
        return None, "the dry sound never passes the gates of BS.1770"
    dry_power = power_over_blocks(dry_sums, passing, sample_rate=sample_rate)
    wet_power = power_over_blocks(wet_sums, passing, sample_rate=sample_rate)
    if wet_power <= 0.0:
        return None, "nothing comes back from the rooms"
    return 10.0 * math.log10(wet_power / dry_power), None


def dry_component_powers(
    components: tuple[Component, ...], sums: Callable[[int], NDArray[np.float64]], *, sample_rate: int
) -> dict[str, float]:
    """K-weighted power of every section's dry over the blocks where it passes the gates."""
    found = {}
    for index, component in enumerate(components):
        if component.send is None:
            hop_sums = sums(index)
            passing = passing_blocks(hop_sums, sample_rate=sample_rate)
            found[component.section] = (
                power_over_blocks(hop_sums, passing, sample_rate=sample_rate)
                if bool(np.any(passing))
                else 0.0
            )
    return found
