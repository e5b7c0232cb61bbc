"""Struck things: a big drum and timpani in one file, chimes and a rolled cymbal in another.

A struck body rings in modes whose frequencies are no harmonics: a round membrane in the ratios of the zeros
of the Bessel functions (`MEMBRANE`), a free bar in the squared ratios of the roots of cosh x · cos x = 1
(`BAR`); the tests compute both anew. Timpani are tuned by the air they move, close to 2 : 3 : 4 : 5
(`KETTLE`, from memory). Decay times and strengths: by ear and eye, no source.
"""

from __future__ import annotations

import numpy as np

from roomplan.demo import score
from roomplan.demo.score import beat_at, frequency_hz, pitch, seconds
from roomplan.demo.tones import Canvas, low_pass, shaped_noise

__all__ = ["BAR", "KETTLE", "MEMBRANE", "deep_percussion", "metal_percussion"]

MEMBRANE = (1.0, 1.593, 2.136, 2.295, 2.653, 2.917)
BAR = (1.0, 2.757, 5.404)
KETTLE = (1.0, 1.5, 2.0, 2.44, 2.9)

# A decay of T seconds to −60 dB: exp(−6.91 t / T), 6.91 = ln 1000.
_LN_1000 = np.log(1000.0)


def _struck(
    frequency: float,
    ratios: tuple[float, ...],
    strengths: tuple[float, ...],
    decays_s: tuple[float, ...],
    *,
    attack_s: float,
    glide: float,
    sample_rate: int,
) -> np.ndarray:
    """One stroke (frames,) float32 of peak about 1; `glide` is how much sharper the first moment is."""
    longest = max(decays_s)
    times_s = np.arange(round(longest * sample_rate), dtype=np.float32) / np.float32(sample_rate)
    # The integral of f·(1 + glide·exp(−t / 50 ms)), in periods of the lowest mode.
    periods = frequency * (times_s + glide * 0.05 * (1 - np.exp(-times_s / 0.05)))
    sound = np.zeros_like(times_s)
    for ratio, strength, decay_s in zip(ratios, strengths, decays_s, strict=True):
        if frequency * ratio * (1 + glide) > 0.42 * sample_rate:
            continue
        size = round(decay_s * sample_rate)  # a mode 60 dB down is over
        turns = ratio * periods[:size]
        turns -= np.floor(turns)
        sound[:size] += strength * np.sin(2 * np.pi * turns) * np.exp(-_LN_1000 / decay_s * times_s[:size])
    rise, fall = round(attack_s * sample_rate), round(0.05 * sample_rate)
    sound[:rise] *= np.sin(np.linspace(0, np.pi / 2, rise)) ** 2
    sound[-fall:] *= np.cos(np.linspace(0, np.pi / 2, fall)) ** 2
    return (sound / sum(strengths)).astype(np.float32)


def deep_percussion(sample_rate: int, length_s: float) -> np.ndarray:
    """Big drum and timpani, (1, frames) float32."""
    canvas = Canvas(channels=1, length_s=length_s, sample_rate=sample_rate)
    skin = shaped_noise(
        lambda f: low_pass(f, 350, 2.5) * (1 - low_pass(f, 60, 4)),
        seconds_long=0.7,
        sample_rate=sample_rate,
        seed=41,
    )
    thump_s = np.arange(round(0.12 * sample_rate)) / sample_rate
    thump = np.sin(np.pi / 2 * np.clip(thump_s / 0.006, 0, 1)) ** 2 * np.exp(-thump_s / 0.018)
    thump *= np.clip((thump_s[-1] - thump_s) / 0.02, 0, 1)
    thump = (thump * skin[: thump.size]).astype(np.float32)

    for bar, beat, strength in score.BIG_DRUM:
        stroke = _struck(
            50.0,
            MEMBRANE,
            tuple(
                weight * strength**lift
                for weight, lift in ((1, 0), (0.5, 0.5), (0.3, 0.8), (0.2, 1), (0.12, 1), (0.08, 1))
            ),
            (2.4, 1.3, 0.9, 0.7, 0.5, 0.4),
            attack_s=0.006,
            glide=0.22,
            sample_rate=sample_rate,
        )
        loud = np.float32(10 ** (26 * (strength - 1) / 20))
        start_s = seconds(beat_at(bar, beat))
        canvas.add(0.42 * loud * stroke, start_s=start_s)
        canvas.add(0.05 * loud * np.float32(strength) * thump, start_s=start_s)

    rng = np.random.default_rng(42)
    for note in score.TIMPANI:
        canvas.add(0.22 * _kettle(note.midi, sample_rate), start_s=seconds(note.beat))
    roll = score.TIMPANI_ROLL
    stroke = _kettle(roll.midi, sample_rate)
    strokes = 18  # about twelve a second over two beats
    for number in range(strokes):
        start_s = seconds(roll.beat + roll.beats * number / strokes) + rng.uniform(0, 0.008)
        strength = 10 ** (-30 * (1 - number / strokes) / 20) * rng.uniform(0.85, 1)
        canvas.add(np.float32(0.13 * strength) * stroke, start_s=start_s)
    return canvas.sound()


def _kettle(midi: int, sample_rate: int) -> np.ndarray:
    return _struck(
        frequency_hz(midi),
        KETTLE,
        (1.0, 0.7, 0.35, 0.18, 0.1),
        (2.0, 1.7, 1.2, 0.8, 0.6),
        attack_s=0.004,
        glide=0.012,
        sample_rate=sample_rate,
    )


def metal_percussion(sample_rate: int, length_s: float) -> np.ndarray:
    """Chimes like ice, and a cymbal rolled with soft sticks, (1, frames) float32."""
    canvas = Canvas(channels=1, length_s=length_s, sample_rate=sample_rate)
    for bar, beat, name, strength in score.CHIMES:
        stroke = _struck(
            frequency_hz(pitch(name)),
            BAR,
            (1.0, 0.22 * strength, 0.05 * strength),
            (3.0, 1.2, 0.5),
            attack_s=0.003,
            glide=0.0,
            sample_rate=sample_rate,
        )
        canvas.add(np.float32(0.09 * strength) * stroke, start_s=seconds(beat_at(bar, beat)))

    dull, bright = (
        shaped_noise(
            lambda f, top=top: low_pass(f, top, 3) * (1 - low_pass(f, top / 6, 3)),
            seconds_long=5.5,
            sample_rate=sample_rate,
            seed=43,
        )
        for top in (2200, 6000)
    )
    for start_bar, start_beat, open_bar, open_beat, strength in score.CYMBAL:
        start_s, open_s = (seconds(beat_at(*at)) for at in ((start_bar, start_beat), (open_bar, open_beat)))
        rise_s, ring_s = open_s - start_s, 2.8
        times_s = np.arange(round((rise_s + ring_s) * sample_rate)) / sample_rate
        swell = np.minimum(times_s / rise_s, 1) ** 2.5
        after_s = np.maximum(times_s - rise_s, 0)
        level = swell * np.exp(-_LN_1000 / ring_s * after_s)
        level[-round(0.1 * sample_rate) :] *= np.linspace(1, 0, round(0.1 * sample_rate))
        shine = swell * np.exp(-after_s / 0.6)  # the top comes last and goes first
        noise = (1 - shine) * np.resize(dull, times_s.size) + shine * np.resize(bright, times_s.size)
        canvas.add((0.02 * strength * level * noise).astype(np.float32), start_s=start_s)
    return canvas.sound()
