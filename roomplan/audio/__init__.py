"""Streams of sound files: inspect, read, resample, quantise, write, move into place.

Conventions
-----------
Sound is `(frames, channels)`, full scale is ±1.0; streams are float32, whole responses float64. Rates are
integers in hertz, positions are frames counted from 0. Every failure a user can cause is a `RoomplanError`
of one line; where a file is to blame it is an `AudioError` that names it.

Modules
-------
files      what a file is, and a whole short file in memory
riff       the chunks of a file, and what its header promises against what it holds
bext       the time that a file states for itself
readers    stems as streams, at the rate of the plan
resample   impulse responses at another rate, with their level
quantise   float to 16 or 24 bit: dither, round, limit
writers    the files of a delivery
staging    all files of a folder at once, or none
names      file names that every system takes
"""

from __future__ import annotations

from .files import SoundInfo, inspect_sound, read_sound
from .names import safe_file_names
from .quantise import Quantiser
from .readers import StemReader, open_stem
from .resample import resample_response, resampled_length
from .staging import StagedFolder
from .writers import OutputFormat, SoundWriter, check_output_format

__all__ = [
    "OutputFormat",
    "Quantiser",
    "SoundInfo",
    "SoundWriter",
    "StagedFolder",
    "StemReader",
    "check_output_format",
    "inspect_sound",
    "open_stem",
    "read_sound",
    "resample_response",
    "resampled_length",
    "safe_file_names",
]
