"""Loudness of the passages of a plan, and how far one section or group is over another.

Conventions
-----------
Everything follows from the power of each bus per 20 ms hop; windows of a passage do not reach beyond it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.frozen_classes import frozen_class
from roomplan.loudness.gating import loudness_of_hops
from roomplan.loudness.margins import margin_of_hops, passage_hops

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    from numpy.typing import NDArray

    from roomplan.loudness.gating import Loudness
    from roomplan.loudness.margins import MarginFigure
    from roomplan.plan.model import Margin, Passage, Plan

    Sums = Mapping[str, NDArray[np.float64]]

__all__ = ["MarginOfBuses", "PassageOfBus", "margins_of_plan", "passages_of_plan"]


@frozen_class
class MarginOfBuses:
    """A margin the plan asks for, over the whole cue (`passage` None) or one passage."""

    margin: Margin
    passage: str | None
    figure: MarginFigure


@frozen_class
class PassageOfBus:
    """Loudness of a bus within a passage."""

    passage: Passage
    bus: str
    loudness: Loudness


def passages_of_plan(plan: Plan, sums: Sums, *, sample_rate: int) -> tuple[PassageOfBus, ...]:
    """Loudness of every bus in every passage of the plan."""
    return tuple(
        PassageOfBus(
            passage,
            name,
            loudness_of_hops(
                hops[passage_hops(passage.start_s, passage.end_s, hops.size)], sample_rate=sample_rate
            ),
        )
        for passage in plan.passages.values()
        for name, hops in sums.items()
    )


def margins_of_plan(
    plan: Plan, sums: Sums, in_speech_band: Sums | None, *, sample_rate: int
) -> tuple[MarginOfBuses, ...]:
    """Every margin of the plan, over the whole cue and over each passage."""
    found = []
    for margin in plan.margins:
        powers = in_speech_band if margin.band == "speech" and in_speech_band is not None else sums
        count = sums[margin.of].size
        spans = [(None, slice(0, count))]
        spans += [(p.name, passage_hops(p.start_s, p.end_s, count)) for p in plan.passages.values()]
        found += [
            MarginOfBuses(
                margin,
                name,
                margin_of_hops(
                    powers[margin.of][hops],
                    powers[margin.over][hops],
                    sample_rate=sample_rate,
                    gate_sums=sums[margin.of][hops],
                ),
            )
            for name, hops in spans
        ]
    return tuple(found)
