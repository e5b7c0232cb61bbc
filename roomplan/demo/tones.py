"""How a note becomes sound: band-limited wavetables read at a moving pitch, by players who differ.

Every player's note is a sum of harmonics (additive synthesis). All harmonics of a note share one phase, so
they are summed once into a table of one period and read back with linear interpolation: the sound of
the sum at the cost of two look-ups. Each note has two tables, soft and loud, and moves between them with the
dynamics, as real instruments grow brighter when they grow louder.

Conventions
-----------
Sound is planar here, (channels, frames) float32, and turned over when it is written. Frequencies in Hz,
times in seconds from the start of the cue. Pitch, level and colour are set every 5 ms and are straight
lines in between. A spectrum is a function (harmonic frequencies, fundamental) → amplitudes.

Notes
-----
No harmonic lies above `CEILING_HZ` or 0.42 of the sample rate, vibrato included: nothing folds back. In a
table of N points linear interpolation leaves an image of harmonic k with (k/N)² of its amplitude: with the
spectra used here at most −90 dB of the note (the basses of the choir on F1, k = 12).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from roomplan.demo.score import Curve, Note, frequency_hz, seconds

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    Spectrum = Callable[[np.ndarray, float], np.ndarray]

__all__ = [
    "Canvas",
    "DeskPart",
    "Player",
    "Timbre",
    "desk",
    "hills_db",
    "low_pass",
    "play",
    "play_parts",
    "shaped_noise",
]

CEILING_HZ = 12_000.0
CONTROL_S = 0.005
DYNAMIC_RANGE_DB = 20.0  # from dynamics 0 to 1: pp to ff of one section, common practice, no source
TABLE = 2048
_LOUDEST_PART_DB = -18  # of a part at 0 dB
_HOPS_AT_A_TIME = 96  # half a second: temporaries of 90 kB at 48 kHz stay in a processor's cache


class Canvas:
    """The sound of one stem while it is painted.

    Parameters
    ----------
    channels
        1 or 2.
    length_s
        Room for the whole cue; `sound()` ends with the last note.
    """

    def __init__(self, *, channels: int, length_s: float, sample_rate: int) -> None:
        self.sample_rate = sample_rate
        self.channels = channels
        self._planar = np.zeros((channels, round(length_s * sample_rate)), np.float32)
        self._end = 0

    def add(self, sound: np.ndarray, *, start_s: float, pan: float = 0.0) -> None:
        """Add `sound` (frames,) at `start_s`, between left (−1) and right (1) at constant power."""
        start = round(start_s * self.sample_rate)
        end = start + sound.size
        if self.channels == 1:
            self._planar[0, start:end] += sound
        else:
            angle = (pan + 1) * np.pi / 4
            self._planar[0, start:end] += np.float32(np.cos(angle)) * sound
            self._planar[1, start:end] += np.float32(np.sin(angle)) * sound
        self._end = max(self._end, end)

    def sound(self) -> np.ndarray:
        """What was painted, (channels, frames) float32, up to the end of the last note."""
        return self._planar[:, : self._end]


@dataclass(frozen=True, slots=True)
class Timbre:
    """What the players of a part have in common.

    `scoop_cents` is how far under the note an onset begins; `breath` the level of bow or breath noise
    against the tone; `overlap_s` how far a note rings into the next.
    """

    soft: Spectrum
    loud: Spectrum
    attack_s: float
    release_s: float
    vibrato_cents: float
    vibrato_hz: float
    overlap_s: float = 0.0
    scoop_cents: float = 0.0
    swell_db: float = 0.0
    decay_db: float = 0.0
    breath: np.ndarray | None = None
    breath_db: float = -60.0


@dataclass(frozen=True, slots=True)
class Player:
    """What sets one player apart: place, tuning, vibrato, timing and the sound of the own instrument."""

    pan: float
    detune_cents: float
    vibrato_hz: float
    vibrato_phase: float
    late_s: float
    ripple: np.ndarray
    rng: np.random.Generator


def desk(
    count: int, *, pans: tuple[float, float], detune_cents: float, vibrato_hz: float, seed: int
) -> tuple[Player, ...]:
    """`count` players spread between two places, each a little different, the same at every call."""
    rng = np.random.default_rng(seed)
    places = np.linspace(*pans, count) if count > 1 else np.array([sum(pans) / 2])
    return tuple(
        Player(
            pan=float(np.clip(place + rng.uniform(-0.05, 0.05), -1, 1)),
            detune_cents=float(rng.normal(0, detune_cents)),
            vibrato_hz=vibrato_hz * float(rng.uniform(0.92, 1.08)),
            vibrato_phase=float(rng.uniform(0, 1)),
            late_s=float(rng.uniform(0, 0.022)),
            ripple=rng.uniform(0, 2 * np.pi, 4),
            rng=np.random.default_rng([seed, number]),
        )
        for number, place in enumerate(places)
    )


class DeskPart(NamedTuple):
    """What one desk of a section plays."""

    notes: Sequence[Note]
    instrument: Timbre
    players: int
    pans: tuple[float, float]
    level_db: float  # against the other parts
    seed: int


def low_pass(frequencies_hz: np.ndarray, corner_hz: float, order: float) -> np.ndarray:
    """Amplitudes of a smooth roll-off: −3·order dB at the corner, −6·order dB per octave far above."""
    return (1 + (frequencies_hz / corner_hz) ** 2) ** (-order / 2)


def hills_db(frequencies_hz: np.ndarray, hills: Iterable[tuple[float, float, float]]) -> np.ndarray:
    """Amplitudes of broad hills (centre in Hz, half width in octaves, height in dB), as bodies have them."""
    octaves = np.log2(frequencies_hz)
    height = np.zeros_like(octaves)
    for centre_hz, width, height_db in hills:
        height += height_db * np.exp(-(((octaves - np.log2(centre_hz)) / width) ** 2))
    return 10 ** (height / 20)


def shaped_noise(
    shape: Callable[[np.ndarray], np.ndarray], *, seconds_long: float, sample_rate: int, seed: int
) -> np.ndarray:
    """Noise (frames,) float32 of unit RMS that repeats without a seam; `shape` is its amplitude over Hz."""
    size = 1 << round(np.log2(seconds_long * sample_rate))
    rng = np.random.default_rng(seed)
    frequencies_hz = np.fft.rfftfreq(size, 1 / sample_rate)
    spectrum = shape(np.maximum(frequencies_hz, 1.0)) * np.exp(2j * np.pi * rng.random(frequencies_hz.size))
    spectrum[0] = spectrum[-1] = 0
    noise = np.fft.irfft(spectrum)
    return (noise / np.sqrt(np.mean(noise**2))).astype(np.float32)


def play(
    canvas: Canvas,
    notes: Sequence[Note],
    instrument: Timbre,
    players: Sequence[Player],
    dynamics: Curve,
    *,
    level_db: float = 0.0,
    colour: Curve | None = None,
) -> None:
    """Let every player play every note of a part.

    Parameters
    ----------
    canvas
        Where the sound goes.
    dynamics
        Level (`DYNAMIC_RANGE_DB` from 0 to 1).
    colour
        The way from the soft table (0) to the loud one (1); the dynamics unless given.
    level_db
        Of the whole part at dynamics 1: the RMS of a held note of all players together, in dBFS.
    """
    share_db = level_db - 10 * np.log10(len(players))
    for note in notes:
        spectra = _spectra(frequency_hz(note.midi), instrument, canvas.sample_rate)
        for player in players:
            _play_note(canvas, note, instrument, player, spectra, (dynamics, colour or dynamics), share_db)
        if instrument.breath is not None:
            _breathe(canvas, note, instrument, players[0], dynamics, level_db)


def play_parts(
    canvas: Canvas,
    parts: Iterable[DeskPart],
    dynamics: Curve,
    *,
    detune_cents: float,
    colour: Curve | None = None,
) -> None:
    """Let a desk of players play each part; see `play`."""
    for part in parts:
        players = desk(
            part.players,
            pans=part.pans,
            detune_cents=detune_cents,
            vibrato_hz=part.instrument.vibrato_hz,
            seed=part.seed,
        )
        level_db = part.level_db + _LOUDEST_PART_DB
        play(canvas, part.notes, part.instrument, players, dynamics, level_db=level_db, colour=colour)


def _control_times(note: Note, instrument: Timbre, sample_rate: int) -> tuple[np.ndarray, float]:
    """Times of the control points from the note's start, and how long the note is held."""
    held_s = max(seconds(note.beats) + instrument.overlap_s - instrument.release_s, instrument.attack_s)
    hop_s = round(CONTROL_S * sample_rate) / sample_rate
    return np.arange(int(np.ceil((held_s + instrument.release_s) / hop_s)) + 1) * hop_s, held_s


def _envelope(times_s: np.ndarray, held_s: float, instrument: Timbre) -> np.ndarray:
    """Rise, sustain with an optional swell or decay, and release, each end smooth and at zero."""
    rise = np.sin(np.pi / 2 * np.clip(times_s / instrument.attack_s, 0, 1)) ** 2
    fall = np.cos(np.pi / 2 * np.clip((times_s - held_s) / instrument.release_s, 0, 1)) ** 2
    place = np.clip(times_s / (held_s + instrument.release_s), 0, 1)
    sustain_db = instrument.swell_db * (np.sin(np.pi * place) - 0.6) - instrument.decay_db * place
    return rise * fall * 10 ** (sustain_db / 20)


def _play_note(
    canvas: Canvas,
    note: Note,
    instrument: Timbre,
    player: Player,
    spectra: np.ndarray,
    curves: tuple[Curve, Curve],
    level_db: float,
) -> None:
    rng = player.rng
    dynamics, colour = curves
    start_s = seconds(note.beat) + player.late_s + rng.uniform(0, 0.012)
    times_s, held_s = _control_times(note, instrument, canvas.sample_rate)
    loud = dynamics.at(start_s + times_s)

    # Vibrato sets in after the onset and never keeps quite the same speed; slow drift keeps a note alive.
    wander = rng.uniform(0, 1, 3)
    cycles = player.vibrato_hz * times_s + 0.25 * np.sin(2 * np.pi * (0.41 * times_s + wander[0]))
    vibrato = np.sin(2 * np.pi * (cycles + player.vibrato_phase + wander[1]))
    vibrato *= np.clip((times_s - 0.12) / 0.45, 0, 1)
    drift = np.sin(2 * np.pi * (0.63 * times_s + wander[2])) + np.sin(2 * np.pi * (1.7 * times_s + wander[0]))
    cents = (
        player.detune_cents
        + rng.normal(0, 1.5)
        + instrument.vibrato_cents * vibrato
        + 1.5 * drift
        - instrument.scoop_cents * np.exp(-times_s / 0.05)
    )
    fundamental_hz = frequency_hz(note.midi)
    level = 10 ** ((level_db + DYNAMIC_RANGE_DB * (loud - 1) + 0.5 * drift + 0.5 * vibrato) / 20)
    level *= _envelope(times_s, held_s, instrument)
    blend = np.clip(colour.at(start_s + times_s) + 0.05 * vibrato, 0, 1)

    table = _table(fundamental_hz, spectra, player)
    sound = _read(table, fundamental_hz * 2 ** (cents / 1200), blend, level, canvas.sample_rate)
    canvas.add(sound, start_s=start_s, pan=player.pan)


def _breathe(
    canvas: Canvas, note: Note, instrument: Timbre, player: Player, dynamics: Curve, level_db: float
) -> None:
    if instrument.breath is None:
        return
    start_s = seconds(note.beat) + player.late_s
    times_s, held_s = _control_times(note, instrument, canvas.sample_rate)
    level_db = level_db + instrument.breath_db
    level = 10 ** ((level_db + 0.7 * DYNAMIC_RANGE_DB * (dynamics.at(start_s + times_s) - 1)) / 20)
    ramp = _straight(level * _envelope(times_s, held_s, instrument), canvas.sample_rate)
    for pan in (-0.5, 0.5) if canvas.channels == 2 else (0.0,):
        first = int(player.rng.integers(instrument.breath.size))
        noise = np.resize(np.roll(instrument.breath, -first), ramp.size)
        canvas.add(noise * ramp, start_s=start_s, pan=player.pan * 0.5 + pan)


def _spectra(fundamental_hz: float, instrument: Timbre, sample_rate: int) -> np.ndarray:
    """Amplitudes of the harmonics that fit, (2, harmonics), soft and loud, each of unit RMS."""
    sharpest = 1.04  # vibrato, drift, detuning and scoop together stay within 68 cents
    highest = min(CEILING_HZ, 0.42 * sample_rate) / (fundamental_hz * sharpest)
    frequencies_hz = np.arange(1, int(np.clip(highest, 1, TABLE // 8)) + 1) * fundamental_hz
    spectra = np.stack(
        [shape(frequencies_hz, fundamental_hz) for shape in (instrument.soft, instrument.loud)]
    )
    return spectra / np.sqrt(np.sum(spectra**2, axis=1, keepdims=True) / 2)


def _table(fundamental_hz: float, spectra: np.ndarray, player: Player) -> np.ndarray:
    """One period, (2, TABLE) complex64: the values and their steps; real: soft, imaginary: loud − soft."""
    harmonics = np.arange(1, spectra.shape[1] + 1)
    octaves = np.log2(harmonics * fundamental_hz)[:, None]
    ripple_db = 1.2 * np.sin(np.array([1.9, 3.1, 4.7, 7.3]) * octaves + player.ripple).sum(axis=1)
    own = 10 ** (ripple_db / 20) * np.exp(2j * np.pi * player.rng.random(harmonics.size))

    bins = np.zeros((2, TABLE // 2 + 1), complex)
    bins[:, 1 : harmonics.size + 1] = own * spectra
    soft, loud = np.fft.irfft(bins, axis=1) * (TABLE / 2)
    period = soft + 1j * (loud - soft)
    return np.stack([period, np.roll(period, -1) - period]).astype(np.complex64)


def _straight(values: np.ndarray, sample_rate: int) -> np.ndarray:
    """Control points (hops + 1,) joined by straight lines, (hops · hop,) float32."""
    hop = round(CONTROL_S * sample_rate)
    way = np.arange(hop, dtype=np.float32) / hop
    points = values.astype(np.float32)
    return (points[:-1, None] + np.diff(points)[:, None] * way).ravel()


def _read(
    table: np.ndarray, frequencies_hz: np.ndarray, blend: np.ndarray, level: np.ndarray, sample_rate: int
) -> np.ndarray:
    """Read the tables at the given pitch, colour and level (hops + 1,): sound (hops · hop,) float32."""
    hop = round(CONTROL_S * sample_rate)
    step = frequencies_hz * (TABLE / sample_rate)
    bend = np.diff(step)
    # The phase at each control point is the exact sum of the steps before it, kept in float64 and
    # reduced to one period; inside a hop float32 is precise enough (a hop holds a few periods).
    first = np.concatenate([[0.0], np.cumsum(hop * step[:-1] + bend * (hop - 1) / 2)])[:-1] % TABLE
    count = np.arange(hop, dtype=np.float32)
    way, half = count / hop, count * (count - 1) / (2 * hop)

    rows = [values.astype(np.float32) for values in (first, step, bend, blend, level)]
    first, step, bend, blend, level = rows
    blend_step, level_step = np.diff(blend), np.diff(level)
    values, steps = table
    sound = np.empty((bend.size, hop), np.float32)
    for start in range(0, bend.size, _HOPS_AT_A_TIME):
        part = slice(start, min(start + _HOPS_AT_A_TIME, bend.size))
        place = step[part, None] * count
        place += bend[part, None] * half
        place += first[part, None]
        index = place.astype(np.int32)
        place -= index
        index &= TABLE - 1
        pair = steps.take(index)
        pair *= place
        pair += values.take(index)
        out = sound[part]
        np.multiply(blend_step[part, None], way, out=out)
        out += blend[part, None]
        out *= pair.imag
        out += pair.real
        np.multiply(level_step[part, None], way, out=place)
        place += level[part, None]
        out *= place
    return sound.ravel()
