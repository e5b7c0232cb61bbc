"""Where in a sweep the recorder lost samples or put some in: the arrival jumps at one frequency.

Conventions
-----------
Responses are (channels, frames) of zero phase at their band edges. Jumps are in frames: below 0 what is swept
later arrives earlier, because samples are missing.

Envelopes of quarter-octave steps, an octave wide, are laid over each other below and above every frequency; a
jump is where they fit clearly better when moved. That needs a direct sound in most octaves: a room without
one is not accused. Limits are the project's own, and counted in the tests.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from roomplan.capture.sweep import Sweep

__all__ = ["Jump", "arrivals_of", "find_jump"]

_REACH_S = 0.12
_STEP_OCTAVES = 0.25
_LOWEST_HZ = 60.0
_LEAST_BANDS = 4
_LEAST_S = 5e-4
_BETTER = 1.3
_NEAR_OCTAVES = 0.75


class Jump(NamedTuple):
    """Frames by which arrivals jump, and the frequency from which on."""

    frames: int
    frequency_hz: float


def find_jump(
    response: NDArray[np.float64], direct: int, sweep: Sweep, clicks_hz: Sequence[float]
) -> Jump | None:
    """Jump within one take, None without a clear one.

    Parameters
    ----------
    response : ndarray, shape (channels, frames)
    direct : int
        Frame of the direct sound.
    sweep : Sweep
        At the rate of the recording.
    clicks_hz : sequence of float
        What was swept when something clicked: a splice does, and arrivals alone accuse a dense room.
    """
    centres = _centres(sweep)
    if centres.size < 2 * _LEAST_BANDS or not clicks_hz:
        return None
    # squared once more: a direct sound then counts for more than the decay behind it
    envelopes = _envelopes(response, direct, sweep, centres) ** 2
    envelopes /= np.maximum(envelopes.sum(axis=1, keepdims=True), 1e-300)
    size = envelopes.shape[1]
    spectra = np.fft.rfft(envelopes, 2 * size)
    below = np.cumsum(spectra, axis=0)
    lags = np.concatenate([np.arange(size), np.arange(-size, 0)])
    still = np.abs(lags) <= _LEAST_S * sweep.rate
    best: tuple[float, int, int] | None = None
    for split in range(_LEAST_BANDS, centres.size - _LEAST_BANDS + 1):
        low, high = below[split - 1], below[-1] - below[split - 1]
        fit = np.fft.irfft(low.conj() * high, 2 * size)
        here = float(np.max(fit[still]))
        moved = int(np.argmax(np.where(still, 0.0, fit)))
        gain = float(fit[moved]) / max(here, 1e-300)
        edge = np.log2(centres[split - 1] * centres[split]) / 2.0
        near = any(abs(np.log2(click) - edge) < _NEAR_OCTAVES for click in clicks_hz)
        if near and gain > _BETTER and (best is None or gain > best[0]):
            best = (gain, split, int(lags[moved]))
    if best is None:
        return None
    edge = float(np.sqrt(centres[best[1] - 1] * centres[best[1]]))
    return Jump(best[2], edge)


def arrivals_of(
    response: NDArray[np.float64], direct: int, sweep: Sweep, centres_hz: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Seconds from `direct` to the crest of the envelope of octaves, (octaves,), of one channel."""
    envelopes = _envelopes(response[None], direct, sweep, centres_hz)
    return (np.argmax(envelopes, axis=1) - envelopes.shape[1] // 2) / sweep.rate


def _centres(sweep: Sweep) -> NDArray[np.float64]:
    low = np.log2(max(sweep.start_frequency, _LOWEST_HZ)) + 0.5
    high = np.log2(sweep.end_frequency) - 0.5
    return 2.0 ** np.arange(low, high + 1e-9, _STEP_OCTAVES)


def _envelopes(
    response: NDArray[np.float64], direct: int, sweep: Sweep, centres: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Power envelopes round the direct sound, (bands, frames), each of energy 1, channels added."""
    reach = round(_REACH_S * sweep.rate)
    places = np.arange(direct - reach, direct + reach) % response.shape[1]
    cut = response[:, places] * np.hanning(2 * reach)
    size = 2 * reach
    spectrum = np.fft.rfft(cut)
    octaves = np.log2(np.maximum(np.fft.rfftfreq(size, 1.0 / sweep.rate), 1e-3))
    found = np.empty((centres.size, size))
    for row, centre in enumerate(centres):
        away = np.abs(octaves - np.log2(centre))
        window = np.where(away < 0.5, np.cos(np.pi * away) ** 2, 0.0)
        whole = np.zeros((len(response), size), complex)
        whole[:, : spectrum.shape[1]] = spectrum * window
        power = np.sum(np.abs(np.fft.ifft(whole)) ** 2, axis=0)
        found[row] = power / max(float(power.sum()), 1e-300)
    return found
