"""How a section meets a response's channels, and the gain that brings its loudness back.

Conventions
-----------
Responses are (frames, channels): 1, 2, or 4 as LL, LR, RL, RR (input, output). A mono response is heard in
both outputs, in whatever wiring.

0 dB of send: independent left and right of power P each return with a power of 2P, both outputs summed.
With path powers kᵢ (out over in, per channel of the response) and one gain g:

- one_source: the source (L+R)/√2 has the power P and meets every microphone: g² P Σk = 2P
- per_channel: L and R, P each, meet one channel each: g² P Σk = 2P
- true_stereo: P each meets two paths: g² P Σk = 2P

so g² = 2/Σk throughout, a mono channel counting twice.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from roomplan.loudness.pink import pink_power

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from roomplan.plan.model import Normalise, Wiring

__all__ = ["choose_wiring", "normalising_gain", "wiring_fault"]

_CHANNELS: dict[Wiring, tuple[int, ...]] = {"one_source": (1, 2), "per_channel": (1, 2), "true_stereo": (4,)}
_NAMES = {1: "mono", 2: "stereo", 4: "true stereo (four channels)"}


def choose_wiring(asked: Wiring | None, *, channels: int, listed: bool, synthetic: bool) -> Wiring:
    """Wiring of one position: the one asked for, else by the kind of response.

    Parameters
    ----------
    asked : str or None
        The room's `wiring`.
    channels : int
        Of the response: 1, 2 or 4.
    listed : bool
        The response stands in a list of positions: it was recorded from one seat.
    synthetic : bool
        The response belongs to one seat of a synthetic room.
    """
    if asked is not None:
        return asked
    if channels == 4:
        return "true_stereo"
    if synthetic or (listed and channels == 2):
        return "one_source"
    return "per_channel"


def wiring_fault(wiring: Wiring, *, channels: int) -> tuple[str, str] | None:
    """Why a wiring does not fit a response, and what would; None when it does."""
    if channels in _CHANNELS[wiring]:
        return None
    fits = [name for name, counts in _CHANNELS.items() if channels in counts]
    return (f"wiring {wiring} does not fit a {_NAMES[channels]} response", f"use {' or '.join(fits)}")


def normalising_gain(samples: NDArray[np.float64], *, sample_rate: int, normalise: Normalise) -> float | None:
    """Linear gain that one room is given.

    Parameters
    ----------
    samples : ndarray, shape (frames, 1 | 2 | 4)
        Response of the reference position without its direct sound.
    sample_rate : int
        Hz.
    normalise : str
        `loudness`: pink noise returns as loud as it went in (K-weighted, 20 Hz–20 kHz). `energy`: white noise
        returns with the power it went in with. `peak`: the largest sample becomes 1. `none`: 1.

    Returns
    -------
    float or None
        None when the response holds nothing to normalise by.
    """
    if normalise == "none":
        return 1.0
    if normalise == "peak":
        peak = float(np.max(np.abs(samples), initial=0.0))
        return 1.0 / peak if peak > 0.0 else None
    if normalise == "loudness":
        powers = pink_power(samples, sample_rate=sample_rate)
    else:
        powers = np.sum(samples * samples, axis=0)
    total = float(np.sum(powers)) * (2.0 if samples.shape[1] == 1 else 1.0)
    gain = math.sqrt(2.0 / total) if total > 0.0 else None
    return gain if gain is not None and math.isfinite(gain) else None
