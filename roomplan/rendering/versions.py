"""Versions of one bus side by side for the ear: as they are or equally loud, and in turns.

Conventions
-----------
A version is a sound file that a render has written: one bus of one plan. All versions of a bus share a sample
rate and have one or two channels; they start on one frame and may end on different ones. What is written is
32-bit float WAV, loudness in LUFS, gains in decibels, times in seconds from the first frame.

The turns go along the running sound: the music goes on, the room changes. Each change is a linear crossfade
of 20 ms about its time. Linear, because versions of one bus are the same music and mostly alike sample by
sample: gains that add up to one keep what is alike at its level, where equal-power gains would raise it by up
to 3 dB. What is not alike, late reverberation, dips by up to 3 dB for those 20 ms.

Sources
-------
- Loudness and true peak: see `roomplan.loudness`.
- Turns of 8 s and fades of 20 ms: common practice, no source.
- The levels within a fade of equal gains of ½ each: sums of like signals add in amplitude, of unlike ones in
  power (elementary).
"""

from __future__ import annotations

import math
from contextlib import ExitStack
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from roomplan.audio.info import BLOCK_FRAMES, SoundSource, inspect_sound
from roomplan.audio.writers import OutputFormat, SoundWriter
from roomplan.errors import AudioError, RoomplanError
from roomplan.files.names import safe_file_names
from roomplan.files.staging import StagedFolder, silent_notice
from roomplan.loudness.programme import SoundMeter
from roomplan.loudness.weighting import HIGHEST_SAMPLE_RATE
from roomplan.rendering.progress import silent_progress

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from roomplan.audio.info import SoundInfo
    from roomplan.loudness.programme import ProgrammeLoudness
    from roomplan.rendering.progress import Progress

__all__ = ["ALTERNATING", "FADE_S", "SHORTEST_TURN_S", "Version", "WrittenVersion", "write_versions"]

FADE_S = 0.020
"""Length of a crossfade between turns."""

SHORTEST_TURN_S = 0.1
"""Of a turn: shorter ones would be mostly crossfade."""

ALTERNATING = "alternating"
"""Name of the file of turns and of its list, without ending."""

_FORM = OutputFormat("wav", "32f")
_CLOSE_ENOUGH_LU = 0.01
_MOST_PASSES = 4


@dataclass(frozen=True, slots=True)
class Version:
    """One bus of one plan, as a render wrote it.

    Attributes
    ----------
    label : str
        What tells this version from the others of its bus, as a rule the name of the plan.
    loudness_lufs : float or None
        Integrated, as reported; None where it could not be said.
    """

    label: str
    bus: str
    file: Path
    loudness_lufs: float | None


@dataclass(frozen=True, slots=True)
class WrittenVersion:
    """A file that `write_versions` has written: one version, or the turns of a bus.

    Attributes
    ----------
    bus, label : str
        The label of the turns is `ALTERNATING`.
    gain_db : float
        What the version was raised by; 0 for the turns, whose versions have their gains already.
    loudness_lufs : float or None
        Integrated, measured on what was written; None where it cannot be said, and for the turns, which are
        not a programme of their own.
    over_db : float or None
        How far the true peak of the version lies above 0 dBTP; None where it does not, and for the turns.
        The file holds it, a converter will not.
    turns : tuple of (float, str)
        Of the turns: start and label of each; else empty.
    """

    bus: str
    label: str
    file: Path
    gain_db: float
    loudness_lufs: float | None
    over_db: float | None
    turns: tuple[tuple[float, str], ...] = ()


def write_versions(
    versions_by_bus: Mapping[str, Sequence[Version]],
    folder: Path,
    *,
    matched: bool,
    turn_s: float = 8.0,
    progress: Progress = silent_progress,
    notice: Callable[[str], None] = silent_notice,
) -> tuple[WrittenVersion, ...]:
    """Write versions of buses to listen to, and a file for each bus that takes them in turns.

    Parameters
    ----------
    versions_by_bus : mapping of str to sequence of Version
        The first version of a bus is the one the others are matched to, and has the first turn.
    folder : Path
        Gets ``<bus>/<label>.wav``, and where a bus has more than one version ``<bus>/alternating.wav`` and
        ``<bus>/alternating.txt``, which says who plays when: to listen blind, leave it closed. All files
        appear together or none does; others in the folder stay.
    matched : bool
        Whether versions are brought to the integrated loudness of the first; else they are copied.
    turn_s : float, optional
        Length of a turn, `SHORTEST_TURN_S` or longer.
    notice : callable, optional
        As in `StagedFolder`.

    Returns
    -------
    tuple of WrittenVersion
        Bus by bus: its versions in order, then its turns.

    Raises
    ------
    RoomplanError
        No bus or no version; a label given twice; a loudness that is not known though it is to be matched;
        other rates or channel counts than the first version's; more than two channels, or more than 192 kHz;
        a file that cannot be read, or that would be replaced by its own version; a folder that cannot be
        written; turns too short.
    ValueError
        A version is under another bus than its own.

    Notes
    -----
    A gain begins as the difference of the reported loudness. What comes out is measured while it is written,
    and written again where it is off by more than 0.01 LU, which happens when a gain lifts quiet passages
    over the absolute gate, or a report is older than its file. Never more than four times: a sound of a few
    blocks, one of them at a gate, may have no gain that fits.

    Not done: no limiter and no common trim, so a version may peak above full scale (see `over_db`); no
    alignment in time; nothing is cut. Behind the end of a shorter version its turns are silent. A change
    that would fall into the last 10 ms of the turns is left out.
    """
    folder = folder.expanduser()
    _check_versions(versions_by_bus, matched=matched)
    if not (math.isfinite(turn_s) and turn_s >= SHORTEST_TURN_S):
        raise RoomplanError(
            f"turns of {turn_s} s are too short to listen to",
            remedy=f"give {SHORTEST_TURN_S} s or more; 8 s is a good start",
        )
    jobs = [
        _Job(bus, f"{bus_folder}/", tuple(versions_by_bus[bus]), _inspect(versions_by_bus[bus]))
        for bus, bus_folder in safe_file_names(list(versions_by_bus)).items()
    ]
    _refuse_sources(jobs, folder)
    total = sum(len(job.versions) + (len(job.versions) > 1) for job in jobs)
    written: list[WrittenVersion] = []
    with StagedFolder(folder, notice=notice) as staged:
        progress("writing versions", 0, total)
        for job in jobs:
            for one in _write_bus(job, staged, folder, matched=matched, turn_s=turn_s):
                written.append(one)
                progress("writing versions", len(written), total)
        staged.commit(last=written[-1].file.relative_to(folder).as_posix())
    return tuple(written)


@dataclass(frozen=True, slots=True)
class _Job:
    """What is to be done for one bus."""

    bus: str
    prefix: str  # of the names of its files in the folder
    versions: tuple[Version, ...]
    infos: tuple[SoundInfo, ...]

    @property
    def files(self) -> list[str]:
        """Where each version goes, relative to the folder."""
        # The dot is cut off again; with it no label is the name of their file itself, and one that comes
        # down to it gives way.
        labels = [f"{version.label}." for version in self.versions]
        names = safe_file_names([ALTERNATING, *labels])
        return [f"{self.prefix}{names[label]}{_FORM.suffix}" for label in labels]

    @property
    def alternating_files(self) -> tuple[str, str]:
        """Sound and list of the turns."""
        return f"{self.prefix}{ALTERNATING}{_FORM.suffix}", f"{self.prefix}{ALTERNATING}.txt"


def _check_versions(versions_by_bus: Mapping[str, Sequence[Version]], *, matched: bool) -> None:
    if not versions_by_bus:
        raise RoomplanError("no bus to write", remedy="name at least one")
    for bus, versions in versions_by_bus.items():
        if not versions:
            raise RoomplanError(f"bus {bus} has no version to write", remedy="render it first")
        labels = set()
        for version in versions:
            if version.bus != bus:
                raise ValueError(f"a version of bus {version.bus} stands under bus {bus}")
            if version.label in labels:
                raise RoomplanError(
                    f"bus {bus} has two versions called {version.label}", remedy="give each a name of its own"
                )
            labels.add(version.label)
            known = version.loudness_lufs is not None and math.isfinite(version.loudness_lufs)
            if matched and not known:
                raise _unmatchable(version)


def _unmatchable(version: Version) -> RoomplanError:
    return RoomplanError(
        f"the loudness of bus {version.bus} in {version.label} is not known, so it cannot be matched",
        remedy="write the versions as they are, or leave out this bus (it may be silent or muted)",
    )


def _inspect(versions: Sequence[Version]) -> tuple[SoundInfo, ...]:
    infos = tuple(inspect_sound(version.file) for version in versions)
    first = infos[0]
    for info in infos:
        if info.channels > 2:
            raise AudioError(
                info.path,
                f"has {info.channels} channels, and versions have one or two",
                remedy="choose a bus that was written as mono or stereo",
            )
        if info.sample_rate > HIGHEST_SAMPLE_RATE:
            raise AudioError(
                info.path,
                f"has a sample rate of {info.sample_rate} Hz, and loudness is measured up to "
                f"{HIGHEST_SAMPLE_RATE} Hz",
                remedy="render at a lower rate",
            )
        for name, mine, other in (
            ("Hz", info.sample_rate, first.sample_rate),
            ("channels", info.channels, first.channels),
        ):
            if mine != other:
                raise AudioError(
                    info.path,
                    f"cannot take turns with {first.path}: {mine} {name} against {other} {name}",
                    remedy="render all plans alike",
                )
    return infos


def _refuse_sources(jobs: Sequence[_Job], folder: Path) -> None:
    """No file that is read may be replaced."""
    sources = [version.file for job in jobs for version in job.versions]
    for job in jobs:
        for file in (*job.files, *job.alternating_files):
            target = folder / file
            if target.exists() and any(target.samefile(source) for source in sources):
                raise RoomplanError(
                    f"{target}: is one of the versions to read, and would be replaced",
                    remedy="choose another output folder",
                )


def _write_bus(
    job: _Job, staged: StagedFolder, folder: Path, *, matched: bool, turn_s: float
) -> Iterator[WrittenVersion]:
    """Write the files of one bus into the stage; each is yielded when it is there."""
    target: float | None = None
    for version, info, file in zip(job.versions, job.infos, job.files, strict=True):
        path = staged.path(file)
        if matched:
            gain_db, measured = _write_matched(version, info, path, job.versions[0], target)
            if target is None:
                target = measured.integrated_lufs
        else:
            gain_db, measured = 0.0, _write_raised(info, path, gain_db=0.0)
        peak = measured.true_peak_dbtp
        over_db = peak if peak is not None and peak > 0.0 else None
        yield WrittenVersion(
            job.bus, version.label, folder / file, gain_db, measured.integrated_lufs, over_db
        )
    if len(job.versions) == 1:
        return
    rate, frames = job.infos[0].sample_rate, max(info.frames for info in job.infos)
    changes = _changes(frames, rate, turn_s)
    sound, text = job.alternating_files
    _write_alternating([staged.path(file) for file in job.files], staged.path(sound), changes)
    starts = [0.0, *(change / rate for change in changes)]
    labels = [version.label for version in job.versions]
    turns = tuple((start, labels[turn % len(labels)]) for turn, start in enumerate(starts))
    staged.path(text).write_text(_list(turns), encoding="utf-8", newline="\n")
    yield WrittenVersion(job.bus, ALTERNATING, folder / sound, 0.0, None, None, turns)


def _write_matched(
    version: Version, info: SoundInfo, path: Path, first: Version, target: float | None
) -> tuple[float, ProgrammeLoudness]:
    """Write a version as loud as `target`, the first one (None yet) as it is; return gain and loudness."""
    gain_db = (first.loudness_lufs or 0.0) - (version.loudness_lufs or 0.0)
    for _ in range(_MOST_PASSES - 1):
        measured = _write_raised(info, path, gain_db=gain_db)
        found = measured.integrated_lufs
        if found is None:  # whatever the report says
            raise _unmatchable(version)
        if target is None or abs(found - target) <= _CLOSE_ENOUGH_LU:
            return gain_db, measured
        gain_db += target - found
    return gain_db, _write_raised(info, path, gain_db=gain_db)


def _write_raised(info: SoundInfo, path: Path, *, gain_db: float) -> ProgrammeLoudness:
    """Write a file raised by a gain, and meter what is written; a gain of 0 dB changes no sample."""
    gain = 10.0 ** (gain_db / 20.0)
    meter = SoundMeter(sample_rate=info.sample_rate, channels=info.channels)
    block = np.empty((min(BLOCK_FRAMES, info.frames), info.channels))
    with SoundSource(info.path) as source, _writer(path, info.frames, info) as writer:
        while source.left:
            part = block[: source.left]
            source.read_into(part)
            raised = (part * gain).astype(np.float32)
            writer.write(raised)
            meter.feed(raised)
    return meter.result()


def _writer(path: Path, frames: int, info: SoundInfo) -> SoundWriter:
    return SoundWriter(
        path,
        sample_rate=info.sample_rate,
        channels=info.channels,
        frames_expected=frames,
        format=_FORM,
        dither_seed="",
    )


def _half_fade(rate: int) -> int:
    return max(1, round(0.5 * FADE_S * rate))


def _changes(frames: int, rate: int, turn_s: float) -> list[int]:
    """Frames at which the next version takes over, each with room for its whole crossfade."""
    changes: list[int] = []
    while (at := round((len(changes) + 1) * turn_s * rate)) + _half_fade(rate) <= frames:
        changes.append(at)
    return changes


def _write_alternating(files: Sequence[Path], path: Path, changes: Sequence[int]) -> None:
    """Splice written versions, a block of all at a time."""
    with ExitStack() as stack:
        sources = [stack.enter_context(SoundSource(file)) for file in files]
        longest = max((source.info for source in sources), key=lambda info: info.frames)
        writer = stack.enter_context(_writer(path, longest.frames, longest))
        splice = _Splice(len(sources), changes, longest.sample_rate)
        blocks = np.empty((len(sources), min(BLOCK_FRAMES, longest.frames), longest.channels), np.float32)
        for first in range(0, longest.frames, BLOCK_FRAMES):
            frames = min(BLOCK_FRAMES, longest.frames - first)
            for source, block in zip(sources, blocks, strict=True):
                read = min(frames, source.left)
                if read:
                    source.read_into(block[:read])
                block[read:frames] = 0.0
            writer.write(splice.mix(blocks[:, :frames], first))


class _Splice:
    """Which version sounds at which frame, and how two of them cross."""

    def __init__(self, versions: int, changes: Sequence[int], rate: int) -> None:
        self._versions = versions
        self._changes = np.array(changes, dtype=np.int64)
        self._half = _half_fade(rate)

    def mix(self, blocks: NDArray[np.float32], first: int) -> NDArray[np.float32]:
        """Splice one block of every version, (versions, frames, channels), that begins at frame `first`."""
        frames = blocks.shape[1]
        at = np.arange(first, first + frames)
        turn = np.searchsorted(self._changes, at, side="right")
        mixed = blocks[turn % self._versions, np.arange(frames)]
        near = np.searchsorted(self._changes, [first - self._half, first + frames + self._half])
        for number in range(int(near[0]), int(near[1])):
            begin = int(self._changes[number]) - self._half
            low, high = max(begin - first, 0), min(begin + 2 * self._half - first, frames)
            if low >= high:
                continue
            share = ((at[low:high] - begin + 0.5) / (2.0 * self._half))[:, np.newaxis]
            leaving = blocks[number % self._versions, low:high]
            coming = blocks[(number + 1) % self._versions, low:high]
            mixed[low:high] = (1.0 - share) * leaving + share * coming
        return mixed


def _list(turns: Sequence[tuple[float, str]]) -> str:
    lines = [f"Which version plays in {ALTERNATING}{_FORM.suffix} from when (minutes:seconds)", ""]
    for start, label in turns:
        milliseconds = round(1000.0 * start)
        minutes, rest = divmod(milliseconds, 60_000)
        name = "".join(letter if letter.isprintable() else " " for letter in label)
        lines.append(f"{minutes}:{rest / 1000.0:06.3f}  {name}")
    return "\n".join(lines) + "\n"
