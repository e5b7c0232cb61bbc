"""From the tree of a text to plain data with places, without building more than a person could have written.

Conventions
-----------
The tree (`roomplan.documents.nodes`) is turned into dicts and lists here: so all faults are reported at once,
and alias expansion is bounded before anything is built. Values which are refused are left out of the data and
remembered in the places.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from ruamel.yaml.error import MarkedYAMLError

from roomplan.documents.nodes import MOST_LEVELS, MOST_NODES, Node, compose_text
from roomplan.documents.places import PlaceMap, Spot
from roomplan.documents.scalars import Refusal, forbidden_character
from roomplan.documents.syntax import syntax_problem
from roomplan.documents.wording import decimal_comma, key_shown, quoted
from roomplan.errors import Place, Problem
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from pathlib import Path

    from roomplan.documents.nodes import Layout

__all__ = ["Parsed", "parse_text"]


class _TooMuchError(Exception):
    """Reading stops: the document is larger than any plan."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem.what)
        self.problem = problem


class _EndError(Exception):
    """Reading stops: the text could not be read any further."""


@dataclass(slots=True)
class _Value:
    """A finished value: its data and place, its children's places, how much is in it (aliases expanded)."""

    data: Any
    place: Place
    children: dict[str, Spot] | list[Spot] | None = None
    refused_keys: set[str] = field(default_factory=set)
    size: int = 1
    levels: int = 0
    refused: bool = False

    def spot(self, key: Place) -> Spot:
        """Return the places of it and all below it."""
        return Spot(key, self.place, self.children, self.refused_keys)

    def takes_in(self, other: _Value) -> None:
        """Count a key or value that is in it."""
        self.size += other.size
        self.levels = max(self.levels, other.levels + 1)


@dataclass(slots=True)
class _Frame:
    """A mapping or list that is being read, for messages: which of its values is next."""

    entry: int = 0  # of a list, from 1; 0 for a mapping
    key: str = ""


@frozen_class
class Parsed:
    """What a text holds: plain data, the places of it, whether there is a value at all, and its tree."""

    data: Any
    places: PlaceMap
    empty: bool
    layout: Layout


class _Reading:
    """Turns a tree into data; one per text."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self.problems: list[Problem] = []
        self.frames: list[_Frame] = []
        self.anchored: dict[Node, _Value] = {}
        self.visited = 0

    def place(self, node: Node) -> Place:
        return Place(self.file, node.line, node.column)

    def refuse(self, what: str, place: Place, remedy: str) -> None:
        self.problems.append(Problem(what, place, remedy))

    def owner(self) -> str:
        """Return the beginning of a message: the key whose value is next, with its entries of lists."""
        entries = ""
        for frame in reversed(self.frames):
            if not frame.entry:
                return f"{key_shown(frame.key)}{entries}: " if frame.key else ""
            entries = f", entry {frame.entry}{entries}"
        return ""

    def count(self, nodes: int, place: Place) -> None:
        self.visited += nodes
        if self.visited > MOST_NODES:
            problem = Problem(
                f"there are more than {MOST_NODES} values, aliases expanded",
                place,
                "a plan of a few hundred lines",
            )
            raise _TooMuchError(problem)

    def has_tag(self, node: Node, place: Place) -> bool:
        if node.tag is None:
            return False
        self.refuse(
            f"the tag {quoted(node.tag)} is not accepted",
            place,
            "a plain value; quotes around a text that begins with !",
        )
        return True

    def value(self, node: Node, *, as_key: bool = False) -> _Value:
        """Read a key or a value."""
        if node.kind == "alias":
            return self.alias(node, as_key=as_key)
        place = self.place(node)
        self.count(1, place)
        value = self.scalar(node, place, as_key=as_key) if node.kind == "scalar" else self.held(node, place)
        if node.name is not None:
            self.anchored[node] = value
        return value

    def scalar(self, node: Node, place: Place, *, as_key: bool) -> _Value:
        value = node.value
        read = _Value(value, place, refused=True)
        if self.has_tag(node, place):
            return read
        if isinstance(value, Refusal):
            self.refuse(f"{self.owner()}{value.what}", place, value.remedy)
        elif isinstance(value, str) and (at := forbidden_character(value)) is not None:
            self.refuse(
                f"the text holds the character U+{ord(value[at]):04X}", place, "printable characters only"
            )
        elif as_key and value == "<<" and not node.style:
            self.refuse("merge keys (<<) are not supported", place, "`extends`, or the keys written out")
        else:
            read.refused = False
        return read

    def held(self, node: Node, place: Place) -> _Value:
        """Read a mapping or list."""
        if len(self.frames) >= MOST_LEVELS:
            problem = Problem(
                f"values are nested more than {MOST_LEVELS} deep", place, "a plan needs six levels"
            )
            raise _TooMuchError(problem)
        is_mapping = node.kind == "mapping"
        read = _Value({} if is_mapping else [], place, {} if is_mapping else [])
        read.refused = self.has_tag(node, place)
        self.frames.append(_Frame())
        if is_mapping:
            self.fill_mapping(node, read)
        else:
            self.fill_list(node, read)
        self.frames.pop()
        if not node.closed:
            raise _EndError
        return read

    def fill_list(self, node: Node, read: _Value) -> None:
        spots: list[Spot] = []
        read.children = spots
        for number, item in enumerate(node.items, start=1):
            self.frames[-1].entry = number
            value = self.value(item)
            read.takes_in(value)
            if value.refused:
                read.refused_keys.add("")  # the mark of a list that has lost an entry, see PlaceMap.drop
            else:
                read.data.append(value.data)
                spots.append(value.spot(value.place))

    def fill_mapping(self, node: Node, read: _Value) -> None:
        spots: dict[str, Spot] = {}
        read.children = spots
        seen: dict[str, Place] = {}
        for number, key in enumerate(node.keys):
            self.frames[-1].key = ""
            name = self.value(key, as_key=True)
            read.takes_in(name)
            usable = self.is_usable(name, key, node.items[number - 1] if number else None, seen)
            if number == len(node.items):  # the text ends here
                return
            known = isinstance(name.data, str) and not name.refused
            self.frames[-1].key = name.data if known else ""
            item = node.items[number]
            value = self.value(item)
            read.takes_in(value)
            if not usable:
                continue
            if value.refused:
                read.refused_keys.add(name.data)
                continue
            if item.absent:
                value.place = name.place
            read.data[name.data] = value.data
            spots[name.data] = value.spot(name.place)

    def is_usable(self, key: _Value, node: Node, before: Node | None, seen: dict[str, Place]) -> bool:
        """Tell whether a key can be one, and is not there already; `before` is the value before it."""
        name = key.data
        if key.refused:
            return False
        if not isinstance(name, str) or not name:
            if isinstance(name, dict | list):
                self.refuse("there is a mapping or a list where a key should be", key.place, "a text as key")
            elif name is None or name == "":
                self.refuse("a key is empty", key.place, "a text before the colon")
            else:
                shown = str(name).lower() if isinstance(name, bool) else str(name)[:40]
                meant = _after_comma(before, node)
                if meant is not None and before is not None:
                    number = f"{before.written},{node.written}"
                    self.refuse(f"{quoted(number)} has a decimal comma", self.place(before), meant)
                else:
                    self.refuse(f"the key {shown} is not text", key.place, f'in quotes: "{shown}"')
            return False
        first = seen.setdefault(name, key.place)
        if first is not key.place:
            self.refuse(
                f"the key {quoted(name)} appears twice in one mapping",
                key.place,
                f"once; the first is in line {first.line}",
            )
        return first is key.place

    def alias(self, node: Node, *, as_key: bool) -> _Value:
        place = self.place(node)
        read = _Value(None, place, refused=True)
        target = node.target
        if target is None:
            self.refuse(
                f"there is no anchor {quoted(node.name or '')}",
                place,
                f'quotes around a text that begins with *, such as "*{(node.name or "")[:40]}"',
            )
        elif (source := self.anchored.get(target)) is None:
            self.refuse(
                f"the alias {quoted(node.name or '')} contains itself", place, "the values written out"
            )
        elif len(self.frames) + source.levels > MOST_LEVELS:
            self.refuse(f"values are nested more than {MOST_LEVELS} deep", place, "a plan needs six levels")
        else:
            self.count(source.size, place)
            spot = source.spot(place).copy()
            read = _Value(
                _copied(source.data),
                place,
                spot.children,
                set(source.refused_keys),
                source.size,
                source.levels,
                source.refused,
            )
        if as_key:
            if not read.refused:
                self.refuse("there is an alias where a key should be", place, "write the key out")
            read.refused = True
        return read


def _after_comma(value: Node | None, key: Node) -> str | None:
    """Say how a number was meant whose decimal comma ended it, so that the rest is where a key should be.

    So it is in `{level: -7,4}`; a person who means a key writes a space behind the comma.
    """
    if value is None or value.line != key.line or key.column != value.column + len(value.written) + 1:
        return None
    return decimal_comma(f"{value.written},{key.written}")


def _copied(data: Any) -> Any:
    """Return an independent copy of plain data (its size and depth are bounded)."""
    if isinstance(data, dict):
        return {key: _copied(value) for key, value in data.items()}
    if isinstance(data, list):
        return [_copied(value) for value in data]
    return data


def parse_text(text: str, file: Path) -> tuple[Parsed | None, list[Problem]]:
    """Read one YAML document.

    Parameters
    ----------
    text : str
        The whole text, lines ended by line feeds, no byte order mark, no forbidden characters.
    file : Path
        The file the text came from, for the places.

    Returns
    -------
    Parsed or None
        None when the text cannot be read to its end.
    list of Problem
        Every fault found.
    """
    layout = compose_text(text)
    reading = _Reading(file)
    problems = reading.problems
    if layout.directive:
        found = re.search(r"^%", text, re.MULTILINE)
        line = text.count("\n", 0, found.start()) + 1 if found else 1
        reading.refuse("directives (%) are not accepted", Place(file, line, 1), "leave out the line")
    root = None
    try:
        root = reading.value(layout.root)
    except _EndError:
        pass
    except _TooMuchError as stop:
        return None, [*problems, stop.problem]
    if isinstance(layout.failure, MarkedYAMLError):
        return None, [*problems, syntax_problem(layout.failure, text, file)]
    if layout.failure is not None:  # an escape beyond Unicode, for instance
        problem = Problem("this is not readable YAML", Place(file, 1, 1), "check quotes and escapes")
        return None, [*problems, problem]
    if layout.second is not None:
        reading.refuse("a second document begins here", Place(file, *layout.second), "one document per file")
    empty = root is None or (root.data is None and not root.refused)
    root = root or _Value(None, Place(file, 1, 1))
    data = None if root.refused else root.data
    return Parsed(data, PlaceMap(root.spot(root.place)), empty, layout), problems
