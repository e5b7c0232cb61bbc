"""Energy of the diffuse field over time and frequency: what the image sources of a room leave over.

Conventions
-----------
Energies are those of `roomplan.rooms.field`, at the centres of `roomplan.rooms.narrow_bands`. Times count
from the sound's emission, in s. Octaves are 63 Hz to 8 kHz.

How
---
A room's file states what an octave filter measures. Where the decay time falls over frequency, such a filter
hears the slow end of its band for longer and reads long. `LateField` therefore stretches the decays, by
factors that are a smooth curve over the octaves, until the expected T30 behind each filter is the one asked
for. It knows the model, never the draw: correcting one draw would bend its slope. The filter is of order 4,
between the order 3 that just meets class 1 of IEC 61260-1 and the steep ones of other programs.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.bands import exact_mid_band
from roomplan.rooms.diffuse import TOP_HZ, octave_magnitude
from roomplan.rooms.field import field_at, fitted_t30
from roomplan.rooms.narrow_bands import band_centres, frequencies_of, window_of
from roomplan.rooms.smooth_curves import monotone_curve
from roomplan.rooms.spec import BAND_CENTRES_HZ

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from roomplan.rooms.field import FieldDecay
    from roomplan.rooms.spec import RoomSpecification

    Array = NDArray[np.float64]

__all__ = ["LateField", "late_field"]

LOWEST_HZ = 20.0  # bands below it decay as it does
MOMENTS = 257  # of a decay, denser towards its beginning; between, straight lines in dB
FINE_PER_BAND = 4  # frequencies of a band at which an octave filter is weighed
FAINTEST = 1e-6  # share of the best heard band's energy
TURNS = 4
MOST_STRETCH = 1.25


@dataclass(frozen=True, slots=True)
class LateField:
    """Energy of every band that is not in images.

    Attributes
    ----------
    moments_s : ndarray, shape (moments,)
        From emission.
    whole : ndarray, shape (bands, moments)
        Natural logarithm of the energy density of all sound.
    mirrored : ndarray, shape (bands, first moments)
        … of what image sources hold, as long as they are heard.
    stretch : ndarray, shape (bands,)
        Of the decay time, of the whole.
    """

    moments_s: Array
    whole: Array
    mirrored: Array
    stretch: Array

    def left_over(self, band: int, emitted_s: Array, heard: Array) -> Array:
        """Energy density of a band at times after emission, the images' share `heard` of it taken off."""
        stretch = self.stretch[band]
        whole = np.exp(np.interp(emitted_s / stretch, self.moments_s, self.whole[band])) / stretch
        early_s = self.moments_s[: self.mirrored.shape[1]]
        mirrored = np.exp(np.interp(emitted_s, early_s, self.mirrored[band])) * heard
        return np.maximum(whole - mirrored, 0.0)


def late_field(spec: RoomSpecification, *, images_end_s: float, end_s: float) -> LateField:
    """Late field of a room in the bands up to `diffuse.TOP_HZ`.

    Parameters
    ----------
    images_end_s, end_s : float
        When the last image and the response end, after emission.
    """
    frequencies = np.maximum(band_centres(TOP_HZ), LOWEST_HZ)
    decays, images = field_at(spec, frequencies)
    slowest_s = max(spec.reverberation_time_s.values())
    moments = max(end_s, slowest_s) * MOST_STRETCH * np.linspace(0.0, 1.0, MOMENTS) ** 2
    whole, to_come = (np.stack(curves) for curves in zip(*(_curves(d, moments) for d in decays), strict=True))
    early = moments[: int(np.searchsorted(moments, images_end_s)) + 1]
    mirrored = np.stack([_curves(image, early)[0] for image in images])
    return LateField(moments, whole, mirrored, _stretch(spec, frequencies, moments, to_come))


def _curves(decay: FieldDecay, moments_s: Array) -> tuple[Array, Array]:
    """Logarithms of a decay's density, and of the energy still to come, at moments."""
    falls = np.exp(-np.multiply.outer(moments_s, decay.rates))
    density, to_come = falls @ decay.weights, falls @ (decay.weights / decay.rates)
    return np.log(np.maximum(density, 1e-300)), np.log(np.maximum(to_come, 1e-300))


def _stretch(spec: RoomSpecification, frequencies: Array, moments_s: Array, to_come: Array) -> Array:
    """Factors on the decay times of bands that make octave filters read the times asked for."""
    mids = np.log([exact_mid_band(centre) for centre in BAND_CENTRES_HZ])
    weights = _heard_by_octaves(len(frequencies))
    factors = np.ones(len(mids))
    for _turn in range(TURNS):
        stretch = monotone_curve(mids, factors, np.log(frequencies), end_slopes=(0.0, 0.0))
        for octave, centre in enumerate(BAND_CENTRES_HZ):
            time = spec.reverberation_time_s[centre]
            clock = np.linspace(0.0, time, MOMENTS)
            energy = np.zeros(MOMENTS)
            for band in np.flatnonzero(weights[octave]):
                curve = np.interp(clock / stretch[band], moments_s, to_come[band])
                energy += weights[octave, band] * np.exp(curve)
            factors[octave] *= time / fitted_t30(clock, energy)
        factors = np.clip(factors, 1.0 / MOST_STRETCH, MOST_STRETCH)
    return monotone_curve(mids, factors, np.log(frequencies), end_slopes=(0.0, 0.0))


@cache
def _heard_by_octaves(bands: int) -> Array:
    """Width in hertz that each octave filter hears of each band, (octaves, bands); faint ones are 0."""
    places = np.arange((bands - 1) * FINE_PER_BAND + 1) / FINE_PER_BAND
    frequencies = frequencies_of(places)
    hertz = np.gradient(frequencies)
    shares = np.stack([window_of(band, places) for band in range(bands)])
    heard = np.stack([octave_magnitude(frequencies, centre) ** 2 for centre in BAND_CENTRES_HZ])
    weights = (heard * hertz) @ shares.T
    return np.where(weights > FAINTEST * np.max(weights, axis=1, keepdims=True), weights, 0.0)
