"""The files of a delivery.

Conventions
-----------
Blocks are `(frames, channels)` float32, full scale ±1.0. Integer formats are quantised here (see
`quantise`), never by the library: it floors, and it turns NaN into full scale. The digest covers the
values in the file, frame by frame, as little-endian int32 (plain values, 16-bit ones too) or float32.

The same samples give the same bytes: WAV files carry no time of writing.

Sources
-------
- EBU Tech 3306 (2009): RF64, a WAV whose sizes have 64 bits.
- RFC 9639 (FLAC): at most 8 channels (clause 9.1.3); rates that every frame header can state are whole
  hertz to 65,535 and whole tens of hertz to 655,350 (clause 9.1.2).
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import sys
from typing import TYPE_CHECKING, Final, Literal, Self

import numpy as np
import soundfile
import soxr

from roomplan.audio.bext import reserve_bext
from roomplan.audio.info import SequentialSoundFile, reason
from roomplan.audio.quantise import Quantiser
from roomplan.audio.resample import QUALITY, resampled_length
from roomplan.audio.riff import find_chunk
from roomplan.errors import AudioError, RoomplanError
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

__all__ = ["OutputFormat", "RateChanger", "SoundWriter", "check_output_format"]

# A plain WAV counts its bytes in 32 bits. The margin leaves room for headers and chunks after the sound.
RF64_FROM_BYTES: int = 2**32 - 2**20

_FLAC_MOST_CHANNELS = 8
_FLAC_HIGHEST_RATE_HZ = 655_350
_FLAC_HIGHEST_WHOLE_HZ = 65_535

# libsndfile's SFC_SET_ADD_PEAK_CHUNK (sndfile.h, public interface); soundfile does not list it.
_ADD_PEAK_CHUNK: Final = 0x1050

_PIECE_FRAMES: Final = 16_384  # resampled at a time

_SUBTYPES: Final = {16: "PCM_16", 24: "PCM_24", "32f": "FLOAT"}


@frozen_class
class OutputFormat:
    """How a file is written.

    Attributes
    ----------
    container : "wav" or "flac"
    bit_depth : 16, 24 or "32f"
        "32f" is 32-bit float, for WAV only.
    """

    container: Literal["wav", "flac"]
    bit_depth: Literal[16, 24, "32f"]

    @property
    def suffix(self) -> str:
        """Ending of the file name, with its dot."""
        return f".{self.container}"

    @property
    def bytes_per_value(self) -> int:
        """Size of one uncompressed value."""
        return 4 if self.bit_depth == "32f" else self.bit_depth // 8

    def __str__(self) -> str:
        """Say it as people do: "WAV, 24 bit"."""
        depth = "32-bit float" if self.bit_depth == "32f" else f"{self.bit_depth} bit"
        return f"{self.container.upper()}, {depth}"


def check_output_format(output: OutputFormat, *, sample_rate: int, channels: int) -> None:
    """Refuse what a format cannot hold, before any work is done.

    Parameters
    ----------
    sample_rate : int
        Hertz.

    Raises
    ------
    RoomplanError
        Names the limit and the way out.
    """
    if output.container == "wav":
        return
    if output.bit_depth == "32f":
        raise RoomplanError("FLAC has no 32-bit float", remedy="choose 16 or 24 bit, or WAV")
    if channels > _FLAC_MOST_CHANNELS:
        raise RoomplanError(
            f"FLAC has at most {_FLAC_MOST_CHANNELS} channels, not {channels}", remedy="choose WAV"
        )
    tens = sample_rate % 10 == 0 and sample_rate <= _FLAC_HIGHEST_RATE_HZ
    if sample_rate > _FLAC_HIGHEST_WHOLE_HZ and not tens:
        raise RoomplanError(
            f"FLAC cannot hold a sample rate of {sample_rate} Hz",
            remedy=f"choose WAV, a rate up to {_FLAC_HIGHEST_WHOLE_HZ} Hz, or one in whole tens of hertz up"
            f" to {_FLAC_HIGHEST_RATE_HZ} Hz",
        )


class SoundWriter:
    """Writes one file, block by block.

    Parameters
    ----------
    path : Path
        Its folder exists. A file of this name is replaced: use `StagedFolder` to keep earlier ones whole.
    sample_rate : int
        Hertz.
    frames_expected : int
        Most frames that may be written (a renderer learns the end of its tail on the way): a WAV that
        could pass 4 GiB is opened as RF64.
    dither_seed : str
        See `Quantiser`; unused for float.
    time_reference : bool, optional
        Whether a WAV gets room in front of its sound for the chunk that `bext.write_bext` puts there
        once the file is closed. Nothing is reserved in FLAC, which has no such chunk.
    comment : str, optional
        Text for `comments.read_comment`, ASCII, of a file without a time reference.

    Attributes
    ----------
    peak : float
        Largest absolute value given so far, before quantising.
    over_range : int
        Values so far that did not fit an integer format and were limited to it; 0 for float. Raising, or
        not, is left to the caller, who knows the name of the bus and what would cure it.

    Raises
    ------
    RoomplanError
        The format cannot hold this (see `check_output_format`), or the file cannot be written.

    Notes
    -----
    Used as a context manager, it is closed at the end; after an exception without the checks of `close`.
    No tags. More than two channels are written without a speaker layout.
    """

    def __init__(
        self,
        path: Path,
        *,
        sample_rate: int,
        channels: int,
        frames_expected: int,
        format: OutputFormat,  # noqa: A002 — the word of the trade
        dither_seed: str,
        time_reference: bool = False,
        comment: str = "",
    ) -> None:
        check_output_format(format, sample_rate=sample_rate, channels=channels)
        self.path = path
        self.format = format
        self.sample_rate = sample_rate
        self.frames_written = 0
        self.peak = 0.0
        self._channels = channels
        self._frames_expected = frames_expected
        self._hash = hashlib.sha256()
        self._quantiser: Quantiser | None = None
        if format.bit_depth != "32f":
            self._quantiser = Quantiser(bit_depth=format.bit_depth, seed=dither_seed)
        size = frames_expected * channels * format.bytes_per_value
        container = format.container.upper()
        if container == "WAV" and size >= RF64_FROM_BYTES:
            container = "RF64"
        try:
            self._sound = SequentialSoundFile(
                path, "w", sample_rate, channels, subtype=_SUBTYPES[format.bit_depth], format=container
            )
        except (soundfile.SoundFileError, OSError) as error:
            raise self._failure(error) from error
        if container == "WAV":
            _leave_out_peak_chunk(self._sound)
        if time_reference and container != "FLAC":
            reserve_bext(self._sound)
        elif comment:
            setattr(self._sound, "comment", comment)  # noqa: B010 — soundfile takes its tags by name, undeclared
        self._disk = _DiskHint(path)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *rest: object) -> None:
        if kind is None:
            self.close()
        else:
            self.abandon()

    @property
    def over_range(self) -> int:
        """Values that did not fit: see the class."""
        return self._quantiser.over_range if self._quantiser is not None else 0

    @property
    def digest(self) -> str:
        """SHA-256, in hexadecimal, of the values written so far."""
        return self._hash.hexdigest()

    def write(self, block: np.ndarray) -> None:
        """Write the next frames.

        Parameters
        ----------
        block : np.ndarray, shape=(frames, channels), float32

        Raises
        ------
        AudioError
            A value is NaN or infinite; nothing of the block is written.
        RoomplanError
            The system cannot write (disk full, removed, read-only).
        ValueError
            More frames than expected: the choice of RF64 would no longer hold.
        """
        if self.frames_written + len(block) > self._frames_expected:
            raise ValueError(f"{self.path}: more than the {self._frames_expected} frames expected")
        if not len(block):
            return
        samples = np.ascontiguousarray(block, dtype=np.float32)
        peak = max(float(samples.max()), -float(samples.min()))  # NaN comes through both
        if not np.isfinite(peak):
            raise AudioError(
                self.path,
                f"a value that is not finite reached the file near frame {self.frames_written}",
                remedy="a level or a response in its path is far out of range",
            )
        self.peak = max(self.peak, peak)
        if self._quantiser is None:
            self._put(samples, samples)
        else:
            values = self._quantiser(samples)
            # The library takes the upper bits of an int32, so 24-bit values are moved up; exact.
            self._put(values, values.astype(np.int16) if self.format.bit_depth == 16 else values << 8)
        self.frames_written += len(samples)
        self._disk.start_writing()

    def close(self) -> None:
        """Finish the file and check that it is complete; may be called again.

        Raises
        ------
        RoomplanError
            The system could not write everything.
        """
        if self._sound.closed:
            return
        self._disk.close()
        try:
            self._sound.close()
            _clear_time_stamp(self.path)
            held = soundfile.info(self.path).frames if self.frames_written else 0
        except (soundfile.SoundFileError, OSError) as error:
            raise self._failure(error) from error
        if held != self.frames_written:
            raise self._failure(None)

    def abandon(self) -> None:
        """Close the file as it is, without checks: it is going to be removed."""
        self._disk.close()
        try:
            self._sound.close()
        except (soundfile.SoundFileError, OSError):
            return  # the reason for abandoning it is already on its way to the user

    def _put(self, values: np.ndarray, stored: np.ndarray) -> None:
        """Add plain values to the digest and hand the library what it stores; both release the GIL."""
        little_endian = values if sys.byteorder == "little" else values.byteswap()
        self._hash.update(little_endian.data)
        try:
            self._sound.write(stored)
        except (soundfile.SoundFileError, AssertionError, OSError) as error:
            # soundfile asserts that every frame was taken.
            raise self._failure(error) from error

    def _failure(self, error: Exception | None) -> RoomplanError:
        """Make the one line for a file that could not be written."""
        words = reason(error) if error is not None else ""
        try:
            full = shutil.disk_usage(self.path.parent).free < 2**20
        except OSError:
            full = False
        if full:
            words = "the disk is full"
        return AudioError(
            self.path,
            f"could not be written ({words or 'not everything arrived on the disk'})",
            remedy="free some space, or choose another folder, and check its rights",
        )


class RateChanger:
    """Writes one signal into files of another sample rate; it is resampled once for all of them.

    Parameters
    ----------
    from_rate, to_rate : int
        Hertz, not equal.
    writers : sequence of SoundWriter
        At `to_rate`. They stay the caller's to close.

    Notes
    -----
    Frame 0 stays frame 0, and n frames become n · `to_rate` / `from_rate`, halves rounded up: the ringing of
    the filter before the first and after the last frame is cut off. The resampler is linear and every signal
    goes through the same one, so sums of files are sums at the other rate too, to the rounding of float32.
    What lies above 0.91 of the lower half-rate is lost. Peaks move: judge clipping by the writers.
    """

    def __init__(
        self, *, from_rate: int, to_rate: int, channels: int, writers: Sequence[SoundWriter]
    ) -> None:
        self._from_rate = from_rate
        self._to_rate = to_rate
        self._channels = channels
        self._writers = tuple(writers)
        self._stream = soxr.ResampleStream(from_rate, to_rate, channels, dtype="float32", quality=QUALITY)
        self._taken = 0
        self._given = 0

    def write(self, block: np.ndarray) -> None:
        """Take the next frames, shape=(frames, channels), float32; raises as `SoundWriter.write`.

        A value that is not finite is refused here: it would spread through the filter.
        """
        if not len(block):
            return
        if not np.isfinite(block).all():
            raise AudioError(
                self._writers[0].path,
                f"a value that is not finite reached the file near frame {self._given}",
                remedy="a level or a response in its path is far out of range",
            )
        samples = np.ascontiguousarray(block, dtype=np.float32)
        # The stream keeps room for the largest piece it was ever given; the samples do not depend on pieces.
        pieces = [samples[start : start + _PIECE_FRAMES] for start in range(0, len(samples), _PIECE_FRAMES)]
        self._taken += len(samples)
        self._give(np.concatenate([self._stream.resample_chunk(piece) for piece in pieces]))

    def finish(self) -> None:
        """Write what the filter still holds; nothing may be written after it."""
        if not self._taken:
            return
        self._give(self._stream.resample_chunk(np.empty((0, self._channels), np.float32), last=True))
        # Rounded twice, the resampler's length could differ by a frame from the promised one.
        missing = self._length() - self._given
        if missing > 0:
            self._give(np.zeros((missing, self._channels), np.float32))

    def _length(self) -> int:
        return resampled_length(self._taken, from_rate=self._from_rate, to_rate=self._to_rate)

    def _give(self, block: np.ndarray) -> None:
        block = block[: self._length() - self._given]
        self._given += len(block)
        for writer in self._writers:
            writer.write(block)


class _DiskHint:
    """Asks the system to send to the disk what has been written so far, without waiting for it.

    libsndfile waits for the disk when it closes a file; asked early, the disk works while we compute.
    """

    def __init__(self, path: Path) -> None:
        self._descriptor = os.open(path, os.O_RDONLY) if hasattr(os, "posix_fadvise") else None

    def start_writing(self) -> None:
        """Hint only: a system that cannot do it does nothing."""
        if self._descriptor is not None:
            with contextlib.suppress(OSError):
                os.posix_fadvise(self._descriptor, 0, 0, os.POSIX_FADV_DONTNEED)

    def close(self) -> None:
        """Let the file go."""
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None


def _leave_out_peak_chunk(sound: soundfile.SoundFile) -> None:
    """Tell the library not to search for peaks in float WAV files while it writes.

    The PEAK chunk carries the time of writing, and the search for its values takes as long again as the
    writing (measured: 0.17 s against 0.08 s for 300 s of stereo). soundfile has no public way to say
    this, so a version that hides its handle just goes on: `_clear_time_stamp` sees to the time. Not for
    RF64, which has no such chunk until this very command adds one (measured, libsndfile 1.2.2).
    """
    library, handle = getattr(soundfile, "_snd", None), getattr(sound, "_file", None)
    null = getattr(getattr(soundfile, "_ffi", None), "NULL", None)
    if library is not None and handle is not None and null is not None:
        library.sf_command(handle, _ADD_PEAK_CHUNK, null, 0)


def _clear_time_stamp(path: Path) -> None:
    """Set the time in a PEAK chunk, where there is one after all, to 0."""
    peak = find_chunk(path, b"PEAK")
    if peak is not None:
        with path.open("r+b") as file:
            file.seek(peak.start + 4)  # a version of 32 bits, then the time of 32 bits
            file.write(bytes(4))
