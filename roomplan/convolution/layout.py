"""From responses and routes to the engine's plan of work: size classes, batches, hop. No audio.

Two ways of batching are weighed against each other: all inputs of a class at once keeps the threads busiest,
a few islands at a time hold the fewest spectra and so may allow a longer hop within the byte budget.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from roomplan.convolution.routing import Batch, Route, batches_of
from roomplan.convolution.sizes import ClassLoad, ClassSize, choose_sizes, size_classes

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["choose_layout"]


def choose_layout(
    taps: Sequence[int], routes: Sequence[Route], **circumstances: Any
) -> tuple[int, list[tuple[list[int], list[Batch], ClassSize]]]:
    """Hop, and per size class: its responses, its routes in batches, its transform.

    `circumstances` are the keyword arguments of `choose_sizes`.
    """
    used = sorted({route.response for route in routes})
    classes = [[used[place] for place in places] for places in size_classes([taps[index] for index in used])]
    routes_of = [[route for route in routes if route.response in members] for members in classes]
    layouts: list[list[list[Batch]]] = []
    for least in (circumstances["inputs"], 2 * circumstances["workers"]):
        layout = [batches_of(share, least_inputs=least) for share in routes_of]
        if layout not in layouts:
            layouts.append(layout)
    plans = [
        choose_sizes(
            [
                ClassLoad(
                    max(taps[index] for index in members),
                    len(members),
                    tuple((len(batch.inputs), len(batch.outputs)) for batch in batches),
                )
                for members, batches in zip(classes, layout, strict=True)
            ],
            **circumstances,
        )
        for layout in layouts
    ]
    budget = circumstances["max_bytes"]
    plan, layout = min(
        zip(plans, layouts, strict=True),
        key=lambda option: (max(option[0].estimated_bytes, budget), option[0].cost),
    )
    return plan.hop, list(zip(classes, layout, plan.sizes, strict=True))
