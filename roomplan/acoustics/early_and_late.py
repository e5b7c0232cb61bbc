"""Energy before and after 50 and 80 ms, per band.

Conventions
-----------
Arrays are (channels, frames). Time 0 is frame 0.

The response is split in time *first* and each part filtered with its full ringing (ISO 3382-1:2009, Annex
A.2, from memory: windowing before filtering avoids the filters' delay). So a direct sound counts as early
however long its band filter rings, and the phase of the filter does not matter. The split is a
power-complementary crossfade of 2 ms: a hard cut would splash low-frequency energy into the bands above.

Symbols: x_e part before, x_l part after the boundary, H band filter. ‖H x_l‖² = ‖H x‖² + ‖H x_e‖² - 2 <H x,
H x_e>, and the last term needs x only as far as the filter rings behind the boundary: short transforms do.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.filterbank import filter_power_gain
from roomplan.acoustics.transforms import fast_length
from roomplan.acoustics.transforms import spectrum as to_spectrum
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from roomplan.acoustics.filters import Filter

__all__ = ["EARLY_LIMITS_S", "SplitEnergies", "SplitSpectra", "split_energies", "split_spectra"]

EARLY_LIMITS_S = (0.05, 0.08)
"""Boundaries between early and late: 50 ms for D50 and C50, 80 ms for C80."""

_CROSSFADE_S = 0.002


@frozen_class
class SplitEnergies:
    """Energies on either side of `EARLY_LIMITS_S`, shape (limits, filters); the impulse is early only."""

    early: NDArray[np.float64]
    early_with_dry: NDArray[np.float64]
    late: NDArray[np.float64]


@frozen_class
class SplitSpectra:
    """What `split_energies` squares.

    Attributes
    ----------
    gain : ndarray, shape (filters, bins)
        From squared magnitudes to energies in each band.
    whole : ndarray of complex128, shape (channels, bins)
        Of the head of the response, as far as the split needs it.
    early, removed : tuple of ndarray of complex128, shape (channels, bins)
        For each limit: of the part before it, and of the whole less the part behind it.
    """

    gain: NDArray[np.float64]
    whole: NDArray[np.complex128]
    early: tuple[NDArray[np.complex128], ...]
    removed: tuple[NDArray[np.complex128], ...]


def split_energies(
    samples: NDArray[np.float64],
    *,
    dry: NDArray[np.float64] | None,
    sample_rate: float,
    filters: Sequence[Filter],
    totals: NDArray[np.float64],
) -> SplitEnergies:
    """Energies before and after 50 and 80 ms in each band, summed over channels, each part filtered alone.

    Parameters
    ----------
    samples : ndarray of float64, shape (channels, frames)
        Response; time 0 is frame 0.
    dry : ndarray of float64, shape (channels,), or None
        Height of an impulse added at frame 0.
    sample_rate : float
        In hertz.
    filters : sequence of Filter
        Bands, each under half the sample rate.
    totals : ndarray of float64, shape (filters,)
        Energy of the whole response (without the impulse) in each band.
    """
    parts = split_spectra(samples, sample_rate=sample_rate, filters=filters)
    gain, whole = parts.gain, parts.whole
    shape = (len(EARLY_LIMITS_S), len(filters))
    early, with_dry, late = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    for index, (spectrum, removed) in enumerate(zip(parts.early, parts.removed, strict=True)):
        early[index] = np.einsum("bf,f->b", gain, _power(spectrum))
        cross = np.sum(whole.real * removed.real + whole.imag * removed.imag, axis=0)
        late[index] = totals + np.einsum("bf,f->b", gain, _power(removed) - 2.0 * cross)
        if dry is None:
            with_dry[index] = early[index]
        else:
            with_dry[index] = np.einsum("bf,f->b", gain, _power(spectrum + dry[:, None]))
    return SplitEnergies(early, with_dry, np.maximum(late, 0.0))


def split_spectra(
    samples: NDArray[np.float64], *, sample_rate: float, filters: Sequence[Filter]
) -> SplitSpectra:
    """Spectra of a response on either side of every limit; arguments as for `split_energies`."""
    ring = int(np.ceil(1.5 * max(look.ring_s for look in filters) * sample_rate))
    half = round(0.5 * _CROSSFADE_S * sample_rate)
    longest = round(EARLY_LIMITS_S[-1] * sample_rate) + half + 1
    length = fast_length(longest + 2 * ring)
    head = samples[:, : longest + ring]
    early, removed = [], []
    for limit in EARLY_LIMITS_S:
        boundary = round(limit * sample_rate)
        part = head[:, : boundary + half]
        angle = np.zeros(part.shape[1])
        ramp = angle[max(0, boundary - half) :]
        ramp += 0.25 * np.pi * (np.arange(ramp.size) + 0.5) / max(1, half)
        # x_e = x cos, x_l = x - z with z = x (1 - sin): power-complementary, so noise keeps its energy
        early.append(to_spectrum(part * np.cos(angle), length))
        removed.append(to_spectrum(part * (1.0 - np.sin(angle)), length))
    gain = filter_power_gain(length, float(sample_rate), tuple(filters))
    return SplitSpectra(gain, to_spectrum(head, length), tuple(early), tuple(removed))


def _power(spectrum: NDArray[np.complex128]) -> NDArray[np.float64]:
    """Squared magnitude summed over channels."""
    return np.sum(spectrum.real**2 + spectrum.imag**2, axis=0)
