"""An exponential sweep: what is played to measure a room, and how long it should be.

Conventions
-----------
Time 0 of the formula is where the sweep passes its start frequency; frame 0 is where the fade-in begins, one
octave below and `lead_in_seconds` earlier. The sweep has its full level from the start to the end frequency.

Sources
-------
Farina, AES 108 (2000), preprint 5093: x(t) = sin(2π f₁ L (e^{t/L} - 1)), L = T / ln(f₂/f₁). Novak et al.,
JAES 63(10) (2015): without the "- 1" the harmonics keep their phase. Müller and Massarani, JAES 49(6) (2001):
a click at the start is worse than any fade, so the fade-in has an octave of its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from roomplan.errors import RoomplanError

__all__ = ["Sweep", "advised_seconds", "sweep_samples"]

HIGHEST_SHARE = 0.46  # of the rate: above, converters' filters begin, and the fade-out has no room
_LOWEST_HZ = 1.0
_FADE_OUT_OCTAVES = 1.0 / 6.0
_LAST_SHARE = 0.495  # of the rate: the fade-out is over below half of it
_LEAST_OCTAVES = 1.0
_LEAST_SECONDS, _MOST_SECONDS = 0.1, 600.0
_LEAST_RATE, _MOST_RATE = 8000, 768_000
_NEPER_60_DB = 6.0 * math.log(10.0)


@dataclass(frozen=True, slots=True)
class Sweep:
    """An exponential sweep.

    Attributes
    ----------
    start_frequency, end_frequency : float
        The band that is measured, in hertz.
    seconds : float
        Time from the one to the other; the fades come on top.
    rate : int
        Sample rate in hertz.
    level : float
        Of its peak, in dBFS.

    Raises
    ------
    RoomplanError
        For values no sweep can have; all that is wrong at once.
    """

    start_frequency: float
    end_frequency: float
    seconds: float
    rate: int
    level: float = -6.0

    def __post_init__(self) -> None:
        faults = _faults(self)
        if faults:
            raise RoomplanError(
                "a sweep cannot be made so: " + "; ".join(what for what, _ in faults),
                remedy="; ".join(dict.fromkeys(right for _, right in faults)),
            )

    @property
    def rate_constant(self) -> float:
        """L: seconds in which the frequency grows by a factor of e."""
        return self.seconds / math.log(self.end_frequency / self.start_frequency)

    @property
    def octaves(self) -> float:
        """Octaves from the start to the end frequency."""
        return math.log2(self.end_frequency / self.start_frequency)

    @property
    def lead_in_seconds(self) -> float:
        """Length of the fade-in: one octave."""
        return self.rate_constant * math.log(2.0)

    @property
    def last_frequency(self) -> float:
        """Where the fade-out ends, in hertz."""
        return min(self.end_frequency * 2.0**_FADE_OUT_OCTAVES, _LAST_SHARE * self.rate)

    @property
    def total_seconds(self) -> float:
        """Length with both fades."""
        return self.lead_in_seconds + self.time_of(self.last_frequency)

    @property
    def amplitude(self) -> float:
        """Peak, full scale 1."""
        return 10.0 ** (self.level / 20.0)

    def frames(self, clock: float = 0.0) -> int:
        """Frames with both fades, at a clock error."""
        return math.ceil(self.total_seconds * self.rate * (1.0 + clock))

    def time_of(self, frequency: float) -> float:
        """Seconds from the start frequency to another."""
        return self.rate_constant * math.log(frequency / self.start_frequency)

    def played_at(self, frequency: float) -> float:
        """Seconds from the sweep's first frame until a frequency is played."""
        return self.lead_in_seconds + self.time_of(frequency)

    def frequency_at(self, seconds: float) -> float:
        """Frequency that is played so many seconds after the sweep's first frame."""
        return self.start_frequency * math.exp((seconds - self.lead_in_seconds) / self.rate_constant)

    def harmonic_lead(self, order: int) -> float:
        """Seconds by which the response of a harmonic comes before the linear one: L ln k."""
        return self.rate_constant * math.log(order)

    def at_rate(self, rate: int) -> Sweep:
        """The same sweep as a recorder of another rate takes it: what lies too high for it is left off."""
        end = min(self.end_frequency, HIGHEST_SHARE * rate)
        return replace(self, rate=rate, end_frequency=end, seconds=self.time_of(end))


def sweep_samples(sweep: Sweep, *, clock: float = 0.0) -> np.ndarray:
    """Samples of a sweep, shape (frames,), float64.

    Parameters
    ----------
    sweep : Sweep
        What to make.
    clock : float, optional
        Relative error of the clock it is taken with: sample n is that of the time n / (rate · (1 + clock)).
    """
    seconds = np.arange(sweep.frames(clock)) / (sweep.rate * (1.0 + clock))
    constant = sweep.rate_constant
    # in place: a sweep of a minute has millions of samples
    phase = (seconds - sweep.lead_in_seconds) / constant
    np.exp(phase, out=phase)
    phase *= 2.0 * np.pi * sweep.start_frequency * constant
    samples = np.sin(phase, out=phase)
    samples *= sweep.amplitude
    _fade(samples, seconds, sweep)
    return samples


def advised_seconds(
    decay_s: float,
    *,
    octaves: float,
    range_db: float = 60.0,
    signal_to_noise_db: float | None = None,
    second_harmonic_db: float = -40.0,
) -> float:
    """Length that a room asks for, in seconds from the start to the end frequency.

    Parameters
    ----------
    decay_s : float
        Reverberation time that is expected.
    octaves : float
        Width of the sweep.
    range_db : float, optional
        Wanted range of the response over everything else.
    signal_to_noise_db : float, optional
        Level of the sweep over the noise of the room, both at the microphone in one octave band.
    second_harmonic_db : float, optional
        Second harmonic of the loudspeaker, relative to the fundamental.

    Notes
    -----
    The room's tail of the second harmonic, which comes L ln 2 early, must have fallen by `range_db` when the
    response begins: T ≥ octaves · RT · (range + HD2) / 60. Over the noise, a decay that starts with the power
    13.8 E / RT must have the range: compressing an octave that is swept in T / octaves seconds gains
    10 lg(13.8 T / (octaves · RT)). Both are closed forms for one exponential; the level is not checked.
    """
    of_harmonics = octaves * decay_s * (range_db + second_harmonic_db) / 60.0
    if signal_to_noise_db is None:
        return max(0.0, of_harmonics)
    gain = 10.0 ** ((range_db - signal_to_noise_db) / 10.0)
    return max(0.0, of_harmonics, octaves * decay_s * gain / _NEPER_60_DB)


def _fade(samples: np.ndarray, seconds: np.ndarray, sweep: Sweep) -> None:
    """Raised cosines over the octave before the start and from the end frequency to the last."""
    lead_in = sweep.lead_in_seconds
    head = int(np.searchsorted(seconds, lead_in))
    samples[:head] *= np.sin(0.5 * np.pi * seconds[:head] / lead_in) ** 2
    end = lead_in + sweep.seconds
    tail = int(np.searchsorted(seconds, end))
    samples[tail:] *= np.cos(0.5 * np.pi * (seconds[tail:] - end) / (sweep.total_seconds - end)) ** 2


def _faults(sweep: Sweep) -> list[tuple[str, str]]:
    """What is wrong with the values of a sweep, and what would be right."""
    start, end, rate = sweep.start_frequency, sweep.end_frequency, sweep.rate
    if not all(math.isfinite(each) for each in (start, end, sweep.seconds, rate, sweep.level)):
        return [("not all its values are finite numbers", "give numbers")]
    faults: list[tuple[str, str]] = []
    if not _LEAST_RATE <= rate <= _MOST_RATE:
        faults.append((f"a rate of {rate:g} Hz", f"the rate must be {_LEAST_RATE} to {_MOST_RATE} Hz"))
    elif end > HIGHEST_SHARE * rate * (1.0 + 1e-9):
        highest = HIGHEST_SHARE * rate
        faults.append((f"an end of {end:g} Hz at a rate of {rate} Hz", f"end at {highest:g} Hz or below"))
    if start < _LOWEST_HZ:
        faults.append((f"a start of {start:g} Hz", f"start at {_LOWEST_HZ:g} Hz or above"))
    elif end < start * 2.0**_LEAST_OCTAVES:
        faults.append((f"{start:g} Hz to {end:g} Hz", "end at least an octave above the start"))
    if not _LEAST_SECONDS <= sweep.seconds <= _MOST_SECONDS:
        limits = f"{_LEAST_SECONDS:g} to {_MOST_SECONDS:g} s"
        faults.append((f"a length of {sweep.seconds:g} s", f"the length must be {limits}"))
    if not -60.0 <= sweep.level <= 0.0:
        faults.append((f"a level of {sweep.level:g} dBFS", "the level must be -60 to 0 dBFS"))
    return faults
