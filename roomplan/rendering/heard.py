"""What a pass over the sound leaves behind, whether it was made now or is recalled."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from roomplan.audio.writers import OutputFormat
    from roomplan.session.buses import Bus

__all__ = [
    "LONGEST_FADE_S",
    "Destination",
    "Heard",
    "Level",
    "Output",
    "Peaks",
    "PlannedFile",
    "Powers",
    "SignalStatistics",
]

LONGEST_FADE_S = 0.5
"""Over as much a file may fade out at its end, seconds."""


@dataclass
class SignalStatistics:
    """Energies of a section's signal while it streams: what says that it is one-sided or cancels in mono."""

    left: float = 0.0
    right: float = 0.0
    cross: float = 0.0

    def add(self, signal: NDArray[np.float32]) -> None:
        """Take a block (signal channels, frames) into account."""
        left, right = signal[0], signal[-1]
        self.left += float(np.dot(left, left))
        self.right += float(np.dot(right, right))
        self.cross += float(np.dot(left, right))

    @property
    def balance_db(self) -> float | None:
        """Right over left in dB; None when the section is silent."""
        if self.left + self.right <= 0.0:
            return None
        tiny = 1e-20 * (self.left + self.right)
        return 10.0 * math.log10((self.right + tiny) / (self.left + tiny))

    @property
    def mono_sum_db(self) -> float | None:
        """Power of (L+R)/√2 over the mean of L and R, in dB: 0 independent, +3 in phase, −∞ cancelling."""
        total = self.left + self.right
        if total <= 0.0:
            return None
        return 10.0 * math.log10(max((total + 2.0 * self.cross) / total, 1e-20))


@frozen_class
class Peaks:
    """Largest sample and true peak of a bus, linear; None where only a new pass could tell."""

    sample: float | None
    true: float | None


@frozen_class
class PlannedFile:
    """A file to write.

    Attributes
    ----------
    file : str
        Relative to the folder of its delivery.
    path : Path
        Where it is written until everything is complete.
    sample_rate : int
        Hertz.
    """

    file: str
    delivery: str
    path: Path
    form: OutputFormat
    sample_rate: int


@frozen_class
class Destination:
    """What the pass writes: bus name → files; `time_reference` makes room for the chunk in WAV files."""

    files: Mapping[str, tuple[PlannedFile, ...]]
    time_reference: bool


@frozen_class
class Output:
    """A file of a render.

    Attributes
    ----------
    file : str
        Relative to the folder of its delivery.
    digest : str
        SHA-256 of its samples.
    sample_rate : int
        Hertz.
    peak : float
        Largest absolute sample before it was quantised, linear.
    over_range : int
        Values that did not fit an integer format.
    path : Path
        Where it was written; of a rendering, where it is in the end.
    size : int
        Bytes; 0 until the file is complete.
    time_reference : int or None
        First sample counted from midnight, as the file states it.
    """

    file: str
    digest: str
    delivery: str
    form: OutputFormat
    sample_rate: int
    frames: int
    peak: float
    over_range: int
    path: Path
    size: int = 0
    time_reference: int | None = None


@frozen_class
class Level:
    """Peaks of a bus at the session's rate."""

    bus: Bus
    peaks: Peaks


class Powers(Protocol):
    """Weighted power per hop of buses and components: of a pass, or recalled from an earlier one."""

    def sums(self, bus: int) -> NDArray[np.float64]:
        """Of one bus, shape (hops,)."""
        ...

    def component_sums(self, component: int) -> NDArray[np.float64]:
        """Of one component at its gain in the mix, shape (hops,)."""
        ...


@frozen_class
class Heard:
    """What the pass leaves behind; `speech_band` holds the powers in that band where they were asked for."""

    frames: int
    powers: Powers
    speech_band: Powers | None
    levels: Sequence[Level]
    statistics: Mapping[str, SignalStatistics]
    outputs: Mapping[str, tuple[Output, ...]]
