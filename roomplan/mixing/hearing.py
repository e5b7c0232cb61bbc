"""One pass over the sound of a session: every bus metered, the wanted ones written.

Conventions
-----------
Stems are read once, components convolved once, buses summed once. While one block is being written the next
is already being convolved. All files have one length and start on one frame.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

from roomplan.audio.writers import OutputFormat, SoundWriter
from roomplan.loudness.algebra import BusPowers
from roomplan.loudness.words import WordsFilter
from roomplan.mixing.recall import Peaks
from roomplan.mixing.stream import ComponentStream, SignalStatistics
from roomplan.mixing.summing import BusMixer

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from roomplan.audio.staging import StagedFolder
    from roomplan.loudness.cross_powers import CrossPowerWriter
    from roomplan.mixing.buses import Bus, Component
    from roomplan.mixing.paths import ResponseMatrix
    from roomplan.mixing.session import Session

__all__ = [
    "Destination",
    "Heard",
    "Keeping",
    "Level",
    "Output",
    "Powers",
    "Progress",
    "bus_gains",
    "hear",
    "silent_progress",
]

CLOSING_THREADS = 8  # finishing a file waits for the disk, not for the processor


class Progress(Protocol):
    """Told what is going on; the command line draws it, everybody else ignores it."""

    def __call__(self, stage: str, done: int, total: int) -> None:
        """`done` of `total` steps of `stage` are behind us."""
        ...


def silent_progress(stage: str, done: int, total: int) -> None:
    """Progress nobody watches."""


@dataclass(frozen=True)
class Destination:
    """Where the pass writes: bus name → files, relative to the staged folder, in one format."""

    files: Mapping[str, tuple[str, ...]]
    staged: StagedFolder
    form: OutputFormat


@dataclass(frozen=True)
class Output:
    """A file of a render: path relative to the folder of the report, and a digest of its samples."""

    file: str
    digest: str


@dataclass(frozen=True)
class Level:
    """Peaks of a bus, whether it was written, and how many values of its files did not fit their format."""

    bus: Bus
    peaks: Peaks
    written: bool
    over_range: int


class Powers(Protocol):
    """Weighted power per hop of buses and components: of a pass, or recalled from an earlier one."""

    def sums(self, bus: int) -> NDArray[np.float64]:
        """Of one bus, shape (hops,)."""
        ...

    def component_sums(self, component: int) -> NDArray[np.float64]:
        """Of one component at its gain in the mix, shape (hops,)."""
        ...


@dataclass(frozen=True)
class Keeping:
    """Where a pass keeps its cross powers, K-weighted and, where a margin asks for it, in the words band."""

    cross: CrossPowerWriter | None
    words: CrossPowerWriter | None


@dataclass(frozen=True)
class Heard:
    """What the pass leaves behind; `words` holds the powers in the words band where they were asked for."""

    frames: int
    powers: Powers
    words: Powers | None
    levels: Sequence[Level]
    statistics: Mapping[str, SignalStatistics]
    outputs: Mapping[str, tuple[Output, ...]]


def hear(
    session: Session,
    components: tuple[Component, ...],
    buses: tuple[Bus, ...],
    matrices: Mapping[tuple[str, int], ResponseMatrix],
    *,
    destination: Destination | None,
    keeping: Keeping,
    words: bool,
    workers: int,
    progress: Progress,
) -> Heard:
    """Run a session through its rooms once.

    Parameters
    ----------
    session, components, buses, matrices
        As built by `mixing.buses` and `mixing.paths`.
    destination : Destination or None
        What is written where; None to listen only.
    keeping : Keeping
        Where cross powers go.
    words : bool
        Whether the powers in the words band are wanted too.
    workers : int
        Threads.
    progress : Progress

    Returns
    -------
    Heard

    Raises
    ------
    RoomplanError
        A stem cannot be read to its end, or a file not be written.
    """
    gains = bus_gains(buses, len(components))
    rate = session.sample_rate
    powers = BusPowers(gains, sample_rate=rate, workers=workers, keep=keeping.cross)
    in_words = None
    if words:
        in_words = BusPowers(
            gains, sample_rate=rate, workers=workers, keep=keeping.words, weighting=WordsFilter
        )
    stage = "listening" if destination is None else "rendering"
    frames = 0
    with ExitStack() as stack:
        stream = stack.enter_context(ComponentStream(session, components, matrices, workers=workers))
        writers = _open_writers(stack, session, destination, stream.most_frames)
        mixing_pool = stack.enter_context(ThreadPoolExecutor(workers))
        writing_pool = stack.enter_context(ThreadPoolExecutor(workers))
        written = [index for index, bus in enumerate(buses) if bus.name in writers]
        mixer = BusMixer(buses, written, most_frames=stream.hop, workers=workers)
        pending = []
        for block in stream.blocks(lambda done, total: progress(stage, done, total)):
            powers.feed(block)
            if in_words is not None:
                in_words.feed(block)
            for job in pending:  # the mixer is about to use its samples again
                job.result()
            mixed = mixer.mix(block, mixing_pool)
            pending = [
                writing_pool.submit(writer.write, samples)
                for index, samples in mixed.items()
                for writer in writers[buses[index].name]
            ]
            frames += block.shape[2]
        for job in pending:
            job.result()
        powers.finish()
        if in_words is not None:
            in_words.finish()
        _close_writers(writers)
    levels = [
        Level(
            bus,
            Peaks(float(sample), float(true)),
            bus.name in writers,
            sum(w.over_range for w in writers.get(bus.name, ())),
        )
        for bus, sample, true in zip(buses, mixer.peaks, mixer.true_peaks, strict=True)
    ]
    outputs = {
        name: tuple(
            Output(path, writer.digest) for path, writer in zip(destination.files[name], group, strict=True)
        )
        for name, group in writers.items()
        if destination is not None
    }
    return Heard(frames, powers, in_words, levels, stream.statistics, outputs)


def bus_gains(buses: Sequence[Bus], components: int) -> NDArray[np.float64]:
    """Factors of the buses as a matrix, shape (buses, components)."""
    gains = np.zeros((len(buses), components))
    for row, bus in enumerate(buses):
        for index, factor in bus.factors.items():
            gains[row, index] = factor
    return gains


def _open_writers(
    stack: ExitStack, session: Session, destination: Destination | None, most_frames: int
) -> dict[str, list[SoundWriter]]:
    if destination is None:
        return {}
    return {
        name: [
            stack.enter_context(
                SoundWriter(
                    destination.staged.path(path),
                    sample_rate=session.sample_rate,
                    channels=2,
                    frames_expected=most_frames,
                    format=destination.form,
                    dither_seed=f"{session.plan.title}/{path}",
                )
            )
            for path in paths
        ]
        for name, paths in destination.files.items()
    }


def _close_writers(writers: Mapping[str, Sequence[SoundWriter]]) -> None:
    with ThreadPoolExecutor(CLOSING_THREADS) as pool:
        list(pool.map(lambda writer: writer.close(), (w for group in writers.values() for w in group)))
