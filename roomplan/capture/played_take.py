"""One take with everything that is known of it alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from roomplan.acoustics.direct_sound import find_onset
from roomplan.capture.clipping import find_flat_runs
from roomplan.capture.inversion import to_responses
from roomplan.capture.jumps import find_jump
from roomplan.capture.leftover import events_of, leftover_levels
from roomplan.capture.tail import octave_tails, tail_frames

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from roomplan.capture.clipping import Clipped
    from roomplan.capture.inversion import Inverse
    from roomplan.capture.jumps import Jump
    from roomplan.capture.leftover import Event
    from roomplan.capture.sweep import Sweep
    from roomplan.capture.tail import OctaveTail
    from roomplan.capture.takes import Cut

__all__ = ["PlayedTake", "played_take"]

_OVER_CLIPPING_DB = 35.0
_CREST_S = 3e-4  # from the first sample within 20 dB to the crest of a band-limited arrival


@dataclass(frozen=True, slots=True)
class PlayedTake:
    """A take.

    Attributes
    ----------
    cut : Cut
        Where it lies in the recording.
    response : ndarray, shape (channels, frames)
        With negative times at the end.
    kept : int
        Frames of it that are a response: until the next sweep would begin.
    directs : tuple of int
        Frame of the direct sound in every channel.
    tails : tuple of OctaveTail
        Of every octave and channel.
    tail : int
        Frame behind the decay.
    levels : ndarray, shape (channels, blocks)
        Of the leftover.
    events, clipped, jump
        What is wrong with it.
    """

    cut: Cut
    response: NDArray[np.float64]
    kept: int
    directs: tuple[int, ...]
    tails: tuple[OctaveTail, ...]
    tail: int
    levels: NDArray[np.float64]
    events: tuple[Event, ...]
    clipped: tuple[Clipped, ...]
    jump: Jump | None

    @property
    def direct(self) -> int:
        """Frame of the earliest direct sound."""
        return min(self.directs)

    @property
    def room(self) -> NDArray[np.float64]:
        """Response without the negative times."""
        return self.response[:, : self.kept]

    @property
    def faults(self) -> int:
        """How many things are wrong."""
        return len(self.events) + len(self.clipped) + 3 * (self.jump is not None)


def played_take(
    cut: Cut,
    spectra: NDArray[np.complex128],
    samples: NDArray[np.float64],
    inverse: Inverse,
    sweep: Sweep,
    *,
    kept: int,
    ceilings: NDArray[np.float64],
) -> PlayedTake:
    """Look at one take: its spectra, and the recorded samples (frames, channels) it comes from."""
    response = to_responses(spectra, inverse.frames)
    room = response[:, :kept]
    crest = int(
        np.argmax(np.abs(to_responses(inverse.target, inverse.frames)[: round(_CREST_S * sweep.rate)]))
    )
    found = [_direct(own, sweep.rate) for own in room]
    heard = min((each for each in found if each is not None), default=crest)
    directs = tuple((heard if each is None else each) - crest for each in found)
    direct = min(directs)
    tails = octave_tails(room, sweep)
    tail = min(kept, max(directs) + tail_frames(tails, sweep.rate))
    level = np.exp(-1j * np.angle(inverse.target))
    clipped = find_flat_runs(samples, ceilings)
    levels = leftover_levels(response, inverse, sweep, direct=direct, tail=tail, frames=len(samples))
    # what clipping leaves over is not foreign
    events = tuple(event for event in events_of(levels) if not clipped or event.over_db > _OVER_CLIPPING_DB)
    clicks = [sweep.frequency_at(event.start_s - direct / sweep.rate) for event in events]
    return PlayedTake(
        cut=cut,
        response=response,
        kept=kept,
        directs=directs,
        tails=tails,
        tail=tail,
        levels=levels,
        events=events,
        clipped=clipped,
        jump=find_jump(to_responses(spectra * level, inverse.frames), direct, sweep, clicks),
    )


def _direct(response: NDArray[np.float64], rate: int) -> int | None:
    """Crest of the direct sound of one channel; None where nothing arrives."""
    onset = find_onset(response[:, None])
    if onset is None:
        return None
    return onset + int(np.argmax(np.abs(response[onset : onset + round(_CREST_S * rate)])))
