"""One pass through a recording of any length: where sweeps may be, and what it sounds like between.

Conventions
-----------
Hops are `HOP_S` long. What is kept of an hour is some megabytes, whatever its rate.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import soxr

from roomplan.capture.inversion import inverse_of
from roomplan.scipy_kernels import irfft, rfft

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from roomplan.capture.inversion import Inverse
    from roomplan.capture.recording import Recording
    from roomplan.capture.sweep import Sweep

__all__ = ["HOP_S", "TRACK_S", "Scan", "scan"]

HOP_S = 0.004
TRACK_S = 0.05
_TOP_HZ = 3000.0  # rooms, loudspeakers and microphones of all sorts have something from 187 Hz to here
_OCTAVES = 4.0
_RATE_OVER_TOP = 2.5
_BLOCK = 1 << 18


@dataclass(frozen=True, slots=True)
class Scan:
    """What one pass leaves.

    Attributes
    ----------
    energies : ndarray, shape (hops, channels), float32
        Energy of the compressed sound, a hop each: a sweep that begins `offset_s` before a hop peaks in it.
    offset_s : float
        To be added to a hop's time for the time of the sweep's first frame.
    lowest, highest : ndarray, shape (channels,)
        Extreme samples.
    pitch_hz, pitch_power : ndarray, shape (blocks,)
        Loudest frequency of every `TRACK_S`, and its power, over channels.
    """

    energies: NDArray[np.float32]
    offset_s: float
    lowest: NDArray[np.float64]
    highest: NDArray[np.float64]
    pitch_hz: NDArray[np.float64]
    pitch_power: NDArray[np.float64]

    @property
    def peak(self) -> float:
        """Largest magnitude of all."""
        return float(np.max(np.maximum(-self.lowest, self.highest), initial=0.0))


def scan(recording: Recording, sweep: Sweep) -> Scan:
    """Read a recording once; `sweep` is at its rate."""
    part = _part(sweep)
    lowest = np.full(recording.channels, np.inf)
    highest = np.full(recording.channels, -np.inf)
    energies: list[NDArray[np.float32]] = []
    pitches: list[tuple[NDArray[np.float64], NDArray[np.float64]]] = []
    compressor = _Compressor(part, recording.channels)
    tracker = _Tracker(part.rate, recording.channels)
    for block in _slower(recording, part.rate, lowest, highest):
        energies += compressor.push(block)
        pitches += tracker.push(block)
    energies += compressor.finish()
    return Scan(
        energies=np.concatenate(energies) if energies else np.zeros((0, recording.channels), np.float32),
        offset_s=part.lead_in_seconds - sweep.played_at(part.start_frequency),
        lowest=lowest,
        highest=highest,
        pitch_hz=np.concatenate([pitch for pitch, _ in pitches]) if pitches else np.zeros(0),
        pitch_power=np.concatenate([power for _, power in pitches]) if pitches else np.zeros(0),
    )


def _part(sweep: Sweep) -> Sweep:
    """Octaves of a sweep that are looked for, at the rate that holds them."""
    top = min(sweep.end_frequency, max(_TOP_HZ, sweep.start_frequency * 2.0**_OCTAVES))
    start = max(sweep.start_frequency, top / 2.0**_OCTAVES)
    rate = min(sweep.rate, int(np.ceil(_RATE_OVER_TOP * top)))
    seconds = sweep.time_of(top) - sweep.time_of(start)
    return replace(
        sweep, start_frequency=start, end_frequency=top, seconds=seconds, rate=max(rate, 8000), level=0.0
    )


def _slower(
    recording: Recording, rate: int, lowest: NDArray[np.float64], highest: NDArray[np.float64]
) -> Iterator[NDArray[np.float32]]:
    """Blocks at a lower rate; the extremes are those of the recording itself."""
    stream = None
    if rate != recording.sample_rate:
        stream = soxr.ResampleStream(
            recording.sample_rate, rate, recording.channels, dtype="float32", quality="HQ"
        )
    for first in range(0, recording.frames, _BLOCK):
        frames = min(_BLOCK, recording.frames - first)
        block = recording.read(first, frames)
        np.minimum(lowest, block.min(axis=0), out=lowest)
        np.maximum(highest, block.max(axis=0), out=highest)
        narrow = block.astype(np.float32)
        if stream is not None:
            narrow = stream.resample_chunk(narrow, last=first + frames == recording.frames)
        yield narrow


class _Compressor:
    """Overlap-save with the inverse of a sweep, squared and summed over hops."""

    def __init__(self, part: Sweep, channels: int) -> None:
        length = part.frames()
        self._inverse: Inverse = inverse_of(part, frames=max(3 * length, 8 * part.rate))
        self._hop = max(1, round(HOP_S * part.rate))
        # what follows a frame by less than a sweep is needed to compress it
        self._step = (self._inverse.frames - length) // self._hop * self._hop
        self._spectrum = self._inverse.spectrum.astype(np.complex64)
        self._waiting = np.zeros((0, channels), np.float32)

    def push(self, block: NDArray[np.float32]) -> list[NDArray[np.float32]]:
        self._waiting = np.concatenate([self._waiting, block])
        made = []
        while len(self._waiting) >= self._inverse.frames:
            made.append(self._compressed(self._waiting[: self._inverse.frames]))
            self._waiting = self._waiting[self._step :]
        return made

    def finish(self) -> list[NDArray[np.float32]]:
        made = []
        while len(self._waiting):
            missing = max(0, self._inverse.frames - len(self._waiting))
            found = self._compressed(np.pad(self._waiting[: self._inverse.frames], ((0, missing), (0, 0))))
            made.append(found[: -(-len(self._waiting) // self._hop)])
            self._waiting = self._waiting[self._step :]
        return made

    def _compressed(self, samples: NDArray[np.float32]) -> NDArray[np.float32]:
        """Energies of the hops of one step."""
        found = np.empty((self._step // self._hop, samples.shape[1]), np.float32)
        for channel in range(samples.shape[1]):
            spectrum = rfft(np.ascontiguousarray(samples[:, channel]), self._inverse.frames)
            response = irfft(spectrum * self._spectrum, self._inverse.frames)[: self._step]
            np.sum(response.reshape(-1, self._hop) ** 2, axis=1, out=found[:, channel])
        return found


class _Tracker:
    """Loudest frequency of block after block."""

    def __init__(self, rate: int, channels: int) -> None:
        self._width = round(TRACK_S * rate)
        self._window = np.hanning(self._width)[:, None].astype(np.float32)
        self._rate = rate
        self._waiting = np.zeros((0, channels), np.float32)

    def push(self, block: NDArray[np.float32]) -> list[tuple[NDArray[np.float64], NDArray[np.float64]]]:
        self._waiting = np.concatenate([self._waiting, block])
        count = len(self._waiting) // self._width
        if not count:
            return []
        used = self._waiting[: count * self._width].reshape(count, self._width, -1)
        self._waiting = self._waiting[count * self._width :]
        lines = np.abs(np.fft.rfft(used * self._window, axis=1))
        power = np.sum(lines**2, axis=2)
        loudest = np.argmax(power, axis=1)
        return [(loudest * (self._rate / self._width), np.max(power, axis=1).astype(np.float64))]
