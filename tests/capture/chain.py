"""A measuring chain made by numpy: room, loudspeaker, air, recorder, and what goes wrong between them.

The clocks are exact: a recording is the finite Fourier series of what was played, read at other times, which
has no error of a resampler's filter. The loudspeaker distorts at four times the rate, so nothing folds back.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from roomplan.capture.recording import ArrayRecording
from roomplan.capture.sequence import sequence_samples


def decaying_room(seed, *, rate=48_000, decay_s=0.4, channels=2, seconds=None, direct_s=0.004, direct=1.0):
    """(2 sides, channels, frames): direct sounds a little apart, and a decaying noise after them."""
    rng = np.random.default_rng(seed)
    frames = round((seconds or 1.6 * decay_s) * rate)
    room = np.zeros((2, channels, frames))
    times = np.arange(frames) / rate
    for side in range(2):
        for channel in range(channels):
            # the near microphone hears its own side first and louder
            across = side != channel % 2
            first = round((direct_s + 0.0007 * across) * rate)
            noise = rng.normal(size=frames) * 10.0 ** (-3.0 * (times - times[first]) / decay_s)
            late = first + round(0.003 * rate)
            room[side, channel, late:] = 0.05 * noise[late:]
            room[side, channel, first] = direct * (0.8 if across else 1.0)
    return room


@dataclass
class Chain:
    """What lies between a sequence and its recording."""

    room: np.ndarray
    second: float = 0.0  # y = x + second x² + third x³
    third: float = 0.0
    latency_s: float = 0.5
    drift_ppm: float = 0.0
    noise_db: float | None = None  # under the loudest channel's RMS during the sweeps
    rate: int | None = None  # of the recorder
    bits: int | None = None
    peak: float = 0.4
    after_s: float = 0.5
    seed: int = 1
    faults: list = field(default_factory=list)  # functions (samples, rate) → samples


class Recorded(NamedTuple):
    """A recording, the clock error it really had, and the gain of the chain for small and large signals."""

    recording: ArrayRecording
    clock: float
    gain: float
    periods: tuple[int, int]  # frames of the same time for the player and for the recorder


def expected(room, inverse, recorded):
    """Room (sides, channels, n) as a perfect capture gives it: by the recorder's clock, within the band."""
    frames, taken = recorded.periods
    padded = np.zeros((*room.shape[:2], frames))
    padded[..., : room.shape[2]] = room
    # a response is a density: at another rate its values are as much smaller as there are more of them
    here = exactly(padded, taken) * (recorded.gain * frames / taken)
    size = inverse.frames
    target = np.zeros((*room.shape[:2], size))
    # what rings ahead of time 0 is at the end of its period
    half = min(size, taken) // 2
    target[..., :half], target[..., -half:] = here[..., :half], here[..., -half:]
    return np.fft.irfft(np.fft.rfft(target) * inverse.target, size)


def exactly(samples, frames):
    """Finite Fourier series of samples (…, n), read at `frames` points of the same period."""
    spectrum = np.fft.rfft(samples)
    lines = frames // 2 + 1
    kept = np.zeros((*samples.shape[:-1], lines), complex)
    most = min(lines, spectrum.shape[-1]) - 1
    kept[..., :most] = spectrum[..., :most]
    return np.fft.irfft(kept, frames) * (frames / samples.shape[-1])


def distorted(played, chain):
    if not (chain.second or chain.third):
        return played
    fine = exactly(played, 4 * played.shape[-1])
    fine += chain.second * fine**2 + chain.third * fine**3
    return exactly(fine, played.shape[-1])


def recorded(sequence, chain):
    """Recording of a sequence through a chain, and the clock error it really had."""
    rate = sequence.sweep.rate
    played = np.concatenate(list(sequence_samples(sequence))).T
    frames = played.shape[1] + chain.room.shape[2] + round((chain.latency_s + chain.after_s) * rate)
    frames += -frames % 2000
    padded = np.zeros((2, frames))
    late = round(chain.latency_s * rate)
    padded[:, late : late + played.shape[1]] = played
    sound = np.fft.rfft(distorted(padded, chain))
    rooms = np.fft.rfft(chain.room, frames)
    heard = np.einsum("sl,scl->cl", sound, rooms)
    own = chain.rate or rate
    taken = round(frames * own / rate * (1.0 + 1e-6 * chain.drift_ppm))
    samples = exactly(np.fft.irfft(heard, frames), taken)
    gain = chain.peak / np.max(np.abs(samples))
    samples = gain * samples
    rng = np.random.default_rng(chain.seed)
    if chain.noise_db is not None:
        first = round((chain.latency_s + sequence.lead_seconds) * own)
        loud = samples[:, first : first + sequence.sweep.frames() * own // rate]
        rms = np.sqrt(np.max(np.mean(loud**2, axis=1)))
        samples = samples + rng.normal(size=samples.shape) * rms * 10.0 ** (-chain.noise_db / 20.0)
    samples = samples.T
    for fault in chain.faults:
        samples = fault(samples, own)
    if chain.bits is not None:
        step = 2.0 ** (1 - chain.bits)
        dither = rng.random(samples.shape) - rng.random(samples.shape)
        samples = np.clip(np.round(samples / step + dither) * step, -1.0, 1.0 - step)
    linear = gain * (1.0 + 0.75 * chain.third * sequence.sweep.amplitude**2)
    clock = taken * rate / (frames * own) - 1.0
    return Recorded(ArrayRecording(samples, own), clock, linear, (frames, taken))


# ---------------------------------------- what goes wrong: functions (samples, rate) → samples


def dropout(at_s, frames):
    return lambda samples, rate: np.delete(samples, slice(round(at_s * rate), round(at_s * rate) + frames), 0)


def inserted(at_s, frames):
    """A block that a driver played twice."""

    def fault(samples, rate):
        at = round(at_s * rate)
        return np.concatenate([samples[:at], samples[at - frames : at], samples[at:]])

    return fault


def clipped(below_db):
    """Hard clipping some decibels under the peak."""

    def fault(samples, _rate):
        ceiling = np.max(np.abs(samples)) * 10.0 ** (-below_db / 20.0)
        return np.clip(samples, -ceiling, ceiling)

    return fault


def knock(at_s, level=0.1, decay_s=0.02, seed=5):
    """A chair: a decaying noise, in all channels."""

    def fault(samples, rate):
        rng = np.random.default_rng(seed)
        times = np.arange(round(8 * decay_s * rate)) / rate
        sound = level * rng.normal(size=times.size) * np.exp(-times / decay_s)
        made = samples.copy()
        at = round(at_s * rate)
        made[at : at + sound.size] += sound[: len(made) - at, None]
        return made

    return fault


def automatic_gain(release_s=1.0, range_db=12.0, threshold=0.02):
    """Gain that falls at once where it is loud and comes back slowly."""

    def fault(samples, rate):
        width = round(0.01 * rate)
        count = len(samples) // width
        loud = np.max(np.abs(samples[: count * width]).reshape(count, -1), axis=1)
        gain_db = np.zeros(count)
        here = 0.0
        for block in range(count):
            wanted = -range_db if loud[block] > threshold else 0.0
            share = 0.5 if wanted < here else 0.01 / release_s
            here += share * (wanted - here)
            gain_db[block] = here
        gain = 10.0 ** (np.interp(np.arange(len(samples)), (np.arange(count) + 0.5) * width, gain_db) / 20.0)
        return samples * gain[:, None]

    return fault


def gate(threshold=0.02, depth_db=40.0):
    """Noise suppression: what is quiet is made much quieter."""

    def fault(samples, rate):
        width = round(0.02 * rate)
        count = len(samples) // width
        loud = np.max(np.abs(samples[: count * width]).reshape(count, -1), axis=1)
        gain_db = np.where(loud > threshold, 0.0, -depth_db)
        gain = 10.0 ** (np.interp(np.arange(len(samples)), (np.arange(count) + 0.5) * width, gain_db) / 20.0)
        return samples * gain[:, None]

    return fault
