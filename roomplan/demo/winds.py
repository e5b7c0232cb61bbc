"""Blown instruments: a flute and a clarinet that answer, and the brass chorale.

A flute is nearly a pure tone with breath; a clarinet, closed at one end, favours odd harmonics; brass
grows brighter the louder it is blown. Slopes and corners: by ear and eye, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomplan.demo import score
from roomplan.demo.score import Curve
from roomplan.demo.tones import Canvas, DeskPart, Timbre, hills_db, low_pass, play_parts, shaped_noise

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["brass", "woodwinds"]

WINDS = Curve(
    *((2, 0, 0.5), (2, 2.5, 0.6), (2, 3.9, 0.35), (4, 2, 0.5), (5, 0.5, 0.66), (5, 2, 0.4), (6, 2, 0.5)),
    *((7, 0.5, 0.62), (7, 4, 0.4), (10, 2, 0.85), (11, 0, 0.95), (11, 4, 0.8), (12, 2, 0.9), (13, 0, 1.0)),
    *((13, 1.5, 0.7), (13, 2, 0.6), (14, 0.2, 0.7), (14, 2, 0.3), (14, 3, -0.4)),
)
CHORALE = Curve(
    *((8, 2, 0.1), (8, 3.8, 0.55), (9, 0.2, 0.92), (10, 0, 0.9), (11, 0, 0.88), (12, 0, 0.92), (12, 3, 1.0)),
    *((13, 0.5, 0.85), (13, 2, 0.4), (13, 3, -0.4)),
)


def _odd_harmonics(frequencies_hz: np.ndarray, fundamental_hz: float) -> np.ndarray:
    """1 for odd harmonics; even ones are weak at the bottom and catch up from about 2 kHz."""
    even = np.round(frequencies_hz / fundamental_hz) % 2 == 0
    return np.where(even, np.clip(frequencies_hz / 4000, 0.06, 0.6), 1.0)


def woodwinds(sample_rate: int, length_s: float) -> np.ndarray:
    """The woodwinds' stem, (1, frames) float32: one microphone for flute and clarinet."""
    canvas = Canvas(channels=1, length_s=length_s, sample_rate=sample_rate)
    flute = Timbre(
        soft=lambda f, f0: (f0 / f) ** 2.2 * low_pass(f, 2500, 1.5),
        loud=lambda f, f0: (f0 / f) ** 1.3 * low_pass(f, 2800, 1.8),
        attack_s=0.07,
        release_s=0.14,
        overlap_s=0.05,
        vibrato_cents=9,
        vibrato_hz=5.0,
        scoop_cents=9,
        swell_db=1.5,
        breath=shaped_noise(
            lambda f: low_pass(f, 4500, 4) * (1 - low_pass(f, 900, 3)),
            seconds_long=2.7,
            sample_rate=sample_rate,
            seed=31,
        ),
        breath_db=-31,
    )
    clarinet = Timbre(
        soft=lambda f, f0: (f0 / f) ** 1.5 * _odd_harmonics(f, f0) * low_pass(f, 1300, 1.8),
        loud=lambda f, f0: (f0 / f) * _odd_harmonics(f, f0) * low_pass(f, 1900, 1.8),
        attack_s=0.06,
        release_s=0.13,
        overlap_s=0.04,
        vibrato_cents=2,
        vibrato_hz=4.5,
        swell_db=1.5,
    )
    parts = (
        DeskPart(score.FLUTE, flute, 1, (0, 0), 0, 301),
        DeskPart(score.CLARINET, clarinet, 1, (0, 0), -3, 302),
    )
    play_parts(canvas, parts, WINDS, detune_cents=2)
    return canvas.sound()


def _blown(dark_hz: float, bright_hz: float, bell: tuple[float, float, float]) -> Timbre:
    def spectrum(corner_hz: float, order: float) -> Callable[[np.ndarray, float], np.ndarray]:
        # Harmonics of nearly equal strength up to a corner that moves with the dynamics.
        return lambda f, f0: (f0 / f) ** 0.35 * low_pass(f, corner_hz, order) * hills_db(f, [bell])

    return Timbre(
        soft=spectrum(dark_hz, 3.5),
        loud=spectrum(bright_hz, 3.0),
        attack_s=0.075,
        release_s=0.16,
        overlap_s=0.05,
        vibrato_cents=3,
        vibrato_hz=4.8,
        scoop_cents=14,
        swell_db=1.0,
        decay_db=1.5,
    )


def brass(sample_rate: int, length_s: float) -> np.ndarray:
    """The brass stem, (2, frames) float32: horns left, trumpets in the middle, trombones right."""
    canvas = Canvas(channels=2, length_s=length_s, sample_rate=sample_rate)
    horn = _blown(380, 850, (450, 0.7, 3.0))
    trumpet = _blown(700, 1400, (1200, 0.7, 2.5))
    trombone = _blown(330, 900, (550, 0.7, 3.0))
    parts = (
        DeskPart(score.TRUMPET, trumpet, 2, (0.0, 0.2), 0.0, 311),
        DeskPart(score.HIGH_HORN, horn, 2, (-0.7, -0.45), -1.0, 312),
        DeskPart(score.LOW_HORN, horn, 2, (-0.4, -0.2), -1.5, 313),
        DeskPart(score.TROMBONE, trombone, 3, (0.35, 0.75), 0.5, 314),
    )
    play_parts(canvas, parts, CHORALE, detune_cents=3.5)
    return canvas.sound()
