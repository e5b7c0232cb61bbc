"""Responses of known truth in families, and what makes a figure of one of them wrong.

Conventions
-----------
Samples are (frames,), full scale 1 only where a family is about it. The truth is an `IdealDecay`: the mean
energy over time, without noise and without what does not belong to the room, integrated in closed form.
Nothing here uses the package: decay times of the truth are fitted by `numpy.polyfit`.

A figure called good is wrong where it lies off the truth by more than four of its own uncertainties *and* by
more than one just-noticeable difference (ISO 3382-1:2009, Table A.1), or where the ideal curve itself is no
straight line: xi over 60 per mille for EDT, 20 for the others, twice what the package doubts. Four: by
chance alone one figure of 16,000 is that far off.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from roomplan.acoustics.figures import BandFigures
    from roomplan.acoustics.response import ChannelFigures

__all__ = ["FAMILIES", "IdealDecay", "MadeResponse", "Wrong", "made_responses", "wrong_figures"]

NEPER_60_DB = 6.0 * np.log(10.0)
SCATTERS = 4.0
NOTICEABLE_SHARE = 0.05  # of a decay time
NOTICEABLE = {"c50_db": 1.0, "c80_db": 1.0, "d50": 0.05, "centre_time_s": 0.010}
BENT_PERMILLE = {"edt_s": 60.0, "t10_s": 20.0, "t20_s": 20.0, "t30_s": 20.0}
SPANS_DB = {"edt_s": (0.0, -10.0), "t10_s": (-5.0, -15.0), "t20_s": (-5.0, -25.0), "t30_s": (-5.0, -35.0)}
OCTAVES_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
RATES = (44_100, 48_000, 48_000, 96_000)


@dataclass(frozen=True)
class Part:
    """Energy that begins at `start_s` and decays; at once with a decay time of 0."""

    energy: float
    start_s: float
    decay_time_s: float


@dataclass(frozen=True)
class IdealDecay:
    """Sum of exponentials and impulses, time 0 the onset; `tail` has T10 to T30 where this has not."""

    parts: tuple[Part, ...]
    tail: IdealDecay | None = None

    def curve(self, time_s: np.ndarray) -> np.ndarray:
        """Energy still to come."""
        result = np.zeros_like(time_s)
        for part in self.parts:
            if part.decay_time_s > 0.0:
                gone = np.maximum(time_s - part.start_s, 0.0)
                result += part.energy * np.exp(-NEPER_60_DB * gone / part.decay_time_s)
            else:
                result += part.energy * (time_s <= part.start_s)
        return result

    @cached_property
    def lines(self) -> dict[str, tuple[float, float]]:
        """Decay time in seconds and xi in per mille over each span."""
        longest = max(part.start_s + 0.7 * part.decay_time_s for part in self.parts)
        time_s = np.linspace(0.0, longest, 60_000)
        level = 10.0 * np.log10(np.maximum(self.curve(time_s), 1e-30))
        level -= level[0]
        found = {}
        for key, (upper, lower) in SPANS_DB.items():
            inside = slice(int(np.argmax(level <= upper)), int(np.argmax(level < lower)))
            if inside.stop - inside.start < 10:  # one step through all of it
                found[key] = (np.nan, np.inf)
                continue
            slope, offset = np.polyfit(time_s[inside], level[inside], 1)
            rest = level[inside] - (slope * time_s[inside] + offset)
            found[key] = (-60.0 / slope, 1000.0 * float(np.mean(rest**2) / np.var(level[inside])))
        return found

    def line(self, key: str) -> tuple[float, float]:
        """Decay time in seconds and xi in per mille."""
        return (self if key == "edt_s" or self.tail is None else self.tail).lines[key]

    def figure(self, key: str) -> float:
        """Value of one of the package's figures."""
        if key in SPANS_DB:
            return self.line(key)[0]
        total = sum(part.energy for part in self.parts)
        if key == "centre_time_s":
            moments = (part.energy * (part.start_s + part.decay_time_s / NEPER_60_DB) for part in self.parts)
            return float(sum(moments) / total)
        late = float(self.curve(np.array([0.08 if key == "c80_db" else 0.05]))[0])
        if key == "d50":
            return (total - late) / total
        return float(10.0 * np.log10((total - late) / late)) if 0.0 < late < total else np.inf


@dataclass(frozen=True)
class MadeResponse:
    """A response with its truth per octave, or one for all and for the whole range (key None)."""

    family: str
    seed: int
    samples: np.ndarray
    sample_rate: int
    truth: dict[float | None, IdealDecay]


@dataclass(frozen=True)
class Wrong:
    """A figure called good that is not true."""

    family: str
    seed: int
    band: str
    key: str
    value: float
    true: float
    uncertainty: float | None
    true_xi_permille: float | None


def wrong_figures(made: MadeResponse, found: ChannelFigures) -> tuple[list[Wrong], int]:
    """Wrong ones among the figures called good, and how many are called good."""
    wrong: list[Wrong] = []
    good = 0
    for band, truth in judged_bands(made, found):
        for key, doubt in band.doubt.items():
            if doubt.verdict != "good":
                continue
            good += 1
            value, true = getattr(band, key), truth.figure(key)
            xi = truth.line(key)[1] if key in SPANS_DB else None
            least = NOTICEABLE.get(key, NOTICEABLE_SHARE * true)
            off = abs(value - true) > max(SCATTERS * (doubt.uncertainty or 0.0), least)
            if off or (xi is not None and xi > BENT_PERMILLE[key]):
                wrong.append(
                    Wrong(made.family, made.seed, band.label, key, value, true, doubt.uncertainty, xi)
                )
    return wrong, good


def judged_bands(made: MadeResponse, found: ChannelFigures) -> Iterator[tuple[BandFigures, IdealDecay]]:
    """Bands of known truth."""
    for band in (*found.decay.bands, found.broadband, found.a_weighted):
        truth = made.truth.get(band.centre_hz)
        if truth is None and band.centre_hz is not None and len(made.truth) == 1:
            truth = made.truth.get(None)
        if truth is not None:
            yield band, truth


# ---------------------------------------- building blocks


def _noise(rng: np.random.Generator, count: int, tilt_db: float = 0.0) -> np.ndarray:
    """Gaussian noise, its spectrum falling by `tilt_db` an octave, of variance 1."""
    if tilt_db == 0.0:
        return rng.normal(size=count)
    spectrum = np.fft.rfft(rng.normal(size=count))
    position = np.maximum(np.arange(spectrum.size), max(1.0, count / 2400.0))
    shaped = np.fft.irfft(spectrum * position ** (-tilt_db / 6.0206), count)
    return shaped / shaped.std()


def _envelope(decay_time_s: float, count: int, rate: int) -> np.ndarray:
    return np.exp(-0.5 * NEPER_60_DB * np.arange(count) / rate / decay_time_s)


def _exponential(decay_time_s: float, rate: int, energy: float = 1.0) -> Part:
    """Part for noise of variance `energy` at time 0."""
    return Part(energy * rate * decay_time_s / NEPER_60_DB, 0.0, decay_time_s)


def _time(rng: np.random.Generator, least: float = 0.25, most: float = 4.0) -> float:
    return float(least * (most / least) ** rng.uniform())


def _rate(rng: np.random.Generator) -> int:
    return int(rng.choice(RATES))


def _decay(
    rng: np.random.Generator, *, lasting: float = 1.3, least: float = 0.25, most: float = 3.0
) -> tuple[np.ndarray, int, float]:
    """Plain decay, its rate and its decay time; every other one is tilted like a room's."""
    rate, decay_time = _rate(rng), _time(rng, least, most)
    count = round(lasting * decay_time * rate)
    tilt = float(rng.choice([0.0, 0.0, 1.5, 3.0]))
    return _noise(rng, count, tilt) * _envelope(decay_time, count, rate), rate, decay_time


def _plain_truth(decay_time_s: float, rate: int) -> dict[float | None, IdealDecay]:
    return {None: IdealDecay((_exponential(decay_time_s, rate),))}


def _floor(rng: np.random.Generator, count: int, level_db: float, tilt_db: float = 0.0) -> np.ndarray:
    return _noise(rng, count, tilt_db) * 10.0 ** (-level_db / 20.0)


Made = tuple[np.ndarray, int, dict[float | None, IdealDecay]]


# ---------------------------------------- families


def _plain(rng: np.random.Generator) -> Made:
    sound, rate, decay_time = _decay(rng)
    return sound, rate, _plain_truth(decay_time, rate)


def _noisy(rng: np.random.Generator) -> Made:
    sound, rate, decay_time = _decay(rng, lasting=1.6, most=2.5)
    level_db, tilt = rng.uniform(30.0, 75.0), float(rng.choice([0.0, 3.0]))
    return sound + _floor(rng, sound.size, level_db, tilt), rate, _plain_truth(decay_time, rate)


def _echoes(rng: np.random.Generator) -> Made:
    """A direct sound, and one to three echoes 20 to 300 ms late.

    They are from 15 dB under to 3 dB over the energy of the reverberation: one sample, or a diffuse burst
    that decays by 60 dB within 20 to 100 ms.
    """
    rate, decay_time = _rate(rng), _time(rng, 0.2, 2.0)
    count = round((1.3 * decay_time + 0.4) * rate)
    sound = rng.normal(size=count) * _envelope(decay_time, count, rate)
    parts = [_exponential(decay_time, rate)]
    reverberation = parts[0].energy
    direct = reverberation * 10.0 ** (rng.uniform(-15.0, 0.0) / 10.0)
    sound[0] = np.sqrt(direct)
    parts.append(Part(direct, 0.0, 0.0))
    for _ in range(int(rng.integers(1, 4))):
        start = int(rng.uniform(0.02, 0.3) * rate)
        energy = reverberation * 10.0 ** (rng.uniform(-15.0, 3.0) / 10.0)
        if rng.uniform() < 0.5:
            sound[start] += rng.choice([-1.0, 1.0]) * np.sqrt(energy)
            parts.append(Part(energy, start / rate, 0.0))
            continue
        lasting = float(rng.uniform(0.02, 0.1))
        burst = rng.normal(size=count - start) * _envelope(lasting, count - start, rate)
        sound[start:] += burst * np.sqrt(energy / _exponential(lasting, rate).energy)
        parts.append(Part(energy, start / rate, lasting))
    return sound, rate, {None: IdealDecay(tuple(parts))}


def _weak_bands(rng: np.random.Generator) -> Made:
    """Octaves of their own level and decay time, two of them 5 to 45 dB under their neighbours.

    Below 250 Hz the edges of the made bands ring too long for a truth of an octave.
    """
    rate = int(rng.choice([44_100, 48_000]))
    usual = _time(rng, 0.4, 1.2)
    count = 4800 * int(np.ceil(6.4 * usual * rate / 4800))  # a length that transforms fast
    ahead = count // 2  # what the bands' edges ring ahead must not come round to the end
    frequencies = np.fft.rfftfreq(count, 1.0 / rate)
    sound, truth = np.zeros(count), {}
    centres = [hz for hz in OCTAVES_HZ if hz >= 63.0 and hz * 2**0.5 < 0.5 * rate]
    weak = set(rng.choice(centres[1:-1], size=2, replace=False))
    for centre in centres:
        decay_time = usual * float(rng.uniform(0.8, 1.25))
        level_db = float(rng.uniform(-3.0, 3.0))
        if centre in weak:
            decay_time = usual * float(rng.choice([0.35, 0.5, 2.0, 3.0]))
            level_db = -float(rng.choice([rng.uniform(5.0, 20.0), rng.uniform(20.0, 45.0)]))
        band = np.zeros(count)
        band[ahead:] = rng.normal(size=count - ahead) * 10.0 ** (level_db / 20.0)
        band[ahead:] *= _envelope(decay_time, count - ahead, rate)
        exact = 1000.0 * 10.0 ** (0.3 * round(np.log2(centre / 1000.0)))
        octaves = np.log2(np.maximum(frequencies, 1e-3) / exact)
        edge = np.clip((0.5 - np.abs(octaves)) / 0.08 + 0.5, 0.0, 1.0)  # as one with its neighbours in power
        band = np.fft.irfft(np.fft.rfft(band) * np.sin(0.5 * np.pi * edge), count)
        sound += band
        if centre >= 250.0:
            truth[centre] = IdealDecay((_exponential(decay_time, rate),))
    return sound[ahead:], rate, truth


def _pre_delays(rng: np.random.Generator) -> Made:
    """Silence or a faint noise of 5 to 500 ms ahead."""
    sound, rate, decay_time = _decay(rng, lasting=1.5)
    lead = np.zeros(round(rng.uniform(0.005, 0.5) * rate))
    whole = np.concatenate([lead, sound])
    if rng.uniform() < 0.6:
        whole += _floor(rng, whole.size, rng.uniform(35.0, 80.0))
    return whole, rate, _plain_truth(decay_time, rate)


def _late_peaks(rng: np.random.Generator) -> Made:
    """A decay in which a later arrival is so loud that what comes before lies 20 dB under it.

    By ISO 3382-1 time 0 is that arrival. The truth goes by that for T10, T20 and T30, and for all else where
    less than a twentieth of the energy lies ahead of it; otherwise what is early is so in the whole sound.
    """
    rate, decay_time = _rate(rng), _time(rng, 0.4, 3.0)
    count = round((1.3 * decay_time + 0.2) * rate)
    sound = rng.normal(size=count) * _envelope(decay_time, count, rate)
    start = int(rng.uniform(0.03, 0.2) * rate)
    height = float(np.abs(sound[: start + 1]).max()) * 10.0 ** (rng.uniform(20.0, 35.0) / 20.0)
    sound[start] = height
    whole = _exponential(decay_time, rate)
    left = whole.energy * np.exp(-NEPER_60_DB * start / rate / decay_time)
    truth = IdealDecay((Part(left, 0.0, decay_time), Part(height**2, 0.0, 0.0)))
    if whole.energy - left >= 0.05 * (whole.energy + height**2):
        truth = IdealDecay((whole, Part(height**2, start / rate, 0.0)), truth)
    return sound, rate, {None: truth}


def _two_slopes(rng: np.random.Generator) -> Made:
    rate = _rate(rng)
    first, ratio = _time(rng, 0.25, 1.2), rng.uniform(1.5, 4.0)
    second, level_db = first * ratio, -rng.uniform(5.0, 40.0)
    count = round(1.3 * second * rate)
    late = rng.normal(size=count) * _envelope(second, count, rate) * 10.0 ** (level_db / 20.0)
    sound = rng.normal(size=count) * _envelope(first, count, rate) + late
    parts = (_exponential(first, rate), _exponential(second, rate, 10.0 ** (level_db / 10.0)))
    return sound, rate, {None: IdealDecay(parts)}


def _drop_outs(rng: np.random.Generator) -> Made:
    """10 to 100 ms missing: exact zeros, a held sample, or what a converter leaves of zeros."""
    sound, rate, decay_time = _decay(rng, lasting=1.4)
    if rng.uniform() < 0.5:
        sound += _floor(rng, sound.size, rng.uniform(50.0, 80.0))
    start = round(rng.uniform(0.012, 0.012 + 0.5 * decay_time) * rate)
    stop = start + round(rng.uniform(0.01, 0.1) * rate)
    kind = rng.integers(0, 4)
    if kind == 0:
        sound[start:stop] = sound[start]
    elif kind == 1:
        sound[start:stop] *= 10.0 ** (-rng.uniform(45.0, 90.0) / 20.0)
    else:
        sound[start:stop] = 0.0
    return sound, rate, _plain_truth(decay_time, rate)


def _slams(rng: np.random.Generator) -> Made:
    """A foreign burst of 20 to 150 ms, dull or white, 5 to 20 dB over the decay, 3 to 40 dB down."""
    sound, rate, decay_time = _decay(rng, lasting=1.4, least=0.4)
    sound += _floor(rng, sound.size, rng.uniform(50.0, 80.0))
    start = round(rng.uniform(3.0, 40.0) / 60.0 * decay_time * rate)
    count = round(rng.uniform(0.02, 0.15) * rate)
    burst = _noise(rng, count, float(rng.choice([0.0, 3.0, 6.0]))) * np.hanning(count)
    power = np.exp(-NEPER_60_DB * start / rate / decay_time) * 10.0 ** (rng.uniform(5.0, 20.0) / 10.0)
    sound[start : start + count] += burst * np.sqrt(power / np.mean(burst**2))
    return sound, rate, _plain_truth(decay_time, rate)


def _clicks(rng: np.random.Generator) -> Made:
    """One to four foreign clicks, each as strong as 0.1 to 3 times what is left of the decay."""
    sound, rate, decay_time = _decay(rng, lasting=1.4)
    sound += _floor(rng, sound.size, rng.uniform(50.0, 80.0))
    for _ in range(int(rng.integers(1, 5))):
        start = round(rng.uniform(5.0, 40.0) / 60.0 * decay_time * rate)
        left = rate * decay_time / NEPER_60_DB * np.exp(-NEPER_60_DB * start / rate / decay_time)
        sound[start] += rng.choice([-1.0, 1.0]) * np.sqrt(left * 10.0 ** rng.uniform(-1.0, 0.5))
    return sound, rate, _plain_truth(decay_time, rate)


def _clips(rng: np.random.Generator) -> Made:
    """Flat tops at full scale, or turned down after they were made; up to 12 dB of overload."""
    sound, rate, decay_time = _decay(rng)
    sound *= 10.0 ** (rng.uniform(-3.0, 12.0) / 20.0) / np.abs(sound).max()
    sound = np.clip(sound, -1.0, 1.0)
    if rng.uniform() < 0.5:
        sound *= rng.uniform(0.3, 0.99)
    return sound, rate, _plain_truth(decay_time, rate)


def _hum(rng: np.random.Generator) -> Made:
    """50 or 60 Hz with harmonics, 25 to 60 dB under the decay's start, over a floor."""
    sound, rate, decay_time = _decay(rng, lasting=1.8, most=2.0)
    sound += _floor(rng, sound.size, rng.uniform(50.0, 80.0))
    base, level_db = float(rng.choice([50.0, 60.0])), rng.uniform(25.0, 60.0)
    time_s = np.arange(sound.size) / rate
    for k in range(1, 11):
        height = np.sqrt(2.0) * 10.0 ** (-level_db / 20.0) / k
        sound += height * np.sin(2.0 * np.pi * base * k * time_s + rng.uniform(0.0, 2.0 * np.pi))
    return sound, rate, _plain_truth(decay_time, rate)


def _fades(rng: np.random.Generator) -> Made:
    """Cut or faded 25 to 70 dB down, with silence, dither or nothing behind."""
    sound, rate, decay_time = _decay(rng, lasting=1.3)
    end = round(rng.uniform(25.0, 70.0) / 60.0 * decay_time * rate)
    length = round(float(rng.choice([0.0, 0.05, 0.2, 0.5])) * end)
    share = np.arange(length) / max(1, length)
    sound = sound[:end].copy()
    sound[end - length :] *= 1.0 - share if rng.uniform() < 0.5 else np.cos(0.5 * np.pi * share)
    behind = rng.integers(0, 3)
    if behind:
        sound = np.concatenate([sound, np.zeros(round(rng.uniform(0.2, 1.0) * rate))])
    if behind == 2:
        sound += _floor(rng, sound.size, rng.uniform(75.0, 100.0))
    return sound, rate, _plain_truth(decay_time, rate)


def _sample_rates(rng: np.random.Generator) -> Made:
    """Plain over a floor, from 8 to 192 kHz, in 16 bits every other time."""
    rate = int(rng.choice([8_000, 11_025, 16_000, 22_050, 32_000, 88_200, 176_400, 192_000]))
    decay_time = _time(rng, 0.2, 1.5)
    count = round(1.5 * decay_time * rate)
    sound = rng.normal(size=count) * _envelope(decay_time, count, rate)
    sound += _floor(rng, count, rng.uniform(45.0, 90.0))
    if rng.uniform() < 0.5:
        sound = np.round(sound / np.abs(sound).max() * 32_000.0) / 32_768.0
    return sound, rate, _plain_truth(decay_time, rate)


FAMILIES: dict[str, Callable[[np.random.Generator], Made]] = {
    "plain": _plain,
    "noise": _noisy,
    "echoes": _echoes,
    "weak bands": _weak_bands,
    "pre-delays": _pre_delays,
    "late peaks": _late_peaks,
    "two slopes": _two_slopes,
    "drop-outs": _drop_outs,
    "slams": _slams,
    "clicks": _clicks,
    "clips": _clips,
    "hum": _hum,
    "fades": _fades,
    "sample rates": _sample_rates,
}


def made_responses(family: str, count: int, *, first: int = 0) -> Iterator[MadeResponse]:
    """Responses of one family by seed, the same ones in every run."""
    for seed in range(first, first + count):
        rng = np.random.default_rng([list(FAMILIES).index(family), seed])
        samples, rate, truth = FAMILIES[family](rng)
        yield MadeResponse(family, seed, samples, rate, truth)
