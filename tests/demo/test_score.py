"""The composition keeps the rules of part writing it sets itself, and its notation refuses slips."""

from __future__ import annotations

from itertools import combinations, pairwise

import numpy as np
import pytest

from roomplan.demo import score

CHOIR = {name: getattr(score, name) for name in ("SOPRANOS", "ALTOS", "TENORS", "CHOIR_BASSES")}
BRASS = {name: getattr(score, name) for name in ("TRUMPET", "HIGH_HORN", "LOW_HORN", "TROMBONE")}
EVERY_PART = {
    name: notes
    for name, notes in vars(score).items()
    if name.isupper() and isinstance(notes, tuple) and notes and isinstance(notes[0], score.Note)
}


SILENT = -1  # no MIDI number


def sounding(notes, beat):
    return next((note.midi for note in notes if note.beat <= beat < note.beat + note.beats), SILENT)


def test_a4_is_440_hz_as_iso_16_has_it():
    assert score.pitch("A4") == 69
    assert score.frequency_hz(69) == 440.0
    assert score.frequency_hz(score.pitch("Bb3")) == pytest.approx(233.082, abs=1e-3)  # equal temperament


def test_a_bar_at_84_lasts_four_sixtieths_of_a_minute_over_84():
    assert score.seconds(score.BEATS_PER_BAR) == pytest.approx(240 / 84)


def test_a_line_reads_notes_rests_and_holds():
    assert score.line(3, "D5*2 -*1 E5*1 | ~*4") == (score.Note(8, 2, 74), score.Note(11, 5, 76))


@pytest.mark.parametrize(
    ("text", "complaint"),
    [("D5*3", "bar 1 has 3 beats"), ("-*1 ~*3", "nothing to hold"), ("H5*4", "no note name")],
)
def test_a_slip_in_a_line_is_refused_with_its_bar_or_name(text, complaint):
    with pytest.raises(ValueError, match=complaint):
        score.line(1, text)


def test_there_are_eighteen_written_parts():
    assert len(EVERY_PART) == 18


@pytest.mark.parametrize("name", EVERY_PART)
def test_a_part_never_plays_two_notes_at_once_and_stays_inside_the_fourteen_bars(name):
    notes = EVERY_PART[name]
    for before, after in pairwise(notes):
        assert before.beat + before.beats <= after.beat
    assert notes[0].beat >= 0
    assert notes[-1].beat + notes[-1].beats <= score.beat_at(15)


# Usual ranges of amateur choirs and of the instruments: common practice, no source.
@pytest.mark.parametrize(
    ("part", "low", "high"),
    [
        ("SOPRANOS", "C4", "A5"),
        ("ALTOS", "F3", "D5"),
        ("TENORS", "C3", "G4"),
        ("CHOIR_BASSES", "E2", "D4"),
        ("VIOLINS", "G3", "A6"),
        ("VIOLAS", "C3", "E5"),
        ("CELLOS_LOW", "C2", "A4"),
        ("BASSES", "E1", "G3"),
        ("FLUTE", "C4", "C7"),
        ("CLARINET", "D3", "F6"),
        ("TRUMPET", "E3", "Bb5"),
        ("TIMPANI", "D2", "C4"),
    ],
)
def test_a_part_keeps_to_the_range_of_its_voice(part, low, high):
    heights = [note.midi for note in EVERY_PART[part]]
    assert score.pitch(low) <= min(heights)
    assert max(heights) <= score.pitch(high)


@pytest.mark.parametrize("voices", [CHOIR, BRASS], ids=["choir", "brass"])
def test_no_two_voices_move_in_parallel_fifths_or_octaves(voices):
    moves = 0
    for (first, upper), (second, lower) in combinations(voices.items(), 2):
        for beat in np.arange(0, score.beat_at(15) - 0.5, 0.5):
            before = sounding(upper, beat), sounding(lower, beat)
            after = sounding(upper, beat + 0.5), sounding(lower, beat + 0.5)
            if SILENT in before or SILENT in after or before[0] == after[0] or before[1] == after[1]:
                continue
            moves += 1
            same = (before[0] - before[1]) % 12 == (after[0] - after[1]) % 12
            perfect = (before[0] - before[1]) % 12 in (0, 7)
            where = f"{first} and {second}, bar {beat // 4 + 1:g}, beat {beat % 4 + 0.5:g}"
            assert not (same and perfect and (after[0] > before[0]) == (after[1] > before[1])), where
    assert moves > 25


def test_the_voices_of_the_choir_never_cross():
    for beat in np.arange(score.beat_at(5), score.beat_at(14, 3), 0.5):
        heights = [sounding(notes, beat) for notes in CHOIR.values()]
        assert heights == sorted(heights, reverse=True), beat


@pytest.mark.parametrize(
    ("bar", "beat", "chord"),
    [
        *((5, 0, "G Bb D"), (5, 2, "F A D"), (6, 0, "Bb D F"), (6, 2, "C E G"), (7, 0, "D F A")),
        *((7, 2, "C E A"), (8, 3, "A C# E"), (9, 0, "D F A"), (9, 2, "Bb D F"), (10, 0, "F A C")),
        *((10, 2, "E G C"), (11, 0, "G Bb D"), (11, 2, "F A D"), (12, 0, "Bb D F"), (12, 2, "C E G")),
        *((13, 0, "D F# A"), (14, 0, "D F# A")),
    ],
)
def test_choir_strings_and_brass_agree_on_the_chord(bar, beat, chord):
    names = chord.split()
    allowed = {score.pitch(f"{name}4") % 12 for name in names}
    tutti = [*CHOIR, *BRASS, "VIOLINS", "SECOND_VIOLINS", "VIOLAS", "CELLOS_HIGH", "CELLOS_LOW", "BASSES"]
    heard = {sounding(EVERY_PART[part], score.beat_at(bar, beat)) for part in tutti} - {SILENT}
    assert {midi % 12 for midi in heard} <= allowed
    assert min(heard) % 12 == score.pitch(f"{names[0]}4") % 12  # the bass is the first note of the chord


def test_dynamics_are_straight_between_points_and_hold_outside():
    curve = score.Curve((1, 0, 0.2), (2, 0, 0.8))
    bar = score.seconds(4)
    assert curve.at(np.array([-1, 0, bar / 2, bar, 99.0])) == pytest.approx([0.2, 0.2, 0.5, 0.8, 0.8])
