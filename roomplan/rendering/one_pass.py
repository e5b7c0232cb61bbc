"""One pass over the sound of a session: every bus metered, the wanted ones written.

Conventions
-----------
Stems are read once, components convolved once, buses summed once, however many deliveries write them; a bus
that is written at another sample rate is resampled once for each rate. While one block is metered, summed and
written the next is convolved: each of these has a thread of its own and hands its work to others, so that no
processor waits for the slowest. All files of one rate have one length, and all start on one frame.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor, wait
from contextlib import ExitStack
from dataclasses import dataclass
from typing import TYPE_CHECKING, Self

from roomplan.audio.resample import resampled_length
from roomplan.audio.writers import RateChanger, SoundWriter
from roomplan.loudness.algebra import CrossPowerMeter
from roomplan.loudness.rounded_powers import RoundedPowers
from roomplan.loudness.speech_band import SpeechBandFilter
from roomplan.loudness.weighting import KFilter
from roomplan.rendering.bus_layout import bus_gains
from roomplan.rendering.bus_mixer import SLICE, BusMixer
from roomplan.rendering.component_stream import ComponentStream
from roomplan.rendering.heard import Heard, Level, Output, Peaks

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from concurrent.futures import Future

    import numpy as np
    from numpy.typing import NDArray

    from roomplan.loudness.cross_powers import CrossPowerWriter
    from roomplan.rendering.component_store import ComponentStore
    from roomplan.rendering.heard import Destination, PlannedFile, Powers
    from roomplan.rendering.progress import Progress
    from roomplan.session.buses import Bus, Component
    from roomplan.session.response_matrices import ResponseMatrix
    from roomplan.session.session import Session

__all__ = ["Keeping", "Known", "hear"]

SEGMENT_FRAMES = 8 * SLICE  # summed, then written: what waits to be written is as small as that
CLOSING_THREADS = 8  # finishing a file waits for the disk, not for the processor


@dataclass(frozen=True)
class Keeping:
    """Where a pass keeps its cross powers, K-weighted and, where a margin asks for it, in the speech band."""

    cross: CrossPowerWriter | None
    speech_band: CrossPowerWriter | None


@dataclass(frozen=True)
class Known:
    """What an earlier pass over the same components has found, at the gains of now: not metered again.

    Powers are those of a new pass to the last bit where the gains are those of the earlier one, else within
    the rounding of float32, 1e-6 LU of loudness. Peaks are those of every bus, None where that pass cannot
    tell.
    """

    powers: Powers
    speech_band: Powers | None
    peaks: Sequence[Peaks]


def hear(
    session: Session,
    components: tuple[Component, ...],
    buses: tuple[Bus, ...],
    matrices: Mapping[tuple[str, int], ResponseMatrix],
    *,
    destination: Destination | None,
    keeping: Keeping,
    speech_band: bool,
    workers: int,
    progress: Progress,
    known: Known | None = None,
    store: ComponentStore | None = None,
) -> Heard:
    """Run a session through its rooms once.

    Parameters
    ----------
    session, components, buses, matrices
        As built by `session.buses` and `session.response_matrices`.
    destination : Destination or None
        What is written where; None to listen only.
    keeping : Keeping
        Where cross powers go.
    speech_band : bool
        Whether the powers in the speech band are wanted too.
    workers : int
        Threads.
    known : Known, optional
        Given, nothing is metered but peaks that are not known, and nothing is kept.
    store : ComponentStore, optional
        Where wet components are looked for, and kept.

    Raises
    ------
    RoomplanError
        A stem cannot be read to its end, or a file not be written.
    """
    meters: list[tuple[CrossPowerMeter, RoundedPowers]] = []
    if known is None:
        meters += _meters(session, buses, len(components), keeping, speech_band, workers)
    stage = "listening" if destination is None else "rendering"
    frames = 0
    with ExitStack() as stack:
        stream = stack.enter_context(
            ComponentStream(session, components, matrices, workers=workers, store=store)
        )
        writers = _open_writers(stack, session, destination, stream.most_frames)
        lanes = {name: _lanes(session, group) for name, group in writers.items()}
        peaks = () if known is None else known.peaks
        summing = stack.enter_context(_Summing(buses, lanes, peaks, workers=workers))
        stages = [summing.feed, *(meter.feed for meter, _rounded in meters)]
        pools = [stack.enter_context(ThreadPoolExecutor(1)) for _stage in stages]
        pending: list[Future[None]] = []
        for block in stream.blocks(lambda done, total: progress(stage, done, total)):
            submitted = [pool.submit(feed, block) for pool, feed in zip(pools, stages, strict=True)]
            _wait_for(pending)
            pending = submitted
            frames += block.shape[2]
        _wait_for(pending)
        for meter, rounded in meters:
            meter.finish()
            rounded.finish()
        summing.finish()
        with ThreadPoolExecutor(CLOSING_THREADS) as pool:
            _all_of(pool, [writer.close for group in writers.values() for _planned, writer in group])
    levels = [
        Level(bus, Peaks(float(sample), float(true)))
        for bus, sample, true in zip(buses, summing.peaks, summing.true_peaks, strict=True)
    ]
    outputs = {name: tuple(_output(*pair) for pair in group) for name, group in writers.items()}
    if known is None:
        powers = [rounded for _meter, rounded in meters]
        known = Known(powers[0], powers[1] if speech_band else None, ())
    return Heard(frames, known.powers, known.speech_band, levels, stream.statistics, outputs)


def _meters(
    session: Session,
    buses: Sequence[Bus],
    components: int,
    keeping: Keeping,
    speech_band: bool,
    workers: int,
) -> list[tuple[CrossPowerMeter, RoundedPowers]]:
    """Meters of the K-weighted powers and, where wanted, of those in the speech band, with what they fill."""
    gains, rate = bus_gains(buses, components), session.sample_rate
    filters: list[tuple[type[KFilter | SpeechBandFilter], CrossPowerWriter | None]]
    filters = [(KFilter, keeping.cross)]
    if speech_band:
        filters.append((SpeechBandFilter, keeping.speech_band))
    meters: list[tuple[CrossPowerMeter, RoundedPowers]] = []
    for weighting, keep in filters:
        rounded = RoundedPowers(gains, keep=keep)
        meter = CrossPowerMeter(rounded, sample_rate=rate, workers=workers, weighting=weighting)
        meters.append((meter, rounded))
    return meters


class _Summing:
    """Sums the buses of every block, segment by segment, and hands those that are written to their files.

    Parameters
    ----------
    lanes : mapping
        Bus name → what takes its samples.
    peaks : sequence of Peaks
        Of every bus, as far as they are known; empty where none is.
    """

    def __init__(
        self,
        buses: Sequence[Bus],
        lanes: Mapping[str, Sequence[SoundWriter | RateChanger]],
        peaks: Sequence[Peaks],
        *,
        workers: int,
    ) -> None:
        self._lanes = {index: lanes[bus.name] for index, bus in enumerate(buses) if bus.name in lanes}
        known = {
            index: (one.sample, one.true)
            for index, one in enumerate(peaks)
            if one.sample is not None and one.true is not None
        }
        self._mixer = BusMixer(buses, self._lanes, most_frames=SEGMENT_FRAMES, workers=workers, known=known)
        self._pools = ExitStack()
        self._mixing = self._pools.enter_context(ThreadPoolExecutor(workers))
        self._writing = self._pools.enter_context(ThreadPoolExecutor(workers))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_error: object) -> None:
        self._pools.close()

    def feed(self, block: NDArray[np.float32]) -> None:
        """Take the next block of components, shape (components, 2, frames)."""
        for start in range(0, block.shape[2], SEGMENT_FRAMES):
            mixed = self._mixer.mix(block[:, :, start : start + SEGMENT_FRAMES], self._mixing)
            writing = [
                self._writing.submit(lane.write, samples)
                for index, samples in mixed.items()
                for lane in self._lanes[index]
            ]
            _wait_for(writing)  # the mixer uses its samples again

    def finish(self) -> None:
        """Write what resamplers still hold."""
        lanes = [lane for group in self._lanes.values() for lane in group if isinstance(lane, RateChanger)]
        _all_of(self._writing, [lane.finish for lane in lanes])

    @property
    def peaks(self) -> NDArray[np.float64]:
        """Largest absolute sample of every bus, shape (buses,)."""
        return self._mixer.peaks

    @property
    def true_peaks(self) -> NDArray[np.float64]:
        """True peak of every bus, linear, shape (buses,)."""
        return self._mixer.true_peaks


def _open_writers(
    stack: ExitStack, session: Session, destination: Destination | None, most_frames: int
) -> dict[str, list[tuple[PlannedFile, SoundWriter]]]:
    if destination is None:
        return {}
    writers: dict[str, list[tuple[PlannedFile, SoundWriter]]] = {}
    for name, group in destination.files.items():
        for planned in group:
            most = resampled_length(most_frames, from_rate=session.sample_rate, to_rate=planned.sample_rate)
            writer = SoundWriter(
                planned.path,
                sample_rate=planned.sample_rate,
                channels=2,
                frames_expected=most,
                format=planned.form,
                dither_seed=f"{session.plan.title}/{planned.file}",
                time_reference=destination.time_reference,
            )
            writers.setdefault(name, []).append((planned, stack.enter_context(writer)))
    return writers


def _lanes(
    session: Session, group: Sequence[tuple[PlannedFile, SoundWriter]]
) -> list[SoundWriter | RateChanger]:
    """What takes the samples of one bus: its writers, those of another rate behind one resampler a rate."""
    rates: dict[int, list[SoundWriter]] = {}
    for planned, writer in group:
        rates.setdefault(planned.sample_rate, []).append(writer)
    lanes: list[SoundWriter | RateChanger] = [*rates.pop(session.sample_rate, [])]
    lanes += [
        RateChanger(from_rate=session.sample_rate, to_rate=rate, channels=2, writers=writers)
        for rate, writers in rates.items()
    ]
    return lanes


def _wait_for(jobs: Sequence[Future[None]]) -> None:
    """Wait until all jobs are done; the first that failed raises."""
    wait(jobs)
    for job in jobs:
        job.result()


def _all_of(pool: ThreadPoolExecutor, jobs: Sequence[Callable[[], None]]) -> None:
    """Do jobs side by side; the first that fails raises."""
    list(pool.map(lambda job: job(), jobs))


def _output(planned: PlannedFile, writer: SoundWriter) -> Output:
    return Output(
        file=planned.file,
        digest=writer.digest,
        delivery=planned.delivery,
        form=planned.form,
        sample_rate=planned.sample_rate,
        frames=writer.frames_written,
        peak=writer.peak,
        over_range=writer.over_range,
        path=planned.path,
    )
