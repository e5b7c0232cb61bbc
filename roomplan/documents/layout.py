"""The nodes of a YAML text and the characters each of them stands on, for whoever changes the text.

Conventions
-----------
Positions are indices into the text in characters, from 0, ends exclusive. The text has line feeds as line
ends and no byte order mark.

Notes
-----
Only for texts that `roomplan.documents.parsing` has found nothing wrong with: tags, directives, repeated
keys, keys that are no text and merge keys are not looked for again.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

from ruamel.yaml import YAML
from ruamel.yaml.events import (
    AliasEvent,
    MappingEndEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)

from roomplan.documents.scalars import plain_value

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["Layout", "Node", "read_layout"]

_BLOCK_HEADER = re.compile(r"[|>][-+0-9]*")
_COLON = re.compile(r"[ \t]*:")
_SPACE_AND_COMMENTS = re.compile(r"(?:[ \t\n]+(?:#[^\n]*)?)*")
_INDICATOR = re.compile(r"\?[ \t]+$")


@dataclass(slots=True, eq=False)
class Node:
    """One value or key as it is written.

    Attributes
    ----------
    start : int
        Where it begins, its anchor included.
    first, end : int
        Where its content begins and ends: without the anchor, and without comments and line ends behind it.
        Both are the same for a value that is not written; both stand behind the colon or dash then.
    flow : bool
        Of a mapping or list: in braces or brackets.
    style : str
        Of a scalar: the mark it begins with (`'`, `"`, `|`, `>`), empty for a plain one.
    value : object
        Of a scalar: what it means.
    name : str or None
        Of an anchor; of an alias, that of what it stands for.
    target : Node or None
        Of an alias: what it stands for.
    key : Node or None
        Of a mapping's value: its key.
    """

    kind: Literal["scalar", "mapping", "list", "alias"]
    start: int
    first: int
    end: int
    flow: bool = False
    style: str = ""
    value: Any = None
    name: str | None = None
    target: Node | None = None
    parent: Node | None = None
    key: Node | None = None
    entries: dict[str, Node] = field(default_factory=dict)
    keys: list[Node] = field(default_factory=list)
    items: list[Node] = field(default_factory=list)
    absent: bool = False  # nothing is written
    placeless: bool = False  # nothing is written, not even the colon or dash that would stand before it
    bare: bool = False  # a mapping of one pair in a list in brackets, without braces

    def children(self) -> list[Node]:
        """Return the values in a mapping or list."""
        return self.items if self.kind == "list" else list(self.entries.values())

    def below(self) -> Iterator[Node]:
        """Yield this node and everything in it, aliases not followed."""
        yield self
        for child in self.children():
            yield from child.below()

    def data(self) -> Any:
        """Return what it means, as plain data of its own."""
        if self.kind == "alias":
            return self.target.data() if self.target is not None else None
        if self.kind == "mapping":
            return {name: child.data() for name, child in self.entries.items()}
        if self.kind == "list":
            return [child.data() for child in self.items]
        return self.value

    def in_flow(self) -> bool:
        """Tell whether it stands in braces or brackets."""
        return self.parent is not None and self.parent.flow


@dataclass(frozen=True, slots=True)
class Layout:
    """The nodes of a text."""

    text: str
    root: Node
    aliases: tuple[Node, ...]  # in the order of the text

    def line_end(self, position: int) -> int:
        """Return where the line of a position ends, before its line feed."""
        found = self.text.find("\n", position)
        return len(self.text) if found < 0 else found

    def line_start(self, position: int) -> int:
        """Return where the line of a position begins."""
        return self.text.rfind("\n", 0, position) + 1

    def column(self, mapping: Node) -> int:
        """Return the column from 0 in which the keys of a mapping without braces stand."""
        start = mapping.keys[0].start
        line = self.line_start(start)
        explicit = _INDICATOR.search(self.text, line, start)
        return (explicit.start() if explicit else start) - line

    def step(self) -> int:
        """Return by how many columns the text indents a mapping in a mapping: the most frequent number."""
        counts: dict[int, int] = {}
        for node in self.root.below():
            parent = node.parent
            if (
                node.kind == "mapping"
                and not node.flow
                and parent is not None
                and parent.kind == "mapping"
                and not parent.flow
            ):
                deeper = self.column(node) - self.column(parent)
                counts[deeper] = counts.get(deeper, 0) + 1
        return max(counts, key=lambda deeper: counts[deeper]) if counts else 2


def read_layout(text: str) -> Layout:
    """Return the nodes of a text that is known to be without faults.

    Parameters
    ----------
    text : str
        One document whose top level is a mapping.
    """
    building = _Building(text)
    for event in YAML(typ="safe", pure=True).parse(text):
        building.take(event)
    if building.root is None:  # not reached for a checked text
        raise ValueError("the text holds nothing")
    return Layout(text, building.root, tuple(building.aliases))


class _Building:
    def __init__(self, text: str) -> None:
        self.text = text
        self.root: Node | None = None
        self.open: list[Node] = []
        self.waiting: dict[Node, Node] = {}  # mapping → the key whose value comes next
        self.anchors: dict[str, Node] = {}
        self.aliases: list[Node] = []

    def take(self, event: Any) -> None:
        if isinstance(event, ScalarEvent):
            self.deliver(self.scalar(event))
        elif isinstance(event, AliasEvent):
            start, end = event.start_mark.index, event.end_mark.index
            node = Node("alias", start, start, end, name=event.anchor, target=self.anchors[event.anchor])
            self.aliases.append(node)
            self.deliver(node)
        elif isinstance(event, MappingStartEvent | SequenceStartEvent):
            kind = "mapping" if isinstance(event, MappingStartEvent) else "list"
            start = event.start_mark.index
            first = self.content(start, event.anchor)
            node = Node(kind, start, first, first, flow=bool(event.flow_style), name=event.anchor)
            node.bare = node.flow and self.text[first : first + 1] not in ("{", "[")
            self.open.append(node)
        elif isinstance(event, MappingEndEvent | SequenceEndEvent):
            node = self.open.pop()
            children = node.children()
            if node.flow and not node.bare:
                node.end = event.end_mark.index
            elif children:
                node.end = max(children[-1].end, node.keys[-1].end if node.keys else 0)
            self.anchor(
                node
            )  # only now, as the parser of the data does: it matters when a name is used twice
            self.deliver(node)

    def anchor(self, node: Node) -> None:
        if node.name is not None:
            self.anchors[node.name] = node

    def content(self, start: int, anchor: str | None) -> int:
        """Return where the content of a node begins that begins at `start`, perhaps with an anchor."""
        if anchor is None:
            return start
        found = _SPACE_AND_COMMENTS.match(self.text, start + 1 + len(anchor))
        return found.end() if found else start

    def scalar(self, event: Any) -> Node:
        start, end = event.start_mark.index, event.end_mark.index
        style = event.style or ""
        value = event.value if style else plain_value(event.value)
        if not style and not event.value:
            end = start if event.anchor is None else start + 1 + len(event.anchor)
            node = Node("scalar", start, end, end, name=event.anchor, absent=True)
        else:
            first = self.content(start, event.anchor)
            if style in {"|", ">"}:
                end = self.block_end(first, end)
            node = Node("scalar", start, first, end, style=style, value=value, name=event.anchor)
        self.anchor(node)
        return node

    def block_end(self, first: int, end: int) -> int:
        """Return where a block of text ends: blank lines behind it are its own only if it keeps them."""
        header = _BLOCK_HEADER.match(self.text, first)
        written = self.text[first:end]
        if header is not None and "+" in header[0]:
            return end - 1 if written.endswith("\n") else end
        return first + len(written.rstrip(" \n"))

    def deliver(self, node: Node) -> None:
        if not self.open:
            self.root = node
            return
        parent = self.open[-1]
        node.parent = parent
        if parent.kind == "list":
            parent.items.append(node)
            return
        key = self.waiting.pop(parent, None)
        if key is None:
            self.waiting[parent] = node
            return
        node.key = key
        if node.absent and node.name is None:
            # The parser names the next line's place for a value that is not written.
            colon = _COLON.match(self.text, key.end)
            node.placeless = colon is None
            node.start = node.first = node.end = colon.end() if colon else key.end
        parent.keys.append(key)
        parent.entries[key.value] = node
