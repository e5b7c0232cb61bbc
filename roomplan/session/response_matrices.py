"""From a prepared room to the response matrix of one send: cuts, width, pre-delay and wiring applied.

Conventions
-----------
A `ResponseMatrix` maps one source (`one_source`: the section's (L+R)/√2) or two (left, right) to the two
output channels. A missing cell is silence. Cells are float64 rows at unit send level; sends that share a
response, pre-delay and cuts share one matrix, and so one transform in the engine.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from roomplan.rooms.conditioning import apply_cuts

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from roomplan.plan.model import Wiring
    from roomplan.session.session import SectionSource, SendPath, Session

    Cell = NDArray[np.float64]

__all__ = ["ResponseMatrix", "response_matrices", "section_response"]

THREADS = 2


@dataclass(frozen=True, eq=False)
class ResponseMatrix:
    """Cells {(source, output): (taps,)}; one source when `sums` (the section's (L+R)/√2), else two."""

    sums: bool
    cells: Mapping[tuple[int, int], Cell]

    @property
    def taps(self) -> int:
        """Length of the longest cell."""
        return max((len(cell) for cell in self.cells.values()), default=0)


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
        place: (s.room, id(s.prepared.samples), s.pre_delay_s, s.low_cut_hz, s.high_cut_hz)
        for place, s in sends.items()
    }
    distinct = {key: sends[place] for place, key in keys.items()}
    with ThreadPoolExecutor(THREADS) as pool:
        made = pool.map(lambda send: _matrix(session, send), distinct.values())
        shared = dict(zip(distinct, made, strict=True))
    return {place: shared[key] for place, key in keys.items()}


def _matrix(session: Session, send: SendPath) -> ResponseMatrix:
    samples = apply_cuts(
        send.prepared.samples,
        sample_rate=session.sample_rate,
        low_cut_hz=send.low_cut_hz or None,
        high_cut_hz=send.high_cut_hz or None,
    )
    delay = round(send.pre_delay_s * session.sample_rate)
    if delay:
        samples = np.concatenate([np.zeros((delay, samples.shape[1])), samples])
    cells = _widened(_wired(send.wiring, samples), send.width)
    return ResponseMatrix(send.wiring == "one_source", cells)


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


def _added(one: Cell, other: Cell) -> Cell:
    longer, shorter = (one, other) if len(one) >= len(other) else (other, one)
    total = longer.copy()
    total[: len(shorter)] += shorter
    return total
