"""A room of a plan made ready: every position conditioned, one gain for all of them.

Conventions
-----------
Samples are (frames, channels), float64, at the plan's rate; frame 0 is the arrival of the dry sound. The
room's gain, the cuts and the pre-delay are not in the samples: whoever mixes applies them.

Order of conditioning: read → resample → onset → time origin → direct sound → decay → tail trim; then the
gain, from the gain position with its direct sound dropped whatever `direct` says (`normalise: peak`:
from the response as it is used, whose largest sample becomes 1); then the colour of the source, whose level
at the gain position is made up for. The reference of a synthetic room is the
seat its file names, with two sources unless the room's `wiring` says one: see `roomplan.rooms.wiring`.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import reduce
from typing import TYPE_CHECKING

from roomplan.acoustics.direct_sound import find_onset
from roomplan.documents.suggest import Guesses
from roomplan.documents.wording import listed
from roomplan.errors import Problem
from roomplan.plan.model import UNLISTED_POSITION
from roomplan.rooms.conditioning import onset_s
from roomplan.rooms.decay_scaling import LARGEST_SCALE, SMALLEST_SCALE
from roomplan.rooms.geometry import seat_fault, source_position
from roomplan.rooms.late_likeness import NEARLY_MONO, LatePowers, late_powers, widened
from roomplan.rooms.prepared import PositionRequest, PreparedPosition, PreparedResponse, PreparedRoom
from roomplan.rooms.recorded import RecordedRoom
from roomplan.rooms.room_facts import specification_of
from roomplan.rooms.source_colour import coloured_by_power, level_gains
from roomplan.rooms.source_kinds import directivity_of
from roomplan.rooms.spec import scale_reverberation
from roomplan.rooms.store import kept_or_synthesised
from roomplan.rooms.wiring import (
    choose_sources,
    choose_wiring,
    normalising_gain,
    wiring_fault,
    wiring_of_sources,
)

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping, Sequence

    import numpy as np
    from numpy.typing import NDArray

    from roomplan.plan.model import Room, Seat, SourceKind, Wiring
    from roomplan.rooms.directivity import Directivity
    from roomplan.rooms.spec import RoomSpecification
    from roomplan.rooms.store import ResponseStore

    Array = NDArray[np.float64]

__all__ = ["prepare_room"]

THREADS = 2  # responses of different seats are independent; what they compute in releases the GIL

MAIN = "main"


def prepare_room(
    room: Room,
    requests: Collection[PositionRequest],
    *,
    sample_rate: int,
    store: ResponseStore | None = None,
) -> tuple[PreparedRoom | None, list[Problem]]:
    """Condition every position that is asked for and find the room's gain.

    Parameters
    ----------
    sample_rate : int
        Hz, of the plan.
    store : ResponseStore, optional
        Where synthetic responses are looked for, and kept.

    Returns
    -------
    prepared : PreparedRoom or None
        None when there is any problem.
    problems : list of Problem
        All of them: unreadable or unusable files, unknown positions, wirings that do not fit, seats outside
        the room, nothing left after the direct sound, decay scales out of range.

    Notes
    -----
    The gain position is prepared for the gain even if nobody asks for it, and never depends on who
    asks. Safe to be called from several threads at once.
    """
    problems = _scale_problems(room)
    if room.synthetic is not None:
        return _prepare_synthetic(room, requests, sample_rate, problems, store)
    return _prepare_recorded(room, requests, sample_rate, problems)


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
    room: Room, names: tuple[str, ...], requests: Collection[PositionRequest]
) -> list[Problem]:
    asked = [("gain position ", room.gain_position)] if room.gain_position is not None else []
    asked += [("position ", name) for name in sorted({request.position for request in requests})]
    found, guesses = [], Guesses()
    for what, name in asked:
        if name not in names:
            guess = guesses.nearest(name, names)
            hint = f"did you mean {guess}?" if guess else f"it has {listed(names)}"
            found.append(Problem(f"room {room.name} has no {what}{name!r}", room.place, hint))
    return found


def _finished(
    room: Room,
    gain_position: str,
    gain_wiring: Wiring,
    for_gain: Array,
    positions: dict[PositionRequest, PreparedPosition],
    warnings: list[Problem],
    *,
    sample_rate: int,
    direct_found: bool,
) -> tuple[PreparedRoom | None, list[Problem]]:
    gain = normalising_gain(for_gain, sample_rate=sample_rate, normalise=room.normalise)
    if gain is None:
        what = f"room {room.name}: the gain position {gain_position} has nothing to normalise by"
        return None, [Problem(what, room.place, "use `normalise: none`, or another `gain_position`")]
    late_correlation, nearly_mono = _likeness(room, positions.values(), sample_rate)
    return PreparedRoom(
        name=room.name,
        gain=gain,
        gain_db=20.0 * math.log10(gain),
        gain_position=gain_position,
        gain_wiring=gain_wiring,
        positions=positions,
        direct_found=direct_found,
        late_correlation=late_correlation,
        warnings=(*warnings, *nearly_mono),
    ), []


def _likeness(
    room: Room, positions: Collection[PreparedPosition], sample_rate: int
) -> tuple[float | None, list[Problem]]:
    """Late correlation of all that a room returns, and warnings of positions that are nearly mono."""
    responses = room.responses or {}
    found: dict[str, float] = {}
    all_powers: list[LatePowers] = []
    for one in {id(position.response): position for position in positions}.values():
        powers = late_powers(one.samples, sample_rate=sample_rate)
        all_powers += powers
        if one.response.channels == 1 and one.wiring == "per_channel":
            continue  # two sources come back as two
        for power in powers:
            if power.correlation is not None:
                alike = widened(power.correlation, room.width)
                found[one.position] = max(found.get(one.position, -1.0), alike)
    whole = reduce(LatePowers.and_also, all_powers).correlation if all_powers else None
    single = {one.position for one in positions if one.response.channels == 1}
    return None if whole is None else widened(whole, room.width), [
        Problem(
            f"room {room.name}: {position} {_how_narrow(alike, one_channel=position in single)}",
            responses[position].place if position in responses else room.place,
            "use a response of two channels"
            if position in single
            else "use a wider or a crossed set-up, or give the room more `width`",
        )
        for position, alike in found.items()
        if alike > NEARLY_MONO
    ]


def _how_narrow(alike: float, *, one_channel: bool) -> str:
    if one_channel:
        return "returns in mono: its response has one channel"
    return f"returns nearly in mono: its channels have a late correlation of {alike:.2f} from 500 Hz up"


def _prepare_recorded(
    room: Room, requests: Collection[PositionRequest], sample_rate: int, problems: list[Problem]
) -> tuple[PreparedRoom | None, list[Problem]]:
    responses = room.responses or {}
    if not responses:
        return None, [Problem(f"room {room.name} has no responses", room.place, "name at least one file")]
    names = tuple(responses)
    problems.extend(_unknown_positions(room, names, requests))
    if problems:
        return None, problems
    gain_position = room.gain_position or (UNLISTED_POSITION if UNLISTED_POSITION in responses else names[0])
    asked = {request.position for request in requests}
    wanted = [name for name in names if name == gain_position or name in asked]
    recorded = RecordedRoom(room, sample_rate)
    recorded.read(wanted if room.align != "room" else list(names))
    wirings: dict[str, Wiring] = {}
    for name in wanted:
        if name in recorded.sounds:
            channels = recorded.sounds[name].samples.shape[1]
            wirings[name] = choose_wiring(room.wiring, channels=channels, listed=responses[name].listed)
            fault = wiring_fault(wirings[name], channels=channels)
            if fault is not None:
                what = f"room {room.name}, position {name}: {fault[0]}"
                recorded.problems.append(Problem(what, responses[name].place, fault[1]))
    if recorded.problems:
        return None, recorded.problems

    scale = 1.0 if room.decay_scale is None else room.decay_scale
    if room.reverberation_time_s is not None:
        measured = recorded.mid_time_s(gain_position)
        if measured is None:
            what = f"room {room.name}: the mid-band time of {gain_position} cannot be measured"
            remedy = "leave `reverberation_time` out, or use `decay_scale`"
            return None, [Problem(what, responses[gain_position].place, remedy)]
        found = _time_scale(room, measured)
        if isinstance(found, Problem):
            return None, [found]
        scale = found
    conditioned = {name: recorded.condition(name, direct=room.direct, scale=scale) for name in wanted}
    for_gain = conditioned[gain_position]
    if room.direct == "keep" and room.normalise != "peak":
        for_gain = recorded.condition(gain_position, direct="drop", scale=scale, for_gain=True)
    if recorded.problems or for_gain is None:
        return None, recorded.problems
    return _finished(
        room,
        gain_position,
        wirings[gain_position],
        for_gain,
        _recorded_positions(room, conditioned, for_gain, requests, wirings, sample_rate),
        recorded.warnings,
        sample_rate=sample_rate,
        direct_found=recorded.direct_found,
    )


def _recorded_positions(
    room: Room,
    conditioned: Mapping[str, Array | None],
    for_gain: Array,
    requests: Iterable[PositionRequest],
    wirings: Mapping[str, Wiring],
    sample_rate: int,
) -> dict[PositionRequest, PreparedPosition]:
    """Positions as each kind of source that is sent to them has them; requests of one kind share theirs."""
    gains = _level_gains(room, for_gain, requests, sample_rate)
    ready: dict[tuple[str, SourceKind], PreparedPosition] = {}
    for request in requests:
        name, source = request.position, request.source
        samples, directivity = conditioned[name], directivity_of(source)
        if (name, source) in ready or samples is None:
            continue
        if directivity is not None:
            samples = gains[source] * coloured_by_power(samples, directivity, sample_rate=sample_rate)
        gap = onset_s(samples, sample_rate=sample_rate)
        ready[name, source] = PreparedPosition(name, PreparedResponse.of(samples), wirings[name], gap)
    return {request: ready[request.position, request.source] for request in requests}


def _level_gains(
    room: Room, for_gain: Array, requests: Iterable[PositionRequest], sample_rate: int
) -> dict[SourceKind, float]:
    """Gain of every kind of source that is asked for: `even` keeps its level as it is."""
    directed: dict[SourceKind, Directivity] = {}
    for request in requests:
        directivity = directivity_of(request.source)
        if directivity is not None:
            directed[request.source] = directivity
    found = level_gains(for_gain, list(directed.values()), sample_rate=sample_rate, normalise=room.normalise)
    gains: dict[SourceKind, float] = {"even": 1.0}
    gains.update(zip(directed, found, strict=True))
    return gains


@dataclass(frozen=True, slots=True)
class _Played:
    """Sources and microphones of one synthetic response.

    Seats are told apart by where they are, not by the line that says so: sections may share a response.
    """

    position: str
    sources: int
    distance_m: float
    angle_deg: float
    spread_m: float  # 0 for one source
    kind: SourceKind
    seat: Seat = field(compare=False)

    @classmethod
    def on(cls, seat: Seat, *, position: str, sources: int, kind: SourceKind) -> _Played:
        """Sources on a seat."""
        spread = seat.spread_m if sources == 2 else 0.0
        return cls(position, sources, seat.distance_m, seat.angle_deg, spread, kind, seat)


def _prepare_synthetic(
    room: Room,
    requests: Collection[PositionRequest],
    sample_rate: int,
    problems: list[Problem],
    store: ResponseStore | None,
) -> tuple[PreparedRoom | None, list[Problem]]:
    spec, found = specification_of(room)
    problems.extend(found)
    if spec is None:
        return None, problems
    problems.extend(_unknown_positions(room, tuple(spec.microphones), requests))
    scale = _time_scale(room, spec.mid_reverberation_time_s)
    if isinstance(scale, Problem):
        problems.append(scale)
        scale = 1.0
    # Two sources even where the file's seat has no spread: 0 dB of send means the same in every room.
    reference = _Played.on(
        spec.reference_seat,
        position=room.gain_position or MAIN,
        sources=1 if room.wiring in ("one_source", "per_channel") else 2,
        kind="even",
    )
    played = {request: _played(room, spec, request) for request in requests}
    problems.extend(_seat_problems(room, spec, [reference, *played.values()]))
    if problems:
        return None, problems

    scaled = scale_reverberation(spec, scale)
    made = _synthesised(room, scaled, [reference, *played.values()], sample_rate, store)
    for_gain = made[reference][0 if room.normalise == "peak" else 1]
    gains = _level_gains(room, for_gain, requests, sample_rate)
    # An even source, at 1, has no copy.
    responses = {
        one: PreparedResponse.of(made[one][0] if one.kind == "even" else gains[one.kind] * made[one][0])
        for one in played.values()
    }
    positions = {}
    for request, one in played.items():
        positions[request] = PreparedPosition(
            one.position,
            responses[one],
            wiring_of_sources(room.wiring, sources=one.sources),
            onset_s(responses[one].samples, sample_rate=sample_rate),
            0.0 if request.seat is None else _off_stage_m(spec, request.seat),
        )
    return _finished(
        room,
        reference.position,
        wiring_of_sources(room.wiring, sources=reference.sources),
        for_gain,
        positions,
        [],
        sample_rate=sample_rate,
        direct_found=True,
    )


def _synthesised(
    room: Room,
    spec: RoomSpecification,
    played: Sequence[_Played],
    sample_rate: int,
    store: ResponseStore | None,
) -> dict[_Played, tuple[Array, Array]]:
    """Samples of every seat with and without the direct sound, aligned; each seat is made once."""

    def of_seat(one: _Played) -> tuple[Array, Array]:
        response = kept_or_synthesised(
            store,
            spec,
            seat=one.seat,
            microphones=one.position,
            sources=one.sources,
            sample_rate=sample_rate,
            directivity=directivity_of(one.kind),
        )
        # `room`, the default, keeps the one time origin of all set-ups: the direct sound at `main`.
        start = (find_onset(response.direct) or 0) if room.align == "each" else 0
        reflected = response.reflected[start:]
        whole = response.direct[start:] + reflected if room.direct == "keep" else reflected
        return whole, reflected

    different = list(dict.fromkeys(played))
    with ThreadPoolExecutor(THREADS) as pool:
        return dict(zip(different, pool.map(of_seat, different), strict=True))


def _played(room: Room, spec: RoomSpecification, request: PositionRequest) -> _Played:
    """What a request comes down to."""
    seat = request.seat or spec.reference_seat
    sources = choose_sources(room.wiring, channels=request.channels, spread_m=seat.spread_m)
    return _Played.on(seat, position=request.position, sources=sources, kind=request.source)


def _seat_problems(room: Room, spec: RoomSpecification, played: Iterable[_Played]) -> list[Problem]:
    """Faults of seats with one or two sources, each once."""
    faults = [(one.seat.place, seat_fault(spec, one.seat, one.sources)) for one in played]
    found = [Problem(f"room {room.name}: {f[0]}", place, f[1]) for place, f in faults if f is not None]
    return list(dict.fromkeys(found))


def _off_stage_m(spec: RoomSpecification, seat: Seat) -> float:
    """Distance along the floor from the middle of a seat to the stage; 0 on it, or where there is none."""
    if spec.stage is None:
        return 0.0
    x, y, _z = source_position(spec, seat)
    along = max(spec.stage.from_m - x, x - spec.stage.to_m, 0.0)
    across = max(abs(y) - spec.stage.width_m / 2.0, 0.0)
    return math.hypot(along, across)
