"""The table of instruments as a document: read, checked, every fault with its line.

Conventions
-----------
The file is `configs/instruments.yaml`; its own comments say what each key means, in which units, and where
its entries come from. Values are kept as they are written: metres, degrees, decibels.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Annotated, Any, get_args

from pydantic import Field

from roomplan.documents.source import in_file_order, read_document
from roomplan.documents.suggest import Guesses
from roomplan.documents.wording import listed, quoted
from roomplan.errors import PlanError, Problem
from roomplan.frozen_classes import frozen_class
from roomplan.plan.base_shape import Shape
from roomplan.plan.faults import DocumentKind, checked_shape
from roomplan.plan.model import SourceKind
from roomplan.plan.values import Choice, ListOf, MappingOf, Number, Otherwise, Text, Thinned, Truth, refusal

from .names import LONGEST_PHRASE

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator
    from pathlib import Path

    from roomplan.documents.places import KeyPath, PlaceMap

__all__ = ["TableShape", "read_instruments"]

# Those that are proposed without a name of theirs: S, A, T, B, "V1", and what is not recognised.
_NEEDED_SECTIONS = ("violins_1", "violins_2", "sopranos", "altos", "tenors", "choir_basses")
_NEEDED_FAMILIES = ("other",)

_PHRASE = re.compile(r"[^\W\d_]+(?: [^\W\d_]+)*")


@frozen_class
class Phrase(Text):
    """A name that a file's name can hold: a few words of letters alone."""

    what: str = "a name of letters alone, in up to four words"
    example: str = "french horn"
    most_words: int = LONGEST_PHRASE

    def check(self, value: Any) -> str:
        """Return the name."""
        text = super().check(value)
        if not _PHRASE.fullmatch(text):
            raise refusal(f"{quoted(text)} is never found", f"{self.what}, such as {self.example}")
        if text.count(" ") >= self.most_words:
            raise refusal(f"{quoted(text)} is too long", f"{self.what}, such as {self.example}")
        return text


_Section = Annotated[str, Text("the name of a section", "low_brass", 60)]
_Sections = Annotated[list[_Section], ListOf("a list of sections, such as [violins, cellos]")]
_Names = Annotated[
    list[Annotated[str, Phrase()]], ListOf("a list of names, such as [trumpet, trumpets, tpt]")
]
_Words = Annotated[
    list[Annotated[str, Phrase("one word of letters alone", "click", most_words=1)]],
    ListOf("a list of words, such as [click, clicks]"),
]
_Level = Annotated[float | None, Number("dB", -120, 24, "-13")]


class FamilyShape(Shape):
    """Sections that belong together."""

    title: Annotated[str, Text("how a comment speaks of it", "harp and keyboards", 100)] = Field(
        description="How a comment speaks of it."
    )
    hall: Annotated[bool, Truth()] = Field(description="It plays in the hall.")
    source: Annotated[SourceKind, Choice(get_args(SourceKind))] = Field(
        default="even", description="How its sound is directed."
    )


class TypicalSeatShape(Shape):
    """Where a section usually sits, seen from the main microphones."""

    distance: Annotated[float, Number("m", 0, 200, "12", above=True)] = Field(description="Metres.")
    angle: Annotated[float, Number("degrees", -180, 180, "-20")] = Field(
        description="Degrees, right of centre positive."
    )


class TypicalSendsShape(Shape):
    """What a section is usually sent."""

    hall: _Level = Field(default=None, description="Into the room that the orchestra plays in, dB.")
    church: _Level = Field(default=None, description="Into what choir and organ get on top, dB.")


class InstrumentShape(Shape):
    """Names of one section, its seat and its sends."""

    section: _Section = Field(description="The section it is proposed as.")
    family: Annotated[str, Text("the name of a family", "brass", 60)] = Field(description="Its family.")
    whole_family: Annotated[bool, Truth()] = Field(
        default=False, description="The names are those of the family."
    )
    names: _Names = Field(description="Names and abbreviations.")
    seat: TypicalSeatShape = Field(description="A typical seat.")
    source: Annotated[SourceKind | None, Choice(get_args(SourceKind)), Otherwise("that of its family")] = (
        Field(default=None, description="How its sound is directed.")
    )
    sends: TypicalSendsShape = Field(default=TypicalSendsShape(), description="Typical sends, dB.")
    parts: _Sections = Field(default=[], description="The sections that its parts 1, 2 … are.")


class ReadingShape(Shape):
    """One meaning of a name with several."""

    section: _Section = Field(description="The section it means.")
    beside: _Sections = Field(default=[], description="Sections whose presence speaks for it.")


class TwoMeaningsShape(Shape):
    """Names with several meanings."""

    names: _Names = Field(description="The names.")
    readings: Annotated[
        list[ReadingShape], ListOf("a list of meanings, such as [{section: horns, beside: [brass]}]")
    ] = Field(description="Their meanings, the likeliest first.")


class NotStemShape(Shape):
    """Words of what is no stem."""

    why: Annotated[str, Text("why it is left out", "a click", 100)] = Field(description="Why it is left out.")
    only_without_instrument: Annotated[bool, Truth()] = Field(
        default=False, description="The words count only where no instrument is named."
    )
    words: _Words = Field(description="The words.")


class TableShape(Shape):
    """What `roomplan new` knows of instruments."""

    families: Annotated[
        dict[str, FamilyShape],
        MappingOf("a mapping of names to families, such as {brass: {title: brass, hall: true}}"),
    ] = Field(description="The families, in score order.")
    instruments: Annotated[
        list[InstrumentShape], ListOf("a list of entries with section, family, names and seat")
    ] = Field(description="The sections, in score order.")
    two_meanings: Annotated[list[TwoMeaningsShape], ListOf("a list of entries with names and readings")] = (
        Field(default=[], description="Names with several meanings.")
    )
    not_stems: Annotated[list[NotStemShape], ListOf("a list of entries with why and words")] = Field(
        default=[], description="Words of what is no stem."
    )


def _some_seat() -> dict[str, float]:
    return {"distance": 1.0, "angle": 0.0}


# An entry whose seat is refused still has names to compare.
_TABLE = DocumentKind(
    TableShape,
    "the table of instruments",
    stand_ins={
        (1, "families"): dict,
        (1, "instruments"): Thinned,
        (3, "seat"): _some_seat,
        (3, "names"): Thinned,
        (4, "distance"): lambda: 1.0,
        (4, "angle"): lambda: 0.0,
    },
)


def read_instruments(path: Path) -> TableShape:
    """Read the table of instruments.

    Raises
    ------
    PlanError
        Everything that is wrong with the file, in file order: what is no table by its shape, families and
        sections that do not exist, and names that two sections claim.
    """
    document, problems = read_document(path)
    if document is None:
        raise PlanError(problems)
    shape, found = checked_shape(document.data, document.places, _TABLE)
    problems += found
    if shape is not None:
        problems += _Relations(shape, document.places).problems()
    if shape is None or problems:
        raise PlanError(in_file_order(problems, document.files))
    return shape


class _Relations:
    """What one entry of a table says of others."""

    def __init__(self, table: TableShape, places: PlaceMap) -> None:
        self._table = table
        self._places = places
        self._guesses = Guesses()

    def problems(self) -> Iterator[Problem]:
        """Yield every name that does not exist or exists twice."""
        table, places = self._table, self._places
        families = {*table.families, *places.refused_in(("families",))}
        # an entry that was refused may have been what another one names
        whole = not places.was_thinned(("instruments",))
        sections = dict.fromkeys(one.section for one in table.instruments) if whole else None
        for at, one in enumerate(table.instruments):
            path: KeyPath = ("instruments", at)
            yield from self._unknown("family", one.family, (*path, "family"), families)
            for index, part in enumerate(one.parts):
                yield from self._unknown("section", part, (*path, "parts", index), sections)
        for at, names in enumerate(table.two_meanings):
            for index, reading in enumerate(names.readings):
                path = ("two_meanings", at, "readings", index)
                yield from self._unknown("section", reading.section, (*path, "section"), sections)
                for place, other in enumerate(reading.beside):
                    yield from self._unknown("section", other, (*path, "beside", place), sections)
        yield from self._claimed_twice()
        yield from self._absent("family", "families", _NEEDED_FAMILIES, families)
        if sections is not None:
            yield from self._absent("section", "instruments", _NEEDED_SECTIONS, sections)

    def _absent(
        self, kind: str, key: str, needed: Collection[str], known: Collection[str]
    ) -> Iterator[Problem]:
        for name in needed:
            if name not in known:
                place = self._places.of((key,))
                yield Problem(
                    f"there is no {kind} {quoted(name)}", place, "keep it: files are proposed as it"
                )

    def _unknown(
        self, kind: str, name: str, path: KeyPath, known: Collection[str] | None
    ) -> Iterator[Problem]:
        if known and name not in known:
            near = self._guesses.nearest(name, known)
            remedy = f"did you mean {quoted(near)}?" if near else f"one of {listed(known)}"
            yield Problem(f"there is no {kind} {quoted(name)}", self._places.value(path), remedy)

    def _claimed_twice(self) -> Iterator[Problem]:
        """Yield names that are in two entries: which of them is meant would depend on their order."""
        claims: dict[str, tuple[str, KeyPath]] = {}
        entries = [
            *(
                (one.section, one.names, ("instruments", at))
                for at, one in enumerate(self._table.instruments)
            ),
            *(
                ("two meanings", one.names, ("two_meanings", at))
                for at, one in enumerate(self._table.two_meanings)
            ),
        ]
        for owner, names, at in entries:
            for index, name in enumerate(names):
                path: KeyPath = (*at, "names", index)
                before, there = claims.setdefault(name.casefold(), (owner, path))
                if there[:2] != at:
                    place = self._places.value(there)
                    what = f"{quoted(name)} is a name of {before} already, in line {place.line}"
                    remedy = "leave one out; a name with several meanings goes under `two_meanings`"
                    yield Problem(what, self._places.value(path), remedy)
