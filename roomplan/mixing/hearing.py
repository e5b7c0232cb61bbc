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
from roomplan.mixing.stream import ComponentStream, SignalStatistics
from roomplan.mixing.summing import BusMixer

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from roomplan.audio.staging import StagedFolder
    from roomplan.mixing.buses import Bus, Component
    from roomplan.mixing.paths import ResponseMatrix
    from roomplan.mixing.session import Session

__all__ = ["Destination", "Heard", "Level", "Output", "Progress", "hear", "silent_progress"]

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
    """Peak of a bus, whether it was written, and how many values of its files did not fit their format."""

    bus: Bus
    peak: float
    written: bool
    over_range: int


@dataclass(frozen=True)
class Heard:
    """What the pass leaves behind."""

    frames: int
    powers: BusPowers
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
    gains = np.zeros((len(buses), len(components)))
    for row, bus in enumerate(buses):
        for index, factor in bus.factors.items():
            gains[row, index] = factor
    powers = BusPowers(gains, sample_rate=session.sample_rate, workers=workers)
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
        _close_writers(writers)
    levels = [
        Level(bus, float(peak), bus.name in writers, sum(w.over_range for w in writers.get(bus.name, ())))
        for bus, peak in zip(buses, mixer.peaks, strict=True)
    ]
    outputs = {
        name: tuple(
            Output(path, writer.digest) for path, writer in zip(destination.files[name], group, strict=True)
        )
        for name, group in writers.items()
        if destination is not None
    }
    return Heard(frames, powers, levels, stream.statistics, outputs)


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
