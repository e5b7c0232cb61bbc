"""A synthetic room's response: direct sound, image sources, and the diffuse field they dissolve into.

Conventions
-----------
Arrays are (frames, channels), float64. Frame 0 is the earliest arrival of the direct sound at the `main`
microphones. Amplitude 1.0 is the direct sound of an omnidirectional source at 10 m, so energies are those of
the strength G (ISO 3382-1:2009, A.2.1): 10 lg Σh² of a direct sound at 10 m is 0 dB.

Times τ count from the sound's emission, t from frame 0.

How
---
- `early_field`: the source and its images up to the mixing time, each with the walls and the air on its way
  (minimum phase), at its own fraction of a sample, through the pattern of the microphone; panels
  (`roomplan.rooms.panels`) mirror and hide. What walls scatter is missing in them.
- What surfaces and bodies scatter once: many small arrivals from where they are (`roomplan.rooms.scattered`),
  paid for by the diffuse field (`roomplan.rooms.hand_over`).
- The diffuse field: noise with the covariance of the microphones in a diffuse field, each frequency shaped by
  what the mean energy of the room leaves over there when the images' share is taken off
  (`roomplan.rooms.late_field`). So the sum has no step in level or slope where the images end, whatever the
  scattering, and none from one frequency to the next.
- The level needs no setting: mean energy of the images and revised theory are the same thing, 31200 T/V
  exp(−0.04 r/T) with the direct sound at 10 m as 1 (Barron and Lee, J. Acoust. Soc. Am. 84 (1988) 618).

Sources
-------
Mixing time: `roomplan.acoustics.room_formulas.mixing_time`, counted from the direct sound.

Notes
-----
Not done here: diffraction and seat dip, coherence between the diffuse fields of
different seats and of different set-ups, rooms that are not boxes. A directed source gives what is scattered
the colour of its power, not that of the direction in which it left: the points that scatter are on all sides
of it, and what they bring is taken off the diffuse field, which has that colour.

Measured
--------
Over the seats of a chapel the mean energy before, in and after the hand-over stays within 0.8 dB of one
exponential. A mirror-like floor under a seat adds a full second direct sound that no statistics knows:
strength and clarity then lie 0.5 to 1 dB over theory and EDT 5 to 8 % under the time, hence floors scatter
0.7 unless a file says otherwise.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from roomplan.rooms.coherence import diffuse_covariance, factor, heard, microphone_aims
from roomplan.rooms.diffuse import TOP_HZ, noise_duration, noise_lines, without_ends
from roomplan.rooms.early import LOWEST_HZ, EarlyField, early_field, in_time
from roomplan.rooms.field import expected_t30, field_of
from roomplan.rooms.geometry import PATTERNS, source_positions
from roomplan.rooms.hand_over import hand_over
from roomplan.rooms.late_field import late_field
from roomplan.rooms.minimum_phase import minimum_phase
from roomplan.rooms.narrow_bands import RETURN_S, returning, shape
from roomplan.rooms.scattered import scattered_points, scattered_sound

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from roomplan.plan.model import Seat
    from roomplan.rooms.directivity import Directivity
    from roomplan.rooms.hand_over import HandOver
    from roomplan.rooms.late_field import LateField
    from roomplan.rooms.spec import MicrophoneSetup, RoomSpecification

    Array = NDArray[np.float64]
    Matrices = NDArray[np.complex128]
    Lines = NDArray[np.complex128]

__all__ = ["SyntheticResponse", "synthesise"]

DECAY_DB = 100.0  # how far the slowest band falls by its T30 before the end
RISE_S = 0.005  # build-up of the diffuse field behind the first reflection; common practice, no source
POINTS = 1 << 20  # in the seed, in the place of a band's centre: of what scatters
FADE_S = 0.01  # at the end, at −100 dB


@dataclass(frozen=True, slots=True)
class SyntheticResponse:
    """Response of one seat at one set-up, its two parts apart and of one length.

    Attributes
    ----------
    direct, reflected : ndarray, shape (frames, channels), float64
        Their sum is the whole response. One source: one channel per output (1 or 2). Two sources: LL, LR, RL,
        RR (input, output). Every value is one of float32, so that a stored copy is the same.
    sample_rate : int
        Hz.
    """

    direct: Array
    reflected: Array
    sample_rate: int


def synthesise(
    spec: RoomSpecification,
    *,
    seat: Seat,
    microphones: str,
    sources: int,
    sample_rate: int,
    directivity: Directivity | None = None,
) -> SyntheticResponse:
    """Make the response of a seat in a synthetic room.

    Parameters
    ----------
    seat : Seat
        One that `roomplan.rooms.geometry.seat_fault` accepts; `spec.reference_seat` where none is given.
    microphones : str
        Name of a set-up of the room.
    sources : int
        1: the middle of the seat. 2: left and right of it, `seat.spread_m` apart.
    sample_rate : int
        Hz, 8000 or more.
    directivity : Directivity, optional
        Of the sources, which face the middle of the main microphones; None radiates to all sides alike.

    Returns
    -------
    SyntheticResponse
        Long enough for the slowest band to fall by 100 dB, or by 70 and more where materials bend its decay
        (measured over 660 rooms). Levels are not normalised.

    Notes
    -----
    Deterministic: the same room, seat, set-up and rate give the same samples, and other rates the same
    sound. Time 0 is a little earlier than `main` for a set-up that is nearer to the source.
    """
    setup = spec.microphones[microphones]
    points = source_positions(spec, seat, sources)
    origin_s = _origin_s(spec, setup, points)
    early = early_field(
        spec, setup, points, origin_s=origin_s, sample_rate=sample_rate, directivity=directivity
    )
    slowest_s = max(expected_t30(decay) for decay in field_of(spec).decays.values())
    decayed_s = float(np.max(early.first_reflection_s)) + slowest_s * DECAY_DB / 60.0
    frames = math.ceil(max(early.end_s, decayed_s) * sample_rate)
    duration_s = noise_duration(RETURN_S + frames / sample_rate + FADE_S)
    seed = _seed(spec, seat, setup)
    noise = noise_lines(
        duration_s,
        lambda centre: np.random.Generator(np.random.PCG64(np.random.SeedSequence([*seed, centre]))),
        _mixing(spec, setup, points),
        below_hz=sample_rate / 2.0,
    )
    if directivity is not None:
        frequencies = np.maximum(np.arange(noise.shape[1]), 1) / duration_s
        noise = noise * directivity.power_gain_at(frequencies)
    field = late_field(spec, images_end_s=early.fades_s[1], end_s=early.origin_s + duration_s)
    middle = np.mean(setup.positions_m, axis=0)
    scattered = [
        scattered_points(spec, point, middle, np.random.Generator(np.random.PCG64([*seed, POINTS, s])))
        for s, point in enumerate(points)
    ]
    shares = hand_over(spec, scattered, points, middle, early, field)
    late = _diffuse_field(field, shares, early, noise, duration_s, sample_rate=sample_rate)

    spread = scattered_sound(
        spec,
        setup,
        scattered,
        early.scattered,
        origin_s=early.origin_s,
        frames=early.frames,
        sample_rate=sample_rate,
    )
    if directivity is not None:
        spread *= np.exp(_log_power(directivity, early.frames, sample_rate))
    once = math.sqrt(shares.scale) * in_time(spread, early.frames, sample_rate=sample_rate)
    direct, reflected = (_fitted(part, frames) for part in (early.direct, early.reflected + once))
    reflected += late[:frames]
    ending = 0.5 + 0.5 * np.cos(np.linspace(0.0, math.pi, round(FADE_S * sample_rate)))
    reflected[-len(ending) :] *= ending[:, None]
    if sources == 2 and setup.outputs == 1:
        direct, reflected = np.repeat(direct, 2, axis=1), np.repeat(reflected, 2, axis=1)
    return SyntheticResponse(_rounded(direct), _rounded(reflected), sample_rate)


def _log_power(directivity: Directivity, frames: int, sample_rate: int) -> Lines:
    """Complex logarithm, minimum phase, of what a source sends to all sides, (lines,)."""
    lines = np.maximum(np.arange(frames // 2 + 1) * (sample_rate / frames), LOWEST_HZ)
    return minimum_phase(np.log(directivity.power_gain_at(lines))[None, :], frames)[0]


def _rounded(samples: Array) -> Array:
    return samples.astype(np.float32).astype(np.float64)


def _fitted(samples: Array, frames: int) -> Array:
    """Samples of a length: silence behind, or the end cut off."""
    kept = samples[:frames]
    return np.pad(kept, ((0, frames - len(kept)), (0, 0)))


def _origin_s(spec: RoomSpecification, setup: MicrophoneSetup, points: Array) -> float:
    """Time of frame 0 after emission: earliest arrival at `main`, or at the set-up if that is nearer."""
    microphones = np.array([*spec.microphones["main"].positions_m, *setup.positions_m])
    ways = np.linalg.norm(microphones[:, None, :] - points[None, :, :], axis=2)
    return float(np.min(ways)) / spec.sound_speed


def _mixing(spec: RoomSpecification, setup: MicrophoneSetup, points: Array) -> Callable[[Array], Matrices]:
    """Matrices that give noises the covariance of every source at every microphone in a diffuse field."""
    at = np.array(setup.positions_m)
    aims = microphone_aims(setup.aims_deg, setup.tilts_deg)
    everywhere = np.zeros_like(points)

    def matrices(frequencies: Array) -> Matrices:
        speed = spec.sound_speed
        ears = diffuse_covariance(frequencies, at, aims, PATTERNS[setup.pattern], sound_speed=speed)
        # By reciprocity two sources are as alike as two omnidirectional microphones in their places.
        origins = factor(diffuse_covariance(frequencies, points, everywhere, 1.0, sound_speed=speed))
        ears = factor(heard(ears))
        return np.einsum("fab,fcd->facbd", origins, ears).reshape(
            len(frequencies), origins.shape[1] * ears.shape[1], -1
        )

    return matrices


def _diffuse_field(
    field: LateField,
    shares: HandOver,
    early: EarlyField,
    noise: Lines,
    duration_s: float,
    *,
    sample_rate: int,
) -> Array:
    """Shape noise into everything that image sources do not hold, shape (frames, channels), from frame 0."""

    def envelope(band: int, times_s: Array) -> Array:
        since = times_s - RETURN_S
        emitted = np.maximum(since, 0.0) + early.origin_s
        window = early.window(emitted)
        energy = early.density * field.left_over(band, emitted, window)
        energy *= 1.0 - shares.taken[band] * early.scattered_window(emitted)
        return np.sqrt(energy) * returning(since, -RETURN_S, 0.0)

    top_hz = min(sample_rate / 2.0, TOP_HZ)
    lines = shape(noise, duration_s, envelope, top_hz=top_hz)
    frames, lead = round(duration_s * sample_rate), round(RETURN_S * sample_rate)
    late = np.fft.irfft(lines, frames, axis=1)
    clock = (np.arange(frames) - lead) / sample_rate
    for channel, first_s in enumerate(early.first_reflection_s.tolist()):
        late[channel] *= returning(clock, first_s, first_s + RISE_S)
    late = without_ends(late, sample_rate=sample_rate)[:, lead:]
    # The end of the band rings a little ahead: nothing is heard before the first reflection.
    for channel, first_s in enumerate(early.first_reflection_s.tolist()):
        late[channel, : math.ceil(first_s * sample_rate)] = 0.0
    return late.T


def _seed(spec: RoomSpecification, seat: Seat, setup: MicrophoneSetup) -> list[int]:
    """What the noise grows from: room, seat (to 1 mm and 0.01°) and set-up."""
    name = int.from_bytes(hashlib.sha256(setup.name.encode()).digest()[:4], "big")
    return [
        spec.seed,
        round(seat.distance_m * 1000.0),
        round((seat.angle_deg % 360.0) * 100.0) % 36_000,
        name,
    ]
