"""A room that is ready to be convolved with, and what a section asks of one."""

from __future__ import annotations

import hashlib
import threading
from typing import TYPE_CHECKING

from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from numpy.typing import NDArray

    from roomplan.errors import Problem
    from roomplan.plan.model import Seat, SourceKind, Wiring

    Array = NDArray[np.float64]

__all__ = ["PositionRequest", "PreparedPosition", "PreparedResponse", "PreparedRoom"]


@frozen_class
class PositionRequest:
    """What a section asks of a room.

    Attributes
    ----------
    position : str
        Name of a response or of a set-up of microphones.
    seat : Seat or None
        None for the reference seat of a synthetic room; files have no seats.
    channels : int
        Of the section's signal, 1 or 2: whether it can play from two sources. Files answer both alike.
    source : str
        Kind of source: how its sound is directed.
    """

    position: str
    seat: Seat | None = None
    channels: int = 2
    source: SourceKind = "even"


class PreparedResponse:
    """Samples of a response, shape (frames, 1 | 2 | 4), float64; those that were known before are read late.

    Frame 0 is the arrival of the dry sound; four channels are LL, LR, RL, RR (input, output).

    Parameters
    ----------
    read : callable
        Gives the samples, once, when they are first asked for.
    frames, channels : int
        How many they are.
    digest : str
        Of the samples: equal digests are equal samples.

    Notes
    -----
    Safe to be asked by several threads.
    """

    def __init__(self, read: Callable[[], Array], *, frames: int, channels: int, digest: str) -> None:
        self._read = read
        self._samples: Array | None = None
        self._lock = threading.Lock()
        self.frames = frames
        self.channels = channels
        self.digest = digest

    @classmethod
    def of(cls, samples: Array) -> PreparedResponse:
        """Response of samples that are there."""
        digest = hashlib.sha256(samples.tobytes()).hexdigest()
        frames, channels = samples.shape
        return cls(lambda: samples, frames=frames, channels=channels, digest=digest)

    @property
    def samples(self) -> Array:
        """The samples, the same array every time."""
        with self._lock:
            if self._samples is None:
                self._samples = self._read()
            return self._samples


@frozen_class
class PreparedPosition:
    """One position (and seat, in a synthetic room) ready to be convolved with.

    Attributes
    ----------
    position : str
        Name of the response or of the microphones.
    response : PreparedResponse
        Its samples; positions that share them share it.
    wiring : str
        `one_source`, `per_channel` or `true_stereo`.
    onset_s : float
        First sample within 20 dB of the peak: the gap between dry and wet, without pre-delay.
    off_stage_m : float
        How far the seat is from the room's stage: 0 on it, and where there is no stage or no seat.
    """

    position: str
    response: PreparedResponse
    wiring: Wiring
    onset_s: float
    off_stage_m: float = 0.0

    @property
    def samples(self) -> Array:
        """Samples of the response, (frames, 1 | 2 | 4), float64."""
        return self.response.samples


@frozen_class
class PreparedRoom:
    """A room ready to be convolved with.

    Attributes
    ----------
    gain, gain_db : float
        Normalising gain of the whole room, linear and in dB.
    gain_position : str
        Position the gain was found at.
    gain_wiring : str
        Wiring the gain was found for.
    direct_found : bool
        False when `direct: drop` met a response in which no direct sound stands out.
    late_correlation : float or None
        Of the two channels of all that the room returns, −1 to 1, its `width` counted in: see
        `roomplan.rooms.late_likeness`. None where there is too little late sound.
    """

    name: str
    gain: float
    gain_db: float
    gain_position: str
    gain_wiring: Wiring
    positions: dict[PositionRequest, PreparedPosition]
    direct_found: bool
    late_correlation: float | None
    warnings: tuple[Problem, ...]
