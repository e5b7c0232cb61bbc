"""A written sweep as plain values: the document of `roomplan sweep`.

Conventions
-----------
As in `documents`. How a sweep is made is the document of `capture.sequence`, here under `made`.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

from roomplan._version import __version__
from roomplan.capture.sequence import sequence_to_text
from roomplan.cautions import SWEEPS
from roomplan.report.documents import Document, rounded

if TYPE_CHECKING:
    from pathlib import Path

    from roomplan.capture.sequence import SweepSequence

__all__ = ["SWEEP_FILE_SCHEMA", "PlayedBack", "SweepAdvice", "WrittenSweep", "sweep_document"]

SWEEP_FILE_SCHEMA = "roomplan.sweep_file/1"


@dataclass(frozen=True, slots=True)
class SweepAdvice:
    """How long a sweep a room asks for.

    Attributes
    ----------
    decay_s : float
        Reverberation time that is expected.
    range_db : float
        Wanted range of the response.
    over_noise_db : float or None
        How far the sweep is over the noise of the room, in an octave; None where nobody knows.
    seconds : float
        The shortest sweep that gives the range.
    """

    decay_s: float
    range_db: float
    over_noise_db: float | None
    seconds: float


@dataclass(frozen=True, slots=True)
class PlayedBack:
    """What came of playing a sweep.

    Attributes
    ----------
    file : Path
        The recording.
    over_noise_db : float
        How far the quiet sweep was over the noise, over all frequencies.
    peak_dbfs : float
        Of the recording.
    overflow, underflow : bool
        Whether input was lost, or output had a gap: record again.
    """

    file: Path
    over_noise_db: float
    peak_dbfs: float
    overflow: bool
    underflow: bool

    @property
    def has_gaps(self) -> bool:
        """Whether something was lost on the way."""
        return self.overflow or self.underflow


@dataclass(frozen=True, slots=True)
class WrittenSweep:
    """What `sweep` has written, and what came of playing it; None where it was not played."""

    file: Path
    text_file: Path
    played: SweepSequence
    advice: SweepAdvice
    recording: PlayedBack | None = None

    @property
    def duration_s(self) -> float:
        """Length of the whole file."""
        return self.played.frames / self.played.sweep.rate

    @property
    def long_enough(self) -> bool:
        """Whether each sweep is as long as the room asks for."""
        return self.played.sweep.seconds >= self.advice.seconds


def sweep_document(written: WrittenSweep) -> Document:
    """A written sweep (`roomplan.sweep_file/1`)."""
    advice = written.advice
    return {
        "schema": SWEEP_FILE_SCHEMA,
        "roomplan": __version__,
        "file": str(written.file),
        "text_file": str(written.text_file),
        "made": json.loads(sequence_to_text(written.played)),
        "frames": written.played.frames,
        "duration_s": rounded(written.duration_s, 4),
        "advice": {
            "decay_s": advice.decay_s,
            "range_db": advice.range_db,
            "over_noise_db": advice.over_noise_db,
            "least_sweep_s": rounded(advice.seconds, 3),
            "long_enough": written.long_enough,
        },
        "recording": None if written.recording is None else _recording(written.recording),
        "hearing_note": SWEEPS,
    }


def _recording(found: PlayedBack) -> Document:
    return {
        "file": str(found.file),
        "over_noise_db": rounded(found.over_noise_db, 1),
        "peak_dbfs": rounded(found.peak_dbfs, 2),
        "input_lost": found.overflow,
        "output_gap": found.underflow,
    }
