"""Components, block by block: stems in, dry and wet components out, the end of the tail decided once.

Conventions
-----------
A block is planar, float32, `(components, 2, frames)`, at the level each component has in the mix, muted
ones included. Frame 0 of the first block is frame 0 of the cue, or the first frame of the excerpt that is
heard; memory does not grow with length. A block stays as it is until the next but one is asked for, so that
it can be metered and written while the next is convolved.

An excerpt has the samples of the same frames of the whole cue within the rounding of float32 (measured on the
demo's mix: the difference is over 135 dB under the mix, and at its worst sample is one step of float32). The
stems are read from one response ahead of it on, and what was read is in the engine as its past, so the
tails of earlier sound are there without having been computed.

Wet components that an earlier stream has kept (`component_store`) are read in place of being convolved, with
the same samples to the last bit: the engine is laid out for all components, whichever of them it computes.
"""

from __future__ import annotations

import itertools
import math
from collections import deque
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, Self

import numpy as np

from roomplan.audio.readers import StemReader, open_stem
from roomplan.convolution.engine import Convolver, ConvolverState, Route
from roomplan.convolution.layout import lay_out_engine
from roomplan.rendering.component_store import SoundShape
from roomplan.rendering.heard import LONGEST_FADE_S, SignalStatistics
from roomplan.session.response_matrices import make_cells

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from numpy.typing import NDArray

    from roomplan.convolution.layout import EngineLayout
    from roomplan.rendering.component_store import ComponentStore, KeptSound, SoundKeeper
    from roomplan.session.buses import Component
    from roomplan.session.response_matrices import ResponseMatrix
    from roomplan.session.session import SectionSource, Session

    Planar = NDArray[np.float32]

__all__ = ["ComponentStream"]

TAIL_DROP_DB = 80.0  # `tail: full` ends where everything is this far under the loudest 400 ms block
# closing fades: after a full tail, at the end of the stems, and at most (common practice, no source)
FULL_FADE_S = 0.05
CUT_FADE_S = 0.01
HOP_S = 0.02
BLOCK_HOPS = 20  # 400 ms
_STEPS_BITS = 5  # a length is rounded up to one of 16 steps in every octave
ENGINE_BYTES = 185_000_000  # what the engine may hold; the blocks around it take about as much again


@dataclass
class _Section:
    source: SectionSource
    readers: list[StemReader]
    inputs: slice
    sum_input: int | None
    dry_component: int | None
    statistics: SignalStatistics = field(default_factory=SignalStatistics)


class ComponentStream:
    """Reads the stems of a session, or of its excerpt, once and yields its components.

    Parameters
    ----------
    matrices : mapping
        Response matrix of every send.
    workers : int
        Threads of the engine.
    store : ComponentStore, optional
        Where wet components are looked for, and kept.

    Notes
    -----
    With `tail: full` the end is the last 20 ms hop of the sum of *all* components, muted ones included, that
    is not 80 dB under the loudest 400 ms block of that sum; so `--mute` never changes the length of a file.

    An excerpt has the frames that were asked for, as far as anything can sound (`longest_frames`), whatever
    `tail` says, and no fade at its end. Its statistics are those of the part that is rendered.
    """

    def __init__(
        self,
        session: Session,
        components: tuple[Component, ...],
        matrices: Mapping[tuple[str, int], ResponseMatrix],
        *,
        workers: int = 2,
        store: ComponentStore | None = None,
    ) -> None:
        self._session = session
        self._components = components
        self._matrices = matrices
        self._workers = workers
        self._stack = ExitStack()
        self._pool = ThreadPoolExecutor(1)
        self._signals: list[Planar] = []
        self._dries: list[Planar] = []
        self._blocks: list[Planar] = []
        self._in_use: list[Planar] = []
        try:
            self._build()
            self._stack.callback(self._pool.shutdown)  # before the stems are closed: it may be reading one
            self._route()
            self._divide(store)
        except BaseException:
            self._stack.close()
            raise

    def _build(self) -> None:
        session, matrices = self._session, self._matrices
        longest = max((m.taps for m in matrices.values()), default=1)
        self._longest = _in_steps(longest)
        first = 0 if session.excerpt is None else session.excerpt.start_frame
        self._past = min(first, self._longest - 1)
        self._sections: list[_Section] = []
        inputs = 0
        dry_index = {c.section: i for i, c in enumerate(self._components) if c.send is None}
        for source in session.sections:
            readers = [
                self._stack.enter_context(
                    open_stem(
                        path.stem.files,
                        sample_rate=session.sample_rate,
                        start=source.delay_frames + path.offset_frames,
                        first_frame=first - self._past,
                    )
                )
                for path in source.stems
            ]
            for path in source.stems:
                path.stem.require_unchanged()
            span = slice(inputs, inputs + source.signal_channels)
            inputs = span.stop
            summed = None
            if source.signal_channels == 2 and any(
                matrices[source.name, i].sums for i in range(len(source.sends))
            ):
                summed, inputs = inputs, inputs + 1
            self._sections.append(_Section(source, readers, span, summed, dry_index.get(source.name)))
        self._inputs = inputs
        self.stem_frames = max((r.frames for s in self._sections for r in s.readers), default=0)
        self.longest_frames = self.stem_frames + longest - 1
        self._excerpt_frames: int | None = None
        if session.excerpt is not None:
            self._excerpt_frames = max(0, min(session.excerpt.frames, self.longest_frames - first))

    def _route(self) -> None:
        """Lay the routes: two engine outputs per wet component; alike ones are convolved once."""
        self._cells: list[tuple[ResponseMatrix, tuple[int, int]]] = []  # of each response: one place it has
        taps: list[int] = []
        index_of: dict[tuple[str, int], int] = {}
        routes: list[Route] = []
        outputs: list[tuple[bool, float]] = []  # per wet component: whether right repeats left, gain
        by_name = {section.source.name: section for section in self._sections}
        for number, component in enumerate(self._components):
            if component.send is None:
                continue
            section = by_name[component.section]
            matrix = self._matrices[component.section, component.send]
            gain = section.source.sends[component.send].gain
            paths = _engine_paths(section, matrix)
            same = _channels_alike(paths)
            # a mono signal m stands for left = right = m/√2; of two sides the engine is fed L + R, which
            # rounds less than (L + R)/√2, and not at all where stems of 24 bits are no louder than −6 dBFS
            scale = 1.0 if (section.source.signal_channels == 1) == matrix.sums else math.sqrt(0.5)
            for heard, place, cell in paths:
                if same and place[1] == 1:
                    continue
                known = matrix.identity, cell
                if known not in index_of:
                    index_of[known] = len(taps)
                    self._cells.append((matrix, place))
                    taps.append(_in_steps(matrix.outline[place][1]))
                routes.append(Route(input=heard, output=2 * number + place[1], response=index_of[known]))
            outputs.append((same, gain * scale))
        self._outputs = outputs
        fed, most = self.stem_frames, None
        if self._excerpt_frames is not None:
            # the engine expects its tail on top of what it is fed
            fed, most = max(1, self._excerpt_frames - self._longest + 1), max(1, self._excerpt_frames)
        self._layout = None
        if routes:
            self._layout = lay_out_engine(
                taps,
                routes,
                inputs=self._inputs,
                outputs=2 * len(outputs),
                workers=self._workers,
                expected_frames=fed,
                max_bytes=ENGINE_BYTES,
                max_hop=most,
            )
        self.hop = self._layout.hop if self._layout is not None else 1 << 18

    def _divide(self, store: ComponentStore | None) -> None:
        """Find what is kept, and make an engine for the rest."""
        self._kept: dict[int, KeptSound] = {}
        self._keeper: SoundKeeper | None = None
        self._damaged: set[int] = set()
        self._spare: Iterator[Planar] | None = None  # of what is damaged
        self._engine: Convolver | None = None
        layout = self._layout
        if layout is None:
            return
        if store is not None and self._end > 0:
            self._look_into(store, layout)
        missing = [number for number in range(len(self._outputs)) if number not in self._kept]
        if missing:
            layout = layout.only([2 * number + side for number in missing for side in (0, 1)])
            used = [self._cells[index] for one in layout.classes for index in one.responses]
            make_cells(matrix for matrix, _place in used)
            responses = {
                index: self._cells[index][0].cells[self._cells[index][1]]
                for one in layout.classes
                for index in one.responses
            }
            self._engine = Convolver.on_layout(layout, responses, workers=self._workers)

    def _look_into(self, store: ComponentStore, layout: EngineLayout) -> None:
        rounding = [
            [same, *(layout.signature(2 * number + side) for side in ((0,) if same else (0, 1)))]
            for number, (same, _gain) in enumerate(self._outputs)
        ]
        excerpt = self._session.excerpt
        span = [0 if excerpt is None else excerpt.start_frame, self._past, self._end]
        keys = store.keys(self._session, self._components, self._matrices, rounding=rounding, span=span)
        blocks = -(-self._end // self.hop)
        missing: dict[int, tuple[str, SoundShape]] = {}
        there = 0
        for number, (key, (same, _gain)) in enumerate(zip(keys, self._outputs, strict=True)):
            shape = SoundShape(blocks, 1 if same else 2, self.hop)
            found = store.find(key, shape)
            if found is None:
                missing[number] = key, shape
            else:
                self._kept[number] = found
                there += shape.size_bytes
        self._store = store
        self._keeper = store.keeper(missing, there=there, session=self._session, components=self._components)
        if self._keeper is not None:
            self._stack.callback(self._keeper.abandon)

    @property
    def _end(self) -> int:
        """Frames that the engine is run for."""
        if self._excerpt_frames is not None:
            return self._excerpt_frames
        tail = self._session.plan.tail
        if tail == "full":
            return self.stem_frames + self._longest - 1
        seconds = 0.0 if tail == "none" else tail
        return self.stem_frames + round(seconds * self._session.sample_rate)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_error: object) -> None:
        self._stack.close()

    @property
    def most_frames(self) -> int:
        """Frames that cannot be exceeded, whatever the tail turns out to be."""
        if self._excerpt_frames is not None:
            return self._excerpt_frames
        tail = self._session.plan.tail
        if isinstance(tail, str):
            return self.longest_frames
        return self.stem_frames + round(tail * self._session.sample_rate)

    @property
    def statistics(self) -> dict[str, SignalStatistics]:
        """Energies of every section's signal, complete when the stream is."""
        return {section.source.name: section.statistics for section in self._sections}

    def blocks(self, progress: Callable[[int, int], None] = lambda _done, _all: None) -> Iterator[Planar]:
        """Yield the components from the first frame to the end of the tail, faded there; or the excerpt."""
        if self._excerpt_frames is not None:
            yield from self._excerpt(self._excerpt_frames, progress)
            return
        tail: float | Literal["full", "none"] = self._session.plan.tail
        if tail == "full":
            yield from self._full_tail(progress)
            return
        fade_s = CUT_FADE_S if tail == "none" else min(LONGEST_FADE_S, tail / 2.0)
        yield from self._until(self._raw_blocks(), self._end, fade_s, progress)

    def _excerpt(self, frames: int, progress: Callable[[int, int], None]) -> Iterator[Planar]:
        """Yield the excerpt as it is."""
        if frames:
            yield from self._until(self._raw_blocks(), frames, 0.0, progress)

    def _remember_past(self) -> None:
        """Let the engine remember what sounded before an excerpt."""
        signals = np.zeros((self._inputs, self._past), np.float32)
        self._read_into(signals, None)
        if self._engine is not None:
            history = tuple(self._memory(row, samples) for row, samples in enumerate(signals))
            nothing = np.zeros((self._inputs, 0), np.float32)
            self._engine.restore(ConvolverState(history, nothing, fed=0, given=0))

    def _memory(self, row: int, samples: Planar) -> Planar | None:
        """Last samples of an input, as many as the engine remembers of it; None if silent."""
        memory = {} if self._layout is None else self._layout.memory
        kept = np.zeros(memory.get(row, 0), np.float32)
        recent = samples[max(0, len(samples) - len(kept)) :]
        if not len(kept) or not recent.any():
            return None
        kept[len(kept) - len(recent) :] = recent
        return kept

    def _full_tail(self, progress: Callable[[int, int], None]) -> Iterator[Planar]:
        """Hold back what reaches beyond the stems until the end is known."""
        levels = _HopPowers(self._session.sample_rate)
        held: deque[Planar] = deque()
        start = 0

        def decided() -> Iterator[Planar]:
            nonlocal start
            for block in self._raw_blocks():
                levels.add(block)
                held.append(block)
                beyond = start + sum(b.shape[2] for b in held) > self.stem_frames
                while held and not beyond:
                    first = held.popleft()
                    start += first.shape[2]
                    yield first

        for block in decided():
            progress(start, self.longest_frames)
            yield block
            self._release(block)
        end = max(1, min(levels.end(TAIL_DROP_DB), self.longest_frames))
        rest, held = list(held), deque()
        for block in self._until(iter(rest), end - start, FULL_FADE_S, lambda _done, _all: None):
            start += block.shape[2]
            progress(start, end)
            yield block

    def _until(
        self, blocks: Iterator[Planar], end: int, fade_s: float, progress: Callable[[int, int], None]
    ) -> Iterator[Planar]:
        """Cut at `end` with a raised-cosine fade over the last `fade_s` seconds."""
        fade = min(end, round(fade_s * self._session.sample_rate))
        curve = (0.5 + 0.5 * np.cos(np.pi * (np.arange(fade) + 1.0) / (fade + 1.0))).astype(np.float32)
        start = 0
        for block in blocks:
            if start >= end:
                return
            cut = block[:, :, : end - start]
            stop = start + cut.shape[2]
            if stop > end - fade:
                first = max(start, end - fade)
                cut[:, :, first - start :] *= curve[first - (end - fade) : stop - (end - fade)]
            yield cut
            self._release(block)
            start = stop
            progress(start, end)

    def _raw_blocks(self) -> Iterator[Planar]:
        """Yield blocks of `hop` frames until the end is covered; `_release` takes them back."""
        end, wet = self._end, len(self._outputs)
        if self._past:
            self._remember_past()
        pending = deque([self._pool.submit(self._read, min(self.hop, end))])
        with ThreadPoolExecutor(self._workers) as reading:
            for start in range(0, end, self.hop):
                signals, dry = pending.popleft().result()
                block = _taken(self._blocks, (len(self._components), 2, self.hop))
                block[wet:] = dry
                left = end - start - self.hop
                if left > 0:
                    self._dries.append(dry)
                    pending.append(self._pool.submit(self._read, min(self.hop, left)))
                else:  # nothing more is read, and a full tail is about to hold one block more than before
                    self._signals.clear()
                    self._dries.clear()
                del dry
                self._convolve(signals, block[:wet])
                self._read_kept(block[:wet], reading, start // self.hop)
                self._signals.append(signals)
                yield block
        if self._excerpt_frames is not None:  # which leaves files before their end, where they are looked at
            for section in self._sections:
                for reader in section.readers:
                    reader.require_unchanged()
        if self._keeper is not None:
            self._keeper.finish()

    def _convolve(self, signals: Planar, wet: Planar) -> None:
        """Make, and keep before its gain, what is not there."""
        if self._engine is None:
            return
        self._engine.process_planar(signals, out=wet.reshape(-1, self.hop))
        keeping = () if self._keeper is None else self._keeper.numbers
        for number, (component, (same, gain)) in enumerate(zip(wet, self._outputs, strict=True)):
            if number in self._kept:
                continue
            if number in keeping and self._keeper is not None:
                self._keeper.keep(number, component[: 1 if same else 2])
            _at_gain(component, gain, same=same)

    def _read_kept(self, wet: Planar, pool: ThreadPoolExecutor, number: int) -> None:
        """Read what is there; what turns out to be damaged is made by a stream that has nothing kept."""

        def read(index: int) -> bool:
            same, gain = self._outputs[index]
            whole = self._kept[index].read_into(wet[index, : 1 if same else 2])
            if whole:
                _at_gain(wet[index], gain, same=same)
            return whole

        asked = [index for index in self._kept if index not in self._damaged]
        for index, whole in zip(asked, pool.map(read, asked), strict=True):
            if not whole:
                self._damaged.add(index)
                self._store.forget(self._kept[index].key)
        if self._damaged:
            if self._spare is None:
                spare = self._stack.enter_context(
                    ComponentStream(self._session, self._components, self._matrices, workers=self._workers)
                )
                self._spare = itertools.islice(spare._recycled(), number, None)  # noqa: SLF001 - its own
            made = next(self._spare)
            for index in self._damaged:
                wet[index] = made[index]

    def _recycled(self) -> Iterator[Planar]:
        """Yield blocks that are valid until the next."""
        for block in self._raw_blocks():
            yield block
            self._release(block)

    def _release(self, block: Planar) -> None:
        """Take a block back once the next is: fresh memory for every hop costs more than the sums in it."""
        self._blocks += self._in_use
        self._in_use = [block]

    def _read(self, frames: int) -> tuple[Planar, Planar]:
        """Read the next frames of every stem, a hop or what is left, into inputs and dry components."""
        wet = len(self._outputs)
        signals = _taken(self._signals, (self._inputs, self.hop))
        dries = _taken(self._dries, (len(self._components) - wet, 2, self.hop))
        signals[:] = 0.0
        dries[:] = 0.0
        self._read_into(signals[:, :frames], dries)
        for section in self._sections:
            section.statistics.add(signals[section.inputs])
        return signals, dries

    def _read_into(self, signals: Planar, dries: Planar | None) -> None:
        """Add the next frames of every stem to the engine's inputs and, if wanted, to the dry components."""
        wet, frames = len(self._outputs), signals.shape[1]
        for section in self._sections:
            signal = signals[section.inputs]
            for path, reader in zip(section.source.stems, section.readers, strict=True):
                sound = reader.read(frames)
                if not len(sound):
                    continue
                channels = np.ascontiguousarray(sound.T)
                _add_mixed(signal[:, : len(sound)], path.signal, channels)
                if dries is not None and section.dry_component is not None:
                    dry = dries[section.dry_component - wet, :, : len(sound)]
                    _add_mixed(dry, (section.source.dry_gain or 0.0) * path.dry, channels)
            if section.sum_input is not None:
                np.add(signal[0], signal[1], out=signals[section.sum_input])


def _taken(free: list[Planar], shape: tuple[int, ...]) -> Planar:
    return free.pop() if free else np.zeros(shape, np.float32)


def _add_mixed(into: Planar, matrix: NDArray[np.float64], channels: Planar) -> None:
    """Add matrix @ channels row by row (a matrix product would round differently with the shape)."""
    for output, row in enumerate(matrix):
        for channel, gain in enumerate(row):
            if gain == 1.0:
                into[output] += channels[channel]
            elif gain != 0.0:
                into[output] += np.float32(gain) * channels[channel]


def _engine_paths(section: _Section, matrix: ResponseMatrix) -> list[tuple[int, tuple[int, int], int]]:
    """Paths without gains: engine input, place in the matrix (source, output), number of the cell there."""
    first = section.inputs.start
    cells = [(place, number) for place, (number, _taps) in matrix.outline.items()]
    if section.source.signal_channels == 1:
        return [(first, place, number) for place, number in cells]
    if matrix.sums:
        summed = section.sum_input if section.sum_input is not None else first
        return [(summed, place, number) for place, number in cells]
    return [(first + place[0], place, number) for place, number in cells]


def _channels_alike(paths: list[tuple[int, tuple[int, int], int]]) -> bool:
    """Whether both outputs hear the same inputs through the same responses: one convolution serves both."""
    left = {(heard, cell) for heard, place, cell in paths if place[1] == 0}
    right = {(heard, cell) for heard, place, cell in paths if place[1] == 1}
    return left == right


def _in_steps(taps: int) -> int:
    """Length that the engine is laid out for: at most a sixteenth more than a response has.

    So a little more pre-delay or a lower cut mostly leaves the layout, and with it what is kept, as it is.
    """
    step = 1 << max(0, taps.bit_length() - _STEPS_BITS)
    return -(-taps // step) * step


def _at_gain(component: Planar, gain: float, *, same: bool) -> None:
    """Bring a component to its gain; where left and right are alike, left is there."""
    component[: 1 if same else 2] *= np.float32(gain)
    if same:
        component[1] = component[0]


class _HopPowers:
    """Power of the sum of all components in 20 ms hops: decides where a full tail ends."""

    def __init__(self, sample_rate: int) -> None:
        self._hop = max(1, round(HOP_S * sample_rate))
        self._powers: list[NDArray[np.float64]] = []
        self._rest = np.zeros((2, 0), np.float32)

    def add(self, block: Planar) -> None:
        total = np.concatenate([self._rest, block.sum(axis=0)], axis=1)
        whole = total.shape[1] // self._hop * self._hop
        shaped = total[:, :whole].reshape(2, -1, self._hop)
        self._powers.append(np.einsum("cht,cht->h", shaped, shaped, dtype=np.float64))
        self._rest = total[:, whole:].copy()

    def end(self, drop_db: float) -> int:
        """First frame after the last hop that is not `drop_db` under the loudest 400 ms."""
        rest = float(np.sum(np.square(self._rest, dtype=np.float64)))
        powers = np.concatenate([*self._powers, [rest]])
        padded = np.concatenate([np.zeros(BLOCK_HOPS - 1), powers])
        sums = np.concatenate([[0.0], np.cumsum(padded)])
        loudest = float(np.max(sums[BLOCK_HOPS:] - sums[:-BLOCK_HOPS])) / BLOCK_HOPS
        audible = np.nonzero(powers > loudest * 10.0 ** (-drop_db / 10.0))[0]
        return (int(audible[-1]) + 1) * self._hop if len(audible) else self._hop
