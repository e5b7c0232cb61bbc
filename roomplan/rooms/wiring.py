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

Synthetic rooms: a stereo section plays from two sources on its seat, `spread` metres apart, each with a path
to both outputs (true stereo); a mono section is one source, and so is a stereo one on a seat without spread:
(L+R)/√2. Which of them a section is must not move the room's gain, so the gain is found once, for two sources
on the reference seat of the room's file (for one where the room's `wiring` says so). With k the power of one
source at both outputs, Σk = 2k and g² = 1/k. Then:

- a stereo section returns 2P for the 2P it went in with: as loud;
- a mono section m, of power P, returns g² P k = P: as loud. Not 3 dB louder, as from a gain for one source
  (g² = 2/k): there independent sides lose half of their power in (L+R)/√2, which the gain makes up for;
- a stereo section on a seat without spread enters with the P of (L+R)/√2 and returns P for 2P: 3 dB under.

These hold as far as k is the same for the middle of the reference seat and for the two sources beside it: a
few tenths of a decibel.

Measured
--------
60 s of pink noise through every wiring returns within 0.004 LU of what the gain promises. In a synthetic room
a mono section comes back within 0.15 LU of what it went in with.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from roomplan.loudness.pink import pink_power

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from roomplan.plan.model import Normalise, Wiring

__all__ = ["choose_sources", "choose_wiring", "normalising_gain", "wiring_fault", "wiring_of_sources"]

_CHANNELS: dict[Wiring, tuple[int, ...]] = {"one_source": (1, 2), "per_channel": (1, 2), "true_stereo": (4,)}
_NAMES = {1: "mono", 2: "stereo", 4: "true stereo (four channels)"}


def choose_wiring(asked: Wiring | None, *, channels: int, listed: bool) -> Wiring:
    """Wiring of one position of a recorded room: the one asked for, else by the kind of response.

    Parameters
    ----------
    asked : str or None
        The room's `wiring`.
    channels : int
        Of the response: 1, 2 or 4.
    listed : bool
        The response is in a list of positions: it was recorded from one seat.
    """
    if asked is not None:
        return asked
    if channels == 4:
        return "true_stereo"
    return "one_source" if listed and channels == 2 else "per_channel"


def choose_sources(asked: Wiring | None, *, channels: int, spread_m: float) -> int:
    """How many sources play on a seat of a synthetic room.

    Parameters
    ----------
    asked : str or None
        The room's `wiring`.
    channels : int
        Of the section's signal: 1 or 2.
    spread_m : float
        Of the seat, in metres.

    Returns
    -------
    int
        2 for a stereo signal on a seat with spread, or wherever `true_stereo` is asked for; else 1.
    """
    if channels == 1 or asked in ("one_source", "per_channel"):
        return 1
    return 2 if asked == "true_stereo" or spread_m > 0.0 else 1


def wiring_of_sources(asked: Wiring | None, *, sources: int) -> Wiring:
    """Wiring of a synthetic response of one or two sources.

    Notes
    -----
    One source stays `one_source` where `true_stereo` is asked for: a mono section has no more.
    """
    if sources == 2:
        return "true_stereo"
    return "per_channel" if asked == "per_channel" else "one_source"


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
        Response of the gain position without its direct sound.
    sample_rate : int
        Hz.
    normalise : str
        `loudness`: pink noise returns as loud as it went in (K-weighted, 20 Hz–20 kHz). `energy`: white noise
        returns with the power it went in with. `peak`: the largest sample becomes 1. `none`: 1.

    Returns
    -------
    float or None
        None when the response has nothing to normalise by.
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
