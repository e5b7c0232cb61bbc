"""Note values as time."""

from __future__ import annotations

__all__ = ["note_duration_ms"]

# A beat is a quarter note, so a whole note lasts four beats.
_BEATS_PER_WHOLE = 4
_MS_PER_MINUTE = 60_000.0
_FACTORS = {"d": 1.5, "t": 2.0 / 3.0}  # dotted: half as long again; triplet: three in the time of two


def note_duration_ms(note: str, tempo: float) -> float:
    """Return how long a note lasts.

    Parameters
    ----------
    note : str
        `1/8`, dotted `1/8d` or triplet `1/8t`: one whole note over a power of two.
    tempo : float
        Quarter notes per minute.

    Returns
    -------
    float
        Milliseconds.
    """
    factor = _FACTORS.get(note[-1], 1.0)
    denominator = int(note.removeprefix("1/").rstrip("dt"))
    return _MS_PER_MINUTE / tempo * _BEATS_PER_WHOLE / denominator * factor
