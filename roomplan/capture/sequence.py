"""Several sweeps in one file: left, right, and left again, with a silence before and gaps between.

Conventions
-----------
Sides are "left" and "right", channels 0 and 1 of what is played. Start frames are those of the fade-in.
Every sweep is followed by a gap, the last one too: a room has to ring out before the next sweep, and before
the end. The first side is played again at the end because equal sweeps a known time apart give the drift of
the recorder's clock, and tell whether anything moved.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, get_args

import numpy as np

from roomplan.capture.sweep import Sweep, sweep_samples
from roomplan.errors import RoomplanError

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = [
    "SCHEMA",
    "Side",
    "SweepSequence",
    "first_again",
    "sequence_from_text",
    "sequence_samples",
    "sequence_to_text",
]

SCHEMA = "roomplan.sweep/1"

Side = Literal["left", "right"]
_SIDES = get_args(Side)
_MOST_SWEEPS = 64
_MOST_SILENCE_S = 120.0
_BLOCK = 65_536

# key of the document → type, and what it is
_NUMBERS = {
    "start_hz": "frequency at which the sweep starts",
    "end_hz": "frequency at which it ends",
    "sweep_s": "seconds from the one to the other",
    "level_dbfs": "peak level",
    "lead_s": "silence in front",
    "gap_s": "silence after every sweep",
}


@dataclass(frozen=True, slots=True)
class SweepSequence:
    """Sweeps in the order in which they are played.

    Attributes
    ----------
    sweep : Sweep
        Each of them.
    sides : tuple of Side
        Which side plays, sweep by sweep.
    lead_seconds, gap_seconds : float
        Silence in front, and after every sweep.

    Raises
    ------
    RoomplanError
        For a side that does not exist, none or too many, or silences out of range.
    """

    sweep: Sweep
    sides: tuple[Side, ...]
    lead_seconds: float = 1.0
    gap_seconds: float = 3.0

    def __post_init__(self) -> None:
        if not 1 <= len(self.sides) <= _MOST_SWEEPS or any(side not in _SIDES for side in self.sides):
            raise RoomplanError(
                f"sides {', '.join(map(str, self.sides)) or '(none)'}",
                remedy=f"one to {_MOST_SWEEPS} of left and right",
            )
        for what, seconds in (("lead", self.lead_seconds), ("gap", self.gap_seconds)):
            if not (math.isfinite(seconds) and 0.0 <= seconds <= _MOST_SILENCE_S):
                raise RoomplanError(f"a {what} of {seconds:g} s", remedy=f"0 to {_MOST_SILENCE_S:g} s")

    @property
    def start_frames(self) -> tuple[int, ...]:
        """First frame of every sweep."""
        first = round(self.lead_seconds * self.sweep.rate)
        return tuple(first + place * self._pitch for place in range(len(self.sides)))

    @property
    def frames(self) -> int:
        """Length of the whole."""
        return round(self.lead_seconds * self.sweep.rate) + len(self.sides) * self._pitch

    @property
    def _pitch(self) -> int:
        """Frames from the start of one sweep to that of the next."""
        return self.sweep.frames() + round(self.gap_seconds * self.sweep.rate)


def first_again(sides: tuple[Side, ...]) -> tuple[Side, ...]:
    """Sides to play once each, and the first of them again at the end."""
    return (*sides, sides[0])


def sequence_samples(sequence: SweepSequence) -> Iterator[np.ndarray]:
    """Blocks (frames, 2) of float64 that are to be played."""
    sweep = sweep_samples(sequence.sweep)
    starts = sequence.start_frames
    for first in range(0, sequence.frames, _BLOCK):
        block = np.zeros((min(_BLOCK, sequence.frames - first), 2))
        for start, side in zip(starts, sequence.sides, strict=True):
            begin, end = max(start, first), min(start + sweep.size, first + len(block))
            if begin < end:
                block[begin - first : end - first, _SIDES.index(side)] = sweep[begin - start : end - start]
        yield block


def sequence_to_text(sequence: SweepSequence) -> str:
    """How a sequence was made, as one line of JSON."""
    sweep = sequence.sweep
    document = {
        "schema": SCHEMA,
        "start_hz": sweep.start_frequency,
        "end_hz": sweep.end_frequency,
        "sweep_s": sweep.seconds,
        "sample_rate": sweep.rate,
        "level_dbfs": sweep.level,
        "sides": list(sequence.sides),
        "lead_s": sequence.lead_seconds,
        "gap_s": sequence.gap_seconds,
    }
    return json.dumps(document)


def sequence_from_text(text: str) -> SweepSequence:
    """Sequence from what `sequence_to_text` wrote.

    Raises
    ------
    RoomplanError
        It is no such document, or its values make no sweep; unknown keys are passed over.
    """
    try:
        document: Any = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise _not_a_sweep("it is no JSON") from error
    if not isinstance(document, dict) or document.get("schema") != SCHEMA:
        raise _not_a_sweep(f'"schema" is not "{SCHEMA}"')
    numbers = {key: _number(document, key) for key in _NUMBERS}
    rate = _number(document, "sample_rate")
    sides = document.get("sides")
    if not isinstance(sides, list) or not all(isinstance(side, str) for side in sides):
        raise _not_a_sweep('"sides" is not a list of left and right')
    if not (math.isfinite(rate) and rate == round(rate)):
        raise _not_a_sweep('"sample_rate" is not a whole number')
    sweep = Sweep(
        start_frequency=numbers["start_hz"],
        end_frequency=numbers["end_hz"],
        seconds=numbers["sweep_s"],
        rate=int(rate),
        level=numbers["level_dbfs"],
    )
    return SweepSequence(sweep, tuple(sides), numbers["lead_s"], numbers["gap_s"])


def _number(document: dict[str, Any], key: str) -> float:
    value = document.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float):
        what = _NUMBERS.get(key, "sample rate")
        raise _not_a_sweep(f'"{key}" ({what}) is not a number')
    try:
        return float(value)
    except OverflowError as error:
        raise _not_a_sweep(f'"{key}" is too large') from error


def _not_a_sweep(what: str) -> RoomplanError:
    return RoomplanError(
        f"this does not say how a sweep was made: {what}", remedy="use the text written beside the sweep"
    )
