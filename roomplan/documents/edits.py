"""Change single values of a YAML text and leave every other character as it is.

Conventions
-----------
A value is named by its key path (`roomplan.documents.places`). The text is as in the file: any line ends,
with or without a byte order mark. What was asked for is what the text then means, and nothing else of its
meaning changes; that is checked by reading the new text, every time.

How it looks afterwards:

- A new value goes where the old one was, a number with the old one's plus and decimals, a text with its
  quotes. A mapping or list is changed only in the parts that differ.
- A missing key comes behind the last one of its mapping, in a line of its own or before the closing brace. A
  mapping that is missing too is written with a line for each key, or in braces where its surroundings are.
- Nothing is changed through an alias. An alias on the way to the value is replaced by what it stands for,
  with the change in it. An anchor on the way loses its name when aliases to it remain; the first of these
  takes over the name and the unchanged value, or just the value when it is the only one.

Notes
-----
Nothing is removed and no list gets longer. What a value that is replaced as a whole held is gone with its
comments: that happens only to mappings that lose keys, lists of another length, and a mapping or list that
becomes something else.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

from roomplan.documents.emission import (
    LONGEST_LINE,
    AsWritten,
    block_entry,
    block_lines,
    flow_text,
    plain_data,
    scalar_text,
)
from roomplan.documents.nodes import compose_text
from roomplan.documents.parsing import parse_text
from roomplan.documents.scalars import forbidden_character
from roomplan.documents.wording import describe, quoted
from roomplan.errors import Place, PlanError, RoomplanError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from roomplan.documents.nodes import Layout, Node
    from roomplan.documents.places import KeyPath, PlaceMap

__all__ = ["edited_text", "replaced_spans", "with_values"]

_BOM = "\N{ZERO WIDTH NO-BREAK SPACE}"
_NOWHERE = Path("document")
_BLANKS = " \t"
_COMMENT = re.compile(r"(?:(?<=[ \t\n])|^)#[^\n]*")
_BLOCK_HEADER = re.compile(r"[|>][-+0-9]*")
_NOT_PLAIN_IN_BRACES = re.compile(r"[,\[\]{}:#?]")


@dataclass(slots=True)
class _Branch:
    """Wishes about parts of a mapping or list."""

    children: dict[str | int, _Wish] = field(default_factory=dict)


@dataclass(slots=True)
class _Leaf:
    """A wish about a whole value."""

    value: Any


_Wish: TypeAlias = "_Branch | _Leaf"


def edited_text(text: str, edits: Mapping[KeyPath, Any], *, file: Path = _NOWHERE) -> str:
    """Return a text with some values changed or added.

    Parameters
    ----------
    text : str
        One YAML document whose top level is a mapping.
    edits : mapping
        Key path → value: None, a truth value, a number, a text, or a dict or list of these. Values that are
        there already leave the text alone. No path may lead through another edit's.
    file : Path
        What messages name as its file.

    Returns
    -------
    str
        The new text.

    Raises
    ------
    PlanError
        The text has faults, or holds several documents.
    RoomplanError
        A path leads into a value that has no parts, to an entry that a list does not have, or through a form
        that is not edited here (keys with `?` and no value, pairs in brackets without braces); a number is
        not finite; or the new text does not mean what was asked for. The message names the line.
    """
    bom = _BOM if text.startswith(_BOM) else ""
    raw = text.removeprefix(_BOM)
    plain, offsets = _with_line_feeds(raw)
    data, places, layout = _parsed(plain, file)
    wanted = {path: plain_data(value) for path, value in edits.items()}
    whole = _wish_tree(wanted)
    for path in wanted:
        _check_path(data, path, places)
    wish = _reduced(whole, data)
    if wish is None:
        return text
    editing = _Editing(layout, places, file)
    editing.carry_out(wish)
    changed = _applied(raw, offsets, editing.changes)
    expected = with_values(data, wanted)
    _verify(changed, expected, wanted, file, places)
    return bom + changed


def replaced_spans(text: str, find: Callable[[Node], Iterable[tuple[int, int, str]]]) -> str:
    """Return a text with spans of it replaced; whether it then means what it should is for the caller to see.

    Parameters
    ----------
    text : str
        A document without faults, as in the file.
    find : callable
        Its top level → spans, as the nodes have them, each with what replaces it.
    """
    bom = _BOM if text.startswith(_BOM) else ""
    raw = text.removeprefix(_BOM)
    plain, offsets = _with_line_feeds(raw)
    return bom + _applied(raw, offsets, find(compose_text(plain).root))


def with_values(data: Any, edits: Mapping[KeyPath, Any]) -> Any:
    """Return plain data with some values changed or added, the original left alone.

    Parameters
    ----------
    data : plain data
        Nothing (None) on the way counts as an empty mapping.
    edits : mapping
        Key path → plain data.
    """
    result = _copied(data)
    for path, value in edits.items():
        result = _with_value(result, path, value)
    return result


def _with_value(data: Any, path: KeyPath, value: Any) -> Any:
    if not path:
        return _copied(value)
    step = path[0]
    if isinstance(step, str):
        mapping = {} if data is None else data
        mapping[step] = _with_value(mapping.get(step), path[1:], value)
        return mapping
    data[step] = _with_value(data[step], path[1:], value)
    return data


def _copied(data: Any) -> Any:
    if isinstance(data, dict):
        return {key: _copied(value) for key, value in data.items()}
    return [_copied(value) for value in data] if isinstance(data, list) else data


def _same(one: Any, other: Any) -> bool:
    """Tell whether two values are equal, truth values being no numbers."""
    if isinstance(one, dict):
        return (
            isinstance(other, dict)
            and one.keys() == other.keys()
            and all(_same(one[key], other[key]) for key in one)
        )
    if isinstance(one, list):
        return (
            isinstance(other, list)
            and len(one) == len(other)
            and all(_same(left, right) for left, right in zip(one, other, strict=True))
        )
    return isinstance(one, bool) is isinstance(other, bool) and one == other


def _with_line_feeds(raw: str) -> tuple[str, list[int]]:
    """Return the text with line feeds alone, and where each character, and the end, stands in `raw`."""
    plain = raw.replace("\r\n", "\n").replace("\r", "\n")
    if plain == raw:
        return plain, list(range(len(raw) + 1))
    offsets = [at for at, letter in enumerate(raw) if letter != "\n" or raw[at - 1 : at] != "\r"]
    return plain, [*offsets, len(raw)]


def _parsed(text: str, file: Path) -> tuple[dict[str, Any], PlaceMap, Layout]:
    at = forbidden_character(text)
    if at is not None:
        place = Place(file, text.count("\n", 0, at) + 1, at - text.rfind("\n", 0, at))
        raise RoomplanError(
            f"the character U+{ord(text[at]):04X} is not text", remedy="the character deleted", place=place
        )
    parsed, problems = parse_text(text, file)
    if problems:
        raise PlanError(problems)
    if parsed is None or not isinstance(parsed.data, dict):
        what = "there is no mapping of keys and values to change"
        raise RoomplanError(what, remedy="a document of keys and values", place=Place(file, 1, 1))
    return parsed.data, parsed.places, parsed.layout


def _wish_tree(wanted: Mapping[KeyPath, Any]) -> _Branch:
    root = _Branch()
    for path, value in wanted.items():
        if not path:
            raise ValueError("a path needs at least one step")
        branch = root
        for step in path[:-1]:
            below = branch.children.setdefault(step, _Branch())
            if isinstance(below, _Leaf):
                raise ValueError(f"two edits meet: {path} leads through another one")  # noqa: TRY004
            branch = below
        if path[-1] in branch.children:
            raise ValueError(f"two edits meet at {path}")
        branch.children[path[-1]] = _Leaf(value)
    return root


def _check_path(data: Any, path: KeyPath, places: PlaceMap) -> None:
    """Raise when a path leads into a value that has no such parts."""
    here = data
    for depth, step in enumerate(path):
        if isinstance(step, str) and (here is None or isinstance(here, dict)):
            here = None if here is None else here.get(step)
        elif isinstance(step, int) and isinstance(here, list) and 0 <= step < len(here):
            here = here[step]
        else:
            shown = ".".join(map(str, path[:depth])) or "the document"
            what = f"{shown}: {describe(here)} and has no {quoted(str(step))}"
            raise RoomplanError(
                what, remedy="use a path that the document has", place=places.value(path[:depth])
            )


def _reduced(wish: _Wish, data: Any) -> _Wish | None:
    """Return what of a wish is not so yet, taken apart as far as mappings and lists agree in form."""
    if isinstance(wish, _Leaf):
        value = wish.value
        if _same(value, data):
            return None
        if isinstance(value, dict) and isinstance(data, dict) and value and data.keys() <= value.keys():
            wish = _Branch({key: _Leaf(item) for key, item in value.items()})
        elif isinstance(value, list) and isinstance(data, list) and value and len(value) == len(data):
            wish = _Branch({index: _Leaf(item) for index, item in enumerate(value)})
        else:
            return wish
    left: dict[str | int, _Wish] = {}
    for step, child in wish.children.items():
        if isinstance(data, dict):
            below = _reduced(child, data[step]) if step in data else child
        else:
            below = _reduced(child, data[step]) if isinstance(data, list) and isinstance(step, int) else child
        if below is not None:
            left[step] = below
    return _Branch(left) if left else None


def _applied(raw: str, offsets: list[int], changes: Iterable[tuple[int, int, str]]) -> str:
    """Return the text as in the file with all changes, which name characters of the text with line feeds."""
    pieces: list[str] = []
    done = 0
    for start, end, text in sorted(changes, key=lambda change: (change[0], change[1])):
        first, last = offsets[start], offsets[end]
        if first < done:
            raise RoomplanError("two changes of the document meet", remedy="make the changes by hand")
        line_end = _line_end_at(raw, first) if "\n" in text else "\n"
        pieces += [raw[done:first], text.replace("\n", line_end)]
        done = last
    return "".join([*pieces, raw[done:]])


def _line_end_at(raw: str, position: int) -> str:
    """Return how the line of a position ends, or the one before when it is the last."""
    found = re.compile(r"\r\n|\r|\n").search(raw, position)
    if found is None:
        before = re.findall(r"\r\n|\r|\n", raw)
        return before[-1] if before else "\n"
    return found[0]


def _verify(text: str, expected: Any, wanted: Mapping[KeyPath, Any], file: Path, places: PlaceMap) -> None:
    """Raise unless the text means what is expected."""
    parsed, problems = parse_text(_with_line_feeds(text)[0], file)
    if not problems and parsed is not None and _same(parsed.data, expected):
        return
    got = parsed.data if parsed is not None else None
    missed = next((path for path, value in wanted.items() if not _same(_at(got, path), value)), None)
    path = missed or next(iter(wanted))
    what = f"{'.'.join(map(str, path))} cannot be changed here without changing something else"
    raise RoomplanError(what, remedy="edit this line by hand", place=places.value(path))


def _at(data: Any, path: KeyPath) -> Any:
    for step in path:
        if isinstance(step, str):
            data = data.get(step) if isinstance(data, dict) else None
        else:
            data = data[step] if isinstance(data, list) and step < len(data) else None
    return data


class _Editing:
    """Collects the changes of one text; each is a span and what replaces it."""

    def __init__(self, layout: Layout, places: PlaceMap, file: Path) -> None:
        self.layout = layout
        self.text = layout.text
        self.places = places
        self.file = file
        self.step = layout.step()
        self.changes: list[tuple[int, int, str]] = []
        self.touched: set[Node] = set()
        self.gone: set[Node] = set()
        self.moved: set[Node] = set()

    def carry_out(self, wish: _Wish) -> None:
        root = self.layout.root
        self.mark(root, wish)
        leaving = self.touched | self.gone
        remaining: dict[Node, list[Node]] = {}
        for alias in self.layout.aliases:
            if alias.target in leaving and alias not in leaving:
                remaining.setdefault(alias.target, []).append(alias)
        self.moved = set(remaining)
        for node, aliases in remaining.items():
            if node in self.touched and node not in self.gone:
                self.drop_anchor(node)
            self.put(aliases[0], self.copy(node), anchor=node.name if len(aliases) > 1 else None)
        self.walk(root, wish)

    def mark(self, node: Node, wish: _Wish) -> None:
        """Note which nodes change, and which go."""
        self.touched.add(node)
        if isinstance(wish, _Leaf) or node.kind in {"scalar", "alias"}:
            self.gone.update(list(node.below())[1:])
            return
        for step, child in wish.children.items():
            below = self.child(node, step)
            if below is not None:
                self.mark(below, child)

    @staticmethod
    def child(node: Node, step: str | int) -> Node | None:
        if isinstance(step, str):
            return node.entries.get(step)
        return node.items[step] if step < len(node.items) else None

    def walk(self, node: Node, wish: _Wish) -> None:
        if isinstance(wish, _Leaf):
            self.put(node, self.styled(node, wish.value))
        elif node.kind == "alias" and node.target is not None:
            self.put(node, self.copy(node.target, wish))
        elif node.kind == "scalar":
            self.fill(node, wish)
        else:
            missing: dict[str, _Wish] = {}
            for step, child in wish.children.items():
                below = self.child(node, step)
                if below is not None:
                    self.walk(below, child)
                elif isinstance(step, str):
                    missing[step] = child
            if missing:
                self.insert(node, missing)

    # --- values -----------------------------------------------------------------------------------

    def source(self, node: Node) -> str:
        return self.text[node.first : node.end]

    def styled(self, node: Node, value: Any) -> Any:
        """Return a value to write where a node is, a single one in the node's style."""
        if isinstance(value, dict | list):
            return value
        return AsWritten(scalar_text(value, self.source(node) if node.kind == "scalar" else ""))

    def copy(self, node: Node, wish: _Wish | None = None) -> Any:
        """Return a node's value with wishes in it, single values spelt as they are where braces allow it."""
        if isinstance(wish, _Leaf):
            return self.styled(node, wish.value)
        if node.kind == "alias" and node.target is not None:
            return self.copy(node.target, wish)
        children = wish.children if wish is not None else {}
        if node.kind == "mapping":
            copied = {name: self.copy(child, children.get(name)) for name, child in node.entries.items()}
            new = {step: _data(child) for step, child in children.items() if step not in copied}
            return {**copied, **{str(step): value for step, value in new.items()}}
        if node.kind == "list":
            return [self.copy(child, children.get(index)) for index, child in enumerate(node.items)]
        if wish is not None:
            return _data(wish)
        written = self.source(node)
        kept = node.style in {"'", '"'} or (not node.style and not _NOT_PLAIN_IN_BRACES.search(written))
        return AsWritten(written) if kept and written and "\n" not in written else node.value

    # --- places -----------------------------------------------------------------------------------

    def place(self, position: int) -> Place:
        return Place(
            self.file, self.text.count("\n", 0, position) + 1, position - self.layout.line_start(position) + 1
        )

    def refuse(self, what: str, position: int) -> RoomplanError:
        return RoomplanError(what, remedy="edit this line by hand", place=self.place(position))

    def change(self, start: int, end: int, text: str) -> None:
        self.changes.append((start, end, text))

    def without_blanks_before(self, position: int) -> int:
        while position > 0 and self.text[position - 1] in _BLANKS:
            position -= 1
        return position

    def drop_anchor(self, node: Node) -> None:
        """Delete an anchor and the blanks on one of its sides; the content stays or is replaced by itself."""
        end = node.start + 1 + len(node.name or "")
        after = end
        while self.text[after : after + 1] in (" ", "\t"):
            after += 1
        if self.text[after : after + 1] in ("", "\n", "#"):
            self.change(self.without_blanks_before(node.start), end, "")
        else:
            self.change(node.start, after, "")

    # --- changes ----------------------------------------------------------------------------------

    def put(self, node: Node, value: Any, *, anchor: str | None = None) -> None:
        """Write a value where a node is.

        Parameters
        ----------
        node : Node
            The node that is replaced; an anchor of its own stays, or is dropped by `drop_anchor`.
        value : plain data
            As `flow_text` takes it.
        anchor : str or None
            The name of a new anchor.
        """
        name = f"&{anchor}" if anchor is not None else ""
        inline = f"{name} {flow_text(value)}".lstrip()
        lines = self.lines_below(node, value, inline)
        if node.absent:
            if node.placeless and not node.in_flow():
                raise self.refuse("a key with `?` and without a value is not changed here", node.first)
            self.change(node.end, node.end, f"{': ' if node.placeless else ' '}{inline}")
        elif node.kind in {"mapping", "list"} and not node.flow:
            self.put_over_block(node, inline, lines)
        elif node.style in {"|", ">"}:
            header = _BLOCK_HEADER.match(self.text, node.first)
            stop = header.end() if header else node.first + 1
            self.change(node.first, stop, inline)
            if (line_end := self.layout.line_end(stop)) < node.end:
                self.change(line_end, node.end, "")
        elif lines:
            plain = not name and node not in self.moved
            self.change(self.without_blanks_before(node.first) if plain else node.first, node.end, name)
            line_end = self.layout.line_end(node.end)
            self.change(line_end, line_end, "".join(f"\n{line}" for line in lines))
        else:
            self.change(node.first, node.end, inline)

    def lines_below(self, node: Node, value: Any, inline: str) -> list[str]:
        """Return the lines of a value that is too long for its key's line; none if it is not."""
        parent = node.parent
        if parent is None or parent.kind != "mapping" or parent.flow or node.key is None:
            return []
        if not isinstance(value, dict | list) or not value or node.absent:
            return []
        column = self.layout.column(parent)
        before = node.key.end - self.layout.line_start(node.key.end) + len(": ")
        if before + len(inline) <= LONGEST_LINE:
            return []
        return block_lines(value, column + self.step, self.step)

    def put_over_block(self, node: Node, inline: str, lines: list[str]) -> None:
        """Write a value where a mapping or list without braces is; the key's comment stays."""
        stop = self.layout.line_end(node.end)
        if node.key is None or self.layout.line_end(node.key.end) > node.first:
            self.change(node.first, stop, inline)  # an entry of a list begins in the line of its dash
            return
        if node.name is not None:
            behind = node.start + 1 + len(node.name)
        else:
            colon = re.compile(r"\s*:").match(self.text, node.key.end)
            if colon is None:
                raise self.refuse("this form of a key is not changed here", node.key.start)
            behind = colon.end()
        if not lines:
            self.change(behind, behind, f" {inline}")
        self.change(self.layout.line_end(behind), stop, "".join(f"\n{line}" for line in lines))

    def fill(self, node: Node, wish: _Branch) -> None:
        """Write a mapping where there is nothing or `null`."""
        parent = node.parent
        block = parent is not None and parent.kind == "mapping" and not parent.flow
        if not node.absent or not block or node.placeless or parent is None:
            self.put(node, _data(wish))
            return
        column = self.layout.column(parent) + self.step
        line_end = self.layout.line_end(node.end)
        self.change(line_end, line_end, "".join(f"\n{line}" for line in self.new_lines(wish, column)))

    def new_lines(self, wish: _Branch, column: int) -> list[str]:
        """Return the lines of new keys: what the paths name gets lines, what values hold gets braces."""
        lines: list[str] = []
        for name, child in wish.children.items():
            if isinstance(child, _Leaf):
                lines += block_entry(str(name), child.value, column, self.step)
            else:
                lines.append(f"{' ' * column}{scalar_text(str(name))}:")
                lines += self.new_lines(child, column + self.step)
        return lines

    def insert(self, node: Node, missing: dict[str, _Wish]) -> None:
        """Add keys behind the last one of a mapping."""
        if node.bare:
            raise self.refuse("a pair in brackets without braces gets no further keys here", node.first)
        if not node.flow:
            column = self.layout.column(node)
            lines = self.new_lines(_Branch({**missing}), column)
            position = self.layout.line_end(node.end)
            self.change(position, position, "".join(f"\n{line}" for line in lines))
            return
        pairs = [f"{scalar_text(name)}: {flow_text(_data(child))}" for name, child in missing.items()]
        if not node.keys:
            self.change(node.first + 1, node.first + 1, ", ".join(pairs))
            return
        key = node.keys[-1]
        last = node.entries[key.value]
        line_end = self.layout.line_end(last.end)
        gap = " " if last.absent else ""  # a key and its colon right before a comma are one word
        behind = _COMMENT.sub("", self.text[last.end : node.end - 1])
        comma = "," in behind
        line = self.layout.line_start(key.start)
        own_line = not self.text[line : key.start].strip(_BLANKS) and line_end < node.end - 1
        same_line = "," in _COMMENT.sub("", self.text[last.end : line_end])
        if own_line and comma == same_line:
            if not comma:
                self.change(last.end, last.end, f"{gap},")
            indent = self.text[line : key.start]
            joined = "".join(f"\n{indent}{pair}," for pair in pairs)
            self.change(line_end, line_end, joined if comma else joined.rstrip(","))
        else:
            self.change(last.end, last.end, gap + "".join(f", {pair}" for pair in pairs))


def _data(wish: _Wish) -> Any:
    """Return the value that wishes about something new add up to."""
    if isinstance(wish, _Leaf):
        return wish.value
    return {str(step): _data(child) for step, child in wish.children.items()}
