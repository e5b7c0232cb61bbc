"""How long the engine's blocks are: a search over few candidates with a cost and a memory model.

Conventions
-----------
taps   samples of a response
hop    frames the engine takes in and gives out at once; a class works in `pieces` equal parts of it
N      samples of one transform; overlap-save needs N ≥ (piece of the hop) + taps − 1

Responses are put in size classes: a class holds the responses longer than a quarter of its longest. So one
response of 20 s does not make a transform of 20 s out of every response of 2 s.

The model
---------
One transform costs N·log₂N + a fixed price for the calls; a class runs its forward transforms, then its
inverse ones, on `workers` threads, in rounds. The hop with the lowest cost per frame that fits the byte
budget is taken. For a single class the cost per frame, N·log₂N / (N − taps + 1), falls quickly until the hop
is about as long as the response and slowly above twice its length: the search stops there.

Measured
--------
Hops of three or four times the longest response gain 3 to 6 % and cost memory. More or smaller partitions
gained nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from roomplan.convolution.spectra import transform_shape

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

__all__ = ["ClassLoad", "ClassSize", "SizePlan", "choose_sizes", "size_classes"]

# A class spans this ratio of lengths (the design's figure).
_CLASS_RATIO = 4
# Hop at most this many times the longest response: three times would save a ninth of the transforms' cost
# (N / hop falls from 1.5 to 1.33) for a third more memory and half as much again to wait for.
_MOST_RESPONSES_PER_HOP = 2
# ... but a hop may always reach this many frames: shorter ones spend their time in calls, not in transforms.
_USEFUL_HOP = 1 << 17
# Hops are multiples of this where they are long enough, so that every class can cut them into 2 … 64 pieces.
_HOP_UNIT = 64
# Price of the calls around one transform, in units of N·log₂N: about that of a transform of 16,000 samples
# (measured: 0.1 ms against 0.4 ns per unit).
_CALL_COST = 250_000.0
# Bytes per float32 sample; a half spectrum of N samples in complex64 takes as many as its samples.
_SAMPLE_BYTES = 4
# Arrays of N samples a worker holds at once: padded input, half-transformed spectrum, result.
_WORK_ARRAYS = 3


@dataclass(frozen=True, slots=True)
class ClassLoad:
    """What a size class has to do.

    Attributes
    ----------
    taps : int
        Its longest response.
    responses : int
        Spectra it keeps.
    batches : tuple of (inputs, outputs)
        Transforms per piece of a hop; the batches are worked off one after the other, so that only the
        input spectra of one batch are held.
    """

    taps: int
    responses: int
    batches: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class ClassSize:
    """How a size class does it.

    Attributes
    ----------
    shape : tuple of int
        (rows, columns) of its transform.
    pieces : int
        Equal parts the hop is cut into.
    together : int
        Parts whose input spectra are held at the same time; divides `pieces`.
    """

    shape: tuple[int, int]
    pieces: int
    together: int

    @property
    def length(self) -> int:
        """N, the samples of one transform."""
        return self.shape[0] * self.shape[1]


@dataclass(frozen=True, slots=True)
class SizePlan:
    """The hop, one `ClassSize` per load, and what the choice costs (model units per frame, bytes)."""

    hop: int
    sizes: tuple[ClassSize, ...]
    cost: float
    estimated_bytes: int


def size_classes(taps: Sequence[int]) -> list[list[int]]:
    """Indices of `taps` by size class, longest class first; order within a class as given."""
    remaining = sorted(range(len(taps)), key=lambda index: -taps[index])
    classes: list[list[int]] = []
    while remaining:
        longest = taps[remaining[0]]
        members = [index for index in remaining if taps[index] * _CLASS_RATIO > longest]
        remaining = remaining[len(members) :]
        classes.append(sorted(members))
    return classes


def choose_sizes(
    loads: Sequence[ClassLoad],
    *,
    inputs: int,
    outputs: int,
    remembered: int,
    workers: int,
    max_bytes: int,
    max_hop: int | None = None,
    expected_frames: int | None = None,
    sample_bytes: int = _SAMPLE_BYTES,
) -> SizePlan:
    """Choose the hop and the transforms of every class.

    Parameters
    ----------
    loads : sequence of ClassLoad
        Longest class first; may be empty.
    inputs, outputs : int
        Rows of the engine's blocks.
    remembered : int
        Past samples kept, all inputs together.
    max_bytes : int
        Target for everything the engine holds while it works, input and output block included. Where no
        candidate fits, the one with the least bytes is taken: response spectra have a floor.
    max_hop : int, optional
        Upper limit of the hop in frames.
    expected_frames : int, optional
        Frames the engine will give out in all, tail included. Short jobs then get a hop that divides them.
    sample_bytes : int
        4 for float32, 8 for float64.
    """
    if not loads:
        hop = min(value for value in (_USEFUL_HOP, max_hop, expected_frames) if value is not None)
        return SizePlan(hop, (), 0.0, sample_bytes * hop * (inputs + outputs))

    plans = [
        _plan(loads, piece, pieces, inputs + outputs, remembered, workers, sample_bytes, expected_frames)
        for pieces in _powers_of_two(_ceil_power_of_two(workers))
        if max_hop is None or pieces <= max_hop
        for piece in _piece_candidates(loads[0].taps, pieces, max_hop, expected_frames)
    ]
    fitting = [plan for plan in plans if plan.estimated_bytes <= max_bytes]
    if fitting:
        return min(fitting, key=lambda plan: plan.cost)
    return min(plans, key=lambda plan: plan.estimated_bytes)


def _piece_candidates(
    taps: int, pieces: int, max_hop: int | None, expected_frames: int | None
) -> Iterator[int]:
    """Frames per piece worth looking at for the longest class."""
    ceiling = max(_MOST_RESPONSES_PER_HOP * taps, _USEFUL_HOP)
    if max_hop is not None:
        ceiling = max(1, min(ceiling, max_hop // pieces))
    if expected_frames is not None:
        # a job of a few hops: the hops that end where the job ends
        exact = {-(-expected_frames // (count * pieces)) for count in range(1, 9)}
        yield from (_up_to_unit(frames) for frames in sorted(exact) if _up_to_unit(frames) <= ceiling)
        ceiling = min(ceiling, -(-expected_frames // pieces))
    # eight steps per factor of 4, down to a sixteenth of the ceiling and of the response
    floor = max(1, min(taps, ceiling) // 16)
    steps = max(1, round(8 * math.log(ceiling / floor, 4)))
    for step in range(steps + 1):
        frames = round(floor * (ceiling / floor) ** (step / steps))
        # frames the transform has room for anyway are taken along
        rows, columns = transform_shape(frames + taps - 1)
        yield _down_to_unit(min(rows * columns - taps + 1, ceiling))


def _plan(
    loads: Sequence[ClassLoad],
    piece: int,
    pieces: int,
    channels: int,
    remembered: int,
    workers: int,
    sample_bytes: int,
    expected_frames: int | None,
) -> SizePlan:
    """Complete plan for one hop: the longest class as given, the others as cheap as they can be."""
    hop = piece * pieces
    longest = _class_size(loads[0], hop, pieces, workers, None)
    sizes = [longest]
    for load in loads[1:]:
        options = [
            _class_size(load, hop, count, workers, longest)
            for count in _powers_of_two(_HOP_UNIT)
            if hop % count == 0
        ]
        sizes.append(min(options, key=lambda size, load=load: _class_cost(load, size, workers)))
    cost = sum(_class_cost(load, size, workers) for load, size in zip(loads, sizes, strict=True))
    # per frame that is wanted, not per frame that fits: a hop longer than the job is no bargain
    cost /= hop if expected_frames is None else expected_frames / -(-expected_frames // hop)

    samples = hop * channels + remembered
    samples += sum((load.responses + 2) * size.length for load, size in zip(loads, sizes, strict=True))
    samples += max(
        max(sources for sources, _ in load.batches) * size.together * size.length
        for load, size in zip(loads, sizes, strict=True)
    )
    samples += workers * _WORK_ARRAYS * max(size.length for size in sizes)
    return SizePlan(hop, tuple(sizes), cost, samples * sample_bytes)


def _class_size(load: ClassLoad, hop: int, pieces: int, workers: int, longest: ClassSize | None) -> ClassSize:
    shape = transform_shape(hop // pieces + load.taps - 1)
    # as many parts at once as keep the threads busy, or as take no more room than the longest class does
    room = 1 if longest is None else longest.together * longest.length // (shape[0] * shape[1])
    limit = max(_ceil_power_of_two(workers), room)
    together = max(count for count in _powers_of_two(pieces) if count <= limit)
    return ClassSize(shape, pieces, together)


def _class_cost(load: ClassLoad, size: ClassSize, workers: int) -> float:
    """Cost of one hop: rounds of transforms on `workers` threads."""
    rounds = sum(
        -(-sources * size.together // workers) + -(-sinks * size.together // workers)
        for sources, sinks in load.batches
    )
    transform = size.length * math.log2(max(2, size.length)) + _CALL_COST
    return size.pieces // size.together * rounds * transform


def _down_to_unit(frames: int) -> int:
    return frames // _HOP_UNIT * _HOP_UNIT or frames


def _up_to_unit(frames: int) -> int:
    return -(-frames // _HOP_UNIT) * _HOP_UNIT


def _ceil_power_of_two(value: int) -> int:
    return 1 << (value - 1).bit_length()


def _powers_of_two(limit: int) -> Iterator[int]:
    """Yield 1, 2, 4 … up to and including `limit`."""
    value = 1
    while value <= limit:
        yield value
        value *= 2
