"""Sound to measure."""

from __future__ import annotations

from response_files import decaying_noise, write_sound
from sound_files import noise, sound_file

__all__ = ["decaying_noise", "noise", "sound_file", "write_sound"]
