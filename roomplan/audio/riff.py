"""The chunks of a sound file: where they are, and what the header promises against what the file holds.

The decoding library shortens a file that was cut off without a word, and a plain WAV above 4 GiB loses
its end the same way. This module walks the chunk headers (never the sound) so that both can be refused.

Conventions
-----------
Sizes and positions are bytes from the start of the file.

Sources
-------
- RIFF WAVE: Microsoft/IBM, *Multimedia Programming Interface and Data Specifications 1.0* (1991), chunks
  of a four-byte name and a 32-bit little-endian size, padded to even length.
- RF64 and BW64: EBU Tech 3306 (2009), clause 3, and ITU-R BS.2088: sizes of 0xFFFFFFFF, with the true ones
  in `ds64`, its table included. From memory, held to files of libsndfile.
- AIFF: Apple, *Audio Interchange File Format 1.3* (1989): the same shape in big-endian.
- W64 (names of 16 bytes, sizes of 64 bits that count their own header, padded to eight) and AU (one
  header of big-endian words): from memory, held to the files that libsndfile writes.
"""

from __future__ import annotations

import os
import struct
from typing import TYPE_CHECKING

from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path
    from typing import BinaryIO

__all__ = ["Chunk", "SoundClaim", "bytes_at", "find_chunk", "sound_claim", "walk_chunks"]

# A file has a handful of chunks; a crafted one could hold a million of zero bytes.
_MOST_CHUNKS = 4096

_LONG_KINDS = frozenset({b"RF64", b"BW64"})
_IN_DS64 = 0xFFFFFFFF

# Programs that write to a pipe cannot go back to fill in the size. They leave the largest number of 32
# bits, or one just below the largest of 31 bits: "until the end of the file" (common practice, no source).
_UNKNOWN_32 = 0xFFFFFFFF
_UNKNOWN_31 = range(0x7FFFF000, 0x80000000)


@frozen_class
class Chunk:
    """A named chunk: where its contents start, and how many bytes the header says they are.

    The size is None where an RF64 or BW64 refers to its `ds64`, which does not have it.
    """

    name: bytes
    start: int
    size: int | None


@frozen_class
class SoundClaim:
    """What a header says about the sound in its file.

    Attributes
    ----------
    claimed : int or None
        Bytes of sound the header claims; None when it leaves the length open.
    held : int
        Bytes between the start of the sound and the end of the file.
    wrapped : bool
        True for a plain WAV longer than its 32-bit sizes can count.
    """

    claimed: int | None
    held: int
    wrapped: bool


def find_chunk(path: Path, name: bytes) -> Chunk | None:
    """Find the first chunk with this four-byte name.

    Returns
    -------
    Chunk or None
        None where there is none, and in containers that have no chunks.

    Raises
    ------
    OSError
        The file cannot be opened or read.
    """
    with path.open("rb") as file:
        return next((chunk for chunk in walk_chunks(file) if chunk.name == name), None)


def sound_claim(path: Path) -> SoundClaim | None:
    """Read what the header says about the length of the sound.

    Returns
    -------
    SoundClaim or None
        None for containers other than WAV, RF64, BW64, AIFF, W64 and AU, and where no sound chunk is found.

    Raises
    ------
    OSError
        The file cannot be opened or read.

    Notes
    -----
    Bytes after the sound are not looked at: other chunks may follow it.
    """
    with path.open("rb") as file:
        kind = file.read(4)
        file_size = file.seek(0, os.SEEK_END)
        for chunk in walk_chunks(file):
            if chunk.name not in {b"data", b"SSND"}:
                continue
            claimed = chunk.size
            counts_32_bits = kind != b"riff" and kind not in _LONG_KINDS
            if counts_32_bits and (claimed == _UNKNOWN_32 or claimed in _UNKNOWN_31):
                claimed = None
            # The size in a RIFF header does not count the eight bytes of its own name and size.
            wrapped = kind == b"RIFF" and file_size > 2**32 + 8
            return SoundClaim(claimed, max(0, file_size - chunk.start), wrapped)
    return None


def walk_chunks(file: BinaryIO) -> Iterator[Chunk]:
    """Walk the chunks of an open file; yields nothing in containers that are not known here.

    Sizes are what the header claims, 64-bit ones resolved; a chunk without a size is the last. A chunk
    behind one of odd size is found only if the padding byte is there, as RIFF wants it. The walk never
    leaves the file.
    """
    head = bytes_at(file, 0, 40)
    orders = {b"RIFF": "<", b"RF64": "<", b"BW64": "<", b"RIFX": ">", b"FORM": ">"}
    if head[:4] in orders and head[8:12] in {b"WAVE", b"AIFF", b"AIFC"}:
        layout = struct.Struct(f"{orders[head[:4]]}4sI")
        yield from _walk(file, 12, layout, align=2, in_ds64=head[:4] in _LONG_KINDS)
    elif head[:4] == b"riff" and head[24:28] == b"wave":
        yield from _walk(file, 40, struct.Struct("<4s12xQ"), align=8, counted=24)
    elif head[:4] == b".snd":
        start, size = struct.unpack(">II", head[4:12])
        yield Chunk(b"data", start, size)


def bytes_at(file: BinaryIO, start: int, count: int) -> bytes:
    """Read up to `count` bytes; fewer at the end of the file."""
    file.seek(start)
    return file.read(count)


def _walk(
    file: BinaryIO,
    position: int,
    layout: struct.Struct,
    *,
    align: int,
    counted: int = 0,
    in_ds64: bool = False,
) -> Iterator[Chunk]:
    """Walk from a position; sizes include `counted` bytes of their own header, chunks start at multiples."""
    file_size = file.seek(0, os.SEEK_END)
    long_sizes: dict[bytes, int] = {}
    for _ in range(_MOST_CHUNKS):
        start = position + layout.size
        if start > file_size:
            return
        name, size = layout.unpack(bytes_at(file, position, layout.size))
        if in_ds64 and name == b"ds64" and not long_sizes:
            long_sizes = _long_sizes(bytes_at(file, start, min(size, 28 + 12 * _MOST_CHUNKS)))
        if in_ds64 and size == _IN_DS64:
            if name not in long_sizes:
                yield Chunk(name, start, None)
                return
            size = long_sizes[name]
        yield Chunk(name, start, size - counted)
        if size < counted:
            return
        position = start + size - counted
        position += -position % align


def _long_sizes(raw: bytes) -> dict[bytes, int]:
    """Read the sizes of a `ds64` chunk: that of the sound, then those of its table."""
    if len(raw) < 16:
        return {}
    sizes = {b"data": int.from_bytes(raw[8:16], "little")}  # after the size of the whole
    entries = raw[28 : 28 + 12 * int.from_bytes(raw[24:28], "little")]
    for name, size in struct.iter_unpack("<4sQ", entries[: len(entries) // 12 * 12]):
        sizes.setdefault(name, size)
    return sizes
