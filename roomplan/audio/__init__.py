"""Streams of sound files: inspect, read, resample, quantise, write.

Conventions
-----------
Sound is `(frames, channels)`, full scale is ±1.0; streams are float32, whole responses float64. Rates are
integers in hertz, positions are frames counted from 0. Every failure a user can cause is a `RoomplanError`
of one line; where a file is to blame it is an `AudioError` that names it.

Modules
-------
info       what a file is, and a whole short file in memory
riff       the chunks of a file, and what its header promises against what it holds
bext       the time that a file states for itself
readers    stems as streams, at the rate of the plan
resample   impulse responses at another rate, with their level
quantise   float to 16 or 24 bit: dither, round, limit
writers    the files of a delivery
"""

from __future__ import annotations

from roomplan.audio.info import SoundInfo, inspect_sound, read_sound
from roomplan.audio.quantise import Quantiser
from roomplan.audio.readers import StemReader, open_stem
from roomplan.audio.resample import resample_response, resampled_length
from roomplan.audio.writers import OutputFormat, SoundWriter, check_output_format

__all__ = [
    "OutputFormat",
    "Quantiser",
    "SoundInfo",
    "SoundWriter",
    "StemReader",
    "check_output_format",
    "inspect_sound",
    "open_stem",
    "read_sound",
    "resample_response",
    "resampled_length",
]
