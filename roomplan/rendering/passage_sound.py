"""The components of a passage as coded sound: what a page plays with its own gains.

Conventions
-----------
Components are those of `session.buses.build_components`, at their written levels, muted ones too. Each is
scaled up to full scale before it is coded and has the factor that undoes it. One channel stands for two that
are alike; what is silent has no bytes.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Literal

import numpy as np

from roomplan.audio.coded import VORBIS_LEVELS, flac_bytes, vorbis_bytes
from roomplan.errors import RoomplanError
from roomplan.loudness.meter import passing_blocks
from roomplan.rendering.component_store import ComponentStore
from roomplan.rendering.component_stream import ComponentStream
from roomplan.session.buses import build_components

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from roomplan.files.cache import Cache
    from roomplan.rendering.progress import Progress
    from roomplan.session.response_matrices import ResponseMatrix
    from roomplan.session.session import Session

    Planar = NDArray[np.float32]

Coding = Literal["flac_24", "flac_16", "vorbis"]
"""How sound is coded, the best first."""

_FLAC: tuple[tuple[Coding, Literal[16, 24]], ...] = (("flac_24", 24), ("flac_16", 16))

__all__ = [
    "MOST_SOUND_BYTES",
    "CodedComponent",
    "Coding",
    "PassageSound",
    "busiest_start_s",
    "coded_passage",
    "longest_passage_s",
]

MOST_SOUND_BYTES = 420_000_000
"""Of all components of a passage as float32, here and in the browser, where twice as much ends a tab."""

_HEADROOM = 0.98  # what a coder overshoots must not be cut
_BLOCKS_PER_SECOND = 10
_SURELY_LARGER = 0.5  # a second in the middle may be twice as busy as the rest


@dataclass(frozen=True, slots=True)
class CodedComponent:
    """One component; `scale` is what its samples are multiplied by when it is played."""

    content: bytes
    channels: int
    scale: float


@dataclass(frozen=True, slots=True)
class PassageSound:
    """Components of a passage in their order, None for silence; all have `frames`."""

    coding: Coding
    start_frame: int
    frames: int
    components: tuple[CodedComponent | None, ...]

    @property
    def size_bytes(self) -> int:
        """Bytes of all components."""
        return sum(len(one.content) for one in self.components if one is not None)


def longest_passage_s(components: int, sample_rate: int) -> float:
    """Return how long a passage of so many components may be, in whole seconds."""
    return float(math.floor(MOST_SOUND_BYTES / (8 * sample_rate * max(1, components))))


def busiest_start_s(sums: Sequence[NDArray[np.float64]], length_s: float, *, sample_rate: int) -> float:
    """Return where the stretch of a cue begins in which most sections play, in whole seconds.

    Parameters
    ----------
    sums : sequence of ndarray, shape (hops,)
        K-weighted power of each section per 20 ms. A section plays in the blocks that pass its gates.
    length_s : float
        Of the stretch. Of equally busy ones the first is taken.
    """
    playing = [passing_blocks(one, sample_rate=sample_rate) for one in sums]
    if not playing or not playing[0].size:
        return 0.0
    total = np.concatenate([[0.0], np.cumsum(np.sum(playing, axis=0, dtype=np.float64))])
    width = round(length_s * _BLOCKS_PER_SECOND)
    starts = np.arange(0, max(1, total.size - width), _BLOCKS_PER_SECOND)
    busy = total[np.minimum(starts + width, total.size - 1)] - total[starts]
    return float(starts[int(np.argmax(busy))]) / _BLOCKS_PER_SECOND


def coded_passage(
    session: Session,
    matrices: Mapping[tuple[str, int], ResponseMatrix],
    *,
    most_bytes: int,
    cache: Cache | None,
    workers: int,
    progress: Progress,
) -> PassageSound:
    """Render the components of a session or of its excerpt, and code them as well as there is room.

    Parameters
    ----------
    most_bytes : int
        Of all components together. FLAC where it fits, of 24 or else 16 bits; else Ogg Vorbis.

    Raises
    ------
    RoomplanError
        Even the smallest coding is larger.
    """
    sound = _components(session, matrices, cache, workers, progress)
    rate = session.sample_rate
    start = 0 if session.excerpt is None else session.excerpt.start_frame
    for coding, code in _codings(sound, rate, most_bytes):
        found = _coded(sound, code, most_bytes, workers, lambda done, total: progress("coding", done, total))
        if found is not None:
            return PassageSound(coding, start, sound.shape[2], found)
    raise RoomplanError(
        f"the sound of {sound.shape[2] / rate:.0f} s does not fit into {most_bytes / 1e6:.1f} MB",
        remedy="give a shorter --length, or a larger --size",
    )


def _codings(sound: Planar, rate: int, most_bytes: int) -> Iterator[tuple[Coding, Callable[[Planar], bytes]]]:
    """Ways to code, the best first; FLAC where a second of it says that it may fit."""
    middle = max(0, sound.shape[2] - rate) // 2
    second = sound[:, :, middle : middle + rate]
    for name, bits in _FLAC:
        flac = partial(flac_bytes, sample_rate=rate, bits=bits)
        coded = [_coded_component(one, flac) for one in second]
        size = sum(len(one.content) for one in coded if one is not None)
        if size * sound.shape[2] / max(1, second.shape[2]) * _SURELY_LARGER < most_bytes:
            yield name, flac
    for level in VORBIS_LEVELS:
        yield "vorbis", partial(vorbis_bytes, sample_rate=rate, level=level)


def _components(
    session: Session,
    matrices: Mapping[tuple[str, int], ResponseMatrix],
    cache: Cache | None,
    workers: int,
    progress: Progress,
) -> Planar:
    """Samples of all components, (components, 2, frames)."""
    components = build_components(session)
    store = None if cache is None else ComponentStore(cache)
    frames = 0
    with ComponentStream(session, components, matrices, workers=workers, store=store) as stream:
        sound = np.empty((len(components), 2, stream.most_frames), np.float32)
        for block in stream.blocks(lambda done, total: progress("rendering the passage", done, total)):
            sound[:, :, frames : frames + block.shape[2]] = block
            frames += block.shape[2]
    return sound[:, :, :frames]


def _coded(
    sound: Planar,
    code: Callable[[Planar], bytes],
    most_bytes: int,
    workers: int,
    progress: Callable[[int, int], None],
) -> tuple[CodedComponent | None, ...] | None:
    """All components, or None as soon as they are more than there is room for."""
    found: list[CodedComponent | None] = []
    size = 0
    with ThreadPoolExecutor(workers) as pool:
        waiting = [pool.submit(_coded_component, component, code) for component in sound]
        for future in waiting:
            found.append(future.result())
            size += len(found[-1].content) if found[-1] is not None else 0
            progress(len(found), len(waiting))
            if size > most_bytes:
                pool.shutdown(cancel_futures=True)
                return None
    return tuple(found)


def _coded_component(component: Planar, code: Callable[[Planar], bytes]) -> CodedComponent | None:
    peak = float(np.abs(component).max(initial=0.0))
    if peak <= 0.0:
        return None
    channels = 1 if np.array_equal(component[0], component[1]) else 2
    scaled = np.ascontiguousarray(component[:channels].T * np.float32(_HEADROOM / peak))
    return CodedComponent(code(scaled), channels, peak / _HEADROOM)
