"""What one pass over the sound left behind, and what it answers of plans that only change levels and mutes.

Conventions
-----------
Plans with the same parts (`rendering.parts`) at the same rate and tail differ in gains only, and every
loudness of theirs follows from the cross powers of one pass (`loudness.cross_powers`). Peaks do not: they are
known for buses that were measured, and for those that differ from one of them by a common gain.

A record is an entry of the cache: `cross.npy` (and `speech_band.npy`, weighted for that band), `record.json`.
Its key is made of the parts: it is never out of date. An excerpt of a cue is no cue: it is not recorded.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from roomplan._version import __version__
from roomplan.errors import RoomplanError
from roomplan.files.digests import digest_of
from roomplan.frozen_classes import frozen_class
from roomplan.loudness.cross_powers import CrossPowers
from roomplan.rendering.heard import Peaks, SignalStatistics

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from roomplan.files.cache import CacheEntry
    from roomplan.rendering.parts import Part
    from roomplan.session.buses import Bus
    from roomplan.session.session import Session

__all__ = [
    "Recalled",
    "RecalledPowers",
    "describe_record",
    "recall",
    "record_key",
    "record_with_pass",
]

_VERSION = 3  # of whatever decides the sound of a component: raise it when an algorithm changes
_SAME = 1e-9
_MOST_PASSES = 8  # of which a record has the peaks
_MOST_FRAMES = 2**53  # counted in floats further on


def record_key(session: Session, parts: Sequence[Part], *, speech_band: bool) -> str:
    """Key of the record of all sessions with these parts."""
    tail = session.plan.tail
    identities = sorted(part.identity for part in parts)
    return digest_of(
        *("sound", _VERSION, __version__),
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
        "parts": [[part.identity, part.gain] for part in parts],
        "statistics": {name: [s.left, s.right, s.cross] for name, s in statistics.items()},
        "passes": [_pass(parts, list(range(len(parts))), buses, frames, peaks)],
    }


def record_with_pass(
    entry: CacheEntry,
    parts: Sequence[Part],
    buses: Sequence[Bus],
    *,
    frames: int,
    peaks: Sequence[Peaks],
) -> dict[str, Any] | None:
    """`record.json` of an entry that `recall` has read, with a pass over the same sounds at other levels.

    None where it has gone meanwhile.
    """
    record = entry.document("record")
    if record is None:
        return None
    places = {identity: place for place, (identity, _gain) in enumerate(record["parts"])}
    order = [places[part.identity] for part in parts]
    *others, first = record["passes"]  # the first is that of the cross powers
    passes = [_pass(parts, order, buses, frames, peaks), *others[: _MOST_PASSES - 2], first]
    return {**record, "passes": passes}


def _pass(
    parts: Sequence[Part], order: Sequence[int], buses: Sequence[Bus], frames: int, peaks: Sequence[Peaks]
) -> dict[str, Any]:
    """Length and peaks of a pass at its gains, parts in the order of the record."""
    return {
        "frames": frames,
        "gains": [
            part.gain for _place, part in sorted(zip(order, parts, strict=True), key=lambda one: one[0])
        ],
        "peaks": [
            [
                [[order[index], factor * parts[index].gain] for index, factor in bus.factors.items()],
                peak.sample,
                peak.true,
            ]
            for bus, peak in zip(buses, peaks, strict=True)
        ],
    }


@frozen_class
class Recalled:
    """Answers of an earlier pass to a session with the same parts.

    Attributes
    ----------
    frames : int
        Length of the pass at these levels, else of the one that was metered: with a full tail another level
        may end a little sooner or later.
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

    Attributes
    ----------
    hops : int
        Length in 20 ms hops.
    """

    def __init__(
        self,
        cross: CrossPowers,
        gains: NDArray[np.float64],
        ratios: NDArray[np.float64],
        order: NDArray[np.intp],
    ) -> None:
        self.hops = cross.hops
        matrix = np.zeros((len(gains), cross.components))
        matrix[:, order] = gains * ratios
        self._sums = cross.sums_many(matrix)
        # all that is asked for: an hour's file that stays mapped is 100 MB of memory
        self._components = [
            ratio**2 * cross.component_sums(int(place)) for ratio, place in zip(ratios, order, strict=True)
        ]

    @property
    def finite(self) -> bool:
        """Whether every power is a number."""
        return bool(np.isfinite(self._sums).all())

    def sums(self, bus: int) -> NDArray[np.float64]:
        """Weighted power of one bus per hop, shape (hops,)."""
        return self._sums[bus]

    def component_sums(self, component: int) -> NDArray[np.float64]:
        """Weighted power of one component at its gain in the mix per hop, shape (hops,)."""
        return self._components[component]


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
        passes = [_read_pass(one, len(parts)) for one in record["passes"]]
        if not passes:
            return None
        heard = [peaks for one in passes for peaks in one.peaks]
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
    except (RoomplanError, KeyError, TypeError, ValueError, ArithmeticError, AttributeError):
        return None
    sections = {bus.name.subject for bus in buses if bus.kind == "section"}
    sound = [powers, *([] if in_speech_band is None else [in_speech_band])]
    if (
        not all(math.isfinite(peak) and peak >= 0.0 for _total, *peaks in heard for peak in peaks)
        or not all(_possible(one) for one in statistics.values())
        or not sections <= statistics.keys()
        or not all(one.hops == cross.hops and one.finite for one in sound)
        or not all(0 < one.frames <= _MOST_FRAMES for one in passes)
    ):
        return None
    known = [
        _peaks({int(order[i]): factor * parts[i].gain for i, factor in bus.factors.items()}, heard)
        for bus in buses
    ]
    here = [part.gain for _place, part in sorted(zip(order, parts, strict=True), key=lambda one: one[0])]
    frames = next((one.frames for one in passes if one.gains == here), passes[-1].frames)
    return Recalled(frames, powers, in_speech_band, tuple(known), statistics)


@frozen_class
class _Pass:
    """A pass as a record has it: its length, the gains of its parts, and peaks of sums of parts."""

    frames: int
    gains: list[float]
    peaks: list[tuple[dict[int, float], float, float]]


def _read_pass(content: Any, parts: int) -> _Pass:
    """Pass of a record; raises where it is not as it is written."""
    gains = [float(gain) for gain in content["gains"]]
    if len(gains) != parts:
        raise ValueError("a gain for every part")
    peaks = [
        ({int(index): float(gain) for index, gain in total}, float(sample), float(true))
        for total, sample, true in content["peaks"]
    ]
    return _Pass(int(content["frames"]), gains, peaks)


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
