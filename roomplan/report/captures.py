"""What was captured, as plain values: the document of `roomplan capture`.

Conventions
-----------
As in `documents`. Channels count from 1, times are seconds of the recording.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from roomplan._version import __version__
from roomplan.cautions import MUSIC_ONLY, RESPONSE
from roomplan.report.capture_words import BANG_LIMITS, NO_STANDARD, said_of, verdict_of
from roomplan.report.documents import Document, nominal, rounded
from roomplan.report.measurements import measured_band

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from roomplan.acoustics.figures import DecayFigures
    from roomplan.capture.bangs import Bang
    from roomplan.capture.result import Capture, Finding

__all__ = [
    "CAPTURE_SCHEMA",
    "CapturedBangs",
    "CapturedRoom",
    "CapturedSweeps",
    "Captures",
    "FailedRecording",
    "Kind",
    "ResponseFile",
    "capture_document",
]

CAPTURE_SCHEMA = "roomplan.capture/1"

Kind = Literal["mono", "stereo", "true_stereo"]
CHANNELS: dict[Kind, tuple[str, ...]] = {
    "mono": ("mono",),
    "stereo": ("L", "R"),
    "true_stereo": ("LL", "LR", "RL", "RR"),
}


@dataclass(frozen=True, slots=True)
class ResponseFile:
    """A response that was written.

    Attributes
    ----------
    file : Path
        Where it is.
    position : str
        What it is called in a plan.
    kind : Kind
        True stereo is LL, LR, RL, RR (in, out).
    channels : tuple of int
        Of the recording, from 1.
    sides : tuple of str
        Loudspeakers that played; empty for a bang.
    pre_delay_s : float
        Time ahead of the earliest direct sound.
    """

    file: Path
    position: str
    kind: Kind
    channels: tuple[int, ...]
    sides: tuple[str, ...]
    sample_rate: int
    frames: int
    pre_delay_s: float


@dataclass(frozen=True, slots=True)
class CapturedSweeps:
    """A recording of sweeps, and what was made of it."""

    recording: Path
    capture: Capture
    files: tuple[ResponseFile, ...]


@dataclass(frozen=True, slots=True)
class CapturedBangs:
    """A recording of bangs, the response of the best one, and the averaged figures of all good ones.

    Attributes
    ----------
    bangs : tuple of Bang
        All, in the order of time.
    ranked : tuple of Bang
        Those without a fault, the best first; the file is of the first.
    figures : tuple of DecayFigures
        One for each channel.
    """

    recording: Path
    sample_rate: int
    bangs: tuple[Bang, ...]
    ranked: tuple[Bang, ...]
    figures: tuple[DecayFigures, ...]
    files: tuple[ResponseFile, ...]


@dataclass(frozen=True, slots=True)
class FailedRecording:
    """A recording of which nothing was made, and why in one line."""

    recording: Path
    what: str


@dataclass(frozen=True, slots=True)
class CapturedRoom:
    """A room for a plan: its entry, and the old plan where it was written into one."""

    name: str
    text: str
    plan: Path | None = None
    backup: Path | None = None


@dataclass(frozen=True, slots=True)
class Captures:
    """All recordings of one run."""

    sweeps: Sequence[CapturedSweeps]
    bangs: Sequence[CapturedBangs]
    failed: Sequence[FailedRecording]

    @property
    def files(self) -> tuple[ResponseFile, ...]:
        """All responses."""
        return tuple(file for one in (*self.sweeps, *self.bangs) for file in one.files)


def capture_document(found: Captures, room: CapturedRoom | None) -> Document:
    """What was captured (`roomplan.capture/1`)."""
    return {
        "schema": CAPTURE_SCHEMA,
        "roomplan": __version__,
        "sweeps": [_sweeps(one) for one in found.sweeps],
        "bangs": [_bangs(one) for one in found.bangs],
        "failed": [{"recording": str(one.recording), "what": one.what} for one in found.failed],
        "room": None if room is None else _room(room),
        "standard_note": NO_STANDARD,
        "hearing_note": RESPONSE,
        "note": MUSIC_ONLY,
    }


def _room(room: CapturedRoom) -> Document:
    return {
        "name": room.name,
        "text": room.text,
        "plan": None if room.plan is None else str(room.plan),
        "backup": None if room.backup is None else str(room.backup),
    }


def _file(written: ResponseFile) -> Document:
    return {
        "file": str(written.file),
        "position": written.position,
        "kind": written.kind,
        "channels": list(CHANNELS[written.kind]),
        "recorded_channels": list(written.channels),
        "sides": list(written.sides),
        "sample_rate": written.sample_rate,
        "frames": written.frames,
        "duration_s": rounded(written.frames / written.sample_rate, 4),
        "direct_sound_s": rounded(written.pre_delay_s, 5),
    }


def _sweeps(one: CapturedSweeps) -> Document:
    capture = one.capture
    return {
        "recording": str(one.recording),
        "verdict": verdict_of(capture.findings),
        "files": [_file(written) for written in one.files],
        "drift_ppm": rounded(capture.drift_ppm, 3),
        "takes": [
            {"side": take.side, "start_s": rounded(take.start_s, 5), "used": take.used}
            for take in capture.takes
        ],
        "ranges": [
            {
                "side": entry.side,
                "channel": entry.channel + 1,
                "centre_hz": nominal(entry.frequency_hz),
                "range_db": rounded(entry.range_db, 2),
            }
            for entry in capture.ranges
        ],
        "harmonics": [
            {
                "side": entry.side,
                "channel": entry.channel + 1,
                "order": entry.order,
                "level_db": rounded(entry.level_db, 2),
                "floor_db": rounded(entry.floor_db, 2),
            }
            for entry in capture.harmonics
        ],
        "arrivals": [
            {
                "side": entry.side,
                "channel": entry.channel + 1,
                "centre_hz": nominal(entry.frequency_hz),
                "seconds": rounded(entry.seconds, 6),
            }
            for entry in capture.arrivals
        ],
        "findings": [_finding(finding) for finding in capture.findings],
    }


def _finding(finding: Finding) -> Document:
    said = said_of(finding)
    return {
        "code": finding.code,
        "severity": finding.severity,
        "time_s": rounded(finding.time_s, 4),
        "side": finding.side,
        "channel": None if finding.channel is None else finding.channel + 1,
        "frequency_hz": rounded(finding.frequency_hz, 1),
        "level_db": rounded(finding.level_db, 2),
        "seconds": rounded(finding.seconds, 5),
        "frames": finding.frames,
        "ppm": rounded(finding.ppm, 3),
        "what": said.what,
        "remedy": said.remedy,
    }


def _bangs(one: CapturedBangs) -> Document:
    places = {id(bang): place for place, bang in enumerate(one.ranked, start=1)}
    return {
        "recording": str(one.recording),
        "files": [_file(written) for written in one.files],
        "bangs": [
            {
                "time_s": rounded(bang.time_s, 4),
                "rank": places.get(id(bang)),
                "peak_dbfs": rounded(bang.peak_dbfs, 2),
                "least_range_db": rounded(bang.least_range_db, 2),
                "ranges": [
                    {"centre_hz": nominal(centre), "range_db": rounded(reached, 2)}
                    for centre, reached in bang.range_db.items()
                ],
                "faults": sorted(bang.faults),
            }
            for bang in one.bangs
        ],
        "averaged": [
            {
                "channel": number,
                "verdict": figures.verdict,
                "bands": [
                    {"centre_hz": nominal(band.centre_hz)} | measured_band(band) for band in figures.bands
                ],
                "mid": measured_band(figures.mid),
            }
            for number, figures in enumerate(one.figures, start=1)
        ],
        "limits_note": BANG_LIMITS,
    }
