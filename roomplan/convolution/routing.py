"""Which inputs, responses and outputs belong together: the engine's bookkeeping, no audio.

Conventions
-----------
Inputs, outputs and responses are indices. An *island* is a set of inputs and outputs connected by routes
and connected to nothing else: its input spectra can be forgotten as soon as its outputs are done.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

__all__ = ["Batch", "Route", "batches_of", "islands"]


@dataclass(frozen=True, slots=True)
class Route:
    """One input through one response into one output; several routes into one output are summed.

    Attributes
    ----------
    input : int
        Row of the input block.
    output : int
        Row of the output block.
    response : int
        Index into the list of responses.
    """

    input: int
    output: int
    response: int


@dataclass(frozen=True, slots=True)
class Batch:
    """Inputs to transform and the routes of each output they reach, worked off as one."""

    inputs: tuple[int, ...]
    outputs: dict[int, tuple[Route, ...]]


def islands(routes: Sequence[Route]) -> list[Batch]:
    """Split `routes` into the smallest batches that share neither an input nor an output.

    Order is that of first appearance, so equal routes give equal batches.
    """
    # every input points at another input of its island, or at itself (the island's name)
    leader: dict[int, int] = {}

    def find(source: int) -> int:
        while leader[source] != source:
            source = leader[source]
        return source

    first_source: dict[int, int] = {}
    for route in routes:
        leader.setdefault(route.input, route.input)
        other = first_source.setdefault(route.output, route.input)
        leader[find(route.input)] = find(other)

    members: dict[int, list[Route]] = {}
    for route in routes:
        members.setdefault(find(route.input), []).append(route)
    return [_batch(group) for group in members.values()]


def batches_of(routes: Sequence[Route], *, least_inputs: int) -> list[Batch]:
    """Islands joined, in order, until each batch has `least_inputs` inputs (the last may have fewer)."""
    batches: list[Batch] = []
    collected: list[Route] = []
    sources = 0
    for island in islands(routes):
        collected += (route for into in island.outputs.values() for route in into)
        sources += len(island.inputs)
        if sources >= least_inputs:
            batches.append(_batch(collected))
            collected, sources = [], 0
    if collected:
        batches.append(_batch(collected))
    return batches


def _batch(routes: Iterable[Route]) -> Batch:
    outputs: dict[int, list[Route]] = {}
    for route in routes:
        outputs.setdefault(route.output, []).append(route)
    sources = dict.fromkeys(route.input for into in outputs.values() for route in into)
    return Batch(tuple(sources), {output: tuple(into) for output, into in outputs.items()})
