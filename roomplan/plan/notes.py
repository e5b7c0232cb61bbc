"""Note values as time."""

from __future__ import annotations

import re

__all__ = ["note_duration_ms"]

# A beat is a quarter note, so a whole note lasts four beats.
_BEATS_PER_WHOLE = 4
_MS_PER_MINUTE = 60_000.0
_FACTORS = {"dotted": 1.5, "triplet": 2.0 / 3.0}  # half as long again; three in the time of two
_NOTE = re.compile(r"(?:(?P<word>dotted|triplet) )?1/(?P<denominator>[0-9]+)")


def note_duration_ms(note: str, tempo: float) -> float:
    """Return how long a note lasts.

    Parameters
    ----------
    note : str
        `1/8`, `dotted 1/8` or `triplet 1/8`: one whole note over a power of two.
    tempo : float
        Quarter notes per minute.

    Returns
    -------
    float
        Milliseconds.

    Raises
    ------
    ValueError
        The text has another form.
    """
    parts = _NOTE.fullmatch(note)
    if parts is None:
        raise ValueError(f"{note!r} is not a note value")
    factor = _FACTORS.get(parts["word"], 1.0)
    return _MS_PER_MINUTE / tempo * _BEATS_PER_WHOLE / int(parts["denominator"]) * factor
