"""From a recorded sweep to a response: the inverse of the sweep, band-limited without pre-ringing.

Conventions
-----------
Spectra are half spectra of `frames` real samples, long enough that nothing wraps round: responses have their
negative times, where the harmonics are, at the end.

Sources
-------
Kirkeby and Nelson, JAES 47 (1999): X* / (|X|² + ε²), ε nothing inside the band and the largest |X| outside,
faded over half an octave. Norcross, Bouchard and Soulodre, AES 121 (2006), paper 6929: the band edges of that
ring ahead of the sound (-35 dB measured within 2 ms and more); with the minimum phase of their magnitude
nothing does (-193 dB).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from roomplan.capture.sweep import sweep_samples
from roomplan.rooms.minimum_phase import minimum_phase
from roomplan.scipy_kernels import irfft, next_fast_len, rfft

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from roomplan.capture.sweep import Sweep

__all__ = ["Inverse", "inverse_of", "line_frequencies", "shifted", "to_responses", "to_spectra"]

_EDGE_OCTAVES = 0.5
_FLOOR = 1e-10  # 200 dB under the band nothing is left whose phase matters


@dataclass(frozen=True, slots=True)
class Inverse:
    """What a recorded spectrum is multiplied by.

    Attributes
    ----------
    frames : int
        Length of the transform.
    played : ndarray, shape (frames // 2 + 1,)
        Of the sweep.
    spectrum : ndarray, shape (frames // 2 + 1,)
        The inverse.
    target : ndarray, shape (frames // 2 + 1,)
        What a perfect chain gives: 1 within the band, of minimum phase at its edges.
    """

    frames: int
    played: NDArray[np.complex128]
    spectrum: NDArray[np.complex128]
    target: NDArray[np.complex128]


def inverse_of(sweep: Sweep, *, frames: int, clock: float = 0.0) -> Inverse:
    """Inverse of a sweep taken by a recorder with a clock error, for recordings of up to `frames`."""
    samples = sweep_samples(sweep, clock=clock)
    length = 2 * next_fast_len((frames + samples.size + 1) // 2)
    played = rfft(samples, length)
    power = np.abs(played) ** 2
    regular = power + _outside(line_frequencies(length, sweep.rate), sweep) * power.max()
    band = power / regular
    phase = np.imag(minimum_phase(np.log(np.maximum(band, _FLOOR))[None], length)[0])
    turned = np.exp(1j * phase)
    return Inverse(length, played, played.conj() / regular * turned, band * turned)


def line_frequencies(frames: int, rate: int) -> NDArray[np.float64]:
    """Frequencies of the lines of a half spectrum."""
    return np.arange(frames // 2 + 1, dtype=np.float64) * (rate / frames)


def to_spectra(samples: NDArray[np.float64], inverse: Inverse) -> NDArray[np.complex128]:
    """Spectra of the responses in recorded samples (frames, channels): (channels, lines)."""
    return rfft(np.ascontiguousarray(samples.T), inverse.frames) * inverse.spectrum


def to_responses(spectra: NDArray[np.complex128], frames: int) -> NDArray[np.float64]:
    """Responses (channels, frames) of their spectra."""
    return irfft(spectra, frames)


def shifted(spectra: NDArray[np.complex128], frames: int, by: float) -> NDArray[np.complex128]:
    """Spectra of what comes `by` frames earlier, a part of a frame too."""
    if by == 0.0:
        return spectra
    return spectra * np.exp(2j * np.pi * by / frames * np.arange(spectra.shape[-1]))


def _outside(frequencies: NDArray[np.float64], sweep: Sweep) -> NDArray[np.float64]:
    """0 within the band, 1 from half an octave beyond its edges on."""
    octaves = np.log2(np.maximum(frequencies, 1e-3))
    low, high = np.log2(sweep.start_frequency), np.log2(sweep.end_frequency)
    beyond = np.maximum(low - octaves, octaves - high)
    return np.sin(0.5 * np.pi * np.clip(beyond / _EDGE_OCTAVES, 0.0, 1.0)) ** 2
