"""How strongly a source radiates to each side, and to all sides together, against forwards.

Conventions
-----------
The *directivity index* DI of a frequency is the level forwards over that of a source of the same power which
radiates evenly, in dB. Octaves go by their nominal centres, 63 Hz to 16 kHz; between them DI is a smooth
curve, beyond them it is level. Angles are from where the source faces, as cosines.

How
---
Off the axis the level falls by `A · s`, with s from 0 forwards to 1 backwards: (1 − cos θ)/2, even over the
sphere, or its root for a beam. A, the fall to the back, is the one at which the mean power over the sphere is
−DI. So a diffuse field holds exactly the power that image sources take into all directions, and a source is
one curve over frequency times a number for each direction.
"""

from __future__ import annotations

import math
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.bands import exact_mid_band
from roomplan.frozen_classes import frozen_class
from roomplan.rooms.smooth_curves import monotone_curve

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

__all__ = ["DIRECTIVITY_CENTRES_HZ", "Directivity"]

DIRECTIVITY_CENTRES_HZ = (63, 125, 250, 500, 1000, 2000, 4000, 8000, 16_000)

_STEEPEST_DB = 100.0  # fall to the back: no source has as much
_STEPS = 1001  # up to it; straight lines between
_NODES = 48  # of the mean over the sphere


@frozen_class
class Directivity:
    """Directivity of a source that is alike all around its axis.

    Attributes
    ----------
    index_db : tuple of float
        DI of each of `DIRECTIVITY_CENTRES_HZ`, 0 to 13 dB.
    beam : bool
        A narrow lobe forwards and an even rest, as of a bell; else the level falls evenly with cos θ.
    """

    index_db: tuple[float, ...]
    beam: bool

    def index_at(self, frequencies_hz: Array) -> Array:
        """DI at frequencies above 0, in dB."""
        mids = np.log([exact_mid_band(centre) for centre in DIRECTIVITY_CENTRES_HZ])
        return monotone_curve(mids, np.array(self.index_db), np.log(frequencies_hz), end_slopes=(0.0, 0.0))

    def fall_to_the_back_at(self, frequencies_hz: Array) -> Array:
        """Level forwards over that backwards at frequencies above 0, in dB."""
        indices, falls = _falls(beam=self.beam)
        return np.interp(self.index_at(frequencies_hz), indices, falls)

    def power_gain_at(self, frequencies_hz: Array) -> Array:
        """Amplitude of a diffuse field at frequencies above 0, against that of an even source."""
        return 10.0 ** (self.index_at(frequencies_hz) / -20.0)

    def off_axis(self, cosines: Array) -> Array:
        """Share of the fall to the back in directions, 0 forwards to 1 backwards."""
        share = np.clip((1.0 - cosines) / 2.0, 0.0, 1.0)
        return np.sqrt(share) if self.beam else share


@cache
def _falls(*, beam: bool) -> tuple[Array, Array]:
    """Directivity indices and the falls to the back that give them, both rising from 0."""
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    root, weights = (nodes + 1.0) / 2.0, weights / 2.0
    # (1 − cos θ)/2 is even over the sphere: with it as root², its mean is taken where a beam is smooth too.
    share, measure = (root if beam else root**2), 2.0 * root * weights
    falls = np.linspace(0.0, _STEEPEST_DB, _STEPS)
    means = np.exp(-np.multiply.outer(falls * (math.log(10.0) / 10.0), share)) @ measure
    return -10.0 * np.log10(means), falls
