"""How alike microphones, and sources, are in a diffuse field.

Conventions
-----------
Matrices are (frequencies, n, n), complex, Hermitian: element (i, j) is the mean of p_i p_j* when plane waves
of unit energy arrive from every direction alike, so an omnidirectional microphone has 1 on the diagonal and a
cardioid 1/3. Aims are unit vectors.

Sources
-------
Omnidirectional pair: sin(kd)/(kd) (Cook et al., J. Acoust. Soc. Am. 27 (1955) 1072; from memory). First-order
patterns a + (1 − a) n·u: the same mean with the pattern inside, which gives spherical Bessel functions of
order 0 to 2:

    ⟨e⟩ = j0(kd),  ⟨n e⟩ = i j1(kd) d̂,  ⟨n nᵀ e⟩ = j1(kd)/(kd) I − j2(kd) d̂ d̂ᵀ,  e = exp(i k n·d)

Measured
--------
Evening the noise out afterwards moves the coherence by 0.03 at most.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Matrices = NDArray[np.complex128]

__all__ = [
    "diffuse_correlation",
    "diffuse_covariance",
    "factor",
    "heard",
    "microphone_aims",
    "spherical_bessel",
]

_SERIES_BELOW = 2.0
_SERIES_TERMS = 12
CENTRE_GAIN = math.sqrt(0.5)  # a centre microphone goes to both sides at −3 dB


def microphone_aims(aims_deg: tuple[float, ...], tilts_deg: tuple[float, ...]) -> Array:
    """Unit vectors (microphones, 3) of directions right of the stage and above the horizontal, in degrees."""
    aim, tilt = np.radians(aims_deg), np.radians(tilts_deg)
    return np.stack([-np.cos(aim) * np.cos(tilt), np.sin(aim) * np.cos(tilt), np.sin(tilt)], axis=1)


def diffuse_covariance(
    frequencies_hz: Array, positions_m: Array, aims: Array, omni: float, *, sound_speed: float
) -> Matrices:
    """Covariance of microphones of one pattern in a diffuse field.

    Parameters
    ----------
    frequencies_hz : ndarray, shape (frequencies,)
    positions_m : ndarray, shape (n, 3)
    aims : ndarray, shape (n, 3)
    omni : float
        Omnidirectional part a of the pattern.
    sound_speed : float
        m/s.

    Returns
    -------
    ndarray, shape (frequencies, n, n), complex
    """
    count = len(positions_m)
    figure = 1.0 - omni
    found = np.empty((len(frequencies_hz), count, count), dtype=complex)
    for i in range(count):
        for j in range(count):
            way = positions_m[i] - positions_m[j]
            distance = float(np.linalg.norm(way))
            along = way / distance if distance > 0.0 else np.zeros(3)
            x = 2.0 * math.pi * distance / sound_speed * frequencies_hz
            zeroth, first, second = spherical_bessel(x)
            ratio = np.where(x > 1e-6, first / np.maximum(x, 1e-6), 1.0 / 3.0)
            pairs = ((aims[i], along), (aims[j], along), (aims[i], aims[j]))
            ahead_i, ahead_j, turned = (float(a @ b) for a, b in pairs)
            found[:, i, j] = (
                omni * omni * zeroth
                + 1j * omni * figure * (ahead_i + ahead_j) * first
                + figure * figure * (turned * ratio - ahead_i * ahead_j * second)
            )
    return found


def spherical_bessel(x: Array) -> tuple[Array, Array, Array]:
    """Spherical Bessel functions j0, j1 and j2 of x ≥ 0, within 1e-15.

    Closed forms (NIST Digital Library of Mathematical Functions, 10.49.3; from memory); where they cancel,
    the power series (10.53.1; from memory).
    """
    safe = np.maximum(x, _SERIES_BELOW)
    sine, cosine = np.sin(safe) / safe, np.cos(safe)
    first = (sine - cosine) / safe
    forms = (sine, first, 3.0 / safe * first - sine)
    near = x < _SERIES_BELOW
    found = []
    for order, form in enumerate(forms):
        form[near] = _bessel_series(order, x[near])
        found.append(form)
    return found[0], found[1], found[2]


def _bessel_series(order: int, x: Array) -> Array:
    """xⁿ/(2n+1)!! · Σ (−x²/2)ᵏ / (k! (2n+3)(2n+5)…(2n+2k+1))."""
    total = np.ones_like(x)
    for k in range(_SERIES_TERMS, 0, -1):
        total = 1.0 - total * x * x / (2.0 * k * (2 * order + 2 * k + 1))
    return x**order / math.prod(range(1, 2 * order + 2, 2)) * total


def heard(covariance: Matrices) -> Matrices:
    """Covariance of what is heard of one, two or three microphones: the third is a centre, to both sides."""
    count = covariance.shape[1]
    if count < 3:
        return covariance
    fold = np.array([[1.0, 0.0, CENTRE_GAIN], [0.0, 1.0, CENTRE_GAIN]])
    return fold @ covariance @ fold.T


def diffuse_correlation(
    frequencies_hz: Array, positions_m: Array, aims: Array, omni: float, *, sound_speed: float
) -> float:
    """Correlation of the two channels of a set-up in a diffuse field, −1 to 1, all frequencies alike.

    Parameters
    ----------
    frequencies_hz : ndarray, shape (frequencies,)
        Evenly spaced over a band.
    positions_m, aims, omni, sound_speed
        As in `diffuse_covariance`, of two or three microphones.
    """
    covariance = heard(diffuse_covariance(frequencies_hz, positions_m, aims, omni, sound_speed=sound_speed))
    powers = np.sum(covariance.real, axis=0)
    return float(powers[0, 1] / math.sqrt(powers[0, 0] * powers[1, 1]))


def factor(covariance: Matrices) -> Matrices:
    """Lower triangular B with B Bᴴ = covariance for one or two channels, exact where they are one signal."""
    found = np.zeros_like(covariance)
    first = np.sqrt(np.maximum(covariance[:, 0, 0].real, 0.0))
    found[:, 0, 0] = first
    if covariance.shape[1] == 2:
        cross = covariance[:, 1, 0] / np.maximum(first, 1e-12)
        found[:, 1, 0] = cross
        found[:, 1, 1] = np.sqrt(np.maximum(covariance[:, 1, 1].real - np.abs(cross) ** 2, 0.0))
    return found
