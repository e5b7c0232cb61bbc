"""What is said of a page that was written."""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.cautions import LEVELS
from roomplan.show.tables import note

if TYPE_CHECKING:
    from pathlib import Path

    from rich.text import Text

    from roomplan.rendering.passage_sound import Coding, PassageSound

__all__ = ["shared_lines"]

_CODINGS: dict[Coding, str] = {
    "flac_24": "lossless (FLAC, 24 bit)",
    "flac_16": "lossless but for its 16 bits (FLAC)",
    "vorbis": "coded (Ogg Vorbis)",
}


def shared_lines(output: Path, size_bytes: int, sound: PassageSound, sample_rate: int) -> list[Text | str]:
    """Where it is, how large, and what can be heard on it."""
    start, length = sound.start_frame / sample_rate, sound.frames / sample_rate
    passage = f"sound from {_clock(start)} on, {length:.1f} s, {_CODINGS[sound.coding]}"
    return [f"{output}: {size_bytes / 1e6:.1f} MB; figures of the whole cue, {passage}", note(LEVELS)]


def _clock(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes}:{rest:02}"
