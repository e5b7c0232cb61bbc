"""Direct sound and early reflections of a seat, as a set-up of microphones hears them.

Conventions
-----------
Planar inside, (frames, channels) outside, float64. Channels are source by source and, for each, output by
output. Times as in `roomplan.rooms.synthesis`: τ from emission, frame 0 at `origin_s`. Amplitude 1.0 is the
direct sound at 10 m.

How
---
Spectra are written down line by line: every image is exp(Σ hits · wall + distance · air − iωτ) over its
distance, where wall, air and what a source sends less to its sides are complex logarithms of minimum phase.
An arrival thus falls on its own fraction of a sample and nothing of it comes ahead of its time. Losses are
those of each line's own frequency.

Measured
--------
A symmetric low-pass cost the first arrival 0.1 dB of what rang ahead of frame 0.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.room_formulas import ENERGY_DB, REFERENCE_DISTANCE_M, mixing_time
from roomplan.rooms.coherence import CENTRE_GAIN, microphone_aims
from roomplan.rooms.diffuse import TOP_TAPER, high_pass
from roomplan.rooms.geometry import PATTERNS, setup_middle
from roomplan.rooms.images import emission_cosines, image_sources, panel_shares, with_panels
from roomplan.rooms.minimum_phase import minimum_phase
from roomplan.rooms.walls import air_db_per_m, decay_stretch, losses_at, scattering_losses
from roomplan.scipy_kernels import next_fast_len

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from roomplan.rooms.directivity import Directivity
    from roomplan.rooms.images import ImageSources
    from roomplan.rooms.spec import MicrophoneSetup, RoomSpecification

    Array = NDArray[np.float64]
    Spectrum = NDArray[np.complex128]

__all__ = ["LOWEST_HZ", "EarlyField", "early_field", "in_time"]

FADING = 1.5  # images fade out between the mixing time, counted from the direct sound, and this multiple
# … and never later than this after the direct sound, for the time it takes: above 444 000 m³. Late enough for
# the first reflection of any room of up to 200 m a side.
LATEST_S = 1.0
# What is scattered once is heard from where it is, less and less up to here after the direct sound: by then
# it is all around. The diffuse field of the same time pays for it, so the early energy of ISO 3382-1, up to
# 80 ms, stays what it was.
SCATTERED_S = 0.08
MARGIN_S = 0.1  # behind the last image, for what walls and the high-pass draw out

LOWEST_HZ = 1.0  # walls are at DC what they are here
LEAST_SHARE = 1e-8  # of the energy that a panel mirrors
LEAST_TOP = 1e-5  # of the amplitude, at half the rate

AT_ONCE = 1 << 20  # spectral lines of images written down together, 16 MB: a long corridor has thousands


@dataclass(frozen=True, slots=True)
class EarlyField:
    """What comes from single directions.

    Attributes
    ----------
    direct, reflected : ndarray, shape (frames, channels)
    first_reflection_s : ndarray, shape (channels,)
        After frame 0.
    origin_s : float
        Time of frame 0 after emission.
    fades_s : (float, float)
        Between these times after emission the images fade out.
    density : float
        Energy per second that all images of the room would bring if nothing were lost: 4πc³τ²/V images a
        second, each of energy (10 m/cτ)².
    frames : int
        That were transformed at once: `MARGIN_S` / 4 more than are kept.
    """

    direct: Array
    reflected: Array
    first_reflection_s: Array
    origin_s: float
    fades_s: tuple[float, float]
    density: float
    frames: int

    @property
    def end_s(self) -> float:
        """When the last image has been heard, after frame 0."""
        return self.fades_s[1] - self.origin_s + MARGIN_S

    @property
    def direct_s(self) -> float:
        """Arrival of the direct sound at the nearest microphone, after emission."""
        return self.fades_s[0] - self._mixed_s

    @property
    def _mixed_s(self) -> float:
        return (self.fades_s[1] - self.fades_s[0]) / (FADING - 1.0)

    def window(self, emitted_s: Array) -> Array:
        """Share of the images' energy that is heard at times after emission."""
        return _fading(emitted_s, self.fades_s)

    def scattered_window(self, emitted_s: Array) -> Array:
        """… and of what is scattered once from where it is: no later, and up to `SCATTERED_S`."""
        end_s = min(SCATTERED_S, FADING * self._mixed_s)
        return _fading(emitted_s, (self.direct_s, self.direct_s + end_s))

    def scattered(self, emitted_s: Array) -> Array:
        """The same without what bodies send ahead of any mirrored sound: that belongs to the direct one."""
        begun = emitted_s >= self.origin_s + float(np.min(self.first_reflection_s))
        return np.where(begun, self.scattered_window(emitted_s), 0.0)


def early_field(
    spec: RoomSpecification,
    setup: MicrophoneSetup,
    points: Array,
    *,
    origin_s: float,
    sample_rate: int,
    directivity: Directivity | None = None,
) -> EarlyField:
    """Direct sound and image sources of one or two sources at a set-up.

    Parameters
    ----------
    points : ndarray, shape (sources, 3)
    origin_s : float
        Time of frame 0 after emission.
    sample_rate : int
        Hz.
    directivity : Directivity, optional
        Of the sources, which face the middle of the main microphones; None radiates to all sides alike.
    """
    speed = spec.sound_speed
    microphones, middle = np.array(setup.positions_m), np.mean(setup.positions_m, axis=0)
    ways_s = np.linalg.norm(points[:, None] - microphones[None], axis=2) / speed
    mixed_s = min(mixing_time(spec.volume_m3, spec.surface_m2), LATEST_S / FADING)
    fades_s = (float(np.min(ways_s)) + mixed_s, float(np.min(ways_s)) + FADING * mixed_s)
    end_s = max(fades_s[1], float(np.max(ways_s))) - origin_s + MARGIN_S
    frames = next_fast_len(math.ceil(end_s * sample_rate))
    lines = _lines(frames, sample_rate)
    walls, air = _log_losses(spec, lines, frames)
    air_of_reflected = air / decay_stretch(spec)
    direct, reflected = np.zeros((2, len(points) * setup.outputs, len(lines)), dtype=complex)
    first = np.full(len(direct), math.inf)
    # From the middle of the set-up, to where any of its microphones hears it.
    apart_m = float(np.linalg.norm(np.ptp(microphones, axis=0)))
    reach_m = max(fades_s[1], float(np.max(ways_s))) * speed + apart_m
    for s, point in enumerate(points):
        images = image_sources(spec.dimensions_m, point, middle, reach_m)
        taken = [walls]
        if spec.panels:
            images = with_panels(spec, images, middle)
            taken.append(_log_panels(spec, point, middle, lines, frames))
        facing = setup_middle(spec, "main") - point
        if directivity is not None:
            taken.append(_off_axis_loss(directivity, lines, frames))
        for m, microphone in enumerate(microphones):
            ways = images.positions_m - microphone
            arrivals_s = np.linalg.norm(ways, axis=1) / speed
            amplitude = _amplitudes(spec, setup, m, images, ways)
            amplitude[1:] *= np.sqrt(_fading(arrivals_s[1:], fades_s))
            nearest_s = float(np.min(arrivals_s[1:])) - origin_s
            met = images.hits.astype(np.float64)
            if directivity is not None:
                off = directivity.off_axis(emission_cosines(images, microphone, facing, spec.panels))
                met = np.column_stack([met, off])
            heard = 1 + np.flatnonzero(amplitude[1:])
            source, mirrored = (
                _spectrum(
                    amplitude[of],
                    met[of],
                    arrivals_s[of] * speed,
                    (np.concatenate(taken), its_air),
                    lines,
                    speed,
                    origin_s,
                )
                for of, its_air in ((np.array([0]), air), (heard, air_of_reflected))
            )
            sides, share = ([m], 1.0) if m < 2 else ([0, 1], CENTRE_GAIN)
            for channel in (s * setup.outputs + side for side in sides):
                direct[channel] += share * source
                reflected[channel] += share * mirrored
                first[channel] = min(first[channel], nearest_s)
    return EarlyField(
        direct=_samples(direct, frames, sample_rate),
        reflected=in_time(reflected, frames, sample_rate=sample_rate),
        first_reflection_s=first,
        origin_s=origin_s,
        fades_s=fades_s,
        frames=frames,
        density=4.0 * math.pi * speed * REFERENCE_DISTANCE_M**2 / spec.volume_m3,
    )


def in_time(spectra: Spectrum, frames: int, *, sample_rate: int) -> Array:
    """Samples (frames, channels) of spectra (channels, lines) of reflected sound."""
    return _samples(spectra * high_pass(_lines(frames, sample_rate)), frames, sample_rate)


def _samples(spectra: Spectrum, frames: int, sample_rate: int) -> Array:
    """Samples, the band ended; what rings ahead of frame 0, between samples, has come round to the end."""
    kept = frames - round(MARGIN_S / 4.0 * sample_rate)
    return np.fft.irfft(spectra * _band_end(spectra.shape[1], frames), frames).T[:kept]


def _lines(frames: int, sample_rate: int) -> Array:
    return np.arange(frames // 2 + 1, dtype=np.float64) * (sample_rate / frames)


def _amplitudes(
    spec: RoomSpecification, setup: MicrophoneSetup, index: int, images: ImageSources, ways: Array
) -> Array:
    """Amplitudes of images at one microphone: distance, pattern, and what the walls have not scattered."""
    distance = np.linalg.norm(ways, axis=1)
    aim = microphone_aims(setup.aims_deg, setup.tilts_deg)[index]
    omni = PATTERNS[setup.pattern]
    pattern = omni + (1.0 - omni) * (ways @ aim) / distance
    losses = scattering_losses(spec)  # those of panels are in their spectra
    kept = np.exp(-0.5 * np.sum(images.hits[:, : len(losses)] * losses, axis=1))
    return kept * pattern * REFERENCE_DISTANCE_M / distance


def _fading(emitted_s: Array, fades_s: tuple[float, float]) -> Array:
    share = np.clip((emitted_s - fades_s[0]) / (fades_s[1] - fades_s[0]), 0.0, 1.0)
    return np.cos(share * (math.pi / 2.0)) ** 2


def _spectrum(
    amplitudes: Array,
    met: Array,
    ways_m: Array,
    losses: tuple[Spectrum, Spectrum],
    lines: Array,
    speed: float,
    origin_s: float,
) -> Spectrum:
    """Spectrum of images together, (lines,): losses on their ways, and delays."""
    taken, air = losses
    a_metre = air - (2j * math.pi / speed) * lines
    start = np.exp((2j * math.pi * origin_s) * lines)
    found = np.zeros(len(lines), dtype=complex)
    several = max(1, AT_ONCE // len(lines))
    for begin in range(0, len(met), several):
        part = slice(begin, begin + several)
        sounds = np.exp(met[part] @ taken + np.multiply.outer(ways_m[part], a_metre))
        found += np.einsum("i,ij->j", amplitudes[part], sounds)
    return found * start


def _log_losses(spec: RoomSpecification, lines: Array, frames: int) -> tuple[Spectrum, Spectrum]:
    """Complex logarithms, minimum phase, of each surface (6, lines) and of a metre of air (lines,)."""
    walls = -0.5 * losses_at(spec, np.maximum(lines, LOWEST_HZ)).by_surface.T
    air = -0.5 / ENERGY_DB * air_db_per_m(spec, lines)
    return minimum_phase(walls, frames), minimum_phase(air[None, :], frames)[0]


def _off_axis_loss(directivity: Directivity, lines: Array, frames: int) -> Spectrum:
    """Complex logarithm, minimum phase, of what a source takes from what it sends backwards, (1, lines)."""
    fall_db = directivity.fall_to_the_back_at(np.maximum(lines, LOWEST_HZ))
    return minimum_phase(-0.5 / ENERGY_DB * fall_db[None, :], frames)


def _log_panels(spec: RoomSpecification, source: Array, middle: Array, lines: Array, frames: int) -> Spectrum:
    """Complex logarithms of going through each panel and of being mirrored by it, (2 · panels, lines)."""
    shares = panel_shares(spec, source, middle, np.maximum(lines, LOWEST_HZ))
    return minimum_phase(0.5 * np.log(np.maximum(shares, LEAST_SHARE)), frames)


def _band_end(lines: int, frames: int) -> Spectrum:
    """Low-pass that ends the band at half the rate; of minimum phase, so it rings behind an arrival."""
    top = round(TOP_TAPER * lines)
    taper = np.ones(lines)
    taper[-top:] = np.maximum(0.5 + 0.5 * np.cos(np.linspace(0.0, math.pi, top)), LEAST_TOP)
    return np.exp(minimum_phase(np.log(taper)[None, :], frames)[0])
