"""A new pass over the sound, and what it leaves in the cache.

Conventions
-----------
Where there is a record, a new pass meters peaks alone, and adds them to it when it has ended.
"""

from __future__ import annotations

from contextlib import nullcontext
from typing import TYPE_CHECKING

from roomplan.loudness.cross_powers import CrossPowerWriter
from roomplan.rendering.component_store import ComponentStore
from roomplan.rendering.kept_pass import find_kept_pass
from roomplan.rendering.one_pass import Keeping, Known, hear
from roomplan.rendering.recall import describe_record, record_with_pass

if TYPE_CHECKING:
    from collections.abc import Mapping

    from roomplan.rendering.bus_layout import BusLayout
    from roomplan.rendering.heard import Destination, Heard
    from roomplan.rendering.kept_pass import KeptPass, PassOptions
    from roomplan.session.response_matrices import ResponseMatrix

    Matrices = Mapping[tuple[str, int], ResponseMatrix]

__all__ = ["hear_anew", "hear_whole"]

_NOTHING = Keeping(None, None)


def hear_whole(
    layout: BusLayout, matrices: Matrices, options: PassOptions, destination: Destination
) -> Heard:
    """Make a pass that writes files, whatever the cache knows, and keep its record for later questions."""
    return hear_anew(layout, matrices, options, destination, find_kept_pass(layout, matrices, options.cache))


def hear_anew(
    layout: BusLayout,
    matrices: Matrices,
    options: PassOptions,
    destination: Destination | None,
    kept: KeptPass | None,
) -> Heard:
    """Make a pass and, unless a whole record is there or there is no place for one, keep what it leaves."""
    if kept is None or not kept.parts:
        return _listen(layout, matrices, options, destination, _NOTHING)
    cache, parts = kept.cache, kept.parts
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


def _add_pass(layout: BusLayout, kept: KeptPass, heard: Heard) -> None:
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
