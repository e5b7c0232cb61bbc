"""Synthetic rooms and the responses of their seats, as arrays.

Conventions
-----------
A seat is (metres from the middle of the main microphones, degrees to the right of the line to the stage).
Frame 0 of a response is the arrival of the direct sound at the main microphones; amplitude 1 is the direct
sound at 10 m. Nothing is normalised: the responses of several seats keep their proportions.
"""

from __future__ import annotations

import math
from dataclasses import fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, get_args

from roomplan.api.arrays import sound_rate
from roomplan.api.faces import html_of
from roomplan.documents.suggest import did_you_mean
from roomplan.errors import Place, PlanError, RoomplanError
from roomplan.files.cache import Cache
from roomplan.frozen_classes import frozen_class
from roomplan.plan.model import Seat, SourceKind
from roomplan.rooms.geometry import seat_fault
from roomplan.rooms.portrait import portrait_of
from roomplan.rooms.portrait_cache import KeptPortraits
from roomplan.rooms.response_cache import KeptResponses
from roomplan.rooms.room_file import bundled_rooms, load_room_specification
from roomplan.rooms.source_kinds import directivity_of
from roomplan.rooms.spec import RoomSpecification
from roomplan.rooms.store import kept_or_synthesised
from roomplan.show.room_tables import room_tables, size_words

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from roomplan.api.plans import PathLike
    from roomplan.rendering.progress import Progress
    from roomplan.rooms.portrait import RoomPortrait
    from roomplan.rooms.synthesis import SyntheticResponse

__all__ = [
    "SyntheticRoom",
    "kept_response",
    "known_setup",
    "room",
    "room_names",
    "room_portrait",
    "seat_at",
    "seat_inside",
]

_DISTANCE_M = (0.5, 200.0)  # as in a room file


@frozen_class
class SyntheticRoom(RoomSpecification):
    """A synthetic room as its file describes it, with the responses of its seats.

    What it holds is described with `RoomSpecification`: dimensions, reverberation times per octave,
    microphones, reference seat, and so on.

    Examples
    --------
    >>> hall = roomplan.room("larkmere_hall")
    >>> isinstance(hall, roomplan.SyntheticRoom)
    True
    >>> hall
    <SyntheticRoom 'Larkmere Hall': 44 × 23 × 17 m, RT 2.1 s>
    >>> tuple(hall.microphones)
    ('main', 'rear')
    """

    def response(
        self,
        seat: tuple[float, float] | None = None,
        *,
        spread_m: float = 0.0,
        source: SourceKind = "even",
        microphones: str = "main",
        sample_rate: int = 48_000,
    ) -> NDArray[np.float64]:
        """Response of a seat, direct sound included.

        Parameters
        ----------
        seat : (metres, degrees), optional
            Without one, the room's reference seat.
        spread_m : float
            Above 0: two sources so far apart, for a stereo stem.
        source : str
            `voice`, `strings`, `woodwinds`, `brass` or `percussion`: directed towards the main microphones,
            as loud forwards as `even`, which radiates to all sides alike.
        microphones : str
            Set-up that listens.
        sample_rate : int
            Hertz, 8,000 to 192,000.

        Returns
        -------
        ndarray, shape (frames, channels), float64
            One source: a channel for each output of the set-up. Two: LL, LR, RL, RR (input, output).

        Raises
        ------
        RoomplanError
            A seat outside the walls or inside a microphone, an unknown set-up or source, a rate out of range.

        Examples
        --------
        >>> chamber = roomplan.room("wrenfold_chamber")
        >>> response = chamber.response((6.0, -20.0), sample_rate=24_000)
        >>> response.shape[1]
        2
        """
        made = self.synthesise(
            seat, spread_m=spread_m, source=source, microphones=microphones, sample_rate=sample_rate
        )
        return made.direct + made.reflected

    def synthesise(
        self,
        seat: tuple[float, float] | None = None,
        *,
        spread_m: float = 0.0,
        source: SourceKind = "even",
        microphones: str = "main",
        sample_rate: int = 48_000,
    ) -> SyntheticResponse:
        """Response of a seat with its direct sound apart; see `response` for the parameters.

        Examples
        --------
        >>> made = roomplan.room("wrenfold_chamber").synthesise((6.0, -20.0), sample_rate=24_000)
        >>> made.direct.shape == made.reflected.shape
        True
        """
        rate = sound_rate(sample_rate)
        if not 8_000 <= rate <= 192_000:
            raise RoomplanError(f"a sample rate of {rate} Hz", remedy="ask for 8000 to 192000 Hz")
        known_setup(self, microphones)
        if source not in get_args(SourceKind):
            guess = did_you_mean(source, get_args(SourceKind))
            hint = f"did you mean {guess}? " if guess else ""
            remedy = f"{hint}there are {', '.join(get_args(SourceKind))}"
            raise RoomplanError(f"there is no source {source!r}", remedy=remedy)
        found = seat_inside(self, self._seat(seat, spread_m), spread_name="spread_m")
        return kept_response(self, found, source=source, microphones=microphones, sample_rate=rate)

    def _seat(self, seat: tuple[float, float] | None, spread_m: float) -> Seat:
        if seat is None:
            found = replace(self.reference_seat, spread_m=spread_m)
        else:
            try:
                distance, angle = (float(part) for part in seat)
            except (TypeError, ValueError) as error:
                raise RoomplanError(
                    f"{seat!r} is not a seat", remedy="give metres and degrees, such as (9, -20)"
                ) from error
            found = Seat(distance, angle, Place(self.source), spread_m=spread_m)
        if not all(math.isfinite(value) for value in (found.distance_m, found.angle_deg, spread_m)):
            raise RoomplanError(f"{seat!r} is not a seat", remedy="give metres and degrees, such as (9, -20)")
        fault = _beyond_limits(found)
        if fault is None and spread_m < 0.0:
            fault = f"a spread of {spread_m:g} m", "give 0 m or more"
        if fault is not None:
            what, remedy = fault
            raise RoomplanError(what, remedy=remedy)
        return found

    def __repr__(self) -> str:
        return (
            f"<{type(self).__name__} {self.title!r}: {size_words(self)} m, "
            f"RT {self.mid_reverberation_time_s:.1f} s>"
        )

    def _repr_html_(self) -> str:
        return html_of(room_tables(_kept_portrait(self, self.reference_seat, "main")))


def room(name_or_path: PathLike) -> SyntheticRoom:
    """Open a synthetic room.

    Parameters
    ----------
    name_or_path : str or path
        The name of a bundled room, or a room file: a path, or a name that ends .yaml or .yml.

    Raises
    ------
    PlanError
        Every problem of the room file, or the names that there are.

    Examples
    --------
    >>> nave = roomplan.room("orrin_nave")
    >>> round(nave.mid_reverberation_time_s)
    3
    >>> try:
    ...     roomplan.room("orin_nave")
    ... except roomplan.RoomplanError as error:
    ...     print(error.problems[0].what)
    there is no bundled room 'orin_nave'
    """
    found: str | Path
    if isinstance(name_or_path, str):
        text = name_or_path
        is_path = "/" in text or "\\" in text or text.lower().endswith((".yaml", ".yml"))
        found = Path(text).expanduser() if is_path else text
    else:
        found = Path(name_or_path)
    spec, problems = load_room_specification(found)
    if spec is None:
        raise PlanError(problems)
    return SyntheticRoom(**{entry.name: getattr(spec, entry.name) for entry in fields(spec)})


def kept_response(
    spec: RoomSpecification, seat: Seat, *, source: SourceKind, microphones: str, sample_rate: int
) -> SyntheticResponse:
    """Response of a seat that is inside the room, from the user's cache where it is there.

    A seat with a spread has two sources.
    """
    cache = Cache.open()
    return kept_or_synthesised(
        None if cache is None else KeptResponses(cache),
        spec,
        seat=seat,
        microphones=microphones,
        sources=2 if seat.spread_m > 0.0 else 1,
        sample_rate=sample_rate,
        directivity=directivity_of(source),
    )


def _beyond_limits(seat: Seat) -> tuple[str, str] | None:
    """What is wrong with a seat whatever the room, and what would be right; None where it can be one."""
    low, high = _DISTANCE_M
    if not low <= seat.distance_m <= high:
        return f"a distance of {seat.distance_m:g} m", f"give {low:g} to {high:g} m"
    if not -180.0 <= seat.angle_deg <= 180.0:
        return f"an angle of {seat.angle_deg:g}°", "give −180 to 180°, right is positive"
    return None


def seat_at(distance_m: float, angle_deg: float, *, spread_m: float, place: Place) -> Seat:
    """Make a seat that can be one in some room.

    Parameters
    ----------
    place : Place
        Where it was asked for.

    Raises
    ------
    RoomplanError
    """
    seat = Seat(distance_m, angle_deg, place, spread_m=spread_m)
    fault = _beyond_limits(seat)
    if fault is not None:
        what, remedy = fault
        raise RoomplanError(what, remedy=remedy)
    return seat


def room_portrait(
    spec: RoomSpecification, seat: Seat, microphones: str, *, progress: Progress
) -> RoomPortrait:
    """Everything about a room, measured at a seat inside it, or from the user's cache where it is there.

    Raises
    ------
    RoomplanError
        The room has no such set-up of microphones.
    """
    known_setup(spec, microphones)
    progress("measuring", 0, 1)
    return _kept_portrait(spec, seat, microphones)


def _kept_portrait(spec: RoomSpecification, seat: Seat, microphones: str) -> RoomPortrait:
    cache = Cache.open()
    return portrait_of(spec, seat, microphones, store=None if cache is None else KeptPortraits(cache))


def seat_inside(spec: RoomSpecification, seat: Seat, *, spread_name: str) -> Seat:
    """The seat, once it is known to be inside the walls and off the microphones.

    Parameters
    ----------
    seat : Seat
        With a spread above 0: of two sources.
    spread_name : str
        What the spread is called where it was asked for.

    Raises
    ------
    RoomplanError
    """
    fault = seat_fault(spec, seat, 2 if seat.spread_m > 0.0 else 1)
    if fault is not None:
        what, remedy = fault
        raise RoomplanError(what, remedy=remedy.replace("`spread`", spread_name))
    return seat


def known_setup(spec: RoomSpecification, name: str) -> str:
    """The name of a set-up of microphones, once it is known that the room has it.

    Raises
    ------
    RoomplanError
        Names the nearest one, and all that there are.
    """
    if name in spec.microphones:
        return name
    guess = did_you_mean(name, spec.microphones)
    hint = f"did you mean {guess}? " if guess else ""
    raise RoomplanError(
        f"{spec.title} has no microphones {name!r}", remedy=f"{hint}it has {', '.join(spec.microphones)}"
    )


def room_names() -> tuple[str, ...]:
    """Names of the bundled rooms.

    Examples
    --------
    >>> "larkmere_hall" in roomplan.room_names()
    True
    """
    return tuple(bundled_rooms())
