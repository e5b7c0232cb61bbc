"""What is said wherever it applies, in one wording each: how loud it may get, and what figures are not for.

Conventions
-----------
Each is said once for an output: below its tables, as a field of its document, as the last row of its CSV, and
as a paragraph of the help. Nothing is said on a row of its own figure. How loud it may get is not said below
tables that come with no sound to listen to.
"""

from __future__ import annotations

__all__ = ["LEVELS", "MUSIC_ONLY", "RESPONSE", "SWEEPS", "sentence"]

MUSIC_ONLY = (
    "for music production; not for voice-alarm or building-code use: "
    "there, local codes and licensed practice decide"
)
LEVELS = "hearing caution: levels can jump between renders; turn the monitors down before you listen"
RESPONSE = "hearing caution: a response played by itself is a loud crack; turn the monitors down first"
SWEEPS = (
    "hearing caution: sweeps and balloon pops are loud; wear protection when you record a room, "
    "and turn the monitors down before you play a response"
)


def sentence(caution: str) -> str:
    """Return a caution as a sentence of its own."""
    return f"{caution[0].upper()}{caution[1:]}."
