"""What an earlier pass over the sounds of a session answers.

Conventions
-----------
A record answers loudness at any levels, peaks only at those of passes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.frozen_classes import frozen_class
from roomplan.rendering.bus_layout import bus_gains
from roomplan.rendering.heard import Heard, Level
from roomplan.rendering.parts import parts_of
from roomplan.rendering.progress import silent_progress
from roomplan.rendering.recall import recall, record_key

if TYPE_CHECKING:
    from collections.abc import Mapping

    from roomplan.files.cache import Cache, CacheEntry
    from roomplan.rendering.bus_layout import BusLayout
    from roomplan.rendering.parts import Part
    from roomplan.rendering.progress import Progress
    from roomplan.rendering.recall import Recalled
    from roomplan.session.response_matrices import ResponseMatrix

    Matrices = Mapping[tuple[str, int], ResponseMatrix]

__all__ = ["KeptPass", "PassOptions", "find_kept_pass", "heard_from"]


@frozen_class
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


@frozen_class
class KeptPass:
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


def find_kept_pass(layout: BusLayout, matrices: Matrices, cache: Cache | None) -> KeptPass | None:
    """Record of the parts of a session, there or not yet; None without a cache, and of an excerpt."""
    if cache is None or layout.session.excerpt is not None:
        return None
    parts = parts_of(layout.session, layout.components, matrices, digest=cache.files.digest)
    key = record_key(layout.session, parts, speech_band=layout.wants_speech_band)
    entry = cache.entry(key)
    if entry is None:
        return KeptPass(cache, key, parts, None, None)
    gains = bus_gains(layout.buses, len(layout.components))
    answers = recall(entry, parts, layout.buses, gains, speech_band=layout.wants_speech_band)
    return KeptPass(cache, key, parts, entry, answers)


def heard_from(layout: BusLayout, found: Recalled) -> Heard:
    """What an earlier pass leaves behind at the levels of now."""
    levels = [Level(bus, peaks) for bus, peaks in zip(layout.buses, found.peaks, strict=True)]
    return Heard(found.frames, found.powers, found.speech_band, levels, found.statistics, {})
