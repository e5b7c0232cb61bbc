"""What sections are called, where they sit and what they are sent: the table of `configs/instruments.yaml`.

Conventions
-----------
Read once a process, when it is first asked for. Seats are metres from the main microphones and degrees right
of centre; sends are dB into the hall (the room the orchestra plays in) and the church (what choir and organ
get on top). Where names, seats and sends come from is said in the file.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from roomplan.files.resources import bundled_folder

if TYPE_CHECKING:
    from collections.abc import Mapping

    from roomplan.plan.model import SourceKind

    from .instrument_file import TableShape

__all__ = [
    "Ambiguity",
    "Instrument",
    "InstrumentFamily",
    "InstrumentTable",
    "NotStem",
    "find_instrument",
    "instrument_table",
    "instruments_by_name",
    "score_place",
]


@dataclass(frozen=True, slots=True)
class InstrumentFamily:
    """Sections that belong together; `title` is how a comment speaks of them."""

    name: str
    title: str
    orchestral: bool  # plays in the hall
    source: SourceKind = "even"


@dataclass(frozen=True, slots=True)
class Instrument:
    """One section as it is proposed.

    Attributes
    ----------
    names : tuple of str
        Names and abbreviations.
    distance_m, angle_deg : float
        A typical seat.
    hall_db, church_db : float or None
        Typical sends; None for none.
    parts : tuple of str
        Sections that its parts 1, 2 … are (first and second violins).
    general : bool
        Names of a whole family: another of that family in the same name says more.
    source : str
        How its sound is directed.
    """

    name: str
    family: str
    names: tuple[str, ...]
    distance_m: float
    angle_deg: float
    hall_db: float | None
    church_db: float | None = None
    parts: tuple[str, ...] = ()
    general: bool = False
    source: SourceKind = "even"


@dataclass(frozen=True, slots=True)
class Ambiguity:
    """Names with several readings: section and the sections whose presence speaks for it, likeliest first."""

    names: tuple[str, ...]
    readings: tuple[tuple[str, frozenset[str]], ...]


@dataclass(frozen=True, slots=True)
class NotStem:
    """Why a word's file is left out; `always`, or only where no instrument is named beside it."""

    why: str
    always: bool


@dataclass(frozen=True, slots=True)
class InstrumentTable:
    """The whole table; families and instruments in score order.

    Attributes
    ----------
    families : mapping
        Name → family.
    not_stems : mapping
        Word of what is in a session's folder and is no stem → why it is left out.
    """

    families: Mapping[str, InstrumentFamily]
    instruments: tuple[Instrument, ...]
    ambiguities: tuple[Ambiguity, ...]
    not_stems: Mapping[str, NotStem]


@cache
def instrument_table() -> InstrumentTable:
    """Give the table that comes with the program.

    Raises
    ------
    PlanError
        Everything that is wrong with its file.
    """
    from .instrument_file import read_instruments  # YAML and shapes are read by `roomplan new` alone

    return table_of(read_instruments(bundled_folder("configs") / "instruments.yaml"))


def table_of(shape: TableShape) -> InstrumentTable:
    """Give the table that a file means."""
    return InstrumentTable(
        {
            name: InstrumentFamily(name, family.title, family.hall, family.source)
            for name, family in shape.families.items()
        },
        tuple(
            Instrument(
                name=one.section,
                family=one.family,
                names=tuple(one.names),
                distance_m=one.seat.distance,
                angle_deg=one.seat.angle,
                hall_db=one.sends.hall,
                church_db=one.sends.church,
                parts=tuple(one.parts),
                general=one.whole_family,
                source=one.source or shape.families[one.family].source,
            )
            for one in shape.instruments
        ),
        tuple(
            Ambiguity(
                tuple(one.names),
                tuple((reading.section, frozenset(reading.beside)) for reading in one.readings),
            )
            for one in shape.two_meanings
        ),
        {
            word: NotStem(one.why, always=not one.only_without_instrument)
            for one in shape.not_stems
            for word in one.words
        },
    )


@cache
def instruments_by_name() -> dict[str, Instrument]:
    """Section → the first row of the table that makes it."""
    found: dict[str, Instrument] = {}
    for instrument in instrument_table().instruments:
        found.setdefault(instrument.name, instrument)
    return found


@cache
def _order() -> dict[str, int]:
    return {name: place for place, name in enumerate(instruments_by_name())}


def find_instrument(name: str) -> Instrument | None:
    """Instrument of the table by the name of its section."""
    return instruments_by_name().get(name)


def score_place(name: str) -> int:
    """Where a section is in the score; what is not in the table comes last."""
    return _order().get(name, len(_order()))
