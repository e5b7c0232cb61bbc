"""The sweeps of a recording as responses on one time axis.

Conventions
-----------
Response frame 0 is `LEAD_S` before a sweep that arrives without any way would; negative times are at the end.
A take is cut out of the recording so that its sweep begins `LEAD_S` into it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from roomplan.capture.inversion import shifted, to_spectra
from roomplan.capture.recording import stretch

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from roomplan.capture.inversion import Inverse
    from roomplan.capture.recording import Recording
    from roomplan.capture.sequence import Side, SweepSequence
    from roomplan.capture.sweep import Sweep

__all__ = ["LEAD_S", "Cut", "cut_frames", "cuts_at", "nominal_offsets", "take_spectra"]

LEAD_S = 0.15  # sweeps are located to some milliseconds, and channels hear them apart
_EDGE_S = 0.03  # hum and an offset that begin at once would click


@dataclass(frozen=True, slots=True)
class Cut:
    """Where one take lies in the recording.

    Attributes
    ----------
    side : Side
        Which side plays.
    first : int
        Frame of the recording at which the cut begins.
    fraction : float
        By how much, in frames, the cut should begin later.
    """

    side: Side
    first: int
    fraction: float = 0.0


def cut_frames(sequence: SweepSequence, sweep: Sweep) -> int:
    """Length of a cut: the sweep and the gap behind it; `sweep` is at the rate of the recording."""
    return round((LEAD_S + sequence.sweep.total_seconds + sequence.gap_seconds) * sweep.rate)


def nominal_offsets(sequence: SweepSequence, sweep: Sweep) -> NDArray[np.float64]:
    """Frames of the recording from the first sweep to each, were its clock right."""
    starts = np.array(sequence.start_frames)
    return (starts - starts[0]) * (sweep.rate / sequence.sweep.rate)


def cuts_at(
    first: float, offsets: Sequence[float] | NDArray[np.float64], sides: Sequence[Side]
) -> tuple[Cut, ...]:
    """Cuts of takes whose first frames are at `first` and some frames after it."""
    found = []
    for side, offset in zip(sides, offsets, strict=True):
        place = first + float(offset)
        whole = math.floor(place + 1e-9)
        fraction = place - whole
        found.append(Cut(side, whole, fraction if fraction > 1e-9 else 0.0))
    return tuple(found)


def take_spectra(
    recording: Recording, cut: Cut, inverse: Inverse, *, frames: int, channels: Sequence[int]
) -> NDArray[np.complex128]:
    """Spectra (channels, lines) of the responses of one take."""
    sound = stretch(recording, cut.first, frames)[:, list(channels)]
    width = round(_EDGE_S * recording.sample_rate)
    edge = np.sin(0.5 * np.pi * (np.arange(width) + 0.5) / width)[:, None] ** 2
    sound[:width] *= edge
    sound[-width:] *= edge[::-1]
    return shifted(to_spectra(sound, inverse), inverse.frames, cut.fraction)
