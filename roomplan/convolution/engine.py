"""Streaming convolution: uniform overlap-save with shared spectra, on several threads.

Conventions
-----------
Public calls take and return (frames, channels); the kernel `Convolver.process_planar` works on
(channels, frames), C-contiguous. Samples are float32 (float64 on request), the responses' spectra are
computed in float64 and rounded once, which takes a third off the error for nothing. Gain is 1: output =
Σ over routes of input ∗ response, sample aligned, no latency but the one of the hop.

Method
------
Overlap-save (T. G. Stockham, "High-speed convolution and correlation", Spring Joint Computer Conference
1966; A. V. Oppenheim and R. W. Schafer, "Discrete-Time Signal Processing", section on the DFT of linear
convolutions): every transform sees the last taps − 1 samples again and the first taps − 1 results are
thrown away. Responses are put in size classes (`sizes`), each with its own transform (`spectra`). Within
a class an input is transformed once, the routes into one output are summed as spectra, and one inverse
transform is made per output. What is silent is neither transformed nor multiplied.

The rounding of a float32 transform is white, 132 dB under the input. A response that keeps little of that
input (a low cut over a bass) lets the rounding through all the same: 50 dB of cut leave it 80 dB under what
remains. So an output that keeps 15 dB less of its inputs than it would of white noise is computed in float64.

Threads run whole transforms: scipy.fft and the large array operations release the interpreter lock.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property, partial
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from roomplan.convolution.layout import EngineLayout, lay_out_engine
from roomplan.convolution.routing import Batch, Route
from roomplan.convolution.spectra import RealTransform
from roomplan.convolution.validation import (
    validate_counts,
    validate_finite,
    validate_responses,
    validate_routes,
)
from roomplan.errors import RoomplanError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from numpy.typing import DTypeLike

    from roomplan.convolution.sizes import ClassSize

__all__ = ["Convolver", "ConvolverState", "Route", "convolve"]

_Argument = TypeVar("_Argument")
_Result = TypeVar("_Result")

# Above this length the float64 transforms of the responses are made one at a time: 40 bytes per sample each.
_LARGE_TRANSFORM = 1 << 20

# Power an output keeps of its inputs, over what it would keep of white ones, under which it is computed in
# float64: rounding is then 117 dB under any output. Judged on some rows of the spectra, bins spread evenly.
_LEAST_KEPT = 10.0**-1.5
_JUDGED_ROWS = 4


@dataclass(frozen=True, slots=True)
class ConvolverState:
    """Everything a `Convolver` remembers between two calls; made by `snapshot`, read by `restore`."""

    history: tuple[np.ndarray | None, ...]
    pending: np.ndarray
    fed: int
    given: int


@dataclass(frozen=True)
class _SizeClass:
    """A size class at work: its transform, its responses' spectra and powers, its share of the routes."""

    taps: int
    size: ClassSize
    transform: RealTransform
    spectra: dict[int, np.ndarray]
    mean_powers: dict[int, float]
    batches: tuple[Batch, ...]
    writes_first: frozenset[int]

    @cached_property
    def exact_transform(self) -> RealTransform:
        """The transform in float64; made when first needed."""
        return RealTransform.of_shape(self.size.shape, dtype=np.dtype(np.float64))


class Convolver:
    """Many inputs through many responses into many outputs, block by block.

    Parameters
    ----------
    responses : sequence of ndarray, shape (taps,)
        Finite and real; lengths may differ. The same array object given twice is transformed once.
    routes : sequence of Route
        What goes where. Several routes into one output are summed.
    inputs, outputs : int
        Number of input and output channels, 1 or more.
    workers : int
        Threads, 1 or more.
    max_bytes : int
        Target in bytes for all the engine holds while it works, its input and output block included. A
        lower target gives a shorter `hop`; where no hop meets it, the leanest is used.
    expected_frames : int, optional
        Frames that will be fed, tail not counted: a hint, so that a job of seconds gets a hop that suits
        it. Feeding more or less is allowed.
    max_hop : int, optional
        Upper limit of `hop`.
    dtype : float32 or float64
        Precision of the work and of the output.

    Attributes
    ----------
    hop : int
        Frames per internal block.
    tail : int
        Frames that sound after the last one fed: the longest response − 1.

    Raises
    ------
    RoomplanError
        A response that is empty, not one-dimensional or not finite; a route that points outside its list;
        a count below 1.

    Notes
    -----
    The same samples on the same hop grid give the same results to the last bit, however they are split
    into calls of `process`. `process` and `process_planar` must not be mixed in one run. One convolver
    serves one signal at a time: it is not safe to feed it from several threads. Not done: time-varying
    responses, resampling, latency below a hop.
    """

    def __init__(
        self,
        responses: Sequence[np.ndarray],
        routes: Sequence[Route],
        *,
        inputs: int,
        outputs: int,
        workers: int = 2,
        max_bytes: int = 200_000_000,
        expected_frames: int | None = None,
        max_hop: int | None = None,
        dtype: DTypeLike = np.float32,
    ) -> None:
        responses = [np.asarray(response) for response in responses]
        counts = {"inputs": inputs, "outputs": outputs, "workers": workers}
        counts |= {"max_hop": max_hop} if max_hop is not None else {}
        validate_counts(counts)
        validate_responses(responses)
        validate_routes(routes, inputs=inputs, outputs=outputs, responses=len(responses))

        # one index per distinct array, so that its spectrum is made and kept once
        first_index: dict[int, int] = {}
        same = [first_index.setdefault(id(response), index) for index, response in enumerate(responses)]
        layout = lay_out_engine(
            [len(response) for response in responses],
            [Route(route.input, route.output, same[route.response]) for route in routes],
            inputs=inputs,
            outputs=outputs,
            workers=workers,
            max_bytes=max_bytes,
            max_hop=max_hop,
            expected_frames=expected_frames,
            sample_bytes=np.dtype(dtype).itemsize,
        )
        self._set_up(layout, dict(enumerate(responses)), workers, np.dtype(dtype))

    @classmethod
    def on_layout(
        cls, layout: EngineLayout, responses: Mapping[int, np.ndarray], *, workers: int = 2
    ) -> Convolver:
        """Convolver in float32 that works as a layout says.

        Parameters
        ----------
        layout : EngineLayout
            Made for all inputs and outputs, or one of its `only`: outputs left out are silent.
        responses : mapping of int to ndarray, shape (taps,)
            Those that the layout uses.
        workers : int
            Threads, 1 or more.
        """
        used = {index for one in layout.classes for index in one.responses}
        validate_responses([responses[index] for index in sorted(used)])
        convolver = cls.__new__(cls)
        convolver._set_up(layout, responses, workers, np.dtype(np.float32))  # noqa: SLF001 - its own
        return convolver

    def _set_up(
        self, layout: EngineLayout, responses: Mapping[int, np.ndarray], workers: int, dtype: np.dtype
    ) -> None:
        self.inputs = layout.inputs
        self.outputs = layout.outputs
        self.hop = layout.hop
        self.tail = layout.tail
        self.dtype = dtype
        self._executor = ThreadPoolExecutor(workers, "convolver") if workers > 1 else None
        self._memory = layout.memory
        self._classes: list[_SizeClass] = []
        written: set[int] = set()
        for one in layout.classes:
            members = {index: responses[index] for index in one.responses}
            reached = {output for batch in one.batches for output in batch.outputs}
            exact = RealTransform.of_shape(one.size.shape, dtype=np.dtype(np.float64))
            powers = {i: float(np.einsum("i,i->", cell, cell, dtype=float)) for i, cell in members.items()}
            self._classes.append(
                _SizeClass(
                    taps=one.taps,
                    size=one.size,
                    transform=exact.in_precision(self.dtype),
                    spectra=self._response_spectra(members, exact),
                    mean_powers={i: power / exact.length**2 for i, power in powers.items()},
                    batches=one.batches,
                    writes_first=frozenset(reached - written),
                )
            )
            written |= reached
        self._unreached = sorted(set(range(self.outputs)) - written)
        self._pending = np.zeros((self.inputs, 0), self.dtype)
        self.reset()

    def reset(self) -> None:
        """Forget everything fed so far; the responses stay."""
        self._history: tuple[np.ndarray | None, ...] = (None,) * self.inputs
        self._filled = 0
        self._fed = 0
        self._given = 0

    def snapshot(self) -> ConvolverState:
        """State to come back to with `restore`; costs a copy of the pending block, nothing else."""
        pending = self._pending[:, : self._filled].copy()
        return ConvolverState(self._history, pending, self._fed, self._given)

    def restore(self, state: ConvolverState) -> None:
        """Go back to `state`, a `snapshot` of this convolver or of one built from the same arguments."""
        self._history = state.history
        self._filled = state.pending.shape[1]
        if self._filled:
            self._allot_pending()
            self._pending[:, : self._filled] = state.pending
        self._fed = state.fed
        self._given = state.given

    def process(self, block: np.ndarray) -> np.ndarray:
        """Feed a block of any length; get every frame that is complete.

        Parameters
        ----------
        block : ndarray, shape (frames, inputs)
            Finite samples; converted to the convolver's precision. Zero frames are allowed.

        Returns
        -------
        ndarray, shape (frames_ready, outputs)
            The next output frames; `frames_ready` is a multiple of `hop`, often 0. Over all calls and
            `finish` it adds up to the frames fed + `tail`.

        Raises
        ------
        RoomplanError
            Wrong number of channels, or a sample that is not finite.
        """
        block = np.asarray(block)
        if block.ndim != 2 or block.shape[1] != self.inputs:
            raise RoomplanError(
                f"a block of shape {block.shape} was fed to a convolver of {self.inputs} inputs",
                remedy=f"blocks are (frames, {self.inputs})",
            )
        validate_finite(block, "the block")
        ready: list[np.ndarray] = []
        self._allot_pending()
        start = 0
        while start < len(block):
            stop = min(start + self.hop - self._filled, len(block))
            self._pending[:, self._filled : self._filled + stop - start] = block[start:stop].T
            self._filled += stop - start
            if self._filled == self.hop:
                ready.append(self.process_planar(self._pending))
                self._filled = 0
            start = stop
        self._fed += len(block)
        return self._give(ready)

    def finish(self) -> np.ndarray:
        """Feed silence until everything has come out; afterwards the convolver is as new.

        Returns
        -------
        ndarray, shape (frames, outputs)
            The rest: frames fed + `tail` − frames already given.
        """
        self._allot_pending()
        rest = self._fed + self.tail - self._given
        ready: list[np.ndarray] = []
        for start in range(0, rest, self.hop):
            self._pending[:, self._filled :] = 0
            self._filled = 0
            ready.append(self.process_planar(self._pending)[:, : rest - start])
        given = self._give(ready)
        self.reset()
        return given

    def process_planar(self, block: np.ndarray, out: np.ndarray | None = None) -> np.ndarray:
        """One hop in, one hop out: the kernel, which trusts its arguments.

        Parameters
        ----------
        block : ndarray, shape (inputs, hop)
            In the convolver's precision, C-contiguous, finite. Not kept and not changed.
        out : ndarray, shape (outputs, hop), optional
            Array to write to, in the convolver's precision, C-contiguous, sharing no memory with `block`.
            A reused one spares the system from handing out and clearing fresh memory every hop.

        Returns
        -------
        ndarray, shape (outputs, hop)
            `out`, or a new array: output frame t is complete for input frame t of the same call. The
            tail comes out when silence is fed: ceil(tail / hop) more hops.
        """
        result = np.empty((self.outputs, self.hop), self.dtype) if out is None else out
        result[self._unreached] = 0
        for cls in self._classes:
            for batch in cls.batches:
                for first in range(0, cls.size.pieces, cls.size.together):
                    pieces = range(first, first + cls.size.together)
                    sources = [(source, piece) for piece in pieces for source in batch.inputs]
                    spectra = self._forward_all(cls, cls.transform, block, sources)
                    sinks = [(sink, piece) for piece in pieces for sink in batch.outputs]
                    quiet = self._quiet(cls, batch, spectra, sinks)
                    if quiet:
                        needed = {(r.input, piece) for sink, piece in quiet for r in batch.outputs[sink]}
                        exact = self._forward_all(cls, cls.exact_transform, block, sorted(needed))
                        backward = partial(self._backward, cls, cls.exact_transform, batch, exact, result)
                        self._run(backward, quiet)
                        sinks = [at for at in sinks if at not in quiet]
                    self._run(partial(self._backward, cls, cls.transform, batch, spectra, result), sinks)
        heard = list(self._memory)
        remembered = dict(zip(heard, self._run(partial(self._remember, block), heard), strict=True))
        self._history = tuple(remembered.get(source) for source in range(self.inputs))
        return result

    def _forward_all(
        self, cls: _SizeClass, transform: RealTransform, block: np.ndarray, at: Sequence[tuple[int, int]]
    ) -> dict[tuple[int, int], np.ndarray | None]:
        return dict(zip(at, self._run(partial(self._forward, cls, transform, block), at), strict=True))

    def _quiet(
        self,
        cls: _SizeClass,
        batch: Batch,
        spectra: dict[tuple[int, int], np.ndarray | None],
        sinks: Sequence[tuple[int, int]],
    ) -> list[tuple[int, int]]:
        """Outputs, by piece, that keep so little of their inputs that the rounding of float32 counts."""
        if self.dtype != np.float32:
            return []
        step = -(-(cls.size.shape[0] // 2 + 1) // _JUDGED_ROWS)
        judged = {at: spectrum[::step] for at, spectrum in spectra.items() if spectrum is not None}
        powers = {at: _power(rows) for at, rows in judged.items()}
        quiet: list[tuple[int, int]] = []
        for sink, piece in sinks:
            routes = [route for route in batch.outputs[sink] if (route.input, piece) in judged]
            white = sum(powers[route.input, piece] * cls.mean_powers[route.response] for route in routes)
            if not white > 0.0:
                continue
            kept = np.sum(
                [judged[route.input, piece] * cls.spectra[route.response][::step] for route in routes], axis=0
            )
            if _power(kept) < _LEAST_KEPT * white:
                quiet.append((sink, piece))
        return quiet

    def _forward(
        self, cls: _SizeClass, transform: RealTransform, block: np.ndarray, at: tuple[int, int]
    ) -> np.ndarray | None:
        """Spectrum of one input over one piece of the hop and the taps − 1 samples before; None if silent."""
        source, piece = at
        frames = self.hop // cls.size.pieces
        start = piece * frames - (cls.taps - 1)
        stop = (piece + 1) * frames
        now = block[source, max(start, 0) : stop]
        history = self._history[source]
        before = now[:0] if history is None or start >= 0 else history[max(len(history) + start, 0) :]
        if not now.any() and not before.any():
            return None
        # zeros where nothing is remembered, the past, the present, zeros up to the transform's length
        present = max(-start, 0)
        samples = np.empty(transform.length, transform.dtype)
        samples[: present - len(before)] = 0
        samples[present - len(before) : present] = before
        samples[present : stop - start] = now
        samples[stop - start :] = 0
        return transform.forward(samples)

    def _backward(
        self,
        cls: _SizeClass,
        transform: RealTransform,
        batch: Batch,
        spectra: dict[tuple[int, int], np.ndarray | None],
        result: np.ndarray,
        at: tuple[int, int],
    ) -> None:
        """Sum of all routes into one output over one piece of the hop, written or added to `result`."""
        sink, piece = at
        frames = self.hop // cls.size.pieces
        target = result[sink, piece * frames : (piece + 1) * frames]
        total: np.ndarray | None = None
        for route in batch.outputs[sink]:
            spectrum = spectra[route.input, piece]
            if spectrum is None:
                continue
            product = spectrum * cls.spectra[route.response]
            if total is None:
                total = product
            else:
                total += product
        if total is None:
            if sink in cls.writes_first:
                target[:] = 0
            return
        samples = transform.inverse(total)[cls.taps - 1 : cls.taps - 1 + frames]
        if sink in cls.writes_first:
            target[:] = samples
        else:
            target += samples

    def _remember(self, block: np.ndarray, source: int) -> np.ndarray | None:
        """Make the last samples of one input, as many as its responses look back; None if silent.

        Always a new array: a snapshot keeps the old one.
        """
        memory = self._memory[source]
        kept = memory - self.hop
        if kept <= 0:
            recent = block[source, self.hop - memory :]
            return recent.copy() if recent.any() else None
        history = self._history[source]
        if history is None and not block[source].any():
            return None
        longer = np.empty(memory, self.dtype)
        longer[:kept] = 0 if history is None else history[self.hop :]
        longer[kept:] = block[source]
        return longer if longer.any() else None

    def _response_spectra(
        self, responses: dict[int, np.ndarray], transform: RealTransform
    ) -> dict[int, np.ndarray]:
        """Spectra of `responses`, made by `transform` in float64, with the 1/N of the inverse in them."""

        def spectrum(response: np.ndarray) -> np.ndarray:
            padded = np.zeros(transform.length)
            np.multiply(response, 1.0 / transform.length, out=padded[: len(response)])
            return transform.forward(padded).astype(np.result_type(self.dtype, np.complex64), copy=False)

        if transform.length > _LARGE_TRANSFORM:
            return {index: spectrum(response) for index, response in responses.items()}
        return dict(zip(responses, self._run(spectrum, responses.values()), strict=True))

    def _run(self, task: Callable[[_Argument], _Result], arguments: Iterable[_Argument]) -> list[_Result]:
        """Results of `task` for all arguments, in order, on the threads if there is more than one of each."""
        arguments = list(arguments)
        if self._executor is None or len(arguments) == 1:
            return [task(argument) for argument in arguments]
        return list(self._executor.map(task, arguments))

    def _allot_pending(self) -> None:
        """Make room for a hop of input: only `process` needs it, the kernel is fed whole hops."""
        if self._pending.shape[1] != self.hop:
            self._pending = np.zeros((self.inputs, self.hop), self.dtype)

    def _give(self, ready: list[np.ndarray]) -> np.ndarray:
        given = np.empty((sum(block.shape[1] for block in ready), self.outputs), self.dtype)
        start = 0
        for block in ready:
            _interleave(block, given[start : start + block.shape[1]])
            start += block.shape[1]
        self._given += len(given)
        return given


def convolve(signal: np.ndarray, response: np.ndarray, *, workers: int = 2) -> np.ndarray:
    """Full linear convolution of two arrays in memory.

    Parameters
    ----------
    signal : ndarray, shape (frames,) or (frames, channels)
        Finite and real, at least one frame.
    response : ndarray, shape (taps,) or (taps, channels)
        Finite and real, at least one sample. With equal channel counts channel meets channel; one channel
        meets every channel of the other array.
    workers : int
        Threads, 1 or more.

    Returns
    -------
    ndarray, shape (frames + taps − 1,) or (frames + taps − 1, channels)
        One-dimensional only when both arguments are. float32 for a float32 (or float16) signal, float64
        otherwise, and computed in that precision.

    Raises
    ------
    RoomplanError
        Empty, complex, not finite, or channel counts that do not go together.

    Notes
    -----
    No normalisation and no trimming: a gain of 1 is a response of [1.0].
    """
    signal, response = np.asarray(signal), np.asarray(response)
    dtype = np.dtype(np.float32 if signal.dtype in (np.float32, np.float16) else np.float64)
    for name, array in (("signal", signal), ("response", response)):
        if array.ndim not in (1, 2) or 0 in array.shape:
            raise RoomplanError(
                f"the {name} has shape {array.shape}",
                remedy="give (frames,) or (frames, channels) with at least one frame and one channel",
            )
        if array.dtype.kind not in "fiu":
            raise RoomplanError(f"the {name} is of type {array.dtype}", remedy="give real numbers")
        validate_finite(array, f"the {name}")
    flat = signal.ndim == 1 and response.ndim == 1
    longer, shorter = (_columns(array) for array in (signal, response))
    if longer.shape[1] != shorter.shape[1] and 1 not in (longer.shape[1], shorter.shape[1]):
        raise RoomplanError(
            f"a signal of {longer.shape[1]} channels meets a response of {shorter.shape[1]}",
            remedy="give as many channels to both, or one channel to either",
        )
    # convolution commutes, and the shorter side makes the shorter transforms
    if len(longer) < len(shorter):
        longer, shorter = shorter, longer

    channels = max(longer.shape[1], shorter.shape[1])
    convolver = Convolver(
        list(np.ascontiguousarray(shorter.T)),
        [
            Route(min(channel, longer.shape[1] - 1), channel, min(channel, shorter.shape[1] - 1))
            for channel in range(channels)
        ],
        inputs=longer.shape[1],
        outputs=channels,
        workers=workers,
        expected_frames=len(longer),
        dtype=dtype,
    )
    result = np.empty((len(longer) + len(shorter) - 1, channels), dtype)
    block = np.empty((longer.shape[1], convolver.hop), dtype)
    out = np.empty((channels, convolver.hop), dtype)
    for start in range(0, len(result), convolver.hop):
        piece = longer[start : start + convolver.hop]
        block[:, : len(piece)] = piece.T
        block[:, len(piece) :] = 0
        convolver.process_planar(block, out)
        _interleave(out[:, : len(result) - start], result[start : start + convolver.hop])
    return result[:, 0] if flat else result


def _power(values: np.ndarray) -> float:
    """Sum of squared magnitudes of complex64."""
    parts = np.ascontiguousarray(values).view(np.float32).ravel()
    return float(np.einsum("i,i->", parts, parts))


def _interleave(planar: np.ndarray, out: np.ndarray) -> None:
    """Write (channels, frames) into `out` (frames, channels)."""
    # few channels: one pass each is faster than the order numpy picks for the transposed copy
    if len(planar) > 4:
        out[:] = planar.T
        return
    for channel, samples in enumerate(planar):
        out[:, channel] = samples


def _columns(array: np.ndarray) -> np.ndarray:
    return array[:, np.newaxis] if array.ndim == 1 else array
