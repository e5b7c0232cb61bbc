"""Sound to write and read."""

from __future__ import annotations

from sound_files import noise, sound_file

__all__ = ["noise", "sound_file"]
