"""What a response is looked at through: a band, the whole range, or the whole range A-weighted.

Conventions
-----------
Every filter runs backwards in time (see `bands`), passes no direct current, and is a value: equal filters are
equal keys. Frequencies in hertz, times in seconds.

Sources
-------
IEC 61672-1:2013, 5.4.6 and Annex E (A-weighting: double poles at 20.599 and 12194.217 Hz, single ones at
107.653 and 737.862 Hz, four zeros at 0, unity gain at 1 kHz; from memory, checked against the table of the
same standard in the tests).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

import numpy as np

from roomplan.acoustics import bands
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["A_WEIGHTED", "BROADBAND", "AWeighting", "BandPass", "Broadband", "Filter", "octaves", "thirds"]


class Filter(Protocol):
    """What the analysis asks of a filter."""

    @property
    def label(self) -> str:
        """Name to print, such as "1 kHz"."""
        ...

    @property
    def centre_hz(self) -> float | None:
        """Nominal mid-band frequency; None for a filter over the whole range."""
        ...

    @property
    def bandwidth_hz(self) -> float | None:
        """Width in hertz; None where the sound's own spectrum decides."""
        ...

    @property
    def ring_s(self) -> float:
        """Time after which the kernel is more than 120 dB down."""
        ...

    @property
    def shortest_s(self) -> float:
        """Decay time under which the filter is all one sees (common practice, no source)."""
        ...

    def top_hz(self, sample_rate: float) -> float | None:
        """Frequency above which nothing passes; None when the sample rate is too low."""
        ...

    def gain(self, frequencies_hz: NDArray[np.float64], sample_rate: float) -> NDArray[np.complex128]:
        """Complex gain at frequencies >= 0."""
        ...

    def lead(self, frequencies_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Time in seconds by which the filter is ahead at each frequency."""
        ...

    def inside(self, frequencies_hz: NDArray[np.float64]) -> NDArray[np.float64] | None:
        """Gain, 0 to 1, that leaves only what lies between the band edges; None without edges."""
        ...


_EDGE = 1.0 / 6.0  # share of a band over which what lies inside is faded in


@frozen_class
class BandPass:
    """An octave (`fraction` 1) or third-octave (3) band, by its nominal mid-band frequency."""

    centre_hz: float
    fraction: int = 1

    def __hash__(self) -> int:
        """As of all values, but quick: filters are the keys of everything in a measurement."""
        return hash((self.centre_hz, self.fraction))

    @property
    def label(self) -> str:
        """Nominal mid-band frequency in words."""
        centre = self.centre_hz
        return f"{centre / 1000:g} kHz" if centre >= 1000 else f"{centre:g} Hz"

    @property
    def bandwidth_hz(self) -> float:
        """Distance of the band edges."""
        return bands.bandwidth(self.centre_hz, fraction=self.fraction)

    @property
    def ring_s(self) -> float:
        """Time after which the kernel is more than 120 dB down."""
        return bands.ring_time(self.centre_hz, fraction=self.fraction)

    @property
    def shortest_s(self) -> float:
        """One period of the bandwidth: B T = 1."""
        return 1.0 / self.bandwidth_hz

    def top_hz(self, sample_rate: float) -> float | None:
        """Frequency above which nothing passes; None when the band reaches above half the rate."""
        return bands.top_frequency(self.centre_hz, sample_rate=sample_rate, fraction=self.fraction)

    def gain(self, frequencies_hz: NDArray[np.float64], sample_rate: float) -> NDArray[np.complex128]:
        """Complex gain, see `bands.band_response`."""
        return bands.band_response(
            frequencies_hz, centre_hz=self.centre_hz, sample_rate=sample_rate, fraction=self.fraction
        )

    def lead(self, frequencies_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Time ahead, see `bands.band_group_delay`."""
        return bands.band_group_delay(frequencies_hz, centre_hz=self.centre_hz, fraction=self.fraction)

    def inside(self, frequencies_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Raised cosine over a sixth of the band at either edge: a step would ring."""
        low, high = bands.band_edges(self.centre_hz, fraction=self.fraction)
        octaves = np.log2(np.maximum(frequencies_hz, 1e-6) / low)
        width = np.log2(high / low)
        nearer = np.minimum(octaves, width - octaves)
        return np.sin(0.5 * np.pi * np.clip(nearer / (_EDGE * width), 0.0, 1.0)) ** 2


@frozen_class
class Broadband:
    """Everything; a constant offset is taken off before."""

    label: str = "broadband"
    centre_hz: None = None
    bandwidth_hz: None = None
    ring_s: float = 0.0
    shortest_s: float = 0.0

    def top_hz(self, sample_rate: float) -> float:
        """Half the sample rate."""
        return 0.5 * sample_rate

    def gain(self, frequencies_hz: NDArray[np.float64], sample_rate: float) -> NDArray[np.complex128]:
        """1, but ½ in power at 0 and at half the rate, which are their own mirror images."""
        gain = np.ones(frequencies_hz.shape, dtype=np.complex128)
        gain[frequencies_hz <= 0.0] = np.sqrt(0.5)
        gain[frequencies_hz > 0.4999999 * sample_rate] = np.sqrt(0.5)
        return gain

    def lead(self, frequencies_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Zero."""
        return np.zeros(frequencies_hz.shape)

    def inside(self, frequencies_hz: NDArray[np.float64]) -> None:  # noqa: ARG002 - as all filters
        """None: there are no edges."""
        return


# IEC 61672-1:2013, Annex E: pole frequencies, with their multiplicity
_A_POLES_HZ = ((20.598997, 2), (107.65265, 1), (737.86223, 1), (12194.217, 2))


@frozen_class
class AWeighting:
    """A-weighting, the analogue prototype without the warping of a digital filter."""

    label: str = "A-weighted"
    centre_hz: None = None
    bandwidth_hz: None = None
    ring_s: float = 0.15  # the poles at 20.6 Hz fall by 120 dB in 0.11 s, times (1 + ωt) for being double
    # where the weighting ends at half the rate it rings: an impulse would decay in 2 to 11 ms, by the rate
    shortest_s: float = 0.02

    def top_hz(self, sample_rate: float) -> float:
        """Half the sample rate."""
        return 0.5 * sample_rate

    def gain(self, frequencies_hz: NDArray[np.float64], sample_rate: float) -> NDArray[np.complex128]:
        """Complex gain, 1 in magnitude at 1 kHz, conjugated: the filter runs backwards."""
        gain = _a_weighting(frequencies_hz) / np.abs(_a_weighting(np.array([1000.0])))[0]
        gain[frequencies_hz > 0.4999999 * sample_rate] *= np.sqrt(0.5)
        return np.conj(gain)

    def lead(self, frequencies_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Sum of the poles' group delays, (1/ω_p) / (1 + (ω/ω_p)²)."""
        delay = np.zeros(frequencies_hz.shape)
        for pole_hz, count in _A_POLES_HZ:
            delay += count / (2.0 * np.pi * pole_hz * (1.0 + (frequencies_hz / pole_hz) ** 2))
        return delay

    def inside(self, frequencies_hz: NDArray[np.float64]) -> None:  # noqa: ARG002 - as all filters
        """None: there are no edges."""
        return


def _a_weighting(frequencies_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    s = 1j * np.asarray(frequencies_hz, dtype=np.complex128)
    response = s * s * s * s
    for pole_hz, count in _A_POLES_HZ:
        for _ in range(count):
            response /= s + pole_hz
    return response


BROADBAND = Broadband()
A_WEIGHTED = AWeighting()


def octaves(*, lowest_hz: float = 31.5, highest_hz: float = 16000) -> tuple[BandPass, ...]:
    """Octave bands from one nominal mid-band frequency to another (IEC 61260-1:2014)."""
    return _range(bands.ALL_OCTAVE_CENTRES_HZ, 1, lowest_hz, highest_hz)


def thirds(*, lowest_hz: float = 25, highest_hz: float = 20000) -> tuple[BandPass, ...]:
    """Third-octave bands from one nominal mid-band frequency to another (IEC 61260-1:2014)."""
    return _range(bands.ALL_THIRD_CENTRES_HZ, 3, lowest_hz, highest_hz)


def _range(
    centres_hz: tuple[float, ...], fraction: int, lowest_hz: float, highest_hz: float
) -> tuple[BandPass, ...]:
    return tuple(BandPass(float(c), fraction) for c in centres_hz if lowest_hz <= c <= highest_hz)
