"""What identifies the response of a synthetic room, and where responses may be kept.

Conventions
-----------
An identity is a mapping of plain values: everything the samples depend on and nothing else, so equal
identities are equal samples, and a stored response is never out of date. A room's title, its file's name and
place, its stage and its reference seat are no part of it.

Notes
-----
Where responses are kept is the caller's matter: a `ResponseStore` is handed in.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from typing import TYPE_CHECKING, Any, Protocol

from roomplan.rooms.algorithm import ALGORITHM

if TYPE_CHECKING:
    from roomplan.plan.model import Seat
    from roomplan.rooms.directivity import Directivity
    from roomplan.rooms.spec import RoomSpecification
    from roomplan.rooms.synthesis import SyntheticResponse

__all__ = ["ResponseStore", "kept_or_synthesised", "response_identity"]

# What of a room is heard in no response; whatever a specification gains later counts as heard.
_NOT_HEARD = frozenset({"name", "title", "source", "character", "stage", "reference_seat"})


class ResponseStore(Protocol):
    """Keeps responses by their identity; several threads ask it at once.

    It only saves time and raises nothing: what it cannot give back as it was put in it does not have.
    """

    def get(self, identity: Mapping[str, Any]) -> SyntheticResponse | None:
        """Response of this identity, sample for sample; None when there is none."""
        ...

    def put(self, identity: Mapping[str, Any], response: SyntheticResponse, *, title: str) -> None:
        """Keep a response; `title` says to a person what it is."""
        ...


def response_identity(
    spec: RoomSpecification,
    *,
    seat: Seat,
    microphones: str,
    sources: int,
    sample_rate: int,
    directivity: Directivity | None = None,
) -> dict[str, Any]:
    """Everything the samples of `synthesise` depend on.

    Parameters
    ----------
    spec, seat, microphones, sources, sample_rate, directivity
        As in `synthesise`.

    Returns
    -------
    dict of str to plain values
        Numbers, texts, None, and lists and dicts (string keys) of them.
    """
    room = {field.name: getattr(spec, field.name) for field in fields(spec) if field.name not in _NOT_HEARD}
    return {
        "algorithm": ALGORITHM,
        "room": _plain(room),
        "seat": [
            float(seat.distance_m),
            float(seat.angle_deg),
            float(seat.spread_m) if sources == 2 else 0.0,  # one source is in the middle
        ],
        "microphones": microphones,
        "sources": sources,
        "sample_rate": sample_rate,
        "directivity": _plain(directivity),
    }


def kept_or_synthesised(
    store: ResponseStore | None,
    spec: RoomSpecification,
    *,
    seat: Seat,
    microphones: str,
    sources: int,
    sample_rate: int,
    directivity: Directivity | None = None,
) -> SyntheticResponse:
    """Response from the store; made, and kept there, when it has none.

    Parameters
    ----------
    spec, seat, microphones, sources, sample_rate, directivity
        As in `synthesise`.
    """
    from roomplan.rooms.synthesis import synthesise

    def made_anew() -> SyntheticResponse:
        return synthesise(
            spec,
            seat=seat,
            microphones=microphones,
            sources=sources,
            sample_rate=sample_rate,
            directivity=directivity,
        )

    if store is None:
        return made_anew()
    identity = response_identity(
        spec,
        seat=seat,
        microphones=microphones,
        sources=sources,
        sample_rate=sample_rate,
        directivity=directivity,
    )
    found = store.get(identity)
    channels = 4 if sources == 2 else spec.microphones[microphones].outputs
    if found is not None and found.reflected.shape[1] == channels and found.sample_rate == sample_rate:
        return found
    made = made_anew()
    store.put(
        identity, made, title=_title(spec, seat, microphones, sources, directed=directivity is not None)
    )
    return made


def _title(spec: RoomSpecification, seat: Seat, microphones: str, sources: int, *, directed: bool) -> str:
    source = ", directed" if directed else ""
    spread = f", spread {seat.spread_m:g} m" if sources == 2 else ""
    return f"{spec.title}, seat {seat.distance_m:g} m {seat.angle_deg:g}°{spread}{source}, {microphones}"


def _plain(value: Any) -> Any:
    """Value with texts for keys, lists for tuples and mappings for dataclasses."""
    if is_dataclass(value):
        return {field.name: _plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    return [_plain(item) for item in value] if isinstance(value, list | tuple) else value
