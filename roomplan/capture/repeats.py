"""Foreign sounds that come again at the same moment of every sweep: they are the chain's own."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from roomplan.capture.leftover import Event
    from roomplan.capture.played_take import PlayedTake

__all__ = ["without_repeats"]

_SAME_MOMENT_S = 0.03
_MOST = 0.5  # of the sounds of a take: of many footsteps, some fall on the moment of another by chance
_LOUDER_DB = 6.0  # what is this much clearer than all that repeats is foreign again


def without_repeats(takes: Sequence[PlayedTake]) -> tuple[list[PlayedTake], bool]:
    """Takes without the sounds that a distortion makes, and whether there are any.

    None are found where less than half of the sounds of a take come again: those that do may fall together by
    chance. A side that was played once has no second take to tell by: what it has is judged by the clearest
    of the sounds that repeat on the other.
    """
    repeated: list[Event] = []
    for take in takes:
        again = [event for event in take.events if _comes_again(event, take, takes)]
        if len(again) >= _MOST * len(take.events):
            repeated += again
        elif again:
            repeated.clear()
            break
    if not repeated:
        return list(takes), False
    limit = max(event.over_db for event in repeated) + _LOUDER_DB
    return [
        replace(take, events=tuple(event for event in take.events if event.over_db > limit)) for take in takes
    ], True


def _comes_again(event: Event, take: PlayedTake, takes: Sequence[PlayedTake]) -> bool:
    """Whether another take of the side has a sound at the same moment."""
    return any(
        abs(other.start_s - event.start_s) < _SAME_MOMENT_S
        for another in takes
        if another is not take and another.cut.side == take.cut.side
        for other in another.events
    )
