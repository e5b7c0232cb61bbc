"""The takes of a recording on one time axis, by a clock that is found from them.

Conventions
-----------
See `takes`. The clock of equal takes is exact unless something is missing between them: then the direct sound
is sharper at another clock, and that one is taken.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from roomplan.capture.clock import MOST_CLOCK, Dispersion, dispersion_clock, lag_between, sharpness_at
from roomplan.capture.inversion import inverse_of, to_responses
from roomplan.capture.takes import LEAD_S, Cut, cut_frames, cuts_at, nominal_offsets, take_spectra

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from roomplan.capture.inversion import Inverse
    from roomplan.capture.recording import Recording
    from roomplan.capture.sequence import SweepSequence
    from roomplan.capture.sweep import Sweep

__all__ = ["Aligned", "ClockSource", "align"]

ClockSource = Literal["takes", "dispersion", "nothing"]

# sharper by this much at another clock: something between the takes is missing or too many
_CONTRADICTED = 1.3
_CONTRADICTED_CLOCK = 1.5e-5
_LEAST_JUMP = 8


@dataclass(frozen=True, slots=True)
class Aligned:
    """Takes whose responses have one time origin.

    Attributes
    ----------
    clock : float
        Relative error of the recorder's clock.
    source : ClockSource
        What it was found by.
    inverse : Inverse
        At that clock.
    cuts : tuple of Cut
        One per take.
    spectra : tuple of ndarray, shape (channels, lines)
        Of their responses.
    jumps : tuple of int
        Frames by which every take comes late against the clock, beyond what the first does: blocks inserted
        (or, below 0, missing) before it.
    """

    clock: float
    source: ClockSource
    inverse: Inverse
    cuts: tuple[Cut, ...]
    spectra: tuple[NDArray[np.complex128], ...]
    jumps: tuple[int, ...]


def align(
    recording: Recording,
    sequence: SweepSequence,
    sweep: Sweep,
    starts_s: Sequence[float],
    *,
    channels: Sequence[int],
) -> Aligned:
    """Bring the sweeps of one pass, located at `starts_s`, onto one time axis.

    Parameters
    ----------
    sweep : Sweep
        That of the sequence, at the rate of the recording.
    channels : sequence of int
        Of the recording, in the order of the spectra.
    """
    frames = cut_frames(sequence, sweep)
    offsets = nominal_offsets(sequence, sweep)
    rough = tuple(
        Cut(side, round((start - LEAD_S) * sweep.rate))
        for side, start in zip(sequence.sides, starts_s, strict=True)
    )
    inverse = inverse_of(sweep, frames=frames)
    spectra = [take_spectra(recording, cut, inverse, frames=frames, channels=channels) for cut in rough]
    clock, source = _clock(rough, spectra, inverse, sweep, offsets)
    if clock:
        inverse = inverse_of(sweep, frames=frames, clock=clock)
    cuts = cuts_at(rough[0].first, offsets * (1.0 + clock), sequence.sides)
    if clock or cuts != rough:
        spectra = [take_spectra(recording, cut, inverse, frames=frames, channels=channels) for cut in cuts]
    jumps = _jumps(cuts, spectra, inverse.frames)
    if any(jumps):
        cuts = tuple(replace(cut, first=cut.first + jump) for cut, jump in zip(cuts, jumps, strict=True))
        spectra = [take_spectra(recording, cut, inverse, frames=frames, channels=channels) for cut in cuts]
    return Aligned(clock, source, inverse, cuts, tuple(spectra), jumps)


def _clock(
    cuts: Sequence[Cut],
    spectra: Sequence[NDArray[np.complex128]],
    inverse: Inverse,
    sweep: Sweep,
    offsets: NDArray[np.float64],
) -> tuple[float, ClockSource]:
    """Clock by the two equal takes furthest apart, unless the direct sound contradicts; else by that."""
    direct = _clearest(spectra, inverse, sweep)
    alone = direct.dispersion
    by_itself: tuple[float, ClockSource] = (alone.found, "dispersion") if alone.is_clear else (0.0, "nothing")
    pair = _furthest_pair(cuts)
    if pair is None:
        return by_itself
    first, last = pair
    lag, _likeness = lag_between(spectra[first], spectra[last], inverse.frames)
    lag += cuts[last].first - cuts[first].first
    distance = offsets[last] - offsets[first]
    clock = float(lag / distance - 1.0)
    if abs(clock) > MOST_CLOCK:
        return by_itself
    if not direct.contradicts(clock, sweep):
        return clock, "takes"
    # whole frames are missing or too many
    lost = round(lag - distance * (1.0 + alone.clock))
    if abs(lost) < _LEAST_JUMP:  # no recorder loses so few; a reflection has bent the direct sound
        return clock, "takes"
    return float((lag - lost) / distance - 1.0), "takes"


@dataclass(frozen=True, slots=True)
class _Direct:
    """The direct sound of a take, and the clock at which it is sharpest."""

    early: NDArray[np.float64]
    frame: int
    ideal: float
    dispersion: Dispersion

    def contradicts(self, clock: float, sweep: Sweep) -> bool:
        """Whether the direct sound is clearly sharper at another clock."""
        alone = self.dispersion
        if not alone.is_clear or abs(clock - alone.clock) < _CONTRADICTED_CLOCK:
            return False
        here = float(sharpness_at(self.early, self.frame, sweep, np.array([clock]))[0])
        return alone.share * self.ideal > _CONTRADICTED * here


def _clearest(spectra: Sequence[NDArray[np.complex128]], inverse: Inverse, sweep: Sweep) -> _Direct:
    """Sharpest direct sound of all takes: what a splice or a clip has hurt is not."""
    level = np.exp(-1j * np.angle(inverse.target))
    middle = sweep.rate // 4
    perfect = to_responses(np.abs(inverse.target)[None].astype(complex), inverse.frames)
    ideal = float(sharpness_at(np.roll(perfect, middle), middle, sweep, np.zeros(1))[0])
    found = []
    for own in spectra:
        early = to_responses(own * level, inverse.frames)[:, : round((2 * LEAD_S + 0.2) * sweep.rate)]
        frame = int(np.argmax(np.sum(early**2, axis=0)))
        found.append(_Direct(early, frame, ideal, dispersion_clock(early, frame, sweep, ideal=ideal)))
    return max(found, key=lambda each: each.dispersion.share)


def _furthest_pair(cuts: Sequence[Cut]) -> tuple[int, int] | None:
    """Two takes of one side with the longest time between them."""
    pairs = [
        (second.first - first.first, at, later)
        for at, first in enumerate(cuts)
        for later, second in enumerate(cuts[at + 1 :], at + 1)
        if first.side == second.side
    ]
    return max(pairs)[1:] if pairs else None


def _jumps(cuts: Sequence[Cut], spectra: Sequence[NDArray[np.complex128]], frames: int) -> tuple[int, ...]:
    """Frames by which takes are late against the first of their side, where that is more than a little."""
    jumps = []
    for at, cut in enumerate(cuts):
        first = next(place for place, other in enumerate(cuts) if other.side == cut.side)
        lag = lag_between(spectra[first], spectra[at], frames)[0] if first != at else 0.0
        jumps.append(round(lag) if abs(lag) >= _LEAST_JUMP else 0)
    return tuple(jumps)
