"""Words of a document that have been renamed: read under their new name, and rewritten in a text.

Conventions
-----------
A way is a key path in which `*` is any key or entry. A text that is rewritten is as in the file, with any
line ends and with or without a byte order mark; every character outside the renamed words stays.

Notes
-----
Data and text are renamed by two routes, one over the parsed data and one over the spans of the text. A new
text counts only when it reads as the old data does under its new names.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from roomplan.documents.edits import edited_text, replaced_spans
from roomplan.documents.emission import scalar_text
from roomplan.documents.parsing import parse_text
from roomplan.documents.wording import quoted
from roomplan.errors import Place, PlanError, Problem, RoomplanError
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from collections.abc import Iterator

    from roomplan.documents.nodes import Node
    from roomplan.documents.places import KeyPath, Spot

__all__ = ["NO_RENAMES", "NewWord", "RenamedKey", "RenamedValue", "Renames", "renamed_text"]

_ANY = "*"
_NOWHERE = Path("document")


@frozen_class
class RenamedKey:
    """A key that has another name now: `way` ends in the old one."""

    way: tuple[str, ...]
    new: str


@frozen_class
class RenamedValue:
    """A text that is spelt otherwise now: `old` is a pattern for the whole of it, `new` its replacement."""

    way: tuple[str, ...]
    old: str
    new: str

    def respelt(self, value: Any) -> str | None:
        """Return a value as it is spelt now; None for one that is not spelt the old way."""
        found = re.fullmatch(self.old, value) if isinstance(value, str) else None
        return None if found is None else found.expand(self.new)


@frozen_class
class NewWord:
    """An old word that was found, and the one it was read as."""

    place: Place
    old: str
    new: str
    is_key: bool


@frozen_class
class Renames:
    """Everything that has been renamed in one kind of document."""

    keys: tuple[RenamedKey, ...] = ()
    values: tuple[RenamedValue, ...] = ()

    def apply(self, data: dict[str, Any], root: Spot) -> tuple[list[NewWord], list[Problem]]:
        """Rename in data and in their places, which the caller owns.

        Parameters
        ----------
        data : dict
            A document.
        root : Spot
            Its places.

        Returns
        -------
        found : list of NewWord
            One for each place; aliases show one word several times.
        problems : list of Problem
            Mappings that have a key under both names; the old one is taken out.
        """
        found: list[NewWord] = []
        problems: list[Problem] = []
        for key in self.keys:
            old = key.way[-1]
            for mapping, spot in _mappings(data, root, key.way[:-1]):
                children = spot.children if isinstance(spot.children, dict) else {}
                if old in spot.refused:
                    spot.refused.remove(old)
                    spot.refused.add(key.new)
                if old not in mapping:
                    continue
                word = NewWord(children[old].key, old, key.new, is_key=True)
                if key.new in mapping:
                    what = f"`{old}` is the old word for `{key.new}`, which is here too"
                    problems.append(Problem(what, word.place, "keep one of them, under the new name"))
                    del mapping[old], children[old]
                    continue
                _rename(mapping, old, key.new)
                _rename(children, old, key.new)
                found.append(word)
        for value in self.values:
            for mapping, spot in _mappings(data, root, value.way[:-1]):
                last = value.way[-1]
                new = value.respelt(mapping.get(last))
                child = spot.child(last)
                if new is not None and child is not None:
                    found.append(NewWord(child.value, mapping[last], new, is_key=False))
                    mapping[last] = new
        return list(dict.fromkeys(found)), list(dict.fromkeys(problems))


NO_RENAMES = Renames()


def _rename(mapping: dict[str, Any], old: str, new: str) -> None:
    """Rename a key and keep the order."""
    entries = [(new if key == old else key, value) for key, value in mapping.items()]
    mapping.clear()
    mapping.update(entries)


def _mappings(data: Any, spot: Spot, way: tuple[str, ...]) -> Iterator[tuple[dict[str, Any], Spot]]:
    """Yield the mappings that a way leads to, with their places."""
    if not way:
        if isinstance(data, dict):
            yield data, spot
        return
    for step in _steps(data, way[0]):
        below = spot.child(step)
        if below is not None:
            yield from _mappings(data[step], below, way[1:])


def _steps(data: Any, step: str) -> list[Any]:
    if isinstance(data, dict):
        return list(data) if step == _ANY else [step] if step in data else []
    return list(range(len(data))) if isinstance(data, list) and step == _ANY else []


# --- In a text -----------------------------------------------------------------------------------------


def renamed_text(text: str, renames: Renames, *, file: Path = _NOWHERE) -> tuple[str, list[NewWord]]:
    """Return a text with its old words renamed, and which they were.

    Parameters
    ----------
    text : str
        One YAML document whose top level is a mapping.
    file : Path
        What messages name as its file.

    Raises
    ------
    PlanError
        The text has faults, or a mapping has a key under both names.
    RoomplanError
        The words cannot be renamed without changing something else, as where an alias stands for an old word
        here and for something else there. The message names the line.
    """
    plain = _plain(text)
    parsed, problems = parse_text(plain, file)
    if parsed is None or problems or not isinstance(parsed.data, dict):
        raise PlanError(problems or [Problem("there is no mapping of keys and values", Place(file, 1, 1))])
    wanted = parsed.data
    found, problems = renames.apply(wanted, parsed.places.root)
    if problems:
        raise PlanError(problems)
    if not found:
        return text, []
    for attempt in _attempts(text, renames):
        read, faults = parse_text(_plain(attempt), file)
        if read is not None and not faults and read.data == wanted and _ordered(read.data, wanted):
            return attempt, found
    what = f"{quoted(found[0].old)} cannot be renamed here without changing something else"
    raise RoomplanError(what, remedy="edit this line by hand", place=found[0].place)


def _plain(text: str) -> str:
    return text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n")


def _ordered(one: Any, other: Any) -> bool:
    """Tell whether equal mappings have their keys in the same order."""
    if isinstance(one, dict):
        return list(one) == list(other) and all(_ordered(one[key], other[key]) for key in one)
    return not isinstance(one, list) or all(map(_ordered, one, other))


def _attempts(text: str, renames: Renames) -> Iterator[str]:
    """Yield the text with its words replaced where they are, then with values that aliases share apart."""
    in_place = replaced_spans(text, lambda root: _spans(root, renames))
    yield in_place
    keys_only = replaced_spans(text, lambda root: _spans(root, replace(renames, values=())))
    parsed, _ = parse_text(_plain(keys_only), _NOWHERE)
    if parsed is None or not isinstance(parsed.data, dict):
        return
    edits: dict[KeyPath, Any] = {}
    for value in renames.values:
        for at, old in _values(parsed.data, value.way, ()):
            new = value.respelt(old)
            if new is not None:
                edits[at] = new
    try:
        yield edited_text(keys_only, edits)
    except RoomplanError:
        return


def _values(data: Any, way: tuple[str, ...], at: KeyPath) -> Iterator[tuple[KeyPath, Any]]:
    if not way:
        yield at, data
        return
    for step in _steps(data, way[0]):
        yield from _values(data[step], way[1:], (*at, step))


def _spans(root: Node, renames: Renames) -> set[tuple[int, int, str]]:
    """Return where old words are and what replaces them."""
    spans: set[tuple[int, int, str]] = set()
    for key in renames.keys:
        for node in _nodes(root, key.way):
            if node.key is not None:
                spans.add((node.key.first, node.key.end, key.new))
    for value in renames.values:
        for node in _nodes(root, value.way):
            target = _meant(node)
            new = value.respelt(target.value) if target.kind == "scalar" else None
            if new is not None:
                spans.add((target.first, target.end, scalar_text(new, '"')))
    return spans


def _nodes(node: Node, way: tuple[str, ...]) -> Iterator[Node]:
    """Yield the values that a way leads to, aliases followed on the way."""
    if not way:
        yield node
        return
    inside = _meant(node)
    if inside.kind == "mapping":
        below = list(inside.entries.values()) if way[0] == _ANY else [inside.entries.get(way[0])]
    else:
        below = list(inside.items) if inside.kind == "list" and way[0] == _ANY else []
    for child in below:
        if child is not None:
            yield from _nodes(child, way[1:])


def _meant(node: Node) -> Node:
    while node.kind == "alias" and node.target is not None:
        node = node.target
    return node
