"""The recorder's clock against the player's: from two equal sweeps, or from what it does to one.

Conventions
-----------
Spectra are those of responses, (channels, lines), made with the inverse at the nominal clock. A clock error ε
delays the frequency f of a response by ε L ln(f / f_ref): dispersion, which two equal sweeps share, while the
second comes ε times their distance late.

Sources
-------
Gamper, HSCMA 2017, on both ways (from memory). Lag by the phase of the cross-spectrum: maximum likelihood for
equal noise at all frequencies; a tenth of a sample at 30 s is 0.07 ppm.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from roomplan.capture.sweep import Sweep

__all__ = ["MOST_CLOCK", "Dispersion", "dispersion_clock", "lag_between", "sharpness_at"]

MOST_CLOCK = 1e-3  # IEC 60958-3, level II: no recorder is further off
_NEWTON_STEPS = 6
_COARSE_STEPS = 300
_FINEST = 2e-8
# a direct sound that is this sharp decides by itself; one less sharp is one of many reflections
_CLEAR_SHARE = 0.25
_CLEAR_GAIN = 1.1
_WINDOW_S = 0.016  # the direct sound, dispersed by the worst clock; reflections would move the answer


@dataclass(frozen=True, slots=True)
class Dispersion:
    """Clock error by what it does to one direct sound.

    Attributes
    ----------
    clock : float
        At which the sound is sharpest.
    gain : float
        How many times sharper than at the nominal clock.
    share : float
        Sharpness against that of a perfect chain.
    """

    clock: float
    gain: float
    share: float

    @property
    def is_clear(self) -> bool:
        """Whether there is a direct sound to tell by."""
        return self.share >= _CLEAR_SHARE

    @property
    def found(self) -> float:
        """The clock error where there clearly is one, else 0."""
        return self.clock if self.is_clear and self.gain >= _CLEAR_GAIN else 0.0


def lag_between(
    first: NDArray[np.complex128], second: NDArray[np.complex128], frames: int
) -> tuple[float, float]:
    """Frames by which the second comes later, and how alike both are then: 1 for equal ones."""
    cross = np.einsum("cl,cl->l", first.conj(), second)
    correlation = np.fft.irfft(cross, frames)
    lag = float(np.argmax(correlation))
    if lag > frames / 2:
        lag -= frames
    radians = 2.0 * np.pi / frames * np.arange(cross.size)
    turned = cross
    for _ in range(_NEWTON_STEPS):
        turned = cross * np.exp(1j * radians * lag)
        curvature = float(np.sum(radians**2 * turned.real))
        if curvature <= 0.0:
            break
        step = float(np.sum(radians * turned.imag)) / curvature
        if abs(step) > 1.0:
            break
        lag -= step
    norm = np.sqrt(np.sum(np.abs(first) ** 2) * np.sum(np.abs(second) ** 2))
    return lag, float(np.sum(turned.real) / norm) if norm > 0.0 else 0.0


def sharpness_at(response: NDArray[np.float64], direct: int, sweep: Sweep, clocks: NDArray) -> NDArray:
    """How much in one point the direct sound is, were the clock off by each of `clocks`.

    Parameters
    ----------
    response : ndarray, shape (channels, frames)
        At the nominal clock, time 0 ahead of the direct sound.
    direct : int
        Frame of the direct sound.
    sweep : Sweep
        At the rate of the recording.
    clocks : ndarray, shape (n,)
        Relative errors.

    Returns
    -------
    ndarray, shape (n,)
        Σ h⁴ / (Σ h²)², summed over channels: 1 for a single sample.
    """
    half = round(0.5 * _WINDOW_S * sweep.rate)
    cut = np.zeros((len(response), 2 * half))
    begin, end = max(0, direct - half), min(response.shape[1], direct + half)
    cut[:, begin - direct + half : end - direct + half] = response[:, begin:end]
    cut *= np.hanning(2 * half)
    spectrum = np.fft.rfft(cut)
    hertz = np.fft.rfftfreq(2 * half, 1.0 / sweep.rate)
    middle = np.sqrt(sweep.start_frequency * sweep.end_frequency)
    safe = np.maximum(hertz, 1.0)
    turn = 2.0 * np.pi * sweep.rate_constant * (safe * np.log(safe / middle) - safe)
    found = np.empty(len(clocks))
    for place, clock in enumerate(clocks):
        sound = np.fft.irfft(spectrum * np.exp(1j * clock * turn)) ** 2
        found[place] = np.sum(sound**2) / max(np.sum(sound) ** 2, 1e-300)
    return found


def dispersion_clock(response: NDArray[np.float64], direct: int, sweep: Sweep, *, ideal: float) -> Dispersion:
    """Clock error that makes the direct sound sharpest.

    Parameters
    ----------
    response, direct, sweep
        As in `sharpness_at`; of zero phase at the edges of the band, which disperse too.
    ideal : float
        Sharpness of what a perfect chain gives.
    """
    step = MOST_CLOCK / _COARSE_STEPS
    clocks = np.arange(-_COARSE_STEPS, _COARSE_STEPS + 1) * step
    found = sharpness_at(response, direct, sweep, clocks)
    best = float(clocks[int(np.argmax(found))])
    still = float(found[_COARSE_STEPS])
    while step > _FINEST:
        clocks = best + step * np.array([-0.75, -0.5, -0.25, 0.0, 0.25, 0.5, 0.75])
        found = sharpness_at(response, direct, sweep, clocks)
        best = float(clocks[int(np.argmax(found))])
        step /= 4.0
    most = float(np.max(found))
    return Dispersion(best, most / max(still, 1e-300), most / ideal)
