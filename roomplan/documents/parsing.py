"""From text to plain data with places, without building more than a person could have written.

Conventions
-----------
The parser's events are turned into dicts and lists here instead of by the library: only so does every key
keep its line, can all faults be reported at once, and are nesting and alias expansion bounded before
anything is built. Values which are refused are left out of the data and remembered in the places.

Notes
-----
Comments are not kept here; an edit reads the file again for that.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError
from ruamel.yaml.events import (
    AliasEvent,
    DocumentStartEvent,
    MappingEndEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)

from roomplan.documents.places import PlaceMap, Spot
from roomplan.documents.scalars import Refusal, forbidden_character, plain_value
from roomplan.documents.syntax import syntax_problem
from roomplan.documents.wording import decimal_comma, key_shown, quoted
from roomplan.errors import Place, Problem

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["MOST_LEVELS", "MOST_NODES", "Parsed", "parse_text"]

# A plan needs six levels and a few thousand nodes; these bounds are far above any plan and far below trouble.
MOST_LEVELS = 32
MOST_NODES = 50_000


class _TooMuchError(Exception):
    """Reading stops: the document is larger than any plan."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem.what)
        self.problem = problem


@dataclass(slots=True)
class _Node:
    """A finished value: its data and place, its children's places, how much is in it (aliases expanded)."""

    data: Any
    place: Place
    children: dict[str, Spot] | list[Spot] | None = None
    refused_keys: set[str] = field(default_factory=set)
    size: int = 1
    levels: int = 0
    refused: bool = False
    written: str = ""  # a scalar, as the file has it
    absent: bool = False  # nothing is written: the parser has no place for it and names the next line's


@dataclass(slots=True)
class _Key:
    name: str
    place: Place
    usable: bool


@dataclass(slots=True)
class _Frame:
    """A mapping or list that is still open."""

    node: _Node
    anchor: str | None
    key: _Key | None = None  # the mapping's key that waits for its value
    entries: int = 0  # of a list, refused ones among them
    seen: dict[str, Place] = field(default_factory=dict)
    last: _Node | None = None  # the value before that key


@dataclass(frozen=True, slots=True)
class Parsed:
    """What a text holds: plain data, the places of it, and whether there is a value at all."""

    data: Any
    places: PlaceMap
    empty: bool


class _Builder:
    """Turns events into data; one per text."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self.problems: list[Problem] = []
        self.root: _Node | None = None
        self.frames: list[_Frame] = []
        self.anchors: dict[str, _Node | None] = {}  # None: still open, so an alias to it would contain itself
        self.visited = 0

    def place(self, event: Any) -> Place:
        mark = event.start_mark
        return Place(self.file, mark.line + 1, mark.column + 1)

    def refuse(self, what: str, place: Place, remedy: str) -> None:
        self.problems.append(Problem(what, place, remedy))

    def take(self, event: Any) -> None:
        """Take the next event."""
        if isinstance(event, ScalarEvent):
            self.scalar(event)
        elif isinstance(event, AliasEvent):
            self.alias(event)
        elif isinstance(event, MappingStartEvent | SequenceStartEvent):
            self.open(event)
        elif isinstance(event, MappingEndEvent | SequenceEndEvent):
            frame = self.frames.pop()
            if frame.anchor is not None:
                self.anchors[frame.anchor] = frame.node
            self.deliver(frame.node)

    def owner(self) -> str:
        """Return the beginning of a message: the key whose value is next, with its entries of lists."""
        entries = ""
        for frame in reversed(self.frames):
            if isinstance(frame.node.data, list):
                entries = f", entry {frame.entries + 1}{entries}"
            else:
                return (
                    ""
                    if frame.key is None or not frame.key.name
                    else f"{key_shown(frame.key.name)}{entries}: "
                )
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

    def has_tag(self, event: Any, place: Place) -> bool:
        if event.ctag is None:
            return False
        tag = str(event.ctag).replace("tag:yaml.org,2002:", "!!")
        self.refuse(
            f"the tag {quoted(tag)} is not accepted",
            place,
            "a plain value; quotes around a text that begins with !",
        )
        return True

    def open(self, event: Any) -> None:
        place = self.place(event)
        self.count(1, place)
        if len(self.frames) >= MOST_LEVELS:
            problem = Problem(
                f"values are nested more than {MOST_LEVELS} deep", place, "a plan needs six levels"
            )
            raise _TooMuchError(problem)
        is_mapping = isinstance(event, MappingStartEvent)
        node = _Node({} if is_mapping else [], place, {} if is_mapping else [])
        node.refused = self.has_tag(event, place)
        if event.anchor is not None:
            self.anchors[event.anchor] = None
        self.frames.append(_Frame(node, event.anchor))

    def scalar(self, event: Any) -> None:
        place = self.place(event)
        self.count(1, place)
        value: Any = event.value if event.style is not None else plain_value(event.value)
        node = _Node(value, place, written=event.value, absent=event.style is None and not event.value)
        frame = self.frames[-1] if self.frames else None
        if self.has_tag(event, place):
            node.refused = True
        elif isinstance(value, Refusal):
            self.refuse(f"{self.owner()}{value.what}", place, value.remedy)
            node.refused = True
        elif isinstance(value, str) and (at := forbidden_character(value)) is not None:
            self.refuse(
                f"the text holds the character U+{ord(value[at]):04X}", place, "printable characters only"
            )
            node.refused = True
        elif (
            isinstance(value, str)
            and event.style is None
            and value == "<<"
            and frame is not None
            and isinstance(frame.node.data, dict)
            and frame.key is None
        ):
            self.refuse("merge keys (<<) are not supported", place, "`extends`, or the keys written out")
            node.refused = True
        if event.anchor is not None:
            self.anchors[event.anchor] = node
        self.deliver(node)

    def alias(self, event: Any) -> None:
        place = self.place(event)
        node = _Node(None, place, refused=True)
        if event.anchor not in self.anchors:
            self.refuse(
                f"there is no anchor {quoted(event.anchor)}",
                place,
                f'quotes around a text that begins with *, such as "*{event.anchor[:40]}"',
            )
        elif (source := self.anchors[event.anchor]) is None:
            self.refuse(f"the alias {quoted(event.anchor)} contains itself", place, "the values written out")
        elif len(self.frames) + source.levels > MOST_LEVELS:
            self.refuse(f"values are nested more than {MOST_LEVELS} deep", place, "a plan needs six levels")
        else:
            self.count(source.size, place)
            spot = Spot(place, place, source.children).copy()
            node = _Node(
                _copied(source.data),
                place,
                spot.children,
                set(source.refused_keys),
                source.size,
                source.levels,
                source.refused,
            )
        if self.frames and isinstance(self.frames[-1].node.data, dict) and self.frames[-1].key is None:
            if not node.refused:
                self.refuse("there is an alias where a key should be", place, "write the key out")
            node.refused = True
        self.deliver(node)

    def deliver(self, node: _Node) -> None:
        """Put a finished value where it belongs: the root, a list, a key or a key's value."""
        if not self.frames:
            self.root = node
            return
        frame = self.frames[-1]
        parent = frame.node
        parent.size += node.size
        parent.levels = max(parent.levels, node.levels + 1)
        if isinstance(parent.children, list):
            frame.entries += 1
            if node.refused:
                parent.refused_keys.add("")  # the mark of a list that has lost an entry, see PlaceMap.drop
            else:
                parent.data.append(node.data)
                parent.children.append(Spot(node.place, node.place, node.children, node.refused_keys))
            return
        if frame.key is None:
            frame.key = self.key(node, frame)
            return
        key, frame.key, frame.last = frame.key, None, node
        if not key.usable or not isinstance(parent.children, dict):
            return
        if node.refused:
            parent.refused_keys.add(key.name)
            return
        if node.absent:
            node.place = key.place
        parent.data[key.name] = node.data
        parent.children[key.name] = Spot(key.place, node.place, node.children, node.refused_keys)

    def key(self, node: _Node, frame: _Frame) -> _Key:
        name = node.data
        if node.refused:
            return _Key("", node.place, usable=False)
        if not isinstance(name, str) or not name:
            if isinstance(name, dict | list):
                self.refuse("there is a mapping or a list where a key should be", node.place, "a text as key")
            elif name is None or name == "":
                self.refuse("a key is empty", node.place, "a text before the colon")
            else:
                shown = str(name).lower() if isinstance(name, bool) else str(name)[:40]
                remedy = _after_comma(frame.last, node) or f'in quotes: "{shown}"'
                self.refuse(f"the key {shown} is not text", node.place, remedy)
            return _Key("", node.place, usable=False)
        first = frame.seen.setdefault(name, node.place)
        if first is not node.place:
            self.refuse(
                f"the key {quoted(name)} appears twice in one mapping",
                node.place,
                f"once; the first is in line {first.line}",
            )
            return _Key(name, node.place, usable=False)
        return _Key(name, node.place, usable=True)


def _after_comma(value: _Node | None, key: _Node) -> str | None:
    """Say how a number was meant whose decimal comma ended it, so that the rest is where a key should be.

    So it is in `{level: -7,4}`; a person who means a key writes a space behind the comma.
    """
    if value is None or value.place.column is None or value.place.line != key.place.line:
        return None
    if key.place.column != value.place.column + len(value.written) + 1:
        return None
    return decimal_comma(f"{value.written},{key.written}")


def _copied(data: Any) -> Any:
    """Return an independent copy of plain data (its size and depth are bounded by the builder)."""
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
    builder = _Builder(file)
    documents = 0
    try:
        # A new parser per file: the library keeps state between documents.
        for event in YAML(typ="safe", pure=True).parse(text):
            if isinstance(event, DocumentStartEvent):
                documents += 1
                if documents > 1:
                    builder.refuse(
                        "a second document begins here", builder.place(event), "one document per file"
                    )
                    break
                if event.version is not None or event.tags:
                    directive = re.search(r"^%", text, re.MULTILINE)
                    line = text.count("\n", 0, directive.start()) + 1 if directive else 1
                    builder.refuse(
                        "directives (%) are not accepted", Place(file, line, 1), "leave out the line"
                    )
            else:
                builder.take(event)
    except _TooMuchError as stop:
        return None, [*builder.problems, stop.problem]
    except MarkedYAMLError as error:
        return None, [*builder.problems, syntax_problem(error, text, file)]
    except Exception:  # noqa: BLE001  the library answers some nonsense (an escape beyond Unicode) with its own slips
        problem = Problem("this is not readable YAML", Place(file, 1, 1), "check quotes and escapes")
        return None, [*builder.problems, problem]
    root = builder.root
    if root is None:
        root = _Node(None, Place(file, 1, 1))
    places = PlaceMap(Spot(root.place, root.place, root.children, root.refused_keys))
    data = None if root.refused else root.data
    return Parsed(
        data, places, empty=builder.root is None or (root.data is None and not root.refused)
    ), builder.problems
