"""Bowed strings: a tune for violins and violas, and the lows underneath.

A bowed string gives a sawtooth (harmonic k at 1/k); the body adds hills where its modes lie and rolls off
above. Hills: typical places of violin and cello bodies, common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from roomplan.demo import score
from roomplan.demo.score import Curve
from roomplan.demo.tones import Canvas, DeskPart, Timbre, hills_db, low_pass, play_parts, shaped_noise

if TYPE_CHECKING:
    import numpy as np

__all__ = ["low_strings", "melody_strings"]

_VIOLIN_HILLS = ((280.0, 0.25, 3.0), (480.0, 0.3, 4.0), (1000.0, 0.4, -2.0), (2300.0, 0.6, 4.0))
_VIOLA_HILLS = ((220.0, 0.25, 3.0), (400.0, 0.3, 4.0), (1000.0, 0.4, 2.0), (1900.0, 0.5, 2.0))
_CELLO_HILLS = ((105.0, 0.3, 3.0), (190.0, 0.3, 4.0), (420.0, 0.4, 2.0), (1100.0, 0.5, 2.0))
_BASS_HILLS = ((65.0, 0.4, 3.0), (110.0, 0.3, 4.0), (240.0, 0.4, 3.0), (700.0, 0.5, 1.0))

MELODY = Curve(
    *((3, 0, 0.38), (4, 0, 0.5), (4, 3.5, 0.42), (6, 0, 0.6), (7, 0, 0.48), (8, 0, 0.46), (8, 3, 0.7)),
    *((9, 0.5, 0.9), (9, 3, 0.98), (11, 0, 0.88), (12, 2, 0.98), (13, 0.5, 0.85), (13, 3, 0.5), (14, 1, 0.2)),
    (14, 3.1, -0.5),
)
LOWS = Curve(
    *((1, 0, -0.3), (1, 2.5, 0.42), (2, 3, 0.45), (4, 0, 0.55), (6, 0, 0.6), (7, 0, 0.55), (8, 3.5, 0.8)),
    *((9, 0, 0.95), (11, 0, 0.92), (12, 3, 1.0), (13, 1, 0.8), (14, 0, 0.5), (14, 1.5, 0.2)),
    (14, 3.4, -0.5),
)
PULSE = Curve((7, 0, 0.35), (8, 0, 0.5), (9, 0, 0.9), (12, 3.5, 0.95))


def _bowed(hills: tuple[tuple[float, float, float], ...], *, dark_hz: float, bright_hz: float) -> Timbre:
    return Timbre(
        soft=lambda f, f0: (f0 / f) * hills_db(f, hills) * low_pass(f, dark_hz, 2.5),
        loud=lambda f, f0: (f0 / f) * hills_db(f, hills) * low_pass(f, bright_hz, 2.2),
        attack_s=0.11,
        release_s=0.20,
        overlap_s=0.14,
        vibrato_cents=15,
        vibrato_hz=5.6,
        scoop_cents=6,
        swell_db=1.5,
    )


def _bow_noise(corner_hz: float, sample_rate: int, seed: int) -> np.ndarray:
    return shaped_noise(
        lambda f: low_pass(f, corner_hz, 3) * (1 - low_pass(f, corner_hz / 4, 4)),
        seconds_long=2.7,
        sample_rate=sample_rate,
        seed=seed,
    )


def melody_strings(sample_rate: int, length_s: float) -> np.ndarray:
    """The melody strings' stem, (2, frames) float32: first and second violins left, violas right."""
    canvas = Canvas(channels=2, length_s=length_s, sample_rate=sample_rate)
    violin = _bowed(_VIOLIN_HILLS, dark_hz=1500, bright_hz=2800)
    violin = replace(violin, breath=_bow_noise(3500, sample_rate, 21), breath_db=-42)
    viola = _bowed(_VIOLA_HILLS, dark_hz=1100, bright_hz=2200)
    parts = (
        DeskPart(score.VIOLINS, violin, 7, (-0.85, -0.1), 0.0, 201),
        DeskPart(score.SECOND_VIOLINS, violin, 4, (-0.35, 0.15), -2.5, 202),
        DeskPart(score.VIOLAS, viola, 4, (0.25, 0.7), -4.0, 203),
    )
    play_parts(canvas, parts, MELODY, detune_cents=4.5)
    return canvas.sound()


def low_strings(sample_rate: int, length_s: float) -> np.ndarray:
    """The low strings' stem, (2, frames) float32: cellos from left to right, basses in the middle."""
    canvas = Canvas(channels=2, length_s=length_s, sample_rate=sample_rate)
    cello = replace(
        _bowed(_CELLO_HILLS, dark_hz=700, bright_hz=1700),
        breath=_bow_noise(1800, sample_rate, 22),
        breath_db=-40,
        vibrato_hz=5.2,
        vibrato_cents=13,
    )
    bass = replace(
        _bowed(_BASS_HILLS, dark_hz=350, bright_hz=900), attack_s=0.16, vibrato_cents=6, vibrato_hz=4.6
    )
    short = replace(
        cello, breath=None, attack_s=0.035, release_s=0.16, overlap_s=0.02, vibrato_cents=0, decay_db=7
    )
    held = (
        DeskPart(score.CELLOS_HIGH, cello, 3, (0.35, 0.85), -1.0, 211),
        DeskPart(score.CELLOS_LOW, cello, 3, (-0.3, 0.25), -2.0, 212),
        DeskPart(score.BASSES, bass, 3, (-0.1, 0.6), 1.0, 213),
    )
    play_parts(canvas, held, LOWS, detune_cents=3.5)
    play_parts(
        canvas, [DeskPart(score.CELLOS_PULSE, short, 3, (-0.8, -0.3), -1.0, 214)], PULSE, detune_cents=3.5
    )
    return canvas.sound()
