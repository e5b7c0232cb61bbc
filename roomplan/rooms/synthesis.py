"""A synthetic room's response: a direct sound, and diffuse noise decaying band by band.

Conventions
-----------
Arrays are (frames, microphones), float64; frame 0 is the arrival of the direct sound at the `main`
microphones. Amplitude 1.0 is the direct sound of an omnidirectional source at 10 m, so energies are those
of the strength G (ISO 3382-1:2009, A.2.1): 10 lg Σh² of a direct sound at 10 m is 0 dB.

Symbols: T reverberation time in s, V volume in m³, r distance in m, t time after the direct sound in s.

Sources
-------
Reflected energy per band: Barron's revised theory, 31200 (T/V) exp(−0.04 r/T) with the direct sound at 10 m
as 1 (Barron and Lee, J. Acoust. Soc. Am. 84 (1988) 618), times the efficiency of the microphone's pattern in
a diffuse field. Direct energy: 100/r². The reflections are shaped by exp(−6.9 t/T) from the direct sound on
but heard from the first reflection on, and hold the theory's whole energy.

Notes
-----
Not done here: discrete early reflections, coherence between near microphones (every microphone is drawn
independently), fractional direct arrivals, scattering, air by temperature and humidity.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from roomplan.rooms.diffuse import (
    BAND_RATES_HZ,
    DECAY_RATE,
    assemble,
    band_noises,
    calibrated_times,
    noise_duration,
)
from roomplan.rooms.geometry import SPEED_OF_SOUND_M_S, find_arrivals, random_efficiency

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from roomplan.plan.model import Seat
    from roomplan.rooms.spec import RoomSpecification

    Array = NDArray[np.float64]

__all__ = ["SyntheticResponse", "synthesise"]

REFERENCE_DISTANCE_M = 10.0
BARRON_DIFFUSE = 31_200.0  # 1600 π / 0.161, rounded by the theory's authors
BARRON_DISTANCE = 0.04  # 6 ln 10 / c per metre, energy

# dB/s by which air alone makes the 16 kHz octave decay faster than the 8 kHz one: ISO 9613-1 at 20 °C, 50 %,
# exact mid-bands, 0.35876 − 0.10391 dB/m (computed with an independent library).
TOP_EXTRA_DB_PER_S = (0.35876 - 0.10391) * SPEED_OF_SOUND_M_S

DECAY_DB = 100.0  # how far the slowest band falls before the end
RISE_S = 0.005  # build-up of the reflections; common practice, no source
FADE_S = 0.01  # at the end, at −100 dB


@dataclass(frozen=True, slots=True)
class SyntheticResponse:
    """Response of one seat at one set-up, its two parts apart and of one length.

    Attributes
    ----------
    direct, reflected : ndarray, shape (frames, microphones), float64
        Their sum is the whole response. Frame 0 is the direct sound's arrival at `main`.
    sample_rate : int
        Hz.
    """

    direct: Array
    reflected: Array
    sample_rate: int


def synthesise(
    spec: RoomSpecification, *, seat: Seat, microphones: str, sample_rate: int
) -> SyntheticResponse:
    """Make the response of a seat in a synthetic room.

    Parameters
    ----------
    spec : RoomSpecification
    seat : Seat
        One that `roomplan.rooms.geometry.seat_fault` accepts; `spec.reference_seat` where none is given.
    microphones : str
        Name of a set-up of the room.
    sample_rate : int
        Hz, 8000 or more.

    Returns
    -------
    SyntheticResponse
        Long enough for the slowest band to fall by 100 dB. Levels are not normalised.

    Notes
    -----
    Deterministic: the same room, seat, set-up and rate give the same samples, and other rates the same
    sound. Time 0 is a little earlier than `main` for a set-up that stands nearer to the source.
    """
    setup = spec.microphones[microphones]
    arrivals = find_arrivals(spec, seat, setup)
    times = _all_times(spec.reverberation_time_s)
    length_s = float(np.max(arrivals.reflected_s)) + max(times.values()) * DECAY_DB / 60.0
    frames = math.ceil(length_s * sample_rate)
    duration_s = noise_duration(length_s + FADE_S)
    count = len(setup.positions_m)

    direct = np.zeros((frames, count))
    at = np.round(arrivals.direct_s * sample_rate).astype(int)
    direct[at, np.arange(count)] = arrivals.direct_gain * REFERENCE_DISTANCE_M / arrivals.distance_m

    # Where on its slope each microphone's decay starts does not matter here: its energy is set below.
    rates = calibrated_times(times, _densities(times, spec, float(np.mean(arrivals.distance_m))))
    decays = {centre: _decay(centre, rate, duration_s) for centre, rate in rates.items()}
    efficiency = random_efficiency(setup.pattern)
    reflected = np.zeros((frames, count))
    for microphone in range(count):
        start_s = float(arrivals.reflected_s[microphone])
        densities = _densities(times, spec, float(arrivals.distance_m[microphone]))
        noises = band_noises(
            duration_s, _generators(spec, seat, microphones, microphone), below_hz=sample_rate / 2.0
        )
        bands = []
        for centre, noise in noises.items():
            shape = _built_up(decays[centre], start_s, BAND_RATES_HZ[centre])
            gain = math.sqrt(densities[centre] * efficiency / float(np.sum(shape * shape)))
            bands.append(noise * shape * gain)
        # Bands ring a little ahead of their first sample: nothing is heard before the first reflection.
        first = math.ceil(start_s * sample_rate)
        reflected[first:, microphone] = assemble(bands, duration_s, sample_rate=sample_rate)[first:frames]
    ending = _ending(sample_rate)
    reflected[-len(ending) :] *= ending[:, None]
    return SyntheticResponse(direct, reflected, sample_rate)


def _all_times(times: Mapping[int, float]) -> dict[int, float]:
    """Reverberation times with the 16 kHz octave, which a room file does not give: 8 kHz and more air."""
    top = 60.0 / (60.0 / times[8000] + TOP_EXTRA_DB_PER_S)
    return {**times, 16_000: top}


def _densities(times: Mapping[int, float], spec: RoomSpecification, distance_m: float) -> dict[int, float]:
    """Reflected energy by band that an omnidirectional microphone gets (Barron's revised theory)."""
    return {
        centre: BARRON_DIFFUSE * time / spec.volume_m3 * math.exp(-BARRON_DISTANCE * distance_m / time)
        for centre, time in times.items()
    }


def _generators(
    spec: RoomSpecification, seat: Seat, microphones: str, microphone: int
) -> Callable[[int], np.random.Generator]:
    """Random generators by band for one microphone: seeded by room, seat (to 1 mm and 0.01°) and set-up."""
    name = int.from_bytes(hashlib.sha256(microphones.encode()).digest()[:4], "big")
    place = (round(seat.distance_m * 1000.0), round((seat.angle_deg % 360.0) * 100.0) % 36_000)
    return lambda centre: np.random.Generator(
        np.random.PCG64(np.random.SeedSequence([spec.seed, *place, name, microphone, centre]))
    )


def _decay(centre: int, rate_s: float, duration_s: float) -> Array:
    """Exponential decay at a band's own rate."""
    frames = round(duration_s * BAND_RATES_HZ[centre])
    return np.exp(np.arange(frames) * (-DECAY_RATE / (rate_s * BAND_RATES_HZ[centre])))


def _built_up(decay: Array, start_s: float, sample_rate: int) -> Array:
    """Decay that builds up within `RISE_S` of the first reflection, as a raised cosine."""
    first, risen = math.ceil(start_s * sample_rate), math.ceil((start_s + RISE_S) * sample_rate)
    shape = decay.copy()
    shape[:first] = 0.0
    since = np.arange(first, risen) / sample_rate - start_s
    shape[first:risen] *= 0.5 - 0.5 * np.cos(since * (math.pi / RISE_S))
    return shape


def _ending(sample_rate: int) -> Array:
    """Raised-cosine gain from 1 to 0 over `FADE_S`."""
    return 0.5 + 0.5 * np.cos(np.linspace(0.0, math.pi, round(FADE_S * sample_rate)))
