"""Samples of 24 bits in WAV files, unpacked without the decoding library, which takes six times as long.

Conventions
-----------
Three bytes a sample, the lowest first, frame by frame from the start of the `data` chunk, as in RIFF WAVE and
RF64 (sources: see `riff`). Full scale ±1.0 is 2^23 steps, so every value is exact in float32.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomplan.audio.riff import find_chunk

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["packed_start", "read_packed"]

_BYTES = 3
_LITTLE_ENDIAN = frozenset({b"RIFF", b"RF64", b"BW64"})
_PIECE_VALUES = 16_384  # unpacked at a time: larger work arrays would be new memory every time


def packed_start(path: Path, values: int) -> int | None:
    """First byte of so many samples; None where the file does not hold them as `read_packed` reads them.

    Raises
    ------
    OSError
        The file cannot be opened or read.
    """
    with path.open("rb") as file:
        if file.read(4) not in _LITTLE_ENDIAN:
            return None
    chunk = find_chunk(path, b"data")
    if chunk is None or chunk.start + _BYTES * values > path.stat().st_size:
        return None
    return chunk.start


def read_packed(path: Path, start: int, position: int, out: np.ndarray) -> int:
    """Fill `out`, shape=(frames, channels), float32 or float64, from frame `position` on.

    Returns
    -------
    int
        Frames read: fewer where the file ends.

    Raises
    ------
    OSError
        The file cannot be opened or read.
    """
    frame_bytes = _BYTES * out.shape[1]
    step = max(1, _PIECE_VALUES // out.shape[1])
    packed = bytearray(1 + frame_bytes * min(step, len(out)))
    with path.open("rb") as file:
        file.seek(start + frame_bytes * position)
        for first in range(0, len(out), step):
            part = out[first : first + step]
            frames = file.readinto(memoryview(packed)[1 : 1 + frame_bytes * len(part)]) // frame_bytes
            # each sample as the upper bytes of four; the lowest, of the sample before, is shifted out
            fours = np.ndarray((frames, out.shape[1]), "<i4", packed, strides=(frame_bytes, _BYTES))
            part[:frames] = fours >> 8
            part[:frames] *= 2.0**-23
            if frames < len(part):
                return first + frames
    return len(out)
