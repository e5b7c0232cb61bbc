"""Sound as bytes of a coded file: small, for where samples travel inside another document.

Conventions
-----------
Sound is (frames, channels), float32, and is coded at the scale it comes in: within ±1. FLAC is lossless but
for its rounding: the error of 16 bits is 101 dB under full scale, that of 24 bits 149 dB, under the rounding
of float32. Ogg Vorbis keeps what is heard, not the samples: its error is 30 to 40 dB under the sound.

Both come back with the frames they were given, none shifted (measured with libsndfile and Chromium). Blocks
of a second are written: libsndfile crashes when much Ogg comes at once.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Literal

import numpy as np
import soundfile

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["VORBIS_LEVELS", "flac_bytes", "vorbis_bytes"]

VORBIS_LEVELS = (0.7, 0.85, 1.0)
"""From the better to the smaller; as libsndfile counts, 0 best and 1 smallest."""


def flac_bytes(sound: NDArray[np.float32], *, sample_rate: int, bits: Literal[16, 24]) -> bytes:
    """Return FLAC, rounded without dither: what is coded is scaled up to full scale first."""
    full = 2.0 ** (bits - 1)  # as decoders divide by it
    whole = np.clip(np.rint(sound * np.float32(full)), -full, full - 1.0).astype(np.int32)
    return _coded(whole << (32 - bits), sample_rate, "FLAC", f"PCM_{bits}", None)


def vorbis_bytes(sound: NDArray[np.float32], *, sample_rate: int, level: float) -> bytes:
    """Return Ogg Vorbis; see `VORBIS_LEVELS`."""
    return _coded(sound, sample_rate, "OGG", "VORBIS", level)


def _coded(
    sound: NDArray[np.float32] | NDArray[np.int32],
    rate: int,
    container: str,
    coding: str,
    level: float | None,
) -> bytes:
    into = io.BytesIO()
    with soundfile.SoundFile(
        into, "w", rate, sound.shape[1], coding, format=container, compression_level=level
    ) as file:
        for start in range(0, len(sound), rate):
            file.write(np.ascontiguousarray(sound[start : start + rate]))
    return into.getvalue()
