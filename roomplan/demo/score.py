"""The composition: who plays which note when, and how loud.

Fourteen bars of 4/4 at 84 quarter notes a minute: 40 seconds in D minor that close in D major.

======  ==========================  ===========================================================
bars    harmony                     what happens
======  ==========================  ===========================================================
1–2     Dm (open fifth)             low strings alone; a flute calls D–E–A over a cold chime
3–6     Dm B♭ F C  Gm Dm B♭ C       the violins sing the motif A–D–E–F; the choir enters in bar 5
7–8     Dm Am  B♭ A⁴⁻³              the sopranos take the motif; drums gather; horns creep in
9–12    Dm B♭ F C  Gm Dm B♭ C       climax: brass chorale, choir on "ah", violins an octave up
13–14   D                           the light comes through: the flute answers A–D–E–F sharp
======  ==========================  ===========================================================

Conventions
-----------
A line is written bar by bar: `D5*2 E5*1.5 -*.5 | ~*4` means D5 for two quarter notes, E5 for one and a
half, half a quarter of rest, and then `~` holds the note before. Octaves are numbered so that A4 is
440 Hz (ISO 16); notes are MIDI numbers, A4 = 69. Beats count from 0 at the start of the cue. Dynamics run
from 0 (very soft) to 1 (as loud as the section plays); below 0 a note comes from or goes to nothing.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

__all__ = [
    "BEATS_PER_BAR",
    "TEMPO",
    "Curve",
    "Note",
    "beat_at",
    "frequency_hz",
    "line",
    "pitch",
    "seconds",
    "transposed",
]

TEMPO = 84.0
BEATS_PER_BAR = 4

_STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_ACCIDENTALS = {"": 0, "#": 1, "b": -1}


@dataclass(frozen=True, slots=True)
class Note:
    """One note: when it starts, how long it is written, how high."""

    beat: float
    beats: float
    midi: int


def beat_at(bar: float, beat: float = 0.0) -> float:
    """Beats from the start of the cue to `beat` (from 0) of `bar` (from 1)."""
    return (bar - 1) * BEATS_PER_BAR + beat


def seconds(beats: float) -> float:
    """How long `beats` quarter notes last, in seconds."""
    return beats * 60.0 / TEMPO


def frequency_hz(midi: float) -> float:
    """Equal temperament on A4 = 440 Hz (ISO 16)."""
    return 440.0 * 2.0 ** ((midi - 69) / 12)


def pitch(name: str) -> int:
    """MIDI number of a note name such as `F#5` or `Bb2`.

    Raises
    ------
    ValueError
        When the name is none: a slip in the score, not of a user.
    """
    found = re.fullmatch(r"([A-G])([#b]?)(\d)", name)
    if found is None:
        raise ValueError(f"{name!r} is no note name; write a letter, # or b, and an octave, such as Bb2")
    letter, accidental, octave = found.groups()
    return 12 * (int(octave) + 1) + _STEPS[letter] + _ACCIDENTALS[accidental]


def line(first_bar: int, text: str) -> tuple[Note, ...]:
    """Read a line of the score; every bar has to be full.

    Raises
    ------
    ValueError
        When a bar is not four beats long, or `~` has no note to hold: a slip in the score.
    """
    notes: list[Note] = []
    for offset, bar in enumerate(text.split("|")):
        beat = start = beat_at(first_bar + offset)
        for token in bar.split():
            name, beats = token.split("*")
            length = float(beats)
            if name == "~":
                if not notes or notes[-1].beat + notes[-1].beats != beat:
                    raise ValueError(f"bar {first_bar + offset}: nothing to hold at {token!r}")
                notes[-1] = Note(notes[-1].beat, notes[-1].beats + length, notes[-1].midi)
            elif name != "-":
                notes.append(Note(beat, length, pitch(name)))
            beat += length
        if beat - start != BEATS_PER_BAR:
            raise ValueError(f"bar {first_bar + offset} has {beat - start:g} beats, not {BEATS_PER_BAR}")
    return tuple(notes)


def transposed(notes: tuple[Note, ...], semitones: int, *, from_bar: int) -> tuple[Note, ...]:
    """The notes from `from_bar` on, moved by `semitones`."""
    start = beat_at(from_bar)
    return tuple(Note(note.beat, note.beats, note.midi + semitones) for note in notes if note.beat >= start)


class Curve:
    """A line through points (bar, beat, value), straight in between: dynamics of a section.

    Parameters
    ----------
    points
        In order of time; the first and the last value hold outside.
    """

    def __init__(self, *points: tuple[int, float, float]) -> None:
        self._times_s = np.array([seconds(beat_at(bar, beat)) for bar, beat, _ in points])
        self._values = np.array([value for _, _, value in points])

    def at(self, times_s: np.ndarray) -> np.ndarray:
        """Values at `times_s` (seconds from the start of the cue), same shape."""
        return np.interp(times_s, self._times_s, self._values)


# --- the parts -------------------------------------------------------------------------------------

VIOLINS = line(
    3,
    "A4*1 D5*.5 E5*.5 F5*2 | A5*1.5 G5*.5 E5*2 | D5*1 F5*.5 G5*.5 A5*2 | Bb5*1.5 A5*.5 G5*2"
    "| F5*2 E5*2 | D5*2 E5*1 A5*1"
    "| D6*1 E6*1 F6*2 | C6*1.5 D6*.5 C6*2 | Bb5*1 D6*1 A5*2 | D6*1 F6*1 E6*2"
    "| F#6*2 D6*2 | ~*3 -*1",
)
SECOND_VIOLINS = transposed(VIOLINS, -12, from_bar=9)  # the same tune an octave lower where it climbs
VIOLAS = line(
    5,
    "Bb4*2 A4*2 | D5*2 E5*2 | D5*2 C5*2 | Bb4*2 A4*1 C#5*1"
    "| A4*2 Bb4*2 | A4*2 G4*2 | Bb4*2 A4*2 | D5*2 C5*2 | A4*4 | ~*3 -*1",
)

CELLOS_HIGH = line(
    1,
    "-*2 A3*2 | ~*4 | ~*2 Bb3*2 | A3*2 G3*2 | ~*2 A3*2 | D4*2 C4*2 | A3*4 | D4*3 C#4*1"
    "| D4*4 | C4*4 | Bb3*2 A3*2 | Bb3*2 G3*2 | F#3*4 | ~*3.5 -*.5",
)
CELLOS_LOW = line(
    1,
    "A2*4 | ~*4 | F3*4 | ~*2 E3*2 | D3*4 | F3*2 E3*2 | F3*2 E3*2 | D3*2 E3*2"
    "| F3*4 | A3*2 G3*2 | D3*4 | F3*2 E3*2 | D3*4 | ~*3.5 -*.5",
)
BASSES = line(
    1,
    "D2*4 | ~*4 | D2*2 Bb1*2 | F2*2 C2*2 | G2*2 F2*2 | Bb1*2 C2*2 | D2*2 C2*2 | Bb1*2 A1*2"
    "| D2*2 Bb1*2 | F2*2 E2*2 | G2*2 F2*2 | Bb1*2 C2*2 | D2*4 | ~*3.5 -*.5",
)
# Half a desk of cellos in short bow strokes: the pulse that carries bars 7 to 12.
CELLOS_PULSE = line(
    7,
    "D3*.5 A3*.5 D3*.5 A3*.5 C3*.5 A3*.5 E3*.5 A3*.5 | Bb2*.5 F3*.5 D3*.5 F3*.5 A2*.5 E3*.5 A3*.5 E3*.5"
    "| D3*.5 A3*.5 F3*.5 A3*.5 Bb2*.5 F3*.5 D3*.5 F3*.5 | F3*.5 C4*.5 A3*.5 C4*.5 E3*.5 C4*.5 G3*.5 C4*.5"
    "| G2*.5 D3*.5 Bb3*.5 D3*.5 F3*.5 D4*.5 A3*.5 D4*.5 | Bb2*.5 F3*.5 D3*.5 F3*.5 C3*.5 G3*.5 E3*.5 G3*.5",
)

SOPRANOS = line(
    5,
    "D5*4 | ~*2 C5*2 | A4*1 D5*1 E5*2 | F5*1 D5*2 C#5*1"
    "| D5*2 F5*2 | ~*2 G5*2 | D5*4 | ~*1 F5*1 E5*2 | F#5*4 | ~*3 -*1",
)
ALTOS = line(
    5,
    "Bb4*2 A4*2 | Bb4*2 G4*2 | F4*2 A4*2 | F4*2 A4*2"
    "| ~*2 Bb4*2 | A4*2 C5*2 | Bb4*2 A4*2 | Bb4*2 G4*2 | D4*4 | ~*3 -*1",
)
TENORS = line(
    5,
    "D4*4 | F4*2 E4*2 | D4*2 A3*2 | D4*2 E4*2 | F4*2 D4*2 | C4*4 | D4*4 | ~*2 C4*2 | A3*4 | ~*3 -*1",
)
CHOIR_BASSES = line(
    5,
    "G2*2 F2*2 | Bb2*2 C3*2 | D3*2 C3*2 | Bb2*2 A2*2"
    "| D3*2 Bb2*2 | F3*2 E3*2 | G2*2 F2*2 | Bb2*2 C3*2 | D3*4 | ~*3 -*1",
)

TRUMPET = line(9, "A4*2 Bb4*2 | C5*3 E5*1 | D5*4 | D5*1 F5*1 E5*2 | D5*3 -*1")
HIGH_HORN = line(8, "-*2 E4*2 | F4*4 | A4*2 G4*2 | Bb4*2 A4*2 | Bb4*2 G4*2 | F#4*3 -*1")
LOW_HORN = line(8, "-*2 D4*1 C#4*1 | D4*4 | C4*4 | D4*4 | ~*2 C4*2 | A3*3 -*1")
TROMBONE = line(8, "-*2 A2*2 | D3*2 Bb2*2 | F3*2 E3*2 | G2*2 F2*2 | Bb2*2 C3*2 | D3*3 -*1")

FLUTE = line(
    2,
    "D5*1 E5*1 A5*2 | -*4 | -*2.5 G5*.5 C6*.5 E6*.5 | D6*2 -*2 | -*2.5 G5*.5 C6*.5 E6*.5 | D6*2 C6*2 | -*4"
    "| -*4 | -*2 G5*.5 C6*.5 E6*.5 C6*.5 | D6*2 A5*2 | -*2 G5*.5 C6*.5 D6*.5 E6*.5"
    "| F#6*1 -*1 A5*1 D6*.5 E6*.5 | F#6*3 -*1",
)
CLARINET = line(
    2,
    "-*2 F4*2 | -*4 | -*2.5 E5*.5 G5*.5 C6*.5 | Bb5*2 -*2 | -*2.5 E5*.5 G5*.5 C6*.5 | A5*4 | -*4"
    "| -*4 | -*2 E5*.5 G5*.5 C6*.5 G5*.5 | Bb5*2 F5*2 | -*2 E5*.5 G5*.5 A5*.5 C6*.5"
    "| A5*1 -*1 F#5*1 A5*1 | ~*3 -*1",
)

# Strokes: (bar, beat, strength 0–1).
BIG_DRUM = (
    *((1, 0.0, 0.45), (3, 0.0, 0.40), (5, 0.0, 0.40), (7, 0.0, 0.5), (7, 2.0, 0.35), (7, 3.5, 0.2)),
    *((8, 0.0, 0.5), (8, 2.0, 0.45), (8, 3.0, 0.5), (8, 3.5, 0.6), (9, 0.0, 1.0), (9, 2.0, 0.6)),
    *((10, 0.0, 0.8), (10, 2.0, 0.6), (10, 3.5, 0.35), (11, 0.0, 0.85), (11, 2.0, 0.55)),
    *((12, 0.0, 0.85), (12, 2.0, 0.7), (12, 3.0, 0.6), (12, 3.5, 0.5), (13, 0.0, 0.9), (14, 0.0, 0.25)),
)
TIMPANI = line(9, "D3*2 Bb2*2 | F2*2 -*2 | G2*2 F2*2 | Bb2*2 C3*1 C3*.5 C3*.5 | D3*4")
TIMPANI_ROLL = Note(beat_at(8, 2), 2.0, pitch("A2"))
CHIMES = (
    *(
        (1, 2.0, "D6", 0.5),
        (2, 0.0, "A6", 0.4),
        (4, 2.5, "E6", 0.45),
        (6, 2.5, "G6", 0.45),
        (7, 0.0, "D6", 0.4),
    ),
    *((9, 0.0, "D6", 0.8), (11, 0.0, "D6", 0.7)),
    *((13, 0.0, "D6", 0.9), (13, 0.5, "F#6", 0.7), (13, 1.0, "A6", 0.6), (13, 1.5, "D7", 0.5)),
    *((14, 0.0, "A6", 0.4), (14, 2.0, "D7", 0.3)),
)
# A cymbal rolled with soft sticks: (where it begins, where it opens, strength).
CYMBAL = ((8, 0.0, 9, 0.0, 1.0), (12, 1.0, 13, 0.0, 0.8))
