"""From responses and routes to the engine's plan of work: size classes, batches, hop. No audio.

Two ways of batching are weighed against each other: all inputs of a class at once keeps the threads busiest,
a few islands at a time hold the fewest spectra and so may allow a longer hop within the byte budget.

The rounding of an output depends on the hop, on the transforms of the classes it meets and on how far its
inputs are remembered, nothing else: `EngineLayout.signature`. So some outputs can be computed alone with
the samples they have among all.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from roomplan.convolution.routing import Batch, Route, batches_of
from roomplan.convolution.sizes import ClassLoad, ClassSize, choose_sizes, size_classes

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

__all__ = ["EngineClass", "EngineLayout", "lay_out_engine"]


@dataclass(frozen=True, slots=True)
class EngineClass:
    """A size class: its longest response, its responses, its routes in batches, its transform."""

    taps: int
    responses: tuple[int, ...]
    batches: tuple[Batch, ...]
    size: ClassSize


@dataclass(frozen=True, slots=True)
class EngineLayout:
    """How the work is done.

    Attributes
    ----------
    hop : int
        Frames per block.
    tail : int
        Frames that sound after the last one fed.
    memory : mapping of int to int
        Input → samples of its past that are kept.
    classes : tuple of EngineClass
        The longest first.
    """

    inputs: int
    outputs: int
    hop: int
    tail: int
    memory: Mapping[int, int]
    classes: tuple[EngineClass, ...]

    def only(self, outputs: Collection[int]) -> EngineLayout:
        """The same work for some of the outputs: they get the same samples to the last bit."""
        classes = []
        for one in self.classes:
            batches = []
            for batch in one.batches:
                routed = {sink: routes for sink, routes in batch.outputs.items() if sink in outputs}
                if routed:
                    heard = {route.input for routes in routed.values() for route in routes}
                    batches.append(Batch(tuple(i for i in batch.inputs if i in heard), routed))
            used = {route.response for batch in batches for into in batch.outputs.values() for route in into}
            if batches:
                responses = tuple(index for index in one.responses if index in used)
                classes.append(replace(one, responses=responses, batches=tuple(batches)))
        return replace(self, classes=tuple(classes))

    def signature(self, output: int) -> list[Any]:
        """Plain values that the rounding of an output depends on, besides its inputs and responses."""
        told: list[Any] = [self.hop]
        for one in self.classes:
            for batch in one.batches:
                routes = batch.outputs.get(output, ())
                if routes:
                    memory = [self.memory[route.input] for route in routes]
                    told.append([one.taps, *one.size.shape, one.size.pieces, memory])
        return told


def lay_out_engine(
    taps: Sequence[int], routes: Sequence[Route], *, inputs: int, outputs: int, **circumstances: Any
) -> EngineLayout:
    """Choose the hop and, per size class, its responses, its routes in batches and its transform.

    Parameters
    ----------
    taps : sequence of int
        Length of every response.
    routes : sequence of Route
    inputs, outputs : int
        Rows of the engine's blocks.
    **circumstances
        `workers`, `max_bytes`, `max_hop`, `expected_frames` (fed, tail not counted) and `sample_bytes`, as in
        `choose_sizes`.
    """
    tail = max(taps, default=1) - 1
    # each input is remembered as far back as the longest response it meets, no further
    memory: dict[int, int] = {}
    for route in routes:
        memory[route.input] = max(memory.get(route.input, 0), taps[route.response] - 1)
    expected = circumstances.get("expected_frames")
    circumstances |= {
        "inputs": inputs,
        "outputs": outputs,
        "remembered": sum(memory.values()),
        "expected_frames": None if expected is None else max(1, expected) + tail,
    }
    hop, classes = _choose(taps, routes, circumstances)
    return EngineLayout(
        inputs,
        outputs,
        hop,
        tail,
        memory,
        tuple(
            EngineClass(max(taps[index] for index in members), tuple(members), tuple(batches), size)
            for members, batches, size in classes
        ),
    )


def _choose(
    taps: Sequence[int], routes: Sequence[Route], circumstances: Mapping[str, Any]
) -> tuple[int, list[tuple[list[int], list[Batch], ClassSize]]]:
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
