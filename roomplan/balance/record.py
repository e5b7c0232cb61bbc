"""The cross powers of a session's components, from the pass that was kept or one that is made now.

Conventions
-----------
Components are those of `session.buses.build_components`, in that order; gains are those they have in the mix.
A record was written at the gains of its own pass: what counts is the ratio of the two.
"""

from __future__ import annotations

import tempfile
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from roomplan.errors import RoomplanError
from roomplan.files.cache import Cache
from roomplan.loudness.factors import count_pairs
from roomplan.plan.bus_name import BusName
from roomplan.plan.model import Margin
from roomplan.rendering.bus_layout import bus_gains
from roomplan.rendering.measure import measure_session
from roomplan.rendering.parts import Part, parts_of
from roomplan.rendering.recall import recall, record_key
from roomplan.session.buses import Component, build_buses, build_components

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from roomplan.files.cache import CacheEntry
    from roomplan.plan.targets import Target
    from roomplan.rendering.progress import Progress
    from roomplan.session.response_matrices import ResponseMatrix
    from roomplan.session.session import Session

__all__ = ["Record", "component_gains", "hearing_targets", "keeping", "open_record"]


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    """What one pass left of its sound.

    Attributes
    ----------
    components : tuple of Component
        Of the session it was opened for.
    order : ndarray of int, shape (components,)
        Place of each of them in the factors.
    stored : ndarray, shape (components,)
        Gain each had when it was measured.
    factor : ndarray of float32, shape (hops, pairs)
        Rows of U, G = UᵀU, K-weighted (`loudness.cross_powers`).
    speech_band : ndarray or None
        The same in the speech band, where it was asked for.
    entry : CacheEntry or None
        Where they are kept, and `identities` of the components there.
    """

    components: tuple[Component, ...]
    order: NDArray[np.intp]
    stored: NDArray[np.float64]
    factor: NDArray[np.float32]
    speech_band: NDArray[np.float32] | None
    entry: CacheEntry | None = None
    identities: tuple[str, ...] = ()

    @property
    def hops(self) -> int:
        """Length in 20 ms hops."""
        return len(self.factor)

    def ratios(self, session: Session) -> NDArray[np.float64]:
        """Gain of every component of a session at other levels over that of the record; 0 where muted."""
        return component_gains(session, self.components) / self.stored

    def true_peak(self, session: Session) -> float | None:
        """True peak of the mix, linear, where that pass measured it; None where only a new pass can tell."""
        if self.entry is None:
            return None
        parts = parts_at(session, self.components, self.identities)
        buses = build_buses(session, self.components)[:1]
        gains = bus_gains(buses, len(self.components))
        found = recall(self.entry, parts, buses, gains, speech_band=False)
        return None if found is None else found.peaks[0].true


def component_gains(session: Session, components: Sequence[Component]) -> NDArray[np.float64]:
    """Linear gains of components in the mix; 0 of what is muted."""
    gains = []
    for component in components:
        section = session.section(component.section)
        if component.muted:
            gains.append(0.0)
        elif component.send is None:
            gains.append(section.dry_gain or 0.0)
        else:
            gains.append(section.sends[component.send].gain)
    return np.array(gains)


def parts_at(
    session: Session, components: Sequence[Component], identities: Sequence[str]
) -> tuple[Part, ...]:
    """Parts of a session at other levels: the sounds are the same, the gains are not."""
    audible = component_gains(session, [replace(component, muted=False) for component in components])
    return tuple(Part(name, float(gain)) for name, gain in zip(identities, audible, strict=True))


def hearing_targets(session: Session, targets: Sequence[Target]) -> Session:
    """Session whose pass keeps what the targets ask for: the speech band where one of them needs it."""
    known = {(margin.of, margin.over, margin.band) for margin in session.plan.margins}
    more = [
        Margin(target.of or BusName(), target.over or BusName(), "speech", target.place)
        for target in targets
        if target.kind == "margin"
        and target.band == "speech"
        and (target.of, target.over, "speech") not in known
    ]
    if not more or any(margin.band == "speech" for margin in session.plan.margins):
        return session
    # one is enough: a pass keeps the cross powers of all pairs
    return replace(session, plan=replace(session.plan, margins=(*session.plan.margins, more[0])))


@contextmanager
def keeping(cache: Cache | None) -> Iterator[Cache]:
    """The user's cache, or one for the moment where there is none."""
    if cache is not None:
        yield cache
        return
    with tempfile.TemporaryDirectory(prefix="roomplan_") as folder:
        temporary = Cache(Path(folder))
        temporary.keeps_sound = False
        yield temporary


def open_record(
    session: Session,
    targets: Sequence[Target],
    matrices: Mapping[tuple[str, int], ResponseMatrix],
    *,
    cache: Cache,
    workers: int,
    progress: Progress,
) -> Record:
    """Cross powers of a session, measured now where no pass over the same sounds was kept.

    Parameters
    ----------
    targets : sequence of Target
        They decide whether the speech band is needed.
    matrices : mapping
        Response matrix of every send.
    workers : int
        Threads of a pass.

    Raises
    ------
    RoomplanError
        When nothing could be kept, or there is nothing to hear.
    """
    components = build_components(session)
    parts = parts_of(session, components, matrices, digest=cache.files.digest)
    if not parts:
        raise RoomplanError(
            "no section has a dry sound or a send: there is nothing to balance", place=session.plan.place
        )
    heard = hearing_targets(session, targets)
    speech_band = any(margin.band == "speech" for margin in heard.plan.margins)
    key = record_key(heard, parts, speech_band=speech_band)
    for attempt in range(2):
        entry = cache.entry(key)
        if entry is not None:
            found = _read(entry, components, parts, speech_band=speech_band)
            if found is not None:
                return found
            cache.forget(key)  # whole, but not what it should be: this pass keeps it anew
        if attempt == 0:
            measure_session(heard, workers=workers, progress=progress, cache=cache)
    why = cache.notes[-1] if cache.notes else f"nothing was saved in {cache.folder}"
    raise RoomplanError(
        f"the sound of the plan could not be saved for solving: {why}",
        remedy="free some space on the disk of the cache, or set ROOMPLAN_CACHE to another folder",
    )


def _read(
    entry: CacheEntry, components: tuple[Component, ...], parts: Sequence[Part], *, speech_band: bool
) -> Record | None:
    """Record of an entry; None when it cannot be read or does not fit."""
    document = entry.document("record")
    try:
        places = {identity: (place, gain) for place, (identity, gain) in enumerate(document["parts"])}
        order = np.array([places[part.identity][0] for part in parts], dtype=np.intp)
        stored = np.array([places[part.identity][1] for part in parts], dtype=np.float64)
        factors = [
            np.load(entry.folder / name, mmap_mode="r", allow_pickle=False)
            for name in ("cross.npy", *(["speech_band.npy"] if speech_band else []))
        ]
    except Exception:  # noqa: BLE001 - numpy evaluates headers: a damaged one fails in any way
        return None
    pairs = count_pairs(len(parts))
    fits = all(
        f.ndim == 2 and f.shape[1] == pairs and f.dtype == np.float32 and np.isfinite(f).all()
        for f in factors
    )
    if (
        len(places) != len(parts)
        or not fits
        or not (np.isfinite(stored) & (stored > 0.0)).all()
        or len({len(f) for f in factors}) > 1
    ):
        return None
    return Record(
        components,
        order,
        stored,
        factors[0],
        factors[1] if speech_band else None,
        entry,
        tuple(part.identity for part in parts),
    )
