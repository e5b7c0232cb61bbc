"""What one pass over the sound left behind, and what it answers of plans that only change levels and mutes.

Conventions
-----------
A *part* is one component without its level: who plays what through which response. Plans with the same parts
at the same rate and tail differ in gains only, and every loudness of theirs follows from the cross powers of
one pass (`loudness.cross_powers`). Peaks do not: they are known for buses that were measured, and for those
that differ from one of them by a common gain.

A record is an entry of the cache: `cross.npy` (and `speech_band.npy`, weighted for that band), `record.json`.
Its key holds the content and place of every stem and the samples of every response as used: it is never out
of date. An excerpt of a cue is no cue: it is not recorded.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from roomplan.errors import RoomplanError
from roomplan.files.digests import digest_of
from roomplan.loudness.cross_powers import CrossPowers
from roomplan.rendering.component_stream import SignalStatistics

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from roomplan.files.cache import CacheEntry
    from roomplan.session.buses import Bus, Component
    from roomplan.session.response_matrices import ResponseMatrix
    from roomplan.session.session import SectionSource, Session

__all__ = [
    "Part",
    "Peaks",
    "Recalled",
    "RecalledPowers",
    "describe_record",
    "parts_of",
    "recall",
    "record_key",
]

_VERSION = 2  # of whatever decides the sound of a component: raise it when an algorithm changes
_SAME = 1e-9
_MOST_FRAMES = 2**53  # counted in floats further on


@dataclass(frozen=True, slots=True)
class Part:
    """One component: what it is, as a digest, and its gain in the mix."""

    identity: str
    gain: float


@dataclass(frozen=True, slots=True)
class Peaks:
    """Largest sample and true peak of a bus, linear; None where only a new pass could tell."""

    sample: float | None
    true: float | None


def parts_of(
    session: Session,
    components: Sequence[Component],
    matrices: Mapping[tuple[str, int], ResponseMatrix],
    *,
    digest: Callable[[Path], str],
) -> tuple[Part, ...]:
    """Identity and gain of every component.

    Parameters
    ----------
    session, components, matrices
        As in `one_pass.hear`.
    digest : callable
        Content of a file → digest (`FileNotes.digest`).
    """
    cells: dict[int, str] = {}
    stems = {section.name: _stems(section, digest) for section in session.sections}
    parts = []
    for component in components:
        section = session.section(component.section)
        what: dict[str, Any] = {"section": section.name, "delay": section.delay_frames}
        if component.send is None:
            what["dry"] = [[files, dry] for files, _signal, dry in stems[section.name]]
            gain = section.dry_gain or 0.0
        else:
            matrix = matrices[section.name, component.send]
            send = section.sends[component.send]
            what |= {
                "room": send.room,
                "position": send.position,
                "signal": [[files, signal] for files, signal, _dry in stems[section.name]],
                "sums": matrix.sums,
                "cells": [
                    [source, output, _digest_of_samples(cell, cells)]
                    for (source, output), cell in sorted(matrix.cells.items())
                ],
            }
            gain = send.gain
        parts.append(Part(digest_of(what), gain))
    return tuple(parts)


def record_key(session: Session, parts: Sequence[Part], *, speech_band: bool) -> str:
    """Key of the record of all sessions with these parts."""
    tail = session.plan.tail
    identities = sorted(part.identity for part in parts)
    return digest_of(
        "sound",
        _VERSION,
        session.sample_rate,
        tail if isinstance(tail, str) else float(tail),
        "speech_band" if speech_band else False,
        identities,
    )


def describe_record(
    parts: Sequence[Part],
    buses: Sequence[Bus],
    *,
    frames: int,
    peaks: Sequence[Peaks],
    statistics: Mapping[str, SignalStatistics],
) -> dict[str, Any]:
    """`record.json` of a pass."""
    return {
        "frames": frames,
        "parts": [[part.identity, part.gain] for part in parts],
        "statistics": {name: [s.left, s.right, s.cross] for name, s in statistics.items()},
        "peaks": [
            [
                [[index, factor * parts[index].gain] for index, factor in bus.factors.items()],
                peak.sample,
                peak.true,
            ]
            for bus, peak in zip(buses, peaks, strict=True)
        ],
    }


@dataclass(frozen=True, slots=True)
class Recalled:
    """Answers of an earlier pass to a session with the same parts.

    Attributes
    ----------
    frames : int
        Length of that pass: with a full tail another level may end a little sooner or later.
    speech_band : RecalledPowers or None
        The same, weighted for the speech band.
    peaks : tuple of Peaks
        Of each bus.
    """

    frames: int
    powers: RecalledPowers
    speech_band: RecalledPowers | None
    peaks: tuple[Peaks, ...]
    statistics: Mapping[str, SignalStatistics]


class RecalledPowers:
    """The questions `BusPowers` answers, answered from cross powers.

    Parameters
    ----------
    cross : CrossPowers
        Of the earlier pass.
    gains : ndarray, shape (buses, components)
        Of the session's buses, against its own components.
    ratios : ndarray, shape (components,)
        Gain of each of the session's components over that of the earlier pass.
    order : ndarray, shape (components,)
        Place of each of the session's components in the earlier pass.
    """

    def __init__(
        self,
        cross: CrossPowers,
        gains: NDArray[np.float64],
        ratios: NDArray[np.float64],
        order: NDArray[np.intp],
    ) -> None:
        self._cross = cross
        self._ratios = ratios
        self._order = order
        matrix = np.zeros((len(gains), cross.components))
        matrix[:, order] = gains * ratios
        self._sums = cross.sums_many(matrix)

    @property
    def hops(self) -> int:
        """Length in 20 ms hops."""
        return self._cross.hops

    @property
    def finite(self) -> bool:
        """Whether every power is a number."""
        return bool(np.isfinite(self._sums).all())

    def sums(self, bus: int) -> NDArray[np.float64]:
        """Weighted power of one bus per hop, shape (hops,)."""
        return self._sums[bus]

    def component_sums(self, component: int) -> NDArray[np.float64]:
        """Weighted power of one component at its gain in the mix per hop, shape (hops,)."""
        return self._ratios[component] ** 2 * self._cross.component_sums(int(self._order[component]))


def recall(
    entry: CacheEntry,
    parts: Sequence[Part],
    buses: Sequence[Bus],
    gains: NDArray[np.float64],
    *,
    speech_band: bool,
) -> Recalled | None:
    """Answers of a record to a session with these parts; None when it cannot be read or does not fit."""
    try:
        record = entry.document("record")
        stored = {identity: (place, gain) for place, (identity, gain) in enumerate(record["parts"])}
        order = np.array([stored[part.identity][0] for part in parts], dtype=np.intp)
        ratios = np.array([part.gain / stored[part.identity][1] for part in parts])
        if len(stored) != len(parts) or not (np.isfinite(ratios) & (ratios > 0.0)).all():
            return None
        cross = CrossPowers.open(entry.folder / "cross.npy")
        heard = [
            ({int(index): float(gain) for index, gain in total}, float(sample), float(true))
            for total, sample, true in record["peaks"]
        ]
        statistics = {
            name: SignalStatistics(*map(float, values)) for name, values in record["statistics"].items()
        }
        if cross.components != len(parts):
            return None
        powers = RecalledPowers(cross, gains, ratios, order)
        in_speech_band = None
        if speech_band:
            in_speech_band = RecalledPowers(
                CrossPowers.open(entry.folder / "speech_band.npy"), gains, ratios, order
            )
        frames = int(record["frames"])
    except (RoomplanError, KeyError, TypeError, ValueError, ArithmeticError, AttributeError):
        return None
    sections = {bus.name.subject for bus in buses if bus.kind == "section"}
    sound = [powers, *([] if in_speech_band is None else [in_speech_band])]
    if (
        not all(math.isfinite(peak) and peak >= 0.0 for _total, *peaks in heard for peak in peaks)
        or not all(_possible(one) for one in statistics.values())
        or not sections <= statistics.keys()
        or not all(one.hops == cross.hops and one.finite for one in sound)
        or not 0 < frames <= _MOST_FRAMES
    ):
        return None
    known = [
        _peaks({int(order[i]): factor * parts[i].gain for i, factor in bus.factors.items()}, heard)
        for bus in buses
    ]
    return Recalled(frames, powers, in_speech_band, tuple(known), statistics)


def _possible(one: SignalStatistics) -> bool:
    """Tell whether energies may be those of a signal."""
    values = (one.left, one.right, one.cross)
    return all(map(math.isfinite, values)) and min(one.left, one.right) >= 0.0


def _peaks(total: Mapping[int, float], heard: Sequence[tuple[Mapping[int, float], float, float]]) -> Peaks:
    """Peaks of a bus that was measured, or differs from one that was by a gain common to all its parts."""
    if not total:
        return Peaks(0.0, 0.0)
    for before, sample, true in heard:
        if before.keys() != total.keys() or not all(before.values()):
            continue
        ratios = [total[index] / before[index] for index in total]
        if all(math.isclose(ratio, ratios[0], rel_tol=_SAME) for ratio in ratios):
            return Peaks(sample * abs(ratios[0]), true * abs(ratios[0]))
    return Peaks(None, None)


def _stems(
    section: SectionSource, digest: Callable[[Path], str]
) -> list[tuple[list[str | int], list[list[float]], list[list[float]]]]:
    """Content and place of each stem, and the matrices into the section's signal and its dry path."""
    return [
        (
            [path.offset_frames, *(digest(file) for file in path.stem.files)],
            path.signal.tolist(),
            path.dry.tolist(),
        )
        for path in section.stems
    ]


def _digest_of_samples(cell: NDArray[np.float64], known: dict[int, str]) -> str:
    """Digest of a response cell; cells are shared between sends, so each is read once."""
    if id(cell) not in known:
        known[id(cell)] = hashlib.blake2b(np.ascontiguousarray(cell).data, digest_size=20).hexdigest()
    return known[id(cell)]
