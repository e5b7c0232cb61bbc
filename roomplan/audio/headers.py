"""What the header of a chunked sound file promises, against what the file holds.

The decoding library shortens a file that was cut off without a word, and a plain WAV above 4 GiB loses
its end the same way. This module walks the chunk headers (never the sound) so that both can be refused.

Conventions
-----------
Sizes and positions are bytes from the start of the file.

Sources
-------
- RIFF WAVE: Microsoft/IBM, *Multimedia Programming Interface and Data Specifications 1.0* (1991), chunks
  of a four-byte name and a 32-bit little-endian size, padded to even length.
- RF64: EBU Tech 3306 (2009), clause 3: the sizes are 0xFFFFFFFF and the true ones stand in `ds64`.
- AIFF: Apple, *Audio Interchange File Format 1.3* (1989): the same shape in big-endian.
- W64 (names of 16 bytes, sizes of 64 bits that count their own header, padded to eight) and AU (one
  header of big-endian words): from memory, held to the files that libsndfile writes.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path
    from typing import BinaryIO

__all__ = ["Chunk", "SoundClaim", "find_chunk", "sound_claim"]

# A file has a handful of chunks; a crafted one could hold a million of zero bytes.
_MOST_CHUNKS = 4096

# Programs that write to a pipe cannot go back to fill in the size. They leave the largest number of 32
# bits, or one just below the largest of 31 bits: "until the end of the file" (common practice, no source).
_UNKNOWN_32 = 0xFFFFFFFF
_UNKNOWN_31 = range(0x7FFFF000, 0x80000000)


@dataclass(frozen=True, slots=True)
class Chunk:
    """A named chunk: where its contents start, and how many bytes the header says they are."""

    name: bytes
    start: int
    size: int


@dataclass(frozen=True, slots=True)
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
        return next((chunk for chunk in _chunks(file) if chunk.name == name), None)


def sound_claim(path: Path) -> SoundClaim | None:
    """Read what the header says about the length of the sound.

    Returns
    -------
    SoundClaim or None
        None for containers other than WAV, RF64, AIFF, W64 and AU, and where no sound chunk is found.

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
        file_size = file.seek(0, 2)
        size_in_ds64: int | None = None
        for chunk in _chunks(file):
            if chunk.name == b"ds64":
                file.seek(chunk.start + 8)  # after the 64-bit size of the whole: that of the data
                size_in_ds64 = int.from_bytes(file.read(8), "little")
            if chunk.name not in {b"data", b"SSND"}:
                continue
            claimed: int | None = chunk.size
            if kind == b"RF64" and chunk.size == _UNKNOWN_32:
                claimed = size_in_ds64
            elif kind != b"riff" and (chunk.size == _UNKNOWN_32 or chunk.size in _UNKNOWN_31):
                claimed = None
            # The size in a RIFF header does not count the eight bytes of its own name and size.
            wrapped = kind == b"RIFF" and file_size > 2**32 + 8
            return SoundClaim(claimed, max(0, file_size - chunk.start), wrapped)
    return None


def _chunks(file: BinaryIO) -> Iterator[Chunk]:
    """Walk the chunks of an open file; yields nothing in containers that are not known here."""
    file.seek(0)
    head = file.read(40)
    orders = {b"RIFF": "<", b"RF64": "<", b"RIFX": ">", b"FORM": ">"}
    if head[:4] in orders and head[8:12] in {b"WAVE", b"AIFF", b"AIFC"}:
        yield from _walk(file, first=12, layout=struct.Struct(f"{orders[head[:4]]}4sI"), align=2, counted=0)
    elif head[:4] == b"riff" and head[24:28] == b"wave":
        yield from _walk(file, first=40, layout=struct.Struct("<4s12xQ"), align=8, counted=24)
    elif head[:4] == b".snd":
        start, size = struct.unpack(">II", head[4:12])
        yield Chunk(b"data", start, size)


def _walk(file: BinaryIO, *, first: int, layout: struct.Struct, align: int, counted: int) -> Iterator[Chunk]:
    """Walk from `first`; sizes include `counted` bytes of their own header, chunks start at multiples."""
    position = first
    for _ in range(_MOST_CHUNKS):
        file.seek(position)
        raw = file.read(layout.size)
        if len(raw) < layout.size:
            return
        name, size = layout.unpack(raw)
        yield Chunk(name, position + layout.size, size - counted)
        if size < counted:
            return
        position += layout.size + size - counted
        position += -position % align
