"""A sweep to be played in a room: how long it should be, its sound, its file, and how it was made.

Conventions
-----------
What is played has two channels, left and right. Hearing caution: sweeps are loud.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np

from roomplan.api.arrays import sound_rate
from roomplan.audio.comments import read_comment
from roomplan.audio.writers import OutputFormat, SoundWriter
from roomplan.capture.sequence import (
    SweepSequence,
    first_again,
    sequence_from_text,
    sequence_samples,
    sequence_to_text,
)
from roomplan.capture.sweep import HIGHEST_SHARE, Sweep, advised_seconds
from roomplan.documents.suggest import did_you_mean
from roomplan.errors import AudioError, RoomplanError
from roomplan.files.sound_place import require_regular
from roomplan.files.staging import StagedFolder, silent_notice
from roomplan.rendering.progress import silent_progress
from roomplan.report.sweeps import SweepAdvice, WrittenSweep

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from roomplan.capture.sequence import Side
    from roomplan.rendering.progress import Progress

__all__ = ["PlayedSweep", "read_sweep", "refuse_sweep_file", "sweep", "sweep_advice", "write_sweep"]

LEAST_SECONDS = 10.0
"""Sweeps are this long where nothing asks for more: common practice, no source."""

_LONGEST_BY_ITSELF_S = 60.0  # a room that asks for more is asked for less noise first
_HIGHEST_HZ = 20_000.0
_GAP_OF_DECAY = 1.25
_GAP_MORE_S = 0.5
_LONGEST_TEXT = 65_536
_SIDES: Mapping[str, Side] = {"left": "left", "right": "right"}
_FORMAT = OutputFormat("wav", 24)


@dataclass(frozen=True, slots=True, repr=False)
class PlayedSweep(SweepSequence):
    """Sweeps as they are played: the values of `SweepSequence`, and their sound.

    Examples
    --------
    >>> played = roomplan.sweep(seconds=2.0, sample_rate=24_000)
    >>> played
    <PlayedSweep left, right, left: 20 Hz to 11040 Hz in 2 s, 24000 Hz>
    >>> isinstance(played, roomplan.PlayedSweep)
    True
    >>> played.samples().shape == (played.frames, 2)
    True
    """

    def samples(self) -> NDArray[np.float64]:
        """What is played, shape (frames, 2), full scale 1."""
        return np.concatenate(list(sequence_samples(self)))

    def __repr__(self) -> str:
        one = self.sweep
        return (
            f"<{type(self).__name__} {', '.join(self.sides)}: {one.start_frequency:g} Hz to "
            f"{one.end_frequency:g} Hz in {one.seconds:g} s, {one.rate} Hz>"
        )


def sweep(
    *,
    seconds: float | None = None,
    start_hz: float = 20.0,
    end_hz: float | None = None,
    sample_rate: int = 48_000,
    level_dbfs: float = -6.0,
    sides: Sequence[str] = tuple(_SIDES),
    decay_s: float = 2.0,
    range_db: float = 60.0,
    over_noise_db: float | None = None,
) -> PlayedSweep:
    """Make a sweep for measuring a room with loudspeakers and microphones.

    Parameters
    ----------
    seconds : float, optional
        From the lowest to the highest frequency; without it what the room asks for, from 10 s to 60 s.
    start_hz, end_hz : float
        Without a highest frequency 20 kHz, or 0.46 of a low sample rate.
    level_dbfs : float
        Of the peak.
    sides : sequence of str
        "left" and "right", in the order of playing; the first is played again at the end, which gives the
        drift between two clocks.
    decay_s : float
        Reverberation time that is expected: gaps are 1.25 times as long, and half a second.
    range_db, over_noise_db : float
        What the room asks for depends on; see `sweep_advice`.

    Raises
    ------
    RoomplanError
        Values that no sweep can have.

    Examples
    --------
    >>> roomplan.sweep(decay_s=5.0).sides
    ('left', 'right', 'left')
    """
    rate = sound_rate(sample_rate)
    end = float(math.floor(min(_HIGHEST_HZ, HIGHEST_SHARE * rate))) if end_hz is None else float(end_hz)
    if not (math.isfinite(decay_s) and 0.0 < decay_s <= 60.0):
        raise RoomplanError(f"a decay of {decay_s:g} s", remedy="give seconds above 0, 60 at most")
    length = seconds
    if length is None:
        octaves = math.log2(end / start_hz) if 0.0 < start_hz < end else 1.0  # refused below
        asked = advised_seconds(decay_s, octaves=octaves, range_db=range_db, signal_to_noise_db=over_noise_db)
        length = min(max(LEAST_SECONDS, math.ceil(asked)), _LONGEST_BY_ITSELF_S)
    one = Sweep(
        start_frequency=float(start_hz),
        end_frequency=end,
        seconds=float(length),
        rate=rate,
        level=float(level_dbfs),
    )
    gap = round(_GAP_OF_DECAY * decay_s + _GAP_MORE_S, 1)
    return PlayedSweep(one, first_again(_known_sides(sides)), gap_seconds=gap)


def sweep_advice(one: Sweep, *, decay_s: float, range_db: float, over_noise_db: float | None) -> SweepAdvice:
    """How long a sweep the room asks for.

    Parameters
    ----------
    decay_s : float
        Reverberation time that is expected.
    range_db : float
        Wanted range of the response.
    over_noise_db : float or None
        Level of the sweep over the noise of the room, both at the microphone, in an octave.
    """
    asked = advised_seconds(decay_s, octaves=one.octaves, range_db=range_db, signal_to_noise_db=over_noise_db)
    return SweepAdvice(decay_s=decay_s, range_db=range_db, over_noise_db=over_noise_db, seconds=asked)


def refuse_sweep_file(output: Path, *, replace: bool) -> None:
    """Raise where no sweep can be written; asked before any work."""
    target = output.expanduser()
    if target.suffix.lower() != ".wav":
        raise RoomplanError(f"{output}: a sweep is written as WAV", remedy="name a .wav")
    if not target.parent.is_dir():
        raise RoomplanError(
            f"{output}: there is no folder {target.parent}", remedy="make it or choose another"
        )
    for place in (target, _text_beside(target)):
        if place.is_dir():
            raise RoomplanError(f"{place}: is a folder", remedy="name a file")
        if place.exists() and not replace:
            raise RoomplanError(f"{place}: already exists", remedy="name another file, or give --replace")


def write_sweep(
    played: SweepSequence,
    output: Path,
    advice: SweepAdvice,
    *,
    replace: bool = False,
    progress: Progress = silent_progress,
    notice: Callable[[str], None] = silent_notice,
) -> WrittenSweep:
    """Write a sweep as 24-bit WAV that says how it was made, and the same as a text file beside it.

    Parameters
    ----------
    output : Path
        See `refuse_sweep_file`.
    replace : bool
        Whether files that are there may go.

    Raises
    ------
    RoomplanError
        A file has come meanwhile, or cannot be written.
    """
    target = output.expanduser()
    text = sequence_to_text(played)
    with StagedFolder(target.parent, notice=notice) as staged:
        writer = SoundWriter(
            staged.path(target.name),
            sample_rate=played.sweep.rate,
            channels=2,
            frames_expected=played.frames,
            format=_FORMAT,
            dither_seed=text,
            comment=text,
        )
        with writer:
            progress("writing", 0, played.frames)
            for block in sequence_samples(played):
                writer.write(block.astype(np.float32))
                progress("writing", writer.frames_written, played.frames)
        staged.write_text(_text_beside(target).name, f"{json.dumps(json.loads(text), indent=2)}\n")
        refuse_sweep_file(output, replace=replace)  # it may have come while we worked
        staged.commit(last=target.name)
    return WrittenSweep(file=output, text_file=_text_beside(output), played=played, advice=advice)


def read_sweep(path: Path) -> PlayedSweep:
    """How a sweep was made, from its file or from the text beside it.

    Parameters
    ----------
    path : Path
        The WAV that was played, or its text file. A WAV that has lost its own text, as an editor may leave
        it, is looked up by the text file beside it.

    Raises
    ------
    AudioError
        The file is missing, or does not say how it was made.
    """
    require_regular(path)
    text = None if path.suffix.lower() == ".txt" else read_comment(path)
    found = _sequence(text)
    if found is None:
        beside = path if path.suffix.lower() == ".txt" else _text_beside(path)
        found = _sequence(_text_of(beside))
    if found is None:
        raise AudioError(
            path,
            "does not say how it was made as a sweep",
            remedy="give the file that roomplan sweep wrote, or the .txt beside it",
        )
    return PlayedSweep(**{entry.name: getattr(found, entry.name) for entry in fields(found)})


def _sequence(text: str | None) -> SweepSequence | None:
    if text is None:
        return None
    try:
        return sequence_from_text(text)
    except RoomplanError:
        return None


def _text_beside(path: Path) -> Path:
    return path.with_suffix(".txt")


def _text_of(path: Path) -> str | None:
    try:
        with path.open("rb") as file:
            return file.read(_LONGEST_TEXT).decode("utf-8", "replace")
    except OSError:
        return None


def _known_sides(sides: Sequence[str]) -> tuple[Side, ...]:
    found: list[Side] = []
    for name in sides:
        side = _SIDES.get(name)
        if side is None:
            near = did_you_mean(name, _SIDES)
            hint = f"did you mean {near}? " if near else ""
            raise RoomplanError(f"there is no side {name!r}", remedy=f"{hint}name left, right or both")
        found.append(side)
    return tuple(dict.fromkeys(found))
