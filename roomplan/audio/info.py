"""What a sound file is, and a whole short file in memory.

Conventions
-----------
Sound is `(frames, channels)`. Integer formats are scaled so that full scale is ±1.0 (n bits: divided by
2^(n−1)); float formats are taken as they are. Rates in hertz.

Everything is checked here, at the edge: callers may trust that a file inspected is a regular file of a
known format, has at least one frame, has a sample rate of 8 to 384 kHz and holds what its header promises.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

import numpy as np
import soundfile

from roomplan.audio.packed import packed_start, read_packed
from roomplan.audio.riff import sound_claim
from roomplan.errors import AudioError
from roomplan.files.sound_place import require_regular
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from pathlib import Path

__all__ = [
    "BLOCK_FRAMES",
    "HIGHEST_RATE_HZ",
    "LOWEST_RATE_HZ",
    "FileState",
    "NotFiniteError",
    "SequentialSoundFile",
    "SoundInfo",
    "SoundSource",
    "inspect_sound",
    "read_sound",
    "reason",
]

# The rates of sound files in use, from speech to the highest converters (common practice, no source).
# The limits also keep a damaged header from asking for a thousandfold resampling.
LOWEST_RATE_HZ = 8_000
HIGHEST_RATE_HZ = 384_000

# Frames read at a time: large enough that calls cost nothing, small enough to stay in the caches.
BLOCK_FRAMES = 65_536

# The decoder cannot tell the length of these from the size of the file: it believes the header.
_BELIEVED_HEADERS = frozenset({"FLAC", "MP3"})

# Codings of one size per sample in containers that say where their samples lie, and FLAC, whose frames carry
# their position: a seek lands on the very frame. Every other coding is decoded up to there, as the rest is up
# to the decoder (libsndfile 1.2.2, measured: exact in Ogg, MP3 and ADPCM, no seeking in GSM and DWVW).
_SEEKABLE = frozenset({"AIFF", "AU", "CAF", "FLAC", "RF64", "W64", "WAV", "WAVEX"})
_PACKED = frozenset({"RF64", "WAV", "WAVEX"})
_FIXED_SIZE = ("PCM_", "FLOAT", "DOUBLE", "ULAW", "ALAW")

# What the decoder reports as the length of a stream that does not say.
_UNKNOWN_FRAMES = 2**63 - 1


@frozen_class
class FileState:
    """Size, time of change and number of a file: tells whether it is still the file that was opened.

    The number (inode) is another one when a program has put a new file in the place of the old.
    """

    size: int
    changed_ns: int
    number: int

    @classmethod
    def of(cls, path: Path) -> FileState:
        """Look at a file now; raises `AudioError` when it is gone."""
        try:
            found = path.stat()
        except OSError as error:
            folder = path.parent
            what = f"({reason(error)})" if folder.is_dir() else f"because the folder {folder} has disappeared"
            raise AudioError(
                path,
                f"cannot be reached any more {what}",
                remedy="keep its folder and its disk connected, and start again",
            ) from error
        return cls(found.st_size, found.st_mtime_ns, found.st_ino)

    def require_unchanged(self, path: Path) -> None:
        """Raise `AudioError` when the file has been changed or removed since."""
        if FileState.of(path) != self:
            raise AudioError(
                path,
                "was changed while it was read",
                remedy="render again when the program that writes it has finished",
            )


@frozen_class
class SoundInfo:
    """What the header of a sound file says, checked against the file.

    Attributes
    ----------
    frames : int
        At least 1.
    sample_rate : int
        Hertz, 8,000 to 384,000.
    container, subtype : str
        Names as soundfile has them, such as "WAV" and "PCM_24".
    state : FileState or None
        Of the file when it was looked at; None where there is no file.
    """

    path: Path
    frames: int
    channels: int
    sample_rate: int
    container: str
    subtype: str
    state: FileState | None = None

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.sample_rate


class NotFiniteError(AudioError):
    """A sound file that is whole, but holds a value that is NaN or infinite."""


class SequentialSoundFile(soundfile.SoundFile):
    """A sound file that is only read, or written, from its start to its end.

    Told that it cannot seek, soundfile leaves out the seek that it makes after every block. That seek
    costs a decoder restart in compressed formats, lets an MP3 differ in its last bits with the block
    size, and makes some formats (AIFF with DWVW, measured) unreadable.
    """

    def seekable(self) -> bool:
        """Say no: see the class."""
        return False


class SoundSource:
    """An open sound file, checked at the door and read once, forwards.

    Attributes
    ----------
    position : int
        Frames read, or skipped, so far.

    Raises
    ------
    AudioError
        As `inspect_sound`.
    """

    def __init__(self, path: Path) -> None:
        require_regular(path)
        self._state = FileState.of(path)
        self._sound = _open(path)
        try:
            self.info = _describe(path, self._sound, self._state)
            self._packed_start = _packed_start(self.info)
        except BaseException:
            self._sound.close()
            raise
        self.position = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exception: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; may be called again."""
        self._sound.close()

    @property
    def closed(self) -> bool:
        """Whether the file is closed."""
        return self._sound.closed

    @property
    def left(self) -> int:
        """Frames not read yet."""
        return self.info.frames - self.position

    def require_unchanged(self) -> None:
        """Raise `AudioError` when the file has been changed or removed since it was opened."""
        self._state.require_unchanged(self.info.path)

    def skip(self, frames: int) -> None:
        """Go on by at most `left` frames without giving them out.

        Raises
        ------
        AudioError, NotFiniteError
            As `read_into`, where the frames have to be decoded.

        Notes
        -----
        PCM, float and FLAC files are sought, which takes no time; what lies between is then not looked at.
        In other codings (Ogg, MP3, ADPCM …), and where a seek fails, everything up to the frame is decoded
        and dropped.
        """
        target, info = self.position + frames, self.info
        if target == info.frames or (frames and self._seek(target)):
            self.position = target
            return
        dropped = np.empty((min(BLOCK_FRAMES, target - self.position), info.channels))
        while self.position < target:
            self.read_into(dropped[: target - self.position])

    def _seek(self, target: int) -> bool:
        """Go to a frame if the decoder lands on it; else be where reading goes on, or at the start."""
        info = self.info
        if info.container not in _SEEKABLE or not info.subtype.startswith(_FIXED_SIZE):
            return False
        try:
            landed = self._sound.seek(target)
        except (soundfile.SoundFileError, OSError):
            landed = None
        if landed != target:  # the decoder may be anywhere
            self._sound.close()
            self._sound = _open(info.path)
            self.position = 0
        return landed == target

    def read_into(self, out: np.ndarray) -> None:
        """Fill `out`, shape=(frames, channels), float32 or float64, with at most `left` frames.

        Raises
        ------
        AudioError
            The file is damaged, ends early or, found when its last frame is read, has been changed or
            removed since it was opened.
        NotFiniteError
            It holds a value that is not finite. `out` is filled all the same, that value in it; it does not
            count as read.
        """
        info = self.info
        try:
            got = self._decode(out)
        except (soundfile.SoundFileError, OSError) as error:
            self._state.require_unchanged(info.path)
            if isinstance(error, OSError) or _is_system_error(error):
                raise AudioError(
                    info.path,
                    f"cannot be read further than {self.position / info.sample_rate:.3f} s ({reason(error)})",
                    remedy="check its disk or network, then start again",
                ) from error
            raise AudioError(
                info.path,
                f"is damaged after {self.position / info.sample_rate:.3f} s ({reason(error)})",
                remedy="export or copy it again",
            ) from error
        if got < len(out):
            self._state.require_unchanged(info.path)
            held = self.position + got
            raise _cut_off(
                info.path,
                f"its header claims {info.frames} frames, but only {held} of them can be read",
            )
        if not info.subtype.startswith("PCM_"):
            _require_finite(out, info, self.position)
        self.position += got
        if self.left == 0:
            self._state.require_unchanged(info.path)

    def _decode(self, out: np.ndarray) -> int:
        """Fill `out` as far as the file goes; return the frames read.

        Samples of 24 bits in WAV files are unpacked by us. Other integers are decoded as float64 and rounded
        once: libsndfile decodes them to float32 more slowly, and the values are the same.
        """
        if self._packed_start is not None:
            return read_packed(self.info.path, self._packed_start, self.position, out)
        if out.dtype != np.float32 or not self.info.subtype.startswith("PCM_"):
            return len(self._sound.read(len(out), always_2d=True, out=out))
        piece = np.empty((min(_PIECE, max(1, len(out))), out.shape[1]))
        got = 0
        while got < len(out):
            wanted = piece[: len(out) - got]
            read = len(self._sound.read(len(wanted), always_2d=True, out=wanted))
            out[got : got + read] = wanted[:read]
            got += read
            if read < len(wanted):
                break
        return got


_PIECE = 65_536
_SYSTEM_ERROR = 2  # SF_ERR_SYSTEM of libsndfile's sndfile.h


def inspect_sound(path: Path) -> SoundInfo:
    """Find out what a sound file is, and refuse one that cannot be used.

    Parameters
    ----------
    path : Path
        Any format that libsndfile reads and that describes itself (WAV, RF64, AIFF, FLAC, CAF, W64, Ogg,
        MP3 …), with PCM of 8 to 32 bits, float, double or a compressed coding.

    Raises
    ------
    AudioError
        The file is missing (with the nearest names in its folder), a folder, not a regular file, not
        readable, empty, not sound, headerless, without frames, outside 8 to 384 kHz, of unknown length,
        or shorter than its header claims.

    Notes
    -----
    The sound itself is not decoded, so damage in the middle of a file, and non-finite values, show only
    when it is read. A cut in an Ogg file, and in the rarer containers, does not show at its end.
    """
    with SoundSource(path) as source:
        return source.info


def read_sound(path: Path, *, max_frames: int | None = None) -> tuple[np.ndarray, SoundInfo]:
    """Read a whole file.

    Parameters
    ----------
    max_frames : int, optional
        The most frames the caller can use. A longer file is an error, never cut.

    Returns
    -------
    samples : np.ndarray, shape=(frames, channels), float64
        Finite; integer formats scaled to ±1.0.
    info : SoundInfo

    Raises
    ------
    AudioError
        As `inspect_sound`; the file is longer than `max_frames`; it holds NaN or infinite values; it ends
        early, is damaged, or changes while it is read.

    Notes
    -----
    For responses and short material: the memory taken is 8 bytes per sample. Stems are streamed by
    `readers`.
    """
    with SoundSource(path) as source:
        info = source.info
        if max_frames is not None and info.frames > max_frames:
            raise AudioError(
                path,
                f"is {info.duration_s:.1f} s long ({info.frames} frames)",
                remedy=f"give a file of at most {max_frames / info.sample_rate:.1f} s ({max_frames} frames)",
            )
        samples = np.empty((info.frames, info.channels))
        for first in range(0, info.frames, BLOCK_FRAMES):
            source.read_into(samples[first : first + BLOCK_FRAMES])
    return samples, info


def _open(path: Path) -> SequentialSoundFile:
    try:
        sound = SequentialSoundFile(path)
    except UnicodeEncodeError as error:
        raise AudioError(
            path, "has a name that is not text on this system", remedy="rename it with plain letters"
        ) from error
    except (soundfile.SoundFileError, TypeError, OSError) as error:
        # soundfile raises TypeError for names ending in .raw: such a file does not say what it is.
        raise AudioError(
            path,
            f"is not a sound file that can be read ({reason(error)})",
            remedy="give a WAV, RF64, AIFF, FLAC, CAF, Ogg or MP3 file",
        ) from error
    if sound.format == "RAW":
        # The library guesses a coding from names such as .vox, .gsm or .au when it finds no header.
        sound.close()
        raise AudioError(
            path,
            "has no header that says what it is",
            remedy="save it as WAV, with its rate and channels",
        )
    return sound


def _packed_start(info: SoundInfo) -> int | None:
    """Where samples of 24 bits lie that need no decoder; None for all others."""
    if info.subtype != "PCM_24" or info.container not in _PACKED:
        return None
    try:
        return packed_start(info.path, info.frames * info.channels)
    except OSError:  # reading says what is wrong
        return None


def _require_finite(samples: np.ndarray, info: SoundInfo, first: int) -> None:
    """Raise `NotFiniteError` for the first value that is NaN or infinite, naming its channel and time."""
    finite = np.isfinite(samples)
    if finite.all():
        return
    frame, channel = (int(index) for index in np.argwhere(~finite)[0])
    what = "a value that is not a number (NaN)" if np.isnan(samples[frame, channel]) else "an infinite value"
    at = first + frame
    raise NotFiniteError(
        info.path,
        f"holds {what} in channel {channel + 1} at {at / info.sample_rate:.3f} s (frame {at})",
        remedy="export it again from its source",
    )


def _describe(path: Path, sound: SequentialSoundFile, state: FileState) -> SoundInfo:
    """Check an open file against its header."""
    frames, rate = int(sound.frames), int(sound.samplerate)
    if frames == _UNKNOWN_FRAMES:
        raise AudioError(
            path, "does not say how long it is", remedy="save it again with a program that writes to a file"
        )
    if frames < 1:
        raise AudioError(path, "holds no sound (0 frames)", remedy="export it again")
    if not LOWEST_RATE_HZ <= rate <= HIGHEST_RATE_HZ:
        raise AudioError(
            path,
            f"has a sample rate of {rate} Hz",
            remedy=f"use {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz",
        )
    info = SoundInfo(path, frames, int(sound.channels), rate, sound.format, sound.subtype, state)
    _require_promised(info)
    return info


def _require_promised(info: SoundInfo) -> None:
    """Raise `AudioError` when the file holds less than its header claims."""
    path = info.path
    if info.container in _BELIEVED_HEADERS:
        _require_last_frame(info)
        return
    claim = sound_claim(path)
    if claim is None:
        return
    if claim.wrapped:
        raise AudioError(
            path,
            "is a plain WAV of more than 4 GiB, whose header cannot count that far: its end would be lost",
            remedy="save it as RF64 or FLAC",
        )
    # Fewer bytes than one frame may be missing: some programs count a padding byte they do not write.
    if claim.claimed is not None and (claim.claimed - claim.held) * info.frames >= claim.held > 0:
        raise _cut_off(
            path,
            f"its header claims {claim.claimed} bytes of sound, but the file holds {claim.held}"
            f" ({info.frames} frames)",
        )


def _require_last_frame(info: SoundInfo) -> None:
    """Raise `AudioError` when the last frame that the header claims cannot be reached."""
    try:
        with soundfile.SoundFile(info.path) as sound:
            sound.seek(info.frames - 1)
            got = len(sound.read(1))
    except (soundfile.SoundFileError, OSError) as error:
        raise _cut_off(
            info.path,
            f"its header claims {info.frames} frames, but the last cannot be reached ({reason(error)})",
        ) from error
    if got == 0:
        raise _cut_off(info.path, f"its header claims {info.frames} frames, but the last cannot be reached")


def _cut_off(path: Path, what: str) -> AudioError:
    return AudioError(path, what, remedy="the file was cut off: copy or export it again")


def _is_system_error(error: Exception) -> bool:
    """Whether the system, not the decoder, could not read on: libsndfile's error 2."""
    return isinstance(error, soundfile.LibsndfileError) and error.code == _SYSTEM_ERROR


def reason(error: Exception) -> str:
    """Say in a few words what a library or the system reported."""
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    if isinstance(error, soundfile.LibsndfileError):
        return error.error_string.strip().rstrip(".")
    if isinstance(error, TypeError):
        return "no header"
    return str(error)
