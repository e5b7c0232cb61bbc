"""What a section gets from its rooms at any levels, as numbers that can be handed on: clarity and decay.

Conventions
-----------
Gains are those of the sends against their written ones and x that of the dry path: all 1 as written. Early
energy is gᵀEg + x c·g + x² D, late energy gᵀLg, first moments gᵀMg (`clarity`). The decay curve at time t is
what of gᵀP(τ)g lies behind t, with 2 x m·g + x² H at time 0 on top, broadband, in frames of `FRAME_S`.

Sends of rooms that are muted are among them, since they may be unmuted. Noise of responses, and what is
missing behind their ends, is not in the forms: figures are to be brought to those of a full measurement by
what they are off as written, as the solver does (`clarity.CompositeFigure`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from roomplan.balance.clarity import Composite
from roomplan.rendering.composite_parts import dry_heights
from roomplan.session.response_matrices import section_response

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from roomplan.session.response_matrices import ResponseMatrix
    from roomplan.session.session import SectionSource

__all__ = ["FRAME_S", "ClarityForms", "DecayForms", "SectionForms", "section_forms"]

FRAME_S = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class ClarityForms:
    """Forms of one octave; matrices of shape (sends, sends)."""

    centre_hz: float
    early_50: NDArray[np.float64]
    early_80: NDArray[np.float64]
    total: NDArray[np.float64]
    moment: NDArray[np.float64]
    meeting: NDArray[np.float64]
    impulse: float


@dataclass(frozen=True, slots=True, eq=False)
class DecayForms:
    """Broadband energy over time; `products` has the pairs of the upper triangle, shape (pairs, frames)."""

    products: NDArray[np.float32]
    meeting: NDArray[np.float64]
    impulse: float


@dataclass(frozen=True, slots=True, eq=False)
class SectionForms:
    """Forms of a section with a send; `octaves` is empty where the sample rate is too low for them."""

    octaves: tuple[ClarityForms, ...]
    decay: DecayForms


def section_forms(
    section: SectionSource,
    matrices: Mapping[tuple[str, int], ResponseMatrix],
    *,
    sample_rate: int,
    workers: int = 2,
) -> SectionForms | None:
    """Forms of what a section gets; None where it has no send.

    Parameters
    ----------
    matrices : mapping
        Response matrix of every send.
    workers : int
        Threads of the transforms.
    """
    if not section.sends:
        return None
    heard = replace(section, sends=tuple(replace(send, muted=False) for send in section.sends))
    composite = Composite(heard, matrices, sample_rate=sample_rate, workers=workers)
    gains = composite.gains(heard)
    both = np.outer(gains, gains)
    octaves = tuple(
        ClarityForms(
            centre_hz=look.centre_hz or 0.0,
            early_50=both * band.early[0].matrix,
            early_80=both * band.early[1].matrix,
            total=both * (band.early[0].matrix + band.late[0].matrix),
            moment=both * band.moment.matrix,
            meeting=gains * band.early[0].linear,
            impulse=band.early[0].constant,
        )
        for look, band in composite.bands.items()
    )
    return SectionForms(octaves, _decay_forms(heard, matrices, gains, sample_rate))


def _decay_forms(
    section: SectionSource,
    matrices: Mapping[tuple[str, int], ResponseMatrix],
    gains: NDArray[np.float64],
    sample_rate: int,
) -> DecayForms:
    heights = np.zeros(section.signal_channels * 2) if section.dry_gain is None else dry_heights(section)
    frame = round(FRAME_S * sample_rate)
    paths = [section_response(section, matrices[section.name, index]) for index in range(gains.size)]
    frames = -(-max(len(cell) for path in paths for *_way, cell in path) // frame)
    first, second = np.triu_indices(gains.size)
    products = np.zeros((first.size, frames))
    meeting = np.zeros(gains.size)
    for channel, height in enumerate(heights):
        responses = np.zeros((gains.size, frames * frame))
        for own, gain, path in zip(responses, gains, paths, strict=True):
            for source, output, factor, cell in path:
                if source * 2 + output == channel:
                    own[: len(cell)] += gain * factor * cell
        meeting += height * responses[:, 0]
        for pair, (i, j) in enumerate(zip(first, second, strict=True)):
            products[pair] += (responses[i] * responses[j]).reshape(frames, frame).sum(axis=1)
    return DecayForms(products.astype(np.float32), meeting, float(np.sum(heights**2)))
