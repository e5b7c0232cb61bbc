"""The choir: four parts of five singers on open vowels, "oo" when soft and "ah" when loud.

The voice is a source with a falling spectrum and a throat with four resonances (the formants that make
a vowel). Formant frequencies of women and men: after Peterson and Barney (1952), from memory; bandwidths
and the source slope: common practice, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomplan.demo import score
from roomplan.demo.score import Curve
from roomplan.demo.tones import Canvas, DeskPart, Timbre, low_pass, play_parts, shaped_noise

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["VOWELS", "choir", "formants", "resonance"]

# F1 to F4 in Hz; the fourth, which the paper does not list, at its usual place.
VOWELS = {
    ("women", "oo"): (370.0, 950.0, 2670.0, 3600.0),
    ("women", "ah"): (850.0, 1220.0, 2810.0, 3700.0),
    ("men", "oo"): (300.0, 870.0, 2240.0, 3100.0),
    ("men", "ah"): (730.0, 1090.0, 2440.0, 3200.0),
}
_BANDWIDTHS_HZ = (80.0, 100.0, 140.0, 200.0)

DYNAMICS = Curve(
    *((5, 0, 0.30), (6, 2, 0.42), (7, 0, 0.48), (8, 0, 0.62), (8, 3.5, 0.74), (9, 0, 0.92)),
    *((11, 0, 0.92), (12, 0, 0.94), (12, 3, 1.0), (13, 0.5, 0.86), (13, 3, 0.6), (14, 1.5, 0.25)),
    (14, 3.1, -0.5),
)
_VOWEL = Curve((5, 0, 0.05), (6, 3, 0.25), (8, 0, 0.55), (9, 0, 0.95), (13, 1, 0.95), (14, 3, 0.15))


def resonance(frequencies_hz: np.ndarray, centre_hz: float, bandwidth_hz: float) -> np.ndarray:
    """Amplitude of a second-order resonance, 1 far below its centre."""
    ratio = frequencies_hz / centre_hz
    return 1 / np.hypot(1 - ratio**2, ratio * bandwidth_hz / centre_hz)


def formants(frequencies_hz: np.ndarray, fundamental_hz: float, centres_hz: Sequence[float]) -> np.ndarray:
    """Amplitudes of harmonics sung on a vowel.

    A singer above the first formant moves it up to the note, and so does this one: no high note goes thin.

    Parameters
    ----------
    frequencies_hz
        Of the harmonics, (harmonics,).
    centres_hz
        The vowel's formants, lowest first.
    """
    first = max(centres_hz[0], 1.02 * fundamental_hz)
    second = max(centres_hz[1], 1.35 * first)
    amplitudes = frequencies_hz**-1.0
    for centre, bandwidth in zip((first, second, *centres_hz[2:]), _BANDWIDTHS_HZ, strict=True):
        # Wider than speech: harmonics are far apart, and a narrow peak would pick single notes out.
        amplitudes = amplitudes * resonance(frequencies_hz, centre, 1.6 * bandwidth)
    # The resonances above the fourth are left out: their skirts would hold the spectrum up, so this does.
    return amplitudes * (1 + (frequencies_hz / 1800) ** 2) ** 1.5


def _singers(sex: str, sample_rate: int, seed: int) -> Timbre:
    soft, loud = VOWELS[sex, "oo"], VOWELS[sex, "ah"]
    return Timbre(
        soft=lambda f, f0: formants(f, f0, soft) * low_pass(f, 900, 1.0),
        loud=lambda f, f0: formants(f, f0, loud),
        attack_s=0.14,
        release_s=0.22,
        overlap_s=0.15,
        vibrato_cents=17 if sex == "women" else 14,
        vibrato_hz=5.3,
        scoop_cents=18,
        swell_db=1.0,
        breath=shaped_noise(
            lambda f: formants(f, 0.0, loud) * f * low_pass(f, 6000, 2) * (1 - low_pass(f, 500, 4)),
            seconds_long=2.7,
            sample_rate=sample_rate,
            seed=seed,
        ),
        breath_db=-37,
    )


def choir(sample_rate: int, length_s: float) -> np.ndarray:
    """The choir's stem, (2, frames) float32: sopranos and basses left, altos and tenors right."""
    canvas = Canvas(channels=2, length_s=length_s, sample_rate=sample_rate)
    women, men = _singers("women", sample_rate, 11), _singers("men", sample_rate, 12)
    parts = (
        DeskPart(score.SOPRANOS, women, 5, (-0.75, -0.15), 0.0, 101),
        DeskPart(score.ALTOS, women, 5, (0.1, 0.7), -2.0, 102),
        DeskPart(score.TENORS, men, 5, (0.05, 0.55), -1.5, 103),
        DeskPart(score.CHOIR_BASSES, men, 5, (-0.6, -0.05), -1.0, 104),
    )
    play_parts(canvas, parts, DYNAMICS, detune_cents=6.5, colour=_VOWEL)
    return canvas.sound()
