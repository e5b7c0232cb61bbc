"""What comes of a recorded sweep: responses, what they are worth, and what is wrong with them.

Conventions
-----------
Times are seconds of the recording, frequencies hertz, levels decibels. A finding is a code with numbers; its
words are made where it is shown. Where one is "refused", there are no responses.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from roomplan.capture.sequence import Side

__all__ = ["Arrival", "Capture", "Finding", "FindingCode", "HarmonicLevel", "OctaveRange", "Severity", "Take"]

Severity = Literal["refused", "unreliable", "remark"]

FindingCode = Literal[
    # refused: there is nothing to make a response of
    "silence",
    "no_sweep",
    "other_sweep",
    "sweep_itself",
    "cut_off",
    "sides_swapped",
    "same_side",
    "wrong_order",
    "loopback_missing",
    "loopback_constant",
    # unreliable, with its time in the recording where it has one
    "clipping",
    "dropout",
    "inserted",
    "knock",
    "takes_differ",
    "automatic_gain",
    "noise_suppression",
    "distortion",
    "harmonic_tail",
    "short_range",
    "short_gap",
    "no_signal",
    # remarks
    "drift",
    "drift_unknown",
    "take_unused",
]
"""
silence            nothing but digital silence, or nothing over its last bits: `level_db` is the peak
no_sweep           sound, but no sweep
other_sweep        a sweep of another pace: `seconds` is its rate constant, or negative when it falls
sweep_itself       the file that was played, not what a microphone heard
cut_off            a sweep, or the gap behind it, is not all there: `seconds` are missing
sides_swapped      what left played arrives first in the right channel, and the reverse: `seconds` by how much
same_side          left and right are one and the same sound
wrong_order        at this time another side played than the sequence says
loopback_missing   no sweep in the channel of the electrical signal
loopback_constant  that channel holds one value
clipping           flat tops: `frames` at the ceiling `level_db`
dropout, inserted  `frames` are missing, or too many, from `frequency_hz` (or that time) on
knock              a foreign sound at this time: `level_db` over what else is left over, for `seconds`
takes_differ       two takes of one side are less alike than their noise allows: `level_db` of the difference
automatic_gain     the gain moved: `level_db` between two takes in an octave, or (no `side`) of the noise from
                   under the sweeps to the gaps
noise_suppression  the noise between sweeps is `level_db` under that beneath them
distortion         `level_db` of harmonics relative to the fundamental
harmonic_tail      the room's tail of the second harmonic at the direct sound: `level_db`; `seconds` of sweep
                   would put it 60 dB down
short_range        `level_db` missing to 45 dB of decay over the noise, in the octave `frequency_hz`
short_gap          the same where the gap is shorter than the decay, which takes `seconds` for 60 dB
no_signal          nothing of the sweeps is in this channel: it has no responses
drift              `ppm`, repaired
drift_unknown      nothing to tell a drift by: one take of each side, or clocks too far apart
take_unused        another take of the side was better
"""


@dataclass(frozen=True, slots=True)
class Finding:
    """Something about the recording that matters; see `FindingCode` for its numbers."""

    code: FindingCode
    severity: Severity
    time_s: float | None = None
    side: Side | None = None
    channel: int | None = None
    frequency_hz: float | None = None
    level_db: float | None = None
    seconds: float | None = None
    frames: int | None = None
    ppm: float | None = None


@dataclass(frozen=True, slots=True)
class Take:
    """One sweep in the recording.

    Attributes
    ----------
    side : Side
        Which side played.
    start_s : float
        Where it was found, in the recording: when the sweep's first frame arrives as direct sound.
    used : bool
        Whether its response is the one given.
    """

    side: Side
    start_s: float
    used: bool


@dataclass(frozen=True, slots=True)
class Arrival:
    """When the direct sound of one octave arrives, seconds after that of the whole."""

    side: Side
    channel: int
    frequency_hz: float
    seconds: float


@dataclass(frozen=True, slots=True)
class HarmonicLevel:
    """Level of a harmonic relative to the fundamental, at the same output frequencies.

    `floor_db` is what noise alone would read as: a level less than 3 dB over it is none.
    """

    side: Side
    channel: int
    order: int
    level_db: float
    floor_db: float


@dataclass(frozen=True, slots=True)
class OctaveRange:
    """Range of the decay over the noise in one octave; the noise measured where there is no response."""

    side: Side
    channel: int
    frequency_hz: float
    range_db: float


@dataclass(frozen=True, slots=True)
class Capture:
    """Responses of every played side in every recorded channel.

    Attributes
    ----------
    sample_rate : int
        That of the recording, in hertz.
    sides : tuple of Side
        Each side once, in the order of playing.
    responses : tuple of ndarray, shape (frames, channels), float32
        One per side, of one length, with one time origin and their levels as recorded relative to the
        digital level of the sweep; empty where a finding refuses the recording.
    pre_delay : int
        Frame of the earliest direct sound of all.
    channels : tuple of int
        The recorded channels that `responses` hold, counted from 0: all but a loopback, and those that
        nothing of the sweeps is in.
    takes : tuple of Take
        All sweeps found.
    drift_ppm : float or None
        Recorder's clock against the player's; None where nothing tells.
    harmonics, ranges, arrivals
        Of the takes in use.
    findings : tuple of Finding
        Worst first, then by time.
    """

    sample_rate: int
    sides: tuple[Side, ...]
    responses: tuple[NDArray[np.float32], ...]
    pre_delay: int
    channels: tuple[int, ...]
    takes: tuple[Take, ...]
    drift_ppm: float | None
    harmonics: tuple[HarmonicLevel, ...]
    ranges: tuple[OctaveRange, ...]
    arrivals: tuple[Arrival, ...]
    findings: tuple[Finding, ...]

    @property
    def refused(self) -> bool:
        """Whether there are no responses."""
        return any(finding.severity == "refused" for finding in self.findings)
