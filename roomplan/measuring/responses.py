"""Measuring response files, one or thousands: which files, through which executor, in which order.

Conventions
-----------
Results come in the order of the files. A file that cannot be measured is a result too (`Unmeasured`) and
never stops the rest. Work is handed to a `concurrent.futures` executor in bundles and only a few bundles
ahead, so memory does not grow with the number of files.
"""

from __future__ import annotations

import os
from collections import deque
from concurrent.futures import BrokenExecutor, ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from typing import TYPE_CHECKING

from roomplan.acoustics.filters import octaves
from roomplan.acoustics.response import analyse_response, response_curves
from roomplan.errors import AudioError
from roomplan.measuring.attempts import Unmeasured, attempt
from roomplan.rooms.responses import read_for_measuring

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from concurrent.futures import Executor, Future
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    from roomplan.acoustics.curves import DecayCurve
    from roomplan.acoustics.filters import BandPass
    from roomplan.acoustics.response import ResponseFigures
    from roomplan.acoustics.speech import SpeechSpectrum
    from roomplan.rooms.responses import ResponseSound

    Samples = NDArray[np.float64]
    Results = tuple["MeasuredFile | Unmeasured", ...]

__all__ = [
    "MeasuredFile",
    "MeasuringChoice",
    "all_cores",
    "curves_of_file",
    "measure_file",
    "measure_files",
]

_BUNDLE = (
    8  # files handed over at once: a process is asked often enough for progress, seldom enough for speed
)
_AHEAD = 3  # bundles waiting for each one that is due
# Starting processes costs about a second and a half of work; a file of some seconds takes 20 to 40 ms
_PROCESSES_FROM = 64


@dataclass(frozen=True, slots=True)
class MeasuringChoice:
    """What to measure.

    Attributes
    ----------
    filters : tuple of BandPass
        All octaves or all thirds.
    channel : int or None
        Number of the one channel to measure, from 1; None for all.
    spectrum : SpeechSpectrum or None
        Levels for the speech index.
    force : bool
        Measure what is no response, too.
    """

    filters: tuple[BandPass, ...] = octaves()
    channel: int | None = None
    spectrum: SpeechSpectrum | None = None
    force: bool = False


@dataclass(frozen=True, slots=True)
class MeasuredFile:
    """A response file and its figures.

    Attributes
    ----------
    sample_rate : int
        Hz.
    channel_numbers : tuple of int
        What `figures.channels` are in the file, counted from 1.
    warnings : tuple of str
        What looks wrong with the file.
    """

    path: Path
    sample_rate: int
    duration_s: float
    channel_numbers: tuple[int, ...]
    figures: ResponseFigures
    warnings: tuple[str, ...]


def measure_file(path: Path, choice: MeasuringChoice) -> MeasuredFile:
    """Measure one response file.

    Raises
    ------
    AudioError
        The file cannot be measured (see `read_for_measuring`), or has no such channel.
    """
    sound, samples, numbers = _read(path, choice)
    figures = analyse_response(
        samples, sample_rate=sound.sample_rate, filters=choice.filters, spectrum=choice.spectrum
    )
    return MeasuredFile(
        path=path,
        sample_rate=sound.sample_rate,
        duration_s=len(samples) / sound.sample_rate,
        channel_numbers=numbers,
        figures=figures,
        warnings=sound.warnings,
    )


def curves_of_file(path: Path, choice: MeasuringChoice) -> tuple[tuple[DecayCurve, ...], ...]:
    """Decay curves of each chosen channel of a file, as a picture needs them; raises as `measure_file`."""
    sound, samples, _numbers = _read(path, choice)
    return response_curves(samples, sample_rate=sound.sample_rate, filters=choice.filters)


def _read(path: Path, choice: MeasuringChoice) -> tuple[ResponseSound, Samples, tuple[int, ...]]:
    """Response, samples of the chosen channels, and their numbers."""
    sound = read_for_measuring(path, force=choice.force)
    samples = sound.samples
    numbers = tuple(range(1, samples.shape[1] + 1))
    if choice.channel is None:
        return sound, samples, numbers
    if choice.channel not in numbers:
        raise AudioError(
            path, f"has no channel {choice.channel}", remedy=f"its channels are 1 to {len(numbers)}"
        )
    return sound, samples[:, choice.channel - 1 : choice.channel], (choice.channel,)


def all_cores(files: int) -> Executor | None:
    """Processes on all cores where there are so many files that they pay, else None: measure in this one.

    The caller closes it. Processes are spawned, not forked: a fork of a program with threads may lock up.
    """
    cores = os.cpu_count() or 1
    if files < _PROCESSES_FROM or cores < 2:
        return None
    return ProcessPoolExecutor(max_workers=cores, mp_context=get_context("spawn"))


def measure_files(
    paths: Sequence[Path], choice: MeasuringChoice, *, executor: Executor | None = None
) -> Iterator[MeasuredFile | Unmeasured]:
    """Measure files one after the other, or through any `concurrent.futures` executor.

    Parameters
    ----------
    executor : Executor, optional
        Threads, processes or machines; the caller closes it. Without one the work is done here.

    Yields
    ------
    MeasuredFile or Unmeasured
        In the order of `paths`.

    Notes
    -----
    Stopping early cancels what has not begun. Where a process dies, for want of memory as a rule, the files
    it had and those after it are `Unmeasured`: an executor that has lost one takes no more work.
    """
    bundles = [tuple(paths[i : i + _BUNDLE]) for i in range(0, len(paths), _BUNDLE)]
    if executor is None:
        for path in paths:
            yield _try_file(path, choice)
        return
    waiting: deque[tuple[tuple[Path, ...], Future[Results] | None]] = deque()
    most = _AHEAD * (os.cpu_count() or 1)
    try:
        for bundle in bundles:
            waiting.append((bundle, _submit(executor, bundle, choice)))
            if len(waiting) >= most:
                yield from _collect(*waiting.popleft())
        while waiting:
            yield from _collect(*waiting.popleft())
    finally:
        for _bundle, future in waiting:
            if future is not None:
                future.cancel()


def _submit(executor: Executor, bundle: tuple[Path, ...], choice: MeasuringChoice) -> Future[Results] | None:
    """Hand a bundle over; None where the executor has broken down."""
    try:
        return executor.submit(_measure_bundle, bundle, choice)
    except BrokenExecutor:
        return None


def _collect(bundle: tuple[Path, ...], future: Future[Results] | None) -> Results:
    try:
        if future is not None:
            return future.result()
    except BrokenExecutor:
        pass
    return tuple(
        Unmeasured(path, f"{path}: the process that measured it has died — measure fewer files at once")
        for path in bundle
    )


def _measure_bundle(paths: tuple[Path, ...], choice: MeasuringChoice) -> Results:
    return tuple(_try_file(path, choice) for path in paths)


def _try_file(path: Path, choice: MeasuringChoice) -> MeasuredFile | Unmeasured:
    return attempt(path, lambda: measure_file(path, choice), too_large="cut it shorter")
