"""A room of a plan made ready: every position conditioned, one gain for all of them.

Conventions
-----------
Samples are (frames, channels), float64, at the plan's rate; frame 0 is the arrival of the dry sound. The
room's gain, the cuts and the pre-delay are not in the samples: whoever mixes applies them.

Order of conditioning: read → resample → onset → time origin → direct sound → decay → tail trim; then the
gain, from the reference position with its direct sound dropped whatever `direct` says (`normalise: peak`:
from the response as it is used, whose largest sample becomes 1).
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from roomplan.documents.suggest import did_you_mean
from roomplan.errors import Problem
from roomplan.plan.model import UNLISTED_POSITION
from roomplan.rooms.conditioning import onset_s
from roomplan.rooms.decay_scaling import LARGEST_SCALE, SMALLEST_SCALE
from roomplan.rooms.geometry import seat_fault
from roomplan.rooms.recorded import RecordedRoom
from roomplan.rooms.spec import load_room_specification, scale_reverberation
from roomplan.rooms.synthesis import synthesise
from roomplan.rooms.wiring import choose_wiring, normalising_gain, wiring_fault

if TYPE_CHECKING:
    from collections.abc import Collection

    from numpy.typing import NDArray

    from roomplan.plan.model import Room, Seat, Wiring
    from roomplan.rooms.spec import RoomSpecification

    Array = NDArray[np.float64]

__all__ = ["PreparedPosition", "PreparedRoom", "available_positions", "prepare_room"]

THREADS = 2  # responses of different seats are independent; what they compute in releases the GIL

MAIN = "main"


@dataclass(frozen=True, slots=True)
class PreparedPosition:
    """One position (and seat, in a synthetic room) ready to be convolved with.

    Attributes
    ----------
    position : str
        Name of the response or of the microphones.
    samples : ndarray, shape (frames, 1 | 2 | 4), float64
        Frame 0 is the arrival of the dry sound; four channels are LL, LR, RL, RR (input, output).
    wiring : str
        `one_source`, `per_channel` or `true_stereo`.
    onset_s : float
        First sample within 20 dB of the peak: the gap between dry and wet, without pre-delay.
    seat : Seat or None
        As requested; None for files, and for the reference seat of a synthetic room.
    """

    position: str
    samples: Array
    wiring: Wiring
    onset_s: float
    seat: Seat | None


@dataclass(frozen=True, slots=True)
class PreparedRoom:
    """A room ready to be convolved with.

    Attributes
    ----------
    name : str
    gain, gain_db : float
        Normalising gain of the whole room, linear and in dB.
    reference : str
        Position the gain was found at.
    positions : dict of (str, Seat or None) to PreparedPosition
        By request.
    direct_found : bool
        False when `direct: drop` met a response in which no direct sound stands out.
    warnings : tuple of Problem
    """

    name: str
    gain: float
    gain_db: float
    reference: str
    positions: dict[tuple[str, Seat | None], PreparedPosition]
    direct_found: bool
    warnings: tuple[Problem, ...]


def available_positions(room: Room) -> tuple[tuple[str, ...], list[Problem]]:
    """Positions a send may name, without reading any sound.

    Parameters
    ----------
    room : Room

    Returns
    -------
    names : tuple of str
        Response positions as listed, or the microphone set-ups of a synthetic room, `main` first.
    problems : list of Problem
        Of the room file.
    """
    if room.synthetic is None:
        return tuple(room.responses or {}), []
    spec, problems = _specification(room)
    return (tuple(spec.microphones) if spec is not None else ()), problems


def prepare_room(
    room: Room, requests: Collection[tuple[str, Seat | None]], *, sample_rate: int
) -> tuple[PreparedRoom | None, list[Problem]]:
    """Condition every position that is asked for and find the room's gain.

    Parameters
    ----------
    room : Room
    requests : collection of (position, seat)
        Seat None means the reference seat of a synthetic room; files have no seats.
    sample_rate : int
        Hz, of the plan.

    Returns
    -------
    prepared : PreparedRoom or None
        None when there is any problem.
    problems : list of Problem
        All of them: unreadable or unusable files, unknown positions, wirings that do not fit, seats outside
        the room, nothing left after the direct sound, decay scales out of range.

    Notes
    -----
    The reference position is prepared for the gain even if nobody asks for it, and never depends on who
    asks. Safe to be called from several threads at once; nothing is cached.
    """
    problems = _scale_problems(room)
    if room.synthetic is not None:
        return _prepare_synthetic(room, requests, sample_rate, problems)
    return _prepare_recorded(room, requests, sample_rate, problems)


def _specification(room: Room) -> tuple[RoomSpecification | None, list[Problem]]:
    source = room.synthetic
    return load_room_specification(source if isinstance(source, str | Path) else "", place=room.place)


def _scale_problems(room: Room) -> list[Problem]:
    scale = room.decay_scale
    if scale is None or SMALLEST_SCALE <= scale <= LARGEST_SCALE:
        return []
    span = f"{SMALLEST_SCALE:g} to {LARGEST_SCALE:g}"
    return [Problem(f"room {room.name}: decay_scale is {scale:g}", room.place, f"give {span}")]


def _time_scale(room: Room, measured_s: float) -> float | Problem:
    """Scale that `decay_scale` or `reverberation_time` asks of a room whose mid-band time is `measured_s`."""
    if room.reverberation_time_s is None:
        return 1.0 if room.decay_scale is None else room.decay_scale
    scale = room.reverberation_time_s / measured_s
    if SMALLEST_SCALE <= scale <= LARGEST_SCALE:
        return scale
    return Problem(
        f"room {room.name}: a reverberation_time of {room.reverberation_time_s:g} s is {scale:.2f} times the "
        f"{measured_s:.2f} s it has",
        room.place,
        f"give {SMALLEST_SCALE * measured_s:.2f} to {LARGEST_SCALE * measured_s:.2f} s, or use another room",
    )


def _unknown_positions(
    room: Room, names: tuple[str, ...], requests: Collection[tuple[str, Seat | None]]
) -> list[Problem]:
    asked = [("reference ", room.reference)] if room.reference is not None else []
    asked += [("position ", name) for name in sorted({position for position, _seat in requests})]
    found = []
    for what, name in asked:
        if name not in names:
            guess = did_you_mean(name, names)
            hint = f"did you mean {guess}?" if guess else f"it has {', '.join(names)}"
            found.append(Problem(f"room {room.name} has no {what}{name!r}", room.place, hint))
    return found


def _finished(
    room: Room,
    reference: str,
    for_gain: Array,
    positions: dict[tuple[str, Seat | None], PreparedPosition],
    warnings: list[Problem],
    *,
    sample_rate: int,
    direct_found: bool,
) -> tuple[PreparedRoom | None, list[Problem]]:
    gain = normalising_gain(for_gain, sample_rate=sample_rate, normalise=room.normalise)
    if gain is None:
        what = f"room {room.name}: the reference {reference} holds nothing to normalise by"
        return None, [Problem(what, room.place, "use `normalise: none`, or another `reference`")]
    return PreparedRoom(
        name=room.name,
        gain=gain,
        gain_db=20.0 * math.log10(gain),
        reference=reference,
        positions=positions,
        direct_found=direct_found,
        warnings=tuple(warnings),
    ), []


def _prepare_recorded(
    room: Room, requests: Collection[tuple[str, Seat | None]], sample_rate: int, problems: list[Problem]
) -> tuple[PreparedRoom | None, list[Problem]]:
    responses = room.responses or {}
    if not responses:
        return None, [Problem(f"room {room.name} has no responses", room.place, "name at least one file")]
    names = tuple(responses)
    problems.extend(_unknown_positions(room, names, requests))
    if problems:
        return None, problems
    reference = room.reference or (UNLISTED_POSITION if UNLISTED_POSITION in responses else names[0])
    wanted = [name for name in names if name == reference or any(name == asked for asked, _seat in requests)]
    recorded = RecordedRoom(room, sample_rate)
    recorded.read(wanted if room.align != "room" else list(names))
    wirings: dict[str, Wiring] = {}
    for name in wanted:
        if name in recorded.sounds:
            channels = recorded.sounds[name].samples.shape[1]
            wirings[name] = choose_wiring(
                room.wiring, channels=channels, listed=responses[name].listed, synthetic=False
            )
            fault = wiring_fault(wirings[name], channels=channels)
            if fault is not None:
                what = f"room {room.name}, position {name}: {fault[0]}"
                recorded.problems.append(Problem(what, responses[name].place, fault[1]))
    if recorded.problems:
        return None, recorded.problems

    scale = 1.0 if room.decay_scale is None else room.decay_scale
    if room.reverberation_time_s is not None:
        measured = recorded.mid_time_s(reference)
        if measured is None:
            what = f"room {room.name}: the mid-band time of {reference} cannot be measured"
            remedy = "leave `reverberation_time` out, or use `decay_scale`"
            return None, [Problem(what, responses[reference].place, remedy)]
        found = _time_scale(room, measured)
        if isinstance(found, Problem):
            return None, [found]
        scale = found
    conditioned = {name: recorded.condition(name, direct=room.direct, scale=scale) for name in wanted}
    for_gain = conditioned[reference]
    if room.direct == "keep" and room.normalise != "peak":
        for_gain = recorded.condition(reference, direct="drop", scale=scale, for_gain=True)
    ready: dict[str, PreparedPosition] = {}
    for name, samples in conditioned.items():
        if samples is not None:
            gap = onset_s(samples, sample_rate=sample_rate)
            ready[name] = PreparedPosition(name, samples, wirings[name], gap, None)
    if recorded.problems or for_gain is None:
        return None, recorded.problems
    positions = {(name, seat): replace(ready[name], seat=seat) for name, seat in requests}
    return _finished(
        room,
        reference,
        for_gain,
        positions,
        recorded.warnings,
        sample_rate=sample_rate,
        direct_found=recorded.direct_found,
    )


def _prepare_synthetic(
    room: Room, requests: Collection[tuple[str, Seat | None]], sample_rate: int, problems: list[Problem]
) -> tuple[PreparedRoom | None, list[Problem]]:
    spec, found = _specification(room)
    problems.extend(found)
    if spec is None:
        return None, problems
    problems.extend(_unknown_positions(room, tuple(spec.microphones), requests))
    scale = _time_scale(room, spec.mid_reverberation_time_s)
    if isinstance(scale, Problem):
        problems.append(scale)
        scale = 1.0
    for seat in dict.fromkeys(seat for _position, seat in requests if seat is not None):
        fault = seat_fault(spec, seat)
        if fault is not None:
            problems.append(Problem(f"room {room.name}: {fault[0]}", seat.place, fault[1]))
    reference = room.reference or MAIN
    asked = {position for position, _seat in requests} | {reference}
    wirings: dict[str, Wiring] = {}
    for name in [name for name in spec.microphones if name in asked]:
        channels = len(spec.microphones[name].positions_m)
        wirings[name] = choose_wiring(room.wiring, channels=channels, listed=True, synthetic=True)
        wiring_wrong = wiring_fault(wirings[name], channels=channels)
        if wiring_wrong is not None:
            what = f"room {room.name}, microphones {name}: {wiring_wrong[0]}"
            problems.append(Problem(what, room.place, wiring_wrong[1]))
    if problems:
        return None, problems

    scaled = scale_reverberation(spec, scale)
    # Seats are told apart by where they are, not by the line that says so: sections may share one.
    places: dict[tuple[str, float, float], tuple[str, Seat]] = {}
    for position, seat in [(reference, None), *requests]:
        at = seat or spec.reference_seat
        places.setdefault((position, at.distance_m, at.angle_deg), (position, at))

    def synthesised(place: tuple[str, Seat]) -> tuple[Array, Array]:
        """Samples with and without the direct sound, aligned."""
        response = synthesise(scaled, seat=place[1], microphones=place[0], sample_rate=sample_rate)
        # `room`, the default, keeps the one time origin of all set-ups: the direct sound at `main`.
        start = _first_arrival(response.direct) if room.align == "each" else 0
        reflected = response.reflected[start:]
        whole = response.direct[start:] + reflected if room.direct == "keep" else reflected
        return whole, reflected

    with ThreadPoolExecutor(THREADS) as pool:
        made = dict(zip(places, pool.map(synthesised, places.values()), strict=True))

    def part(position: str, seat: Seat | None) -> tuple[Array, Array]:
        at = seat or spec.reference_seat
        return made[position, at.distance_m, at.angle_deg]

    positions = {}
    for position, seat in requests:
        samples = part(position, seat)[0]
        gap = onset_s(samples, sample_rate=sample_rate)
        positions[position, seat] = PreparedPosition(position, samples, wirings[position], gap, seat)
    for_gain = part(reference, None)[0 if room.normalise == "peak" else 1]
    return _finished(room, reference, for_gain, positions, [], sample_rate=sample_rate, direct_found=True)


def _first_arrival(direct: Array) -> int:
    """Frame of the earliest direct sound over the microphones."""
    return int(np.argmax(np.any(direct != 0.0, axis=1)))
