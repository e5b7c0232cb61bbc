"""What is in the files of a stems folder: channels, rate, length, loudness, and where each one sounds.

Conventions
-----------
Times in seconds from the start of the file, loudness in LUFS (ITU-R BS.1770, both gates), peaks in dBFS. A
file *sounds* from the first to the last 20 ms whose K-weighted level passes the absolute gate of BS.1770,
−70 LUFS. A file that cannot be rendered is a result too: its `fault` says why.

Sources
-------
ITU-R BS.1770-5, Annex 1: the absolute gate.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from roomplan.audio.bext import stated_time
from roomplan.audio.info import BLOCK_FRAMES, SoundSource
from roomplan.errors import AudioError, RoomplanError
from roomplan.files.names import is_sound_name, natural_order
from roomplan.loudness.hops import HOPS_PER_SECOND
from roomplan.loudness.meter import Meter
from roomplan.loudness.weighting import HIGHEST_SAMPLE_RATE

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from roomplan.audio.info import SoundInfo

__all__ = ["StemFile", "list_stems", "listen"]

# Of mean square per hop: −70 LUFS is 10 lg(power) − 0.691 (BS.1770-5, Annex 1).
_GATE_POWER = 10.0 ** ((-70.0 + 0.691) / 10.0)


@dataclass(frozen=True, slots=True)
class StemFile:
    """A sound file of the folder.

    Attributes
    ----------
    name : str
        With its extension, as the folder has it.
    channels, sample_rate : int
        0 where the file cannot be read.
    loudness_lufs, peak_dbfs : float or None
        None where they cannot be said: silence, less than 400 ms, a rate above 192 kHz.
    sounds_s : tuple of float, or None
        From the first to the last sound; None for silence and above 192 kHz.
    silent : bool
        Nothing but zeros.
    begins_sample : int or None
        Time of day at which it begins, in its own samples from midnight; None where the file states none
        or 0.
    fault : str or None
        Why it cannot be rendered, in one line.
    """

    name: str
    channels: int = 0
    sample_rate: int = 0
    duration_s: float = 0.0
    loudness_lufs: float | None = None
    peak_dbfs: float | None = None
    sounds_s: tuple[float, float] | None = None
    silent: bool = False
    begins_sample: int | None = None
    fault: str | None = None


def list_stems(folder: Path) -> list[Path]:
    """Sound files of a folder, in natural order.

    Raises
    ------
    RoomplanError
        No such folder, a file, one that cannot be read, is empty, or holds no sound file.

    Notes
    -----
    Folders inside are not looked into, as a plan does not either; one that holds sound is named.
    """
    if not folder.is_dir():
        if folder.exists():
            raise RoomplanError(f"{folder} is a file", remedy="give the folder that holds the stems")
        raise RoomplanError(f"there is no folder {folder}", remedy="give the folder that holds the stems")
    try:
        entries = list(folder.iterdir())
    except OSError as error:
        raise RoomplanError(
            f"the folder {folder} cannot be read: {error.strerror}", remedy="allow reading it"
        ) from error
    files = sorted((path for path in entries if is_sound_name(path)), key=natural_order)
    if files:
        return files
    if not entries:
        raise RoomplanError(f"the folder {folder} is empty", remedy="export the stems into it first")
    inside = next((path for path in sorted(entries) if path.is_dir() and _holds_sound(path)), None)
    raise RoomplanError(
        f"the folder {folder} holds no sound files",
        remedy=f"did you mean {inside}?" if inside is not None else "give the folder that holds the stems",
    )


def _holds_sound(folder: Path) -> bool:
    try:
        return any(is_sound_name(path) for path in folder.iterdir())
    except OSError:
        return False


def listen(
    files: Sequence[Path], *, progress: Callable[[int, int], None] = lambda _done, _total: None
) -> list[StemFile]:
    """Read every file once.

    Parameters
    ----------
    progress : callable
        Called with the number of files that are done and that of all.

    Returns
    -------
    list of StemFile
        In the same order.

    Notes
    -----
    Not done: true peaks, and anything about the timbre. A file is streamed, never held whole.
    """
    heard = []
    for done, path in enumerate(files, start=1):
        heard.append(_heard(path))
        progress(done, len(files))
    return heard


def _heard(path: Path) -> StemFile:
    name = path.name
    try:
        with SoundSource(path) as source:
            info = source.info
            if info.channels > 2:
                return _faulty(name, info, f"has {info.channels} channels; stems are mono or stereo")
            try:
                return _measured(source)
            except AudioError as error:
                return _faulty(name, info, _reason(error, path))
    except RoomplanError as error:
        return StemFile(name, fault=_reason(error, path))
    except UnicodeEncodeError:
        return StemFile(name, fault="its name is not UTF-8")
    except OSError as error:
        return StemFile(name, fault=str(error.strerror or error))
    except MemoryError:
        return StemFile(name, fault="too large for the memory")


def _reason(error: RoomplanError, path: Path) -> str:
    """First problem without the path in front of it."""
    return error.problems[0].what.removeprefix(f"{path}: ")


def _faulty(name: str, info: SoundInfo, why: str) -> StemFile:
    return StemFile(name, info.channels, info.sample_rate, info.duration_s, fault=why)


def _measured(source: SoundSource) -> StemFile:
    info = source.info
    metered = info.sample_rate <= HIGHEST_SAMPLE_RATE
    meter = Meter(sample_rate=info.sample_rate, channels=info.channels) if metered else None
    block = np.empty((min(BLOCK_FRAMES * 4, info.frames), info.channels))
    peak = 0.0
    while source.left:
        part = block[: source.left]
        source.read_into(part)
        peak = max(peak, float(part.max()), -float(part.min()))
        if meter is not None:
            meter.feed(part)
    loudness, sounds = None, None
    time = stated_time(info)
    if meter is not None and peak > 0.0:
        loudness = meter.result().loudness.integrated_lufs
        sounds = _sounding(meter, info)
    return StemFile(
        name=info.path.name,
        channels=info.channels,
        sample_rate=info.sample_rate,
        duration_s=info.duration_s,
        loudness_lufs=loudness,
        peak_dbfs=20.0 * float(np.log10(peak)) if peak > 0.0 else None,
        sounds_s=sounds,
        silent=peak == 0.0,
        begins_sample=None if time is None else time.samples,
    )


def _sounding(meter: Meter, info: SoundInfo) -> tuple[float, float] | None:
    """From the first to the last hop above the gate; the end of the file where the last hop is one."""
    power = meter.hop_sums() * (HOPS_PER_SECOND / info.sample_rate)
    loud = np.flatnonzero(power > _GATE_POWER)
    if len(loud) == 0:
        return None
    last = info.duration_s if loud[-1] == len(power) - 1 else (int(loud[-1]) + 1) / HOPS_PER_SECOND
    return int(loud[0]) / HOPS_PER_SECOND, last
