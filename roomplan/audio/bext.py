"""The place in time that a WAV file states for itself: the `bext` chunk of Broadcast Wave, read and written.

Conventions
-----------
A time reference is the number of the file's first sample counted from midnight, at the file's own sample
rate. Sizes and positions are bytes. Only RIFF/WAVE, RF64 and BW64 have the chunk here.

The chunk is written into a finished file, and takes exactly the room that `reserve_bext` made in front of
the sound when the file was begun: no size in the file changes, no sound is moved, and every reader meets the
chunk before the sound.

No clock is asked: the same arguments give the same bytes.

Sources
-------
- EBU Tech 3285 v2 (2011), *Specification of the Broadcast Wave Format*: the fields of `bext`, version 1
  (with UMID) and version 2 (with loudness, 7FFFh where a figure is not used, figures within ±99.99). From
  memory; the layout is held to two independent readers in the tests.
- RIFF, RF64 and BW64: as in `riff`.
"""

from __future__ import annotations

import math
import os
import struct
import unicodedata
from fractions import Fraction
from typing import TYPE_CHECKING

from roomplan.audio.info import reason
from roomplan.audio.riff import Chunk, bytes_at, walk_chunks
from roomplan.errors import AudioError, RoomplanError
from roomplan.files.sound_place import require_regular
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from pathlib import Path
    from typing import BinaryIO

    import soundfile

    from roomplan.audio.info import SoundInfo

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
_SAMPLES_FIELD = 5
_DESCRIPTION_BYTES = 256
_ORIGINATOR_BYTES = 32
_LOUDNESS_VERSION = 2

# EBU Tech 3285 v2, 2.3: hundredths; 7FFFh says "not used", and so does what is outside ±99.99 (from memory).
_NOT_USED = 0x7FFF
_LARGEST_HUNDREDTHS = 9999

# Containers of libsndfile that may hold the chunk, and how their files begin.
_WITH_REFERENCE = frozenset({"WAV", "WAVEX", "RF64"})
_KINDS = frozenset({b"RIFF", b"RF64", b"BW64"})

_LARGEST_REFERENCE = 2**64 - 1

# The room that `reserve_bext` makes: a LIST of one comment, as libsndfile writes it (RIFF 1991, INFO list),
# whose length makes the contents as long as those of a `bext` chunk.
_COMMENT = "Room for a time reference".ljust(_BEXT_BYTES - 12 - 1, ".")
_RESERVED = b"INFOICMT" + struct.pack("<I", len(_COMMENT) + 1) + _COMMENT.encode("ascii") + b"\0"


@frozen_class
class StatedLoudness:
    """The loudness figures a file states for itself; None where it states none."""

    integrated_lufs: float | None = None
    loudness_range_lu: float | None = None
    true_peak_dbtp: float | None = None
    momentary_max_lufs: float | None = None
    short_term_max_lufs: float | None = None


@frozen_class
class TimeReference:
    """The time that a `bext` chunk states.

    Attributes
    ----------
    samples : int
        First sample of the file, counted from midnight at `sample_rate`. Many programs write 0 where no
        time was set, which cannot be told from midnight; nothing keeps a program from writing more than a
        day.
    sample_rate : int
        Hertz, from the header of the same file.
    """

    samples: int
    sample_rate: int

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
    Not read: everything else in the chunk, `iXML`, and the `bext` of big-endian or 64-bit relatives (RIFX,
    W64).
    """
    require_regular(path)
    samples: int | None = None
    rate = 0
    try:
        with path.open("rb") as file:
            if file.read(4) not in _KINDS:
                return None
            for chunk in walk_chunks(file):
                if chunk.size is None:
                    raise AudioError(
                        path,
                        f"is an RF64 file that leaves the size of its {_shown(chunk.name)} chunk out",
                        remedy="it is damaged: copy or export it again",
                    )
                if chunk.name == b"fmt " and chunk.size >= 8 and rate == 0:
                    rate = int.from_bytes(bytes_at(file, chunk.start + 4, 4), "little")
                elif chunk.name == b"bext" and samples is None:
                    samples = _stated_samples(file, chunk, path)
                if samples is not None and rate > 0:
                    return TimeReference(samples, rate)
    except OSError as error:
        raise AudioError(
            path, f"cannot be read ({reason(error)})", remedy="check its path and rights"
        ) from error
    if samples is None:
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
    loudness: StatedLoudness | None = None,
) -> bytes:
    """Make the contents of a `bext` chunk (without the eight bytes of name and size).

    Parameters
    ----------
    samples : int
        First sample of the file, counted from midnight at the file's rate; 0 to 2⁶⁴ − 1.
    description : str
        At most 256 characters of printable ASCII: see `plain_ascii`.
    originator : str
        At most 32.
    loudness : StatedLoudness, optional
        Makes it version 2, otherwise it is version 1. Figures are rounded to 0.01; one that is None, not
        finite or outside ±99.99 is written as not used.

    Returns
    -------
    bytes
        602 of them. No date, no UMID, no coding history.

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
                loudness.loudness_range_lu,
                loudness.true_peak_dbtp,
                loudness.momentary_max_lufs,
                loudness.short_term_max_lufs,
            )
        ]
    return _BEXT.pack(
        _field("description", description, _DESCRIPTION_BYTES),
        _field("originator", originator, _ORIGINATOR_BYTES),
        b"",  # no reference, date or time: an empty field is filled up with 0
        b"",
        b"",
        samples,
        1 if loudness is None else _LOUDNESS_VERSION,
        b"",  # no UMID
        *figures,
        b"",
    )


def plain_ascii(text: str, longest: int) -> str:
    """Return a text as the text fields of `bext` take it.

    Parameters
    ----------
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
    """Put a `bext` chunk into a finished file that has room for it; the sound is not touched.

    Parameters
    ----------
    path : Path
        A file for which `reserve_bext` was called.
    contents : bytes
        From `bext_chunk`.

    Raises
    ------
    AudioError
        The file cannot be written, or has no room.

    Notes
    -----
    The data are not forced to the disk.
    """
    if len(contents) != _BEXT_BYTES:
        raise ValueError(f"{len(contents)} bytes are no contents of a bext chunk: {_BEXT_BYTES} are")
    require_regular(path)
    left = memoryview(b"bext" + struct.pack("<I", _BEXT_BYTES) + contents)
    try:
        # Without a buffer: one that could not be emptied would raise again when the file is closed.
        with path.open("r+b", buffering=0) as file:
            room = next((place for place in walk_chunks(file) if _is_reserved(file, place)), None)
            if room is None:
                raise AudioError(path, "has no room for a time reference", remedy="write the file anew")
            file.seek(room.start - 8)
            while left:  # a file without a buffer may take a part
                left = left[file.write(left) :]
    except OSError as error:
        raise AudioError(
            path,
            f"could not be given its time reference ({reason(error)})",
            remedy="free some space, or choose another folder, and check its rights",
        ) from error


def _stated_samples(file: BinaryIO, chunk: Chunk, path: Path) -> int:
    remedy = "export it again, or place it by hand"
    size = chunk.size or 0
    if size < _BEXT_BYTES:
        raise AudioError(
            path,
            f"has a damaged time reference: its `bext` chunk has {size} of {_BEXT_BYTES} bytes",
            remedy=remedy,
        )
    file_size = file.seek(0, os.SEEK_END)
    if chunk.start + size > file_size:
        raise AudioError(
            path,
            f"has a damaged time reference: its `bext` chunk claims {size} bytes, but the file ends"
            f" after {max(0, file_size - chunk.start)} of them",
            remedy=remedy,
        )
    return _BEXT.unpack(bytes_at(file, chunk.start, _BEXT_BYTES))[_SAMPLES_FIELD]


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
    return bytes_at(file, chunk.start, _BEXT_BYTES) == _RESERVED
