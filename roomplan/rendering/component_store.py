"""The wet sound of components in the user's cache: kept by a pass, read by the next in place of convolving.

Conventions
-----------
What is kept is what the engine gives for one component, before its gain: float32, planar, block by block. So
a component that is read has the samples, to the last bit, of one that is convolved, at any level. Its key
holds its part (`rendering.parts`), the frames that are rendered, and all that decides the rounding of the
engine: how it is laid out, and the libraries that read, resample and transform.

An entry is `sound.npy`, shape (blocks, channels, hop), and `blocks.json`: the CRC-32 of the file up to the
end of every block, which is looked at when the block is read. One channel stands for two that are alike.

Writing is done by a thread of its own behind a queue of bounded size. What could not be written, or not as
fast as it is made, is not kept. Files are open only while a block of theirs is read or written: a plan with
hundreds of sends would have none left for its stems and prints.
"""

from __future__ import annotations

import io
import queue
import threading
import time
import zlib
from contextlib import ExitStack
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from roomplan._version import __version__
from roomplan.files.digests import digest_of
from roomplan.rendering.parts import parts_of
from roomplan.scipy_kernels import scipy_version

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from io import RawIOBase
    from pathlib import Path

    from numpy.typing import NDArray

    from roomplan.files.cache import Cache, NewEntry
    from roomplan.session.buses import Component
    from roomplan.session.response_matrices import ResponseMatrix
    from roomplan.session.session import Session

    Planar = NDArray[np.float32]

__all__ = ["ComponentStore", "KeptSound", "SoundKeeper", "SoundShape"]

_VERSION = 1  # of what the engine and the stream do before the gain: raise it when that changes
_SAMPLE_BYTES = 4
_WAITING_BYTES = 32_000_000  # that may wait for the disk
# a pass waits for a slow disk for this share of its time, and not counting the first moments
_MOST_WAITING, _NOT_COUNTED_S = 0.05, 0.2


@dataclass(frozen=True, slots=True)
class SoundShape:
    """Size of a kept component: `channels` is 1 where left and right are alike."""

    blocks: int
    channels: int
    hop: int

    @property
    def size_bytes(self) -> int:
        """Bytes of the samples."""
        return self.blocks * self.channels * self.hop * _SAMPLE_BYTES


class ComponentStore:
    """Wet sound of components in a cache."""

    def __init__(self, cache: Cache) -> None:
        self._cache = cache

    def keys(
        self,
        session: Session,
        components: Sequence[Component],
        matrices: Mapping[tuple[str, int], ResponseMatrix],
        *,
        rounding: Sequence[Any],
        span: Sequence[int],
    ) -> list[str]:
        """Keys of the first components, the wet ones.

        Parameters
        ----------
        rounding : sequence of plain values
            Of each wet component: what decides the rounding of its samples.
        span : sequence of int
            Frames that are rendered, and how they are read.
        """
        from roomplan.audio.readers import reading_libraries

        parts = parts_of(session, components[: len(rounding)], matrices, digest=self._cache.files.digest)
        libraries = [np.__version__, scipy_version(), *reading_libraries()]
        return [
            digest_of(
                *("wet sound", _VERSION, __version__, libraries, session.sample_rate, list(span)),
                part.identity,
                rounded,
            )
            for part, rounded in zip(parts, rounding, strict=True)
        ]

    def find(self, key: str, shape: SoundShape) -> KeptSound | None:
        """Sound of a component; None where it is not there, or not whole."""
        entry = self._cache.unread_entry(key)
        if entry is None:
            return None
        checksums = entry.document("blocks")
        if not isinstance(checksums, list) or len(checksums) != shape.blocks:
            self.forget(key)
            return None
        path = entry.folder / "sound.npy"
        header = _checked_header(path, shape)
        if header is None:
            self.forget(key)
            return None
        return KeptSound(key, path, header, checksums)

    def forget(self, key: str) -> None:
        """Forget a sound that turned out to be damaged."""
        self._cache.forget(key)

    def keeper(
        self,
        wanted: Mapping[int, tuple[str, SoundShape]],
        *,
        there: int,
        session: Session,
        components: Sequence[Component],
    ) -> SoundKeeper | None:
        """Keeper of as many components as there is room for; None where there is none.

        Parameters
        ----------
        wanted : mapping of int to (str, SoundShape)
            Component → key and size.
        there : int
            Bytes of what is kept of this pass already, and stays.
        """
        room = self._cache.room_for_sound(there)
        chosen: dict[int, tuple[str, SoundShape]] = {}
        for number, (key, shape) in wanted.items():
            if shape.size_bytes <= room:
                chosen[number] = key, shape
                room -= shape.size_bytes
        if not chosen:
            return None
        source = str(session.plan.source)
        return SoundKeeper(
            self._cache,
            {
                number: (key, shape, f"sound of {components[number].name}")
                for number, (key, shape) in chosen.items()
            },
            source=source,
        )


def _checked_header(path: Path, shape: SoundShape) -> tuple[int, int] | None:
    """Size and CRC-32 of the header of a file; None where it is not that of a sound of this shape."""
    try:
        with path.open("rb", buffering=0) as file:
            if np.lib.format.read_magic(file) != (1, 0):
                return None
            found, by_columns, dtype = np.lib.format.read_array_header_1_0(file)
            size = file.tell()
            file.seek(0)
            checksum = zlib.crc32(file.read(size))
    except (OSError, ValueError, TypeError, SyntaxError, EOFError, RecursionError):
        return None
    is_it = found == (shape.blocks, shape.channels, shape.hop) and not by_columns and dtype == np.float32
    return (size, checksum) if is_it else None


class KeptSound:
    """One component that is kept, read block by block."""

    def __init__(self, key: str, path: Path, header: tuple[int, int], checksums: Sequence[int]) -> None:
        self.key = key
        self._path = path
        self._place, self._checksum = header
        self._checksums = iter(checksums)

    def read_into(self, block: Planar) -> bool:
        """Read the next block, shape (channels, hop); False where it is not what was written."""
        data = block.data.cast("B")
        try:
            with self._path.open("rb", buffering=0) as file:
                file.seek(self._place)
                read = 0
                while read < len(data):
                    count = file.readinto(data[read:])
                    if not count:
                        return False
                    read += count
        except OSError:
            return False
        self._place += read
        self._checksum = zlib.crc32(data, self._checksum)
        return self._checksum == next(self._checksums, None)


def _write_all(file: RawIOBase, data: memoryview) -> None:
    written = 0
    while written < len(data):
        written += file.write(data[written:]) or 0


class _Writer:
    """One component on its way into the cache."""

    def __init__(self, new: NewEntry, shape: SoundShape) -> None:
        self._new = new
        self._path = new.folder / "sound.npy"
        self._checksums: list[int] = []
        self.shape = shape
        header = io.BytesIO()
        size = shape.blocks, shape.channels, shape.hop
        np.lib.format.write_array_header_1_0(header, {"descr": "<f4", "fortran_order": False, "shape": size})
        self._size, self._checksum = 0, 0
        self._append(header.getbuffer())

    def write(self, block: Planar) -> None:
        """Write the next block; a disk that fails gives the component up."""
        if self._append(block.data.cast("B")):
            self._checksums.append(self._checksum)

    def _append(self, data: memoryview) -> bool:
        if self._new.given_up is not None:
            return False
        try:
            with self._path.open("ab", buffering=0) as file:
                _write_all(file, data)
        except OSError as error:
            self.give_up(str(error.strerror or error))
            return False
        self._checksum = zlib.crc32(data, self._checksum)
        self._size += len(data)
        return True

    def give_up(self, reason: str) -> None:
        """Keep nothing."""
        self._new.give_up(reason)

    def finish(self) -> None:
        """Write what the blocks are checked by."""
        if self._new.given_up is not None:
            return
        if len(self._checksums) != self.shape.blocks:
            self._new.give_up("the pass was cut short")
            return
        self._new.note_checked("sound.npy", self._size, self._checksum)
        self._new.save_document("blocks", self._checksums)


class SoundKeeper:
    """Writes components into the cache while they are made; they are there, whole, after `finish`.

    Parameters
    ----------
    wanted : mapping of int to (str, SoundShape, str)
        Component → key, size, and what it is for a person.
    source : str
        The plan.
    """

    def __init__(
        self, cache: Cache, wanted: Mapping[int, tuple[str, SoundShape, str]], *, source: str
    ) -> None:
        self._stack = ExitStack()
        self._writers = {
            number: _Writer(
                self._stack.enter_context(cache.writing_sound(key, title=title, source=source)), shape
            )
            for number, (key, shape, title) in wanted.items()
        }
        largest = max(shape.channels * shape.hop * _SAMPLE_BYTES for _key, shape, _title in wanted.values())
        self._queue: queue.Queue[tuple[int, Planar] | None] = queue.Queue(max(1, _WAITING_BYTES // largest))
        self._free: queue.SimpleQueue[Planar] = queue.SimpleQueue()
        self._began_s, self._waited_s = time.perf_counter(), 0.0
        self._left_out: set[int] = set()  # the disk is too slow for them
        self._failure: Exception | None = None  # in the thread; none that a disk causes
        self._thread: threading.Thread | None = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    @property
    def numbers(self) -> Iterable[int]:
        """Components that are kept."""
        return self._writers.keys()

    def keep(self, number: int, block: Planar) -> None:
        """Keep a block of a component, shape (channels, hop); it is copied."""
        if number in self._left_out:
            return
        try:
            copy = self._free.get_nowait()
        except queue.Empty:
            copy = np.empty((2, block.shape[1]), np.float32)
        copy[: len(block)] = block
        try:
            self._queue.put_nowait((number, copy))
        except queue.Full:
            before = time.perf_counter()
            self._queue.put((number, copy))
            now = time.perf_counter()
            self._waited_s += now - before
            if self._waited_s > _NOT_COUNTED_S + _MOST_WAITING * (now - self._began_s):
                self._left_out.add(number)

    def finish(self) -> None:
        """Wait for the disk, and put every component in its place."""
        self._stop()
        if self._failure is not None:
            raise self._failure
        for number in self._left_out:
            self._writers[number].give_up("the disk is slower than the render")
        for writer in self._writers.values():
            writer.finish()
        self._stack.close()

    def abandon(self) -> None:
        """Keep nothing: the pass was cut short. Nothing happens after `finish`."""
        self._stop()
        for writer in self._writers.values():
            writer.give_up("the pass was cut short")
        self._stack.close()

    def _stop(self) -> None:
        if self._thread is not None:
            self._queue.put(None)
            self._thread.join()
            self._thread = None

    def _work(self) -> None:
        channels = {number: writer.shape.channels for number, writer in self._writers.items()}
        while (item := self._queue.get()) is not None:
            number, block = item
            try:
                if self._failure is None:
                    self._writers[number].write(block[: channels[number]])
            except Exception as error:  # noqa: BLE001 - raised by `finish`; whoever fills the queue must not wait
                self._failure = error
            self._free.put(block)
