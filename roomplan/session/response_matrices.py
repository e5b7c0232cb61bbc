"""From a prepared room to the response matrix of one send: cuts, width, pre-delay and wiring applied.

Conventions
-----------
A `ResponseMatrix` maps one source (`one_source`: the section's (L+R)/√2) or two (left, right) to the two
output channels. A missing cell is silence. Cells are float64 rows at unit send level; sends that share a
response, pre-delay and cuts share one matrix, and so one transform in the engine.
"""

from __future__ import annotations

import hashlib
import math
import threading
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import numpy as np

from roomplan.files.digests import digest_of
from roomplan.rooms.conditioning import apply_cuts, ringing_frames

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from numpy.typing import NDArray

    from roomplan.plan.model import Wiring
    from roomplan.session.session import SectionSource, SendPath, Session

    Cell = NDArray[np.float64]

__all__ = ["ResponseMatrix", "make_cells", "response_matrices", "section_outline", "section_response"]

THREADS = 2
_VERSION = 1  # of whatever is done to a prepared response: raise it when that changes


class ResponseMatrix:
    """Cells {(source, output): (taps,)}; one source when `sums` (the section's (L+R)/√2), else two.

    Attributes
    ----------
    outline : mapping of (int, int) to (int, int)
        (source, output) → number and length of its cell; places with one number share one.

    Notes
    -----
    Cells are made when they are first asked for: what is known of a response already needs none. Safe to be
    asked by several threads.
    """

    def __init__(self, sums: bool, cells: Mapping[tuple[int, int], Cell]) -> None:
        numbers: dict[int, int] = {}
        for cell in cells.values():
            numbers.setdefault(id(cell), len(numbers))
        self.sums = sums
        self.outline = {place: (numbers[id(cell)], len(cell)) for place, cell in cells.items()}
        self._make: Callable[[], Mapping[tuple[int, int], Cell]] = lambda: cells
        self._made: Mapping[tuple[int, int], Cell] | None = cells
        self._identity: str | None = None
        self._lock = threading.Lock()

    @classmethod
    def made_by(
        cls,
        make: Callable[[], Mapping[tuple[int, int], Cell]],
        *,
        sums: bool,
        outline: Mapping[tuple[int, int], tuple[int, int]],
        identity: str,
    ) -> ResponseMatrix:
        """Matrix whose cells are known by what they are made of.

        Parameters
        ----------
        identity : str
            Digest of everything the cells depend on.
        """
        matrix = cls(sums, {})
        matrix.outline = dict(outline)
        matrix._made, matrix._make, matrix._identity = None, make, identity
        return matrix

    @property
    def taps(self) -> int:
        """Length of the longest cell."""
        return max((taps for _number, taps in self.outline.values()), default=0)

    @property
    def cells(self) -> Mapping[tuple[int, int], Cell]:
        """The cells, the same arrays every time."""
        with self._lock:
            made = self._made = self._make() if self._made is None else self._made
            return made

    @property
    def identity(self) -> str:
        """Digest: equal ones are equal cells."""
        if self._identity is None:
            known: dict[int, str] = {}
            for cell in self.cells.values():
                known.setdefault(id(cell), hashlib.sha256(np.ascontiguousarray(cell).data).hexdigest())
            told = [[*place, known[id(cell)]] for place, cell in sorted(self.cells.items())]
            self._identity = digest_of("cells", self.sums, told)
        return self._identity


def make_cells(matrices: Iterable[ResponseMatrix]) -> None:
    """Make the cells of matrices that are about to be used, side by side."""
    with ThreadPoolExecutor(THREADS) as pool:
        list(pool.map(lambda matrix: matrix.cells, {id(matrix): matrix for matrix in matrices}.values()))


def _wired(wiring: Wiring, samples: NDArray[np.float64]) -> dict[tuple[int, int], Cell]:
    columns = [np.ascontiguousarray(samples[:, c]) for c in range(samples.shape[1])]
    if wiring == "one_source":
        return {(0, 0): columns[0], (0, 1): columns[-1]}
    if wiring == "per_channel":
        return {(0, 0): columns[0], (1, 1): columns[-1]}
    return {(0, 0): columns[0], (0, 1): columns[1], (1, 0): columns[2], (1, 1): columns[3]}


def _widened(cells: dict[tuple[int, int], Cell], width: float) -> dict[tuple[int, int], Cell]:
    """Scale the side of the return by `width`; mixes the two outputs of every source."""
    if width == 1.0:
        return cells
    wide: dict[tuple[int, int], Cell] = {}
    near, far = (1.0 + width) / 2.0, (1.0 - width) / 2.0
    for source in {key[0] for key in cells}:
        left, right = cells.get((source, 0)), cells.get((source, 1))
        if left is not None and left is right:  # a mono return has no side
            wide[source, 0] = wide[source, 1] = left
            continue
        for output, (same, other) in enumerate(((left, right), (right, left))):
            parts = [gain * cell for gain, cell in ((near, same), (far, other)) if cell is not None and gain]
            if parts:
                wide[source, output] = parts[0] if len(parts) == 1 else parts[0] + parts[1]
    return wide


def response_matrices(session: Session) -> dict[tuple[str, int], ResponseMatrix]:
    """Response matrix of every send, keyed by (section name, index of the send)."""
    sends = {(section.name, i): send for section in session.sections for i, send in enumerate(section.sends)}
    # Positions that share their samples are the same response; within a room they share its wiring too.
    keys = {
        place: (s.room, id(s.prepared.response), s.pre_delay_s, s.low_cut_hz, s.high_cut_hz)
        for place, s in sends.items()
    }
    distinct = {key: sends[place] for place, key in keys.items()}
    shared = {key: _matrix(session, send) for key, send in distinct.items()}
    return {place: shared[key] for place, key in keys.items()}


def _matrix(session: Session, send: SendPath) -> ResponseMatrix:
    response, rate = send.prepared.response, session.sample_rate
    delay = round(send.pre_delay_s * rate)
    cuts = send.low_cut_hz or None, send.high_cut_hz or None

    def make() -> dict[tuple[int, int], Cell]:
        samples = apply_cuts(response.samples, sample_rate=rate, low_cut_hz=cuts[0], high_cut_hz=cuts[1])
        if delay:
            samples = np.concatenate([np.zeros((delay, samples.shape[1])), samples])
        return _widened(_wired(send.wiring, samples), send.width)

    taps = delay + response.frames + ringing_frames(sample_rate=rate, low_cut_hz=cuts[0], high_cut_hz=cuts[1])
    # which cells are one follows from the wiring alone: that of a frame of silence
    alike = ResponseMatrix(
        sums=False, cells=_widened(_wired(send.wiring, np.zeros((1, response.channels))), send.width)
    )
    return ResponseMatrix.made_by(
        make,
        sums=send.wiring == "one_source",
        outline={place: (number, taps) for place, (number, _one) in alike.outline.items()},
        identity=digest_of(
            "response matrix", _VERSION, rate, response.digest, delay, *cuts, send.wiring, float(send.width)
        ),
    )


def section_response(section: SectionSource, matrix: ResponseMatrix) -> list[tuple[int, int, float, Cell]]:
    """Paths (signal channel, output, gain, cell) from the section's signal through one send.

    Notes
    -----
    A mono signal m stands for left = right = m/√2, so that (L+R)/√2 = m; independent left and right reach
    one source with a gain of 1/√2 each. Where a mono signal meets two sources, their cells add as amplitudes.
    """
    root = math.sqrt(0.5)
    if section.signal_channels == 1:
        gain = 1.0 if matrix.sums else root
        merged: dict[int, Cell] = {}
        for (_source, output), cell in matrix.cells.items():
            merged[output] = cell if output not in merged else _added(merged[output], cell)
        return [(0, output, gain, cell) for output, cell in merged.items()]
    if matrix.sums:
        return [(c, output, root, cell) for (_source, output), cell in matrix.cells.items() for c in (0, 1)]
    return [(source, output, 1.0, cell) for (source, output), cell in matrix.cells.items()]


def section_outline(
    section: SectionSource, matrix: ResponseMatrix
) -> list[tuple[int, int, float, tuple[int, ...]]]:
    """Paths of `section_response`, in its order, with the numbers of the cells that are added; makes none."""
    numbers = {place: number for place, (number, _taps) in matrix.outline.items()}
    if section.signal_channels == 1:
        merged: dict[int, tuple[int, ...]] = {}
        for (_source, output), number in numbers.items():
            merged[output] = (*merged.get(output, ()), number)
        gain = 1.0 if matrix.sums else math.sqrt(0.5)
        return [(0, output, gain, cells) for output, cells in merged.items()]
    if matrix.sums:
        root = math.sqrt(0.5)
        return [(c, output, root, (number,)) for (_source, output), number in numbers.items() for c in (0, 1)]
    return [(source, output, 1.0, (number,)) for (source, output), number in numbers.items()]


def _added(one: Cell, other: Cell) -> Cell:
    longer, shorter = (one, other) if len(one) >= len(other) else (other, one)
    total = longer.copy()
    total[: len(shorter)] += shorter
    return total
