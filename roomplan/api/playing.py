"""A sweep played and recorded in one go, where there is a sound device.

Conventions
-----------
Hearing caution: sweeps are loud. A short quiet sweep is played first, to see whether anything comes back and
whether the loud ones will clip.

Notes
-----
The library that plays is an extra of the installation and is imported when a device is opened.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from importlib import import_module
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from roomplan.api.arrays import write_float_file
from roomplan.capture.sequence import sequence_samples
from roomplan.errors import RoomplanError
from roomplan.files.staging import StagedFolder, silent_notice
from roomplan.rendering.progress import silent_progress
from roomplan.report.sweeps import PlayedBack

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from numpy.typing import NDArray

    from roomplan.capture.sequence import SweepSequence
    from roomplan.rendering.progress import Progress

__all__ = ["Device", "RecordedSound", "open_device", "play_and_record", "refuse_recording"]

CHECK_LEVEL_DBFS = -30.0
"""Peak of the sweep that is played first."""

_CHECK_SECONDS = 1.0
_CHECK_SILENCE_S = 1.0
_LEAST_OVER_NOISE_DB = 10.0  # common practice, no source
_HIGHEST_PEAK_DBFS = -1.0


@dataclass(frozen=True, slots=True)
class RecordedSound:
    """What a device recorded.

    Attributes
    ----------
    samples : ndarray, shape (frames, channels), float32
    overflow, underflow : bool
        Whether input was lost, or output had a gap.
    """

    samples: NDArray[np.float32]
    overflow: bool
    underflow: bool


class Device(Protocol):
    """What plays and records at once."""

    def playrec(self, samples: NDArray[np.float32], *, sample_rate: int, channels: int) -> RecordedSound:
        """Play (frames, 2) and record as many frames of some channels meanwhile."""
        ...


def open_device(name: str) -> Device:
    """Device by its name or number.

    Raises
    ------
    RoomplanError
        The extra is not installed, the system has no PortAudio, or there is no such device.
    """
    try:
        library = import_module("sounddevice")
    except ImportError as error:
        raise RoomplanError(
            "playing needs what is not installed here",
            remedy='pip install "roomplan[record]", or play the file with any player and record it',
        ) from error
    except OSError as error:  # its own library is missing
        raise RoomplanError(
            "playing needs PortAudio, which this system does not have",
            remedy="install it (Debian: libportaudio2), or play the file with any player and record it",
        ) from error
    number: int | str = int(name) if name.isdecimal() else name
    try:
        library.query_devices(number)
    except (ValueError, library.PortAudioError) as error:
        found = enumerate(library.query_devices())
        known = ", ".join(f"{place} {entry['name']}" for place, entry in found)
        remedy = f"there are {known}" if known else "there is none: use any player and any recorder"
        raise RoomplanError(f"there is no sound device {name!r}", remedy=remedy) from error
    return _SoundDevice(library, number)


class _SoundDevice:
    """A device of the library sounddevice."""

    def __init__(self, library: Any, number: int | str) -> None:
        self._library = library
        self._number = number

    def playrec(self, samples: NDArray[np.float32], *, sample_rate: int, channels: int) -> RecordedSound:
        """Play and record; see `Device`."""
        try:
            # high latency: what is lost on the way costs more than waiting
            found = self._library.playrec(
                samples,
                sample_rate,
                channels=channels,
                dtype="float32",
                device=self._number,
                latency="high",
                blocking=True,
            )
        except (ValueError, self._library.PortAudioError) as error:
            raise RoomplanError(
                f"the device cannot play 2 and record {channels} channels at {sample_rate} Hz ({error})",
                remedy="choose another --rate or --inputs, or another device",
            ) from error
        status = self._library.get_status()
        overflow = bool(status.input_overflow or status.input_underflow)
        return RecordedSound(found, overflow, bool(status.output_underflow or status.output_overflow))


def refuse_recording(target: Path, *, replace: bool) -> None:
    """Raise where no recording can be written; asked before any work."""
    place = target.expanduser()
    if place.suffix.lower() != ".wav":
        raise RoomplanError(f"{target}: a recording is written as WAV", remedy="name a .wav")
    if not place.parent.is_dir():
        raise RoomplanError(
            f"{target}: there is no folder {place.parent}", remedy="make it or choose another"
        )
    if place.exists() and not replace:
        raise RoomplanError(f"{target}: already exists", remedy="name another file, or give --replace")


def play_and_record(
    played: SweepSequence,
    device: Device,
    target: Path,
    *,
    channels: int = 2,
    replace: bool = False,
    progress: Progress = silent_progress,
    notice: Callable[[str], None] = silent_notice,
) -> PlayedBack:
    """Play sweeps and write what a device records, as 32-bit float WAV.

    Parameters
    ----------
    target : Path
        See `refuse_recording`.
    channels : int
        Inputs to record, from the first.

    Raises
    ------
    RoomplanError
        Nothing comes back at −30 dBFS, the sweep would clip, the device fails, the file cannot be written.
    """
    rate = played.sweep.rate
    progress("checking the level", 0, 1)
    over_noise_db, expected_dbfs = _checked(played, device, channels)
    if expected_dbfs > _HIGHEST_PEAK_DBFS:
        raise RoomplanError(
            f"the recording would clip: its peak would be {expected_dbfs:+.1f} dBFS",
            remedy=f"turn the input down by {math.ceil(expected_dbfs + 6.0)} dB, or choose a lower --level",
        )
    progress("playing", 0, 1)
    found = _played(played, device, channels)
    place = target.expanduser()
    with StagedFolder(place.parent, notice=notice) as staged:
        peak = write_float_file(staged.path(place.name), found.samples, rate)
        refuse_recording(target, replace=replace)  # it may have come while we played
        staged.commit(last=place.name)
    return PlayedBack(target, over_noise_db, _decibels(peak), found.overflow, found.underflow)


def _checked(played: SweepSequence, device: Device, channels: int) -> tuple[float, float]:
    """How far a quiet sweep is over the noise, and the peak to be expected of the loud ones, in dB."""
    quiet = dataclasses.replace(
        played,
        sweep=dataclasses.replace(played.sweep, level=CHECK_LEVEL_DBFS, seconds=_CHECK_SECONDS),
        sides=tuple(dict.fromkeys(played.sides)),
        lead_seconds=_CHECK_SILENCE_S,
        gap_seconds=_CHECK_SILENCE_S,
    )
    found = _played(quiet, device, channels).samples
    power = np.mean(found.astype(np.float64) ** 2, axis=1)
    width = max(1, quiet.sweep.rate // 20)
    levels = power[: power.size // width * width].reshape(-1, width).mean(axis=1)
    noise, loudest = float(np.percentile(levels, 10)), float(levels.max(initial=0.0))
    over_noise_db = 10.0 * math.log10(max(loudest, 1e-20) / max(noise, 1e-20))
    if loudest < 1e-12 or over_noise_db < _LEAST_OVER_NOISE_DB:
        raise RoomplanError(
            "nothing of the quiet sweep came back",
            remedy="check cables, inputs and loudspeakers, and turn the input up",
        )
    peak = float(np.abs(found).max(initial=0.0))
    return over_noise_db, _decibels(peak) + played.sweep.level - CHECK_LEVEL_DBFS


def _played(played: SweepSequence, device: Device, channels: int) -> RecordedSound:
    sound = np.concatenate(list(sequence_samples(played))).astype(np.float32)
    return device.playrec(sound, sample_rate=played.sweep.rate, channels=channels)


def _decibels(amplitude: float) -> float:
    return 20.0 * math.log10(max(amplitude, 1e-10))
