"""The place in time that a WAV file states for itself: the `bext` chunk of Broadcast Wave, read and written.

Conventions
-----------
A time reference is the number of the file's first sample counted from midnight, at the file's own sample
rate. Sizes and positions are bytes. Only RIFF/WAVE, RF64 and BW64 have the chunk here.

Writing keeps the sound where it is, bit for bit, and copies nothing. A file whose writer called
`reserve_bext` has room in front of its sound, and the chunk takes exactly that room: no size in the file
changes, and every reader meets the chunk before the sound. Any other file gets the chunk behind its sound,
which RIFF allows: moving the sound would copy gigabytes. Two independent readers find it there too
(wavinfo 4.0.1; libsndfile 1.2.2, but not behind an odd number of bytes in RF64, whose padding it forgets:
measured). Others may stop looking where the sound begins, so making room is the better way.

No clock is asked: the same arguments give the same bytes.

Sources
-------
- EBU Tech 3285 v2 (2011), *Specification of the Broadcast Wave Format*: the fields of `bext`, version 1
  (with UMID) and version 2 (with loudness, 7FFFh where a figure is not used, figures within ±99.99). From
  memory; the layout is held to two independent readers in the tests.
- EBU Tech 3306 (2009) and ITU-R BS.2088: `RF64` and `BW64`, sizes of 0xFFFFFFFF with the true ones in
  `ds64`, its table included. From memory, held to files of libsndfile.
- RIFF: as in `headers`.
"""

from __future__ import annotations

import contextlib
import math
import os
import struct
import unicodedata
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from roomplan.errors import AudioError, RoomplanError

from .files import reason
from .headers import Chunk

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import date, time
    from pathlib import Path
    from typing import BinaryIO

    import soundfile

    from .files import SoundInfo

__all__ = [
    "StatedLoudness",
    "TimeReference",
    "bext_chunk",
    "plain_ascii",
    "read_time_reference",
    "reserve_bext",
    "stated_time",
    "write_bext",
]

# EBU Tech 3285 v2, 2.3: description, originator, its reference, date, time, time reference (the low and the
# high 32 bits together are one little-endian number of 64), version, UMID, five figures of loudness,
# reserved. The coding history, of any length, would follow.
_BEXT = struct.Struct("<256s32s32s10s8sQH64s5h180s")
_BEXT_BYTES = _BEXT.size  # 602
_DESCRIPTION_BYTES = 256
_ORIGINATOR_BYTES = 32
_LOUDNESS_VERSION = 2

# EBU Tech 3285 v2, 2.3: hundredths; 7FFFh says "not used", and so does what is outside ±99.99 (from memory).
_NOT_USED = 0x7FFF
_LARGEST_HUNDREDTHS = 9999

# Containers of libsndfile that may hold the chunk.
_WITH_REFERENCE = frozenset({"WAV", "WAVEX", "RF64"})

_LARGEST_REFERENCE = 2**64 - 1

# A file has a handful of chunks; a crafted one could hold a million of zero bytes.
_MOST_CHUNKS = 4096
_IN_DS64 = 0xFFFFFFFF  # as a size: "see ds64"; in a plain WAV: "until the end of the file"

# The room that `reserve_bext` makes: a LIST of one comment, as libsndfile writes it (RIFF 1991, INFO list),
# whose length makes the contents as long as those of a `bext` chunk.
_COMMENT = "Room for a time reference".ljust(_BEXT_BYTES - 12 - 1, ".")
_RESERVED = b"INFOICMT" + struct.pack("<I", len(_COMMENT) + 1) + _COMMENT.encode("ascii") + b"\0"


@dataclass(frozen=True, slots=True)
class StatedLoudness:
    """The loudness figures a file states for itself; None where it states none.

    Attributes
    ----------
    integrated_lufs : float or None
    range_lu : float or None
    true_peak_dbtp : float or None
    momentary_max_lufs, short_term_max_lufs : float or None
    """

    integrated_lufs: float | None = None
    range_lu: float | None = None
    true_peak_dbtp: float | None = None
    momentary_max_lufs: float | None = None
    short_term_max_lufs: float | None = None


@dataclass(frozen=True, slots=True)
class TimeReference:
    """What a `bext` chunk says.

    Attributes
    ----------
    samples : int
        First sample of the file, counted from midnight at `sample_rate`. Many programs write 0 where no
        time was set, which cannot be told from midnight; nothing keeps a program from writing more than a
        day.
    sample_rate : int
        Hertz, from the header of the same file.
    description, originator, originator_reference : str
        One line each, without control characters; empty where not given.
    origination_date, origination_time : str
        As they stand in the file, usually `2024-03-09` and `14:05:00`; empty where not given.
    version : int
        0, 1 or 2 in the published standard.
    loudness : StatedLoudness or None
        None below version 2 and where every figure is marked as not used.
    """

    samples: int
    sample_rate: int
    description: str
    originator: str
    originator_reference: str
    origination_date: str
    origination_time: str
    version: int
    loudness: StatedLoudness | None

    @property
    def seconds(self) -> Fraction:
        """Seconds from midnight, exactly."""
        return Fraction(self.samples, self.sample_rate)


def read_time_reference(path: Path) -> TimeReference | None:
    """Read the `bext` chunk of a sound file.

    Parameters
    ----------
    path : Path
        Any sound file, best one that `inspect_sound` accepts: the sound is not looked at here.

    Returns
    -------
    TimeReference or None
        None for a file that is no RIFF/WAVE, RF64 or BW64, and for one without the chunk. The first of
        several chunks counts.

    Raises
    ------
    AudioError
        The file cannot be read; its `bext` chunk is too short or runs beyond the end of the file; it has
        one, but no sample rate to count by; it is an RF64 whose `ds64` lacks a size that it refers to. A
        damaged reference is never taken for none: the sound would be placed elsewhere without a word.

    Notes
    -----
    Not read: the UMID, the coding history, `iXML`, and the `bext` of big-endian or 64-bit relatives (RIFX,
    W64). Text is taken as UTF-8 where it is that, else as Latin-1; the standard allows ASCII only. A chunk
    behind one of odd size is found only if the padding byte is there, as RIFF wants it.
    """
    _require_regular(path)
    raw: bytes | None = None
    rate = 0
    try:
        with path.open("rb") as file:
            for chunk in _chunks(file, path):
                if chunk.name == b"fmt " and rate == 0:
                    rate = _sample_rate(file, chunk)
                elif chunk.name == b"bext" and raw is None:
                    raw = _bext_contents(file, chunk, path)
                if raw is not None and rate > 0:
                    return _parsed(raw, rate)
    except OSError as error:
        raise AudioError(
            path, f"cannot be read ({reason(error)})", remedy="check its path and rights"
        ) from error
    if raw is None:
        return None
    raise AudioError(path, "gives a time in samples, but no sample rate", remedy="export it again")


def stated_time(info: SoundInfo) -> TimeReference | None:
    """Time of day that a sound file states; None where its container has none, or it is 0, which is unset.

    Raises
    ------
    AudioError
        As `read_time_reference`.
    """
    if info.container not in _WITH_REFERENCE:
        return None
    time = read_time_reference(info.path)
    return time if time is not None and time.samples else None


def bext_chunk(
    *,
    samples: int,
    description: str = "",
    originator: str = "",
    originator_reference: str = "",
    origination_date: date | None = None,
    origination_time: time | None = None,
    loudness: StatedLoudness | None = None,
) -> bytes:
    """Make the contents of a `bext` chunk (without the eight bytes of name and size).

    Parameters
    ----------
    samples : int
        First sample of the file, counted from midnight at the file's rate; 0 to 2⁶⁴ − 1.
    description : str
        At most 256 characters of printable ASCII: see `plain_ascii`.
    originator, originator_reference : str
        At most 32.
    origination_date, origination_time : datetime.date, datetime.time, optional
        Left empty when not given.
    loudness : StatedLoudness, optional
        Makes it version 2, otherwise it is version 1. Figures are rounded to 0.01; one that is None, not
        finite or outside ±99.99 is written as not used.

    Returns
    -------
    bytes
        602 of them. No UMID, no coding history.

    Raises
    ------
    RoomplanError
        A number or text does not fit its field.
    """
    if not 0 <= samples <= _LARGEST_REFERENCE:
        raise RoomplanError(
            f"a time reference of {samples} samples cannot be written",
            remedy=f"0 to {_LARGEST_REFERENCE}: a file begins at or after midnight",
        )
    figures = [_NOT_USED] * 5 if loudness is not None else [0] * 5
    if loudness is not None:
        figures = [
            _hundredths(figure)
            for figure in (
                loudness.integrated_lufs,
                loudness.range_lu,
                loudness.true_peak_dbtp,
                loudness.momentary_max_lufs,
                loudness.short_term_max_lufs,
            )
        ]
    return _BEXT.pack(
        _field("description", description, _DESCRIPTION_BYTES),
        _field("originator", originator, _ORIGINATOR_BYTES),
        _field("originator reference", originator_reference, _ORIGINATOR_BYTES),
        _date(origination_date),
        _time(origination_time),
        samples,
        1 if loudness is None else _LOUDNESS_VERSION,
        b"",  # no UMID: 64 bytes of 0
        *figures,
        b"",
    )


def plain_ascii(text: str, longest: int) -> str:
    """Return a text as the text fields of `bext` take it.

    Parameters
    ----------
    text : str
    longest : int
        Characters to keep.

    Returns
    -------
    str
        Accents are taken off, other letters become "?", control characters and line breaks a space.
    """
    bare = "".join(
        letter for letter in unicodedata.normalize("NFKD", text) if not unicodedata.combining(letter)
    )
    return _one_line(bare.encode("ascii", "replace").decode("ascii"))[:longest].rstrip()


def reserve_bext(sound: soundfile.SoundFile) -> None:
    """Make room for a `bext` chunk in front of the sound of a file that is being written.

    Parameters
    ----------
    sound : soundfile.SoundFile
        A WAV, WAVEX or RF64 open for writing, to which no frame has been written, nor any tag.

    Notes
    -----
    The room is a comment tag of 610 bytes, the one thing that soundfile lets a caller put there. It stays
    in the file as a comment until `write_bext` replaces it.
    """
    setattr(sound, "comment", _COMMENT)  # noqa: B010 — soundfile takes its tags by name, undeclared


def write_bext(path: Path, contents: bytes) -> None:
    """Put a `bext` chunk into a finished WAV, RF64 or BW64 file; the sound is not touched.

    Parameters
    ----------
    path : Path
    contents : bytes
        From `bext_chunk`.

    Raises
    ------
    AudioError
        The file cannot be written, is of another kind, has a `bext` chunk already, has no sound, holds
        less or more than its chunks, or is a plain WAV that has no room left below 4 GiB.

    Notes
    -----
    The chunk takes the room made by `reserve_bext`, or goes to the end of the file: see the module. The
    data are not forced to the disk.
    """
    if len(contents) != _BEXT_BYTES:
        raise ValueError(f"{len(contents)} bytes are no contents of a bext chunk: {_BEXT_BYTES} are")
    _require_regular(path)
    chunk = b"bext" + struct.pack("<I", _BEXT_BYTES) + contents
    try:
        # Without a buffer: one that could not be emptied would raise again when the file is closed.
        with path.open("r+b", buffering=0) as file:
            chunks = list(_chunks(file, path))
            _require_whole(file, path, chunks)
            room = next((place for place in chunks if _is_reserved(file, place)), None)
            if room is not None:
                _put(file, room.start - 8, chunk)
            else:
                _append(file, path, chunk)
    except OSError as error:
        raise AudioError(
            path,
            f"could not be given its time reference ({reason(error)})",
            remedy="free some space, or choose another folder, and check its rights",
        ) from error


def _require_regular(path: Path) -> None:
    """Refuse what is no file (a pipe would wait for ever)."""
    if not path.is_file():
        raise AudioError(path, "is not a regular file, or not there", remedy="name a sound file")


def _chunks(file: BinaryIO, path: Path) -> Iterator[Chunk]:
    """Walk the chunks of a RIFF/WAVE, RF64 or BW64; yields nothing for other files.

    Sizes are what the header claims, 64-bit ones resolved. The walk never leaves the file.
    """
    file_size = file.seek(0, os.SEEK_END)
    head = _bytes_at(file, 0, 12)
    if head[:4] not in {b"RIFF", b"RF64", b"BW64"} or head[8:] != b"WAVE":
        return
    long_sizes: dict[bytes, int] = {}
    position = len(head)
    for _ in range(_MOST_CHUNKS):
        if position + 8 > file_size:
            return
        name, size = struct.unpack("<4sI", _bytes_at(file, position, 8).ljust(8, b"\0"))
        start = position + 8
        if head[:4] != b"RIFF":
            if name == b"ds64" and not long_sizes:
                long_sizes = _long_sizes(_bytes_at(file, start, min(size, 28 + 12 * _MOST_CHUNKS)))
            if size == _IN_DS64:
                if name not in long_sizes:
                    raise AudioError(
                        path,
                        f"is an RF64 file that leaves the size of its {_shown(name)} chunk out",
                        remedy="it is damaged: copy or export it again",
                    )
                size = long_sizes[name]
        yield Chunk(name, start, size)
        position = start + size + size % 2


def _long_sizes(raw: bytes) -> dict[bytes, int]:
    """Read the sizes of a `ds64` chunk: that of the sound, then those of its table."""
    if len(raw) < 16:
        return {}
    sizes = {b"data": int.from_bytes(raw[8:16], "little")}  # after the size of the whole
    entries = raw[28 : 28 + 12 * int.from_bytes(raw[24:28], "little")]
    for name, size in struct.iter_unpack("<4sQ", entries[: len(entries) // 12 * 12]):
        sizes.setdefault(name, size)
    return sizes


def _bytes_at(file: BinaryIO, start: int, count: int) -> bytes:
    """Read up to `count` bytes; fewer at the end of the file."""
    file.seek(start)
    return file.read(count)


def _sample_rate(file: BinaryIO, chunk: Chunk) -> int:
    """Return the rate in a `fmt ` chunk; 0 when the chunk does not reach so far."""
    return int.from_bytes(_bytes_at(file, chunk.start + 4, 4), "little") if chunk.size >= 8 else 0


def _bext_contents(file: BinaryIO, chunk: Chunk, path: Path) -> bytes:
    remedy = "export it again, or place it by hand"
    if chunk.size < _BEXT_BYTES:
        raise AudioError(
            path,
            f"has a damaged time reference: its `bext` chunk has {chunk.size} of {_BEXT_BYTES} bytes",
            remedy=remedy,
        )
    file_size = file.seek(0, os.SEEK_END)
    if chunk.start + chunk.size > file_size:
        raise AudioError(
            path,
            f"has a damaged time reference: its `bext` chunk claims {chunk.size} bytes, but the file ends"
            f" after {max(0, file_size - chunk.start)} of them",
            remedy=remedy,
        )
    return _bytes_at(file, chunk.start, _BEXT_BYTES)


def _parsed(raw: bytes, rate: int) -> TimeReference:
    description, originator, reference, day, moment, samples, version, _umid, *figures, _reserved = (
        _BEXT.unpack(raw)
    )
    stated = None
    if version >= _LOUDNESS_VERSION and any(abs(figure) <= _LARGEST_HUNDREDTHS for figure in figures):
        stated = StatedLoudness(
            *(figure / 100 if abs(figure) <= _LARGEST_HUNDREDTHS else None for figure in figures)
        )
    return TimeReference(
        samples=samples,
        sample_rate=rate,
        description=_text(description),
        originator=_text(originator),
        originator_reference=_text(reference),
        origination_date=_text(day),
        origination_time=_text(moment),
        version=version,
        loudness=stated,
    )


def _text(raw: bytes) -> str:
    held = raw.partition(b"\0")[0]
    try:
        return _one_line(held.decode("utf-8"))
    except UnicodeDecodeError:
        return _one_line(held.decode("latin-1"))


def _one_line(text: str) -> str:
    """Return a text with everything that does not print, line breaks too, as single spaces."""
    return " ".join("".join(letter if letter.isprintable() else " " for letter in text).split())


def _field(name: str, text: str, longest: int) -> bytes:
    """Check a text and return its bytes; `struct` fills them up with 0."""
    if len(text) > longest:
        raise RoomplanError(
            f"the {name} of a time reference has {len(text)} characters", remedy=f"at most {longest}"
        )
    if not text.isascii() or not text.isprintable():
        raise RoomplanError(
            f"the {name} of a time reference cannot hold {text!r}",
            remedy="plain letters, digits and signs (ASCII) on one line",
        )
    return text.encode("ascii")


def _date(day: date | None) -> bytes:
    return b"" if day is None else f"{day.year:04}-{day.month:02}-{day.day:02}".encode("ascii")


def _time(moment: time | None) -> bytes:
    return b"" if moment is None else f"{moment:%H:%M:%S}".encode("ascii")


def _hundredths(figure: float | None) -> int:
    if figure is None or not math.isfinite(figure):
        return _NOT_USED
    value = round(figure * 100)
    return value if abs(value) <= _LARGEST_HUNDREDTHS else _NOT_USED


def _shown(name: bytes) -> str:
    return f"`{_one_line(name.decode('latin-1'))}`"


def _is_reserved(file: BinaryIO, chunk: Chunk) -> bool:
    if chunk.name != b"LIST" or chunk.size != _BEXT_BYTES:
        return False
    return _bytes_at(file, chunk.start, _BEXT_BYTES) == _RESERVED


def _require_whole(file: BinaryIO, path: Path, chunks: list[Chunk]) -> None:
    """Refuse a file in which a new chunk would be out of place, or would not be found."""
    if not chunks:
        raise AudioError(
            path, "is no WAV or RF64 file, and only these carry a time reference", remedy="write it as WAV"
        )
    names = {chunk.name for chunk in chunks}
    if b"bext" in names:
        raise AudioError(path, "has a time reference already", remedy="write the file anew")
    if not {b"fmt ", b"data"} <= names:
        raise AudioError(path, "is a WAV without sound", remedy="copy or export it again")
    file_size = file.seek(0, os.SEEK_END)
    last = chunks[-1]
    end = last.start + last.size
    # The padding byte after an odd last chunk may be missing: some programs do not write it.
    if file_size not in {end, end + end % 2}:
        raise AudioError(
            path,
            f"is not a finished WAV: its chunks end at byte {end}, the file at byte {file_size}",
            remedy="copy or export it again",
        )


def _append(file: BinaryIO, path: Path, chunk: bytes) -> None:
    """Put a chunk at the end and count it in the size of the whole; on failure, leave the file as it was."""
    file_size = file.seek(0, os.SEEK_END)
    added = bytes(file_size % 2) + chunk
    # The size in a RIFF header does not count the eight bytes of its own name and size.
    new_size = file_size + len(added) - 8
    start, size = 4, struct.pack("<I", min(new_size, _IN_DS64))
    if _bytes_at(file, 0, 4) != b"RIFF":
        # EBU Tech 3306, 3.2: `ds64` is the first chunk, and begins with the size of the whole.
        if _bytes_at(file, 12, 4) != b"ds64":
            raise AudioError(
                path, "is an RF64 file that does not begin with its sizes", remedy="export it again"
            )
        start, size = 20, struct.pack("<Q", new_size)
    elif new_size >= _IN_DS64:
        raise AudioError(
            path,
            "is a plain WAV with no room left for a time reference below 4 GiB",
            remedy="write it as RF64",
        )
    try:
        _put(file, file_size, added)
        _put(file, start, size)
    except BaseException:
        with contextlib.suppress(OSError):
            file.truncate(file_size)
        raise


def _put(file: BinaryIO, start: int, data: bytes) -> None:
    """Write all of it; a file without a buffer may take a part."""
    file.seek(start)
    left = memoryview(data)
    while left:
        left = left[file.write(left) :]
