"""The tree of a YAML text: every key and value, what it means by itself, and the characters of it.

Conventions
-----------
Positions are indices into the text in characters, from 0, ends exclusive; lines and columns count from 1.
The text has line feeds as line ends and no byte order mark.

Notes
-----
The tree is built from the parser's events instead of by the library: only so does every key keep its line,
and are nesting and size bounded before anything is built. It is built of any text, as far as that can be
read; what is wrong with it is for `roomplan.documents.parsing` to say.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

from ruamel.yaml import YAML
from ruamel.yaml.events import (
    AliasEvent,
    DocumentStartEvent,
    MappingEndEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)

from roomplan.documents.scalars import plain_value

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["MOST_LEVELS", "MOST_NODES", "Layout", "Node", "compose_text"]

# A plan needs six levels and a few thousand nodes; these bounds are far above any plan and far below trouble.
MOST_LEVELS = 32
MOST_NODES = 50_000

_BLOCK_HEADER = re.compile(r"[|>][-+0-9]*")
_COLON = re.compile(r"[ \t]*:")
_SPACE_AND_COMMENTS = re.compile(r"(?:[ \t\n]+(?:#[^\n]*)?)*")
_INDICATOR = re.compile(r"\?[ \t]+$")


@dataclass(slots=True, eq=False)
class Node:
    """One value or key as it is written.

    Attributes
    ----------
    line, column : int
        Where the parser puts it: for a value that is not written, that is the next thing which is.
    start : int
        Where it begins, its anchor included.
    first, end : int
        Where its content begins and ends: without the anchor, and without comments and line ends behind it.
        Both are the same for a value that is not written; both are behind the colon or dash then.
    flow : bool
        Of a mapping or list: in braces or brackets.
    style : str
        Of a scalar: the mark it begins with (`'`, `"`, `|`, `>`), empty for a plain one.
    value : object
        Of a scalar: what it means, or the `Refusal` of it.
    written : str
        Of a scalar: as the parser gives it.
    tag : str or None
        Begins with `!` where the text has one.
    name : str or None
        Of an anchor; of an alias, that of what it stands for.
    target : Node or None
        Of an alias: what it stands for; it may be around the alias. None where there is no such anchor.
    key : Node or None
        Of a mapping's value: its key.
    keys, items : list of Node
        Of a mapping: its keys and their values, in pairs; of a list, items alone. A text that ends early has
        a key more.
    entries : dict
        Of a mapping: the name of a key → its value.
    closed : bool
        False for what was still open where a text ends early.
    """

    kind: Literal["scalar", "mapping", "list", "alias"]
    line: int
    column: int
    start: int
    first: int
    end: int
    flow: bool = False
    style: str = ""
    value: Any = None
    written: str = ""
    tag: str | None = None
    name: str | None = None
    target: Node | None = None
    parent: Node | None = None
    key: Node | None = None
    entries: dict[str, Node] = field(default_factory=dict)
    keys: list[Node] = field(default_factory=list)
    items: list[Node] = field(default_factory=list)
    absent: bool = False  # nothing is written
    placeless: bool = False  # nothing is written, not even the colon or dash that would be before it
    bare: bool = False  # a mapping of one pair in a list in brackets, without braces
    closed: bool = True

    def below(self) -> Iterator[Node]:
        """Yield this node and everything in it, aliases not followed."""
        yield self
        for child in self.items:
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
        """Tell whether it is in braces or brackets."""
        return self.parent is not None and self.parent.flow


@dataclass(slots=True)
class Layout:
    """The tree of a text.

    Attributes
    ----------
    root : Node
        The top level; a value that is not written in a text without any.
    aliases : list of Node
        In the order of the text.
    directive : bool
        There are lines that begin with %.
    second : tuple of int or None
        Line and column of a second document, which is not read.
    failure : Exception or None
        Why the text cannot be read to its end: what the parser raised.
    """

    text: str
    root: Node = field(default_factory=lambda: Node("scalar", 1, 1, 0, 0, 0, absent=True))
    aliases: list[Node] = field(default_factory=list)
    directive: bool = False
    second: tuple[int, int] | None = None
    failure: Exception | None = None

    def line_end(self, position: int) -> int:
        """Return where the line of a position ends, before its line feed."""
        found = self.text.find("\n", position)
        return len(self.text) if found < 0 else found

    def line_start(self, position: int) -> int:
        """Return where the line of a position begins."""
        return self.text.rfind("\n", 0, position) + 1

    def column(self, mapping: Node) -> int:
        """Return the column from 0 in which the keys of a mapping without braces are."""
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


def compose_text(text: str) -> Layout:
    """Return the tree of a text, as far as it can be read and is not larger than any plan.

    Parameters
    ----------
    text : str
        The whole text, lines ended by line feeds, no byte order mark, no forbidden characters.
    """
    composer = _Composer(text)
    layout = composer.layout
    documents = 0
    try:
        # A new parser per text: the library keeps state between documents.
        for event in YAML(typ="safe", pure=True).parse(text):
            if isinstance(event, DocumentStartEvent):
                documents += 1
                if documents > 1:
                    layout.second = _spot(event)
                    break
                layout.directive = event.version is not None or bool(event.tags)
            elif composer.take(event):
                break
    except Exception as error:  # noqa: BLE001  the library answers some nonsense with its own slips
        layout.failure = error
    return layout


def _spot(event: Any) -> tuple[int, int]:
    return event.start_mark.line + 1, event.start_mark.column + 1


class _Composer:
    def __init__(self, text: str) -> None:
        self.text = text
        self.layout = Layout(text)
        self.open: list[Node] = []
        self.anchors: dict[str, Node] = {}
        self.nodes = 0

    def take(self, event: Any) -> bool:
        """Take the next event; tell whether the text is larger than any plan."""
        if isinstance(event, ScalarEvent):
            self.deliver(self.scalar(event))
        elif isinstance(event, AliasEvent):
            start, end = event.start_mark.index, event.end_mark.index
            target = self.anchors.get(event.anchor)
            node = Node("alias", *_spot(event), start, start, end, name=event.anchor, target=target)
            self.layout.aliases.append(node)
            self.deliver(node)
        elif isinstance(event, MappingStartEvent | SequenceStartEvent):
            node = self.container(event)
            self.deliver(node)
            self.open.append(node)
            if len(self.open) > MOST_LEVELS:
                return True
        elif isinstance(event, MappingEndEvent | SequenceEndEvent):
            self.close(event)
        return self.nodes > MOST_NODES

    def container(self, event: Any) -> Node:
        kind = "mapping" if isinstance(event, MappingStartEvent) else "list"
        start = event.start_mark.index
        first = self.content(start, event.anchor)
        node = Node(kind, *_spot(event), start, first, first, flow=bool(event.flow_style), closed=False)
        node.bare = node.flow and self.text[first : first + 1] not in ("{", "[")
        self.named(node, event)
        return node

    def close(self, event: Any) -> None:
        node = self.open.pop()
        node.closed = True
        if node.flow and not node.bare:
            node.end = event.end_mark.index
        elif node.items:
            node.end = max(node.items[-1].end, node.keys[-1].end if node.keys else 0)

    def named(self, node: Node, event: Any) -> None:
        """Note the tag and the anchor of a node."""
        self.nodes += 1
        node.tag = None if event.ctag is None else str(event.ctag).replace("tag:yaml.org,2002:", "!!")
        node.name = event.anchor
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
        if not style and not event.value:
            end = start if event.anchor is None else start + 1 + len(event.anchor)
            node = Node("scalar", *_spot(event), start, end, end, absent=True)
        else:
            first = self.content(start, event.anchor)
            if style in {"|", ">"}:
                end = self.block_end(first, end)
            value = event.value if style else plain_value(event.value)
            node = Node(
                "scalar", *_spot(event), start, first, end, style=style, value=value, written=event.value
            )
        self.named(node, event)
        return node

    def block_end(self, first: int, end: int) -> int:
        """Return where a block of text ends: blank lines behind it are its own only if it keeps them."""
        header = _BLOCK_HEADER.match(self.text, first)
        written = self.text[first:end]
        if header is not None and "+" in header[0]:
            return end - 1 if written.endswith("\n") else end
        return first + len(written.rstrip(" \n"))

    def deliver(self, node: Node) -> None:
        """Put a node where it belongs: the root, a list, a mapping's next key or that key's value."""
        if not self.open:
            self.layout.root = node
            return
        parent = self.open[-1]
        node.parent = parent
        if parent.kind == "mapping":
            if len(parent.keys) == len(parent.items):
                parent.keys.append(node)
                return
            key = node.key = parent.keys[-1]
            if node.absent and node.name is None:
                # The parser names the next line's place for a value that is not written.
                colon = _COLON.match(self.text, key.end)
                node.placeless = colon is None
                node.start = node.first = node.end = colon.end() if colon else key.end
            if isinstance(key.value, str):
                parent.entries[key.value] = node
        parent.items.append(node)
