"""The responses of a room that was recorded: read, brought to one rate, aligned, conditioned.

Conventions
-----------
Samples are (frames, channels), float64, at the plan's rate. Until a position is conditioned, its frames count
from the resampled file's first frame; `lead` frames of them are the resampler's ringing ahead of the file.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from roomplan.acoustics.direct_sound import DirectSound, find_direct_sound
from roomplan.audio.resample import resample_response
from roomplan.errors import AudioError, Problem, RoomplanError
from roomplan.frozen_classes import frozen_class
from roomplan.rooms.conditioning import find_knee, is_emptied, remove_direct, trim_tail
from roomplan.rooms.decay_scaling import mid_reverberation_time, scale_decay
from roomplan.rooms.responses import read_response

if TYPE_CHECKING:
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    from roomplan.plan.model import Room

    Array = NDArray[np.float64]

__all__ = ["RecordedRoom", "RecordedSound"]


@frozen_class
class RecordedSound:
    """One position at the plan's rate, with its direct sound found."""

    samples: Array
    lead: int
    direct: DirectSound
    files: tuple[Path, ...]

    @property
    def label(self) -> str:
        """Files as a message names them."""
        return " + ".join(str(file) for file in self.files)


class RecordedRoom:
    """The recorded responses of one room while they are being prepared.

    Notes
    -----
    Problems and warnings are collected; a position that has a problem is left out.
    """

    def __init__(self, room: Room, sample_rate: int) -> None:
        self.room = room
        self.sample_rate = sample_rate
        self.sounds: dict[str, RecordedSound] = {}
        self.problems: list[Problem] = []
        self.warnings: list[Problem] = []
        self.direct_found = True
        self._warned: set[str] = set()

    def read(self, names: list[str]) -> None:
        """Read, resample and look for the direct sound."""
        responses = self.room.responses or {}
        for name in names:
            entry = responses[name]
            try:
                sound = read_response(entry.files)
            except AudioError as error:
                self.problems.extend(
                    Problem(problem.what, entry.place, problem.remedy) for problem in error.problems
                )
                continue
            self.warnings.extend(Problem(text, entry.place) for text in sound.warnings)
            samples, lead = resample_response(
                sound.samples, from_rate=sound.sample_rate, to_rate=self.sample_rate
            )
            direct = find_direct_sound(samples, sample_rate=self.sample_rate)
            self.sounds[name] = RecordedSound(samples, lead, direct, entry.files)

    def mid_time_s(self, name: str) -> float | None:
        """Mid-band reverberation time of a position as it was recorded; None when unknown."""
        return mid_reverberation_time(self.sounds[name].samples, sample_rate=self.sample_rate)

    def condition(
        self,
        name: str,
        *,
        direct: Literal["drop", "keep", "absent"],
        scale: float,
        for_gain: bool = False,
    ) -> Array | None:
        """Take a position through time origin, direct sound, decay and tail.

        Parameters
        ----------
        name : str
            One that was read.
        direct : str
            As in the plan.
        scale : float
            Of the decay.
        for_gain : bool
            Only the gain is found with it: the whole response instead of a problem where nothing but the
            direct sound is in it, and no warnings.

        Returns
        -------
        ndarray or None
            Frame 0 is the arrival of the dry sound; None when there is a problem, which is noted.
        """
        sound = self.sounds[name]
        samples, origin = sound.samples, self._origin(sound, direct)
        at = sound.direct.onset  # of the direct sound, where the decay's clock starts
        if direct == "drop" and not sound.direct.stands_out:
            if not for_gain:
                self.direct_found = False
                self._warn(
                    name,
                    f"{sound.label}: no direct sound stands out ({sound.direct.prominence_db:.0f} dB over "
                    "what follows), so nothing is dropped",
                    "use `direct: absent` if it was left out on purpose",
                )
        elif direct == "drop":
            dropped = remove_direct(samples, sound.direct, sample_rate=self.sample_rate)
            if not is_emptied(samples[origin:], dropped[origin:]):
                samples = dropped
            elif not for_gain:
                self._problem(
                    name,
                    f"{sound.label}: nothing is left when the direct sound is dropped",
                    "use `direct: keep` or `direct: absent`",
                )
                return None
        samples = samples[origin:]
        at = max(0, at - origin)
        # Slower, the noise is replaced; faster, the knee must be found before scaling hides it.
        knee = None
        if self.room.trim_tail and scale <= 1.0:
            knee = find_knee(samples, sample_rate=self.sample_rate)
        try:
            samples = scale_decay(samples, sample_rate=self.sample_rate, origin=at, scale=scale)
        except RoomplanError as error:
            problem = error.problems[0]
            self._problem(name, f"{sound.label}: {problem.what}", problem.remedy or "")
            return None
        return trim_tail(samples, sample_rate=self.sample_rate, knee=knee) if self.room.trim_tail else samples

    def _origin(self, sound: RecordedSound, direct: str) -> int:
        """Frame that becomes time 0."""
        if direct == "absent":
            return sound.lead
        if self.room.align != "room":
            return sound.direct.onset
        # One time origin: the earliest onset after the start of its file, so that files which start together
        # keep the distances between their microphones.
        earliest = min(other.direct.onset - other.lead for other in self.sounds.values())
        return max(0, sound.lead + earliest)

    def _warn(self, name: str, what: str, remedy: str) -> None:
        if what not in self._warned:
            self._warned.add(what)
            place = (self.room.responses or {})[name].place
            self.warnings.append(Problem(what, place, remedy))

    def _problem(self, name: str, what: str, remedy: str) -> None:
        place = (self.room.responses or {})[name].place
        self.problems.append(Problem(what, place, remedy))
