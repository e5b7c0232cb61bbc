"""When an earlier pass answers in place of a new one, and what a new one leaves in the cache.

Conventions
-----------
A record answers loudness at any levels, peaks only at those of passes. Where there is a record, a new pass
meters peaks alone, and adds them to it when it has ended.
"""

from __future__ import annotations

from contextlib import nullcontext
from dataclasses import dataclass
from typing import TYPE_CHECKING

from roomplan.loudness.cross_powers import CrossPowerWriter
from roomplan.rendering.component_store import ComponentStore
from roomplan.rendering.one_pass import Heard, Keeping, Known, Level, bus_gains, hear, silent_progress
from roomplan.rendering.parts import parts_of
from roomplan.rendering.recall import describe_record, recall, record_key, record_with_pass

if TYPE_CHECKING:
    from collections.abc import Mapping

    from roomplan.files.cache import Cache, CacheEntry
    from roomplan.rendering.bus_layout import BusLayout
    from roomplan.rendering.one_pass import Destination, Progress
    from roomplan.rendering.parts import Part
    from roomplan.rendering.recall import Recalled
    from roomplan.session.response_matrices import ResponseMatrix

    Matrices = Mapping[tuple[str, int], ResponseMatrix]

__all__ = ["PassOptions", "hear_or_recall", "hear_whole"]

_NOTHING = Keeping(None, None)


@dataclass(frozen=True)
class PassOptions:
    """How a pass is made.

    Attributes
    ----------
    workers : int
        Threads.
    cache : Cache or None
        Where records and components are; there is no record of an excerpt.
    """

    workers: int = 2
    progress: Progress = silent_progress
    cache: Cache | None = None


@dataclass(frozen=True)
class _Kept:
    """The record of the parts of a session: where it is, and what it answers; None where there is none."""

    cache: Cache
    key: str
    parts: tuple[Part, ...]
    entry: CacheEntry | None
    answers: Recalled | None

    @property
    def is_whole(self) -> bool:
        """Whether the record is what it should be and has the peaks of these levels."""
        return self.answers is not None and all(peaks.sample is not None for peaks in self.answers.peaks)


def hear_or_recall(
    layout: BusLayout, matrices: Matrices, options: PassOptions, *, peaks: bool
) -> tuple[Heard, bool]:
    """Answer from an earlier pass, or listen; and whether it was the former.

    Parameters
    ----------
    matrices : mapping of (str, int) to ResponseMatrix
        Section and number of its send → response.
    peaks : bool
        Whether an answer without peaks is none.
    """
    kept = _kept_pass(layout, matrices, options.cache)
    if kept is None:
        return _listen(layout, matrices, options, None, _NOTHING), False
    if kept.answers is not None and (kept.is_whole or not peaks):
        return _as_heard(layout, kept.answers), True
    return _hear_and_keep(layout, matrices, options, None, kept), False


def hear_whole(
    layout: BusLayout, matrices: Matrices, options: PassOptions, destination: Destination
) -> Heard:
    """Make a pass that writes files, whatever the cache knows, and keep its record for later questions."""
    kept = _kept_pass(layout, matrices, options.cache)
    if kept is None:
        return _listen(layout, matrices, options, destination, _NOTHING)
    return _hear_and_keep(layout, matrices, options, destination, kept)


def _kept_pass(layout: BusLayout, matrices: Matrices, cache: Cache | None) -> _Kept | None:
    if cache is None or layout.session.excerpt is not None:
        return None
    parts = parts_of(layout.session, layout.components, matrices, digest=cache.files.digest)
    key = record_key(layout.session, parts, speech_band=layout.wants_speech_band)
    entry = cache.entry(key)
    if entry is None:
        return _Kept(cache, key, parts, None, None)
    gains = bus_gains(layout.buses, len(layout.components))
    answers = recall(entry, parts, layout.buses, gains, speech_band=layout.wants_speech_band)
    return _Kept(cache, key, parts, entry, answers)


def _as_heard(layout: BusLayout, found: Recalled) -> Heard:
    levels = [Level(bus, peaks) for bus, peaks in zip(layout.buses, found.peaks, strict=True)]
    return Heard(found.frames, found.powers, found.speech_band, levels, found.statistics, {})


def _hear_and_keep(
    layout: BusLayout,
    matrices: Matrices,
    options: PassOptions,
    destination: Destination | None,
    kept: _Kept,
) -> Heard:
    """Make a pass and, unless a whole record is there, keep what it leaves behind."""
    cache, parts = kept.cache, kept.parts
    if not parts:
        return _listen(layout, matrices, options, destination, _NOTHING)
    if kept.answers is not None:
        known = Known(kept.answers.powers, kept.answers.speech_band, kept.answers.peaks)
        heard = _listen(layout, matrices, options, destination, _NOTHING, known)
        if not kept.is_whole:
            _add_pass(layout, kept, heard)
        return heard
    plan = layout.session.plan
    with (
        cache.writing(kept.key, title=plan.title, source=str(plan.source)) as new,
        CrossPowerWriter(new.folder / "cross.npy", components=len(parts)) as cross,
        (
            CrossPowerWriter(new.folder / "speech_band.npy", components=len(parts))
            if layout.wants_speech_band
            else nullcontext()
        ) as speech_band,
    ):
        heard = _listen(layout, matrices, options, destination, Keeping(cross, speech_band))
        for reason in (cross.finish(), None if speech_band is None else speech_band.finish()):
            if reason is not None:
                new.give_up(reason)
        new.save_document(
            "record",
            describe_record(
                parts,
                layout.buses,
                frames=heard.frames,
                peaks=[level.peaks for level in heard.levels],
                statistics=heard.statistics,
            ),
        )
        if kept.entry is not None and new.given_up is None:
            cache.forget(kept.key)  # only now: a pass that is cut short leaves the earlier one
    return heard


def _add_pass(layout: BusLayout, kept: _Kept, heard: Heard) -> None:
    """Add the peaks of a pass to the record of the same sounds."""
    entry = kept.entry
    assert entry is not None  # noqa: S101 - there are answers
    peaks = [level.peaks for level in heard.levels]
    record = record_with_pass(entry, kept.parts, layout.buses, frames=heard.frames, peaks=peaks)
    if record is None:
        return
    with kept.cache.writing(kept.key, title=entry.title, source=entry.source) as new:
        for name in ("cross.npy", "speech_band.npy"):
            new.take_over(entry.folder / name)
        new.save_document("record", record)
        if new.given_up is None:
            kept.cache.forget(kept.key)


def _listen(
    layout: BusLayout,
    matrices: Matrices,
    options: PassOptions,
    destination: Destination | None,
    keeping: Keeping,
    known: Known | None = None,
) -> Heard:
    return hear(
        layout.session,
        layout.components,
        layout.buses,
        matrices,
        destination=destination,
        keeping=keeping,
        speech_band=layout.wants_speech_band,
        workers=options.workers,
        progress=options.progress,
        known=known,
        store=None if options.cache is None else ComponentStore(options.cache),
    )
