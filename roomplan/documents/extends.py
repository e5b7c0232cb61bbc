"""A document that starts from another one: `extends: base.yaml`.

Conventions
-----------
Mappings merge key by key; lists and single values are replaced; `null` removes what the base has. Where a
number is short for a mapping, it merges as that mapping does. Every value keeps the place and file it came
from, so relative paths belong to the file they are in.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from roomplan.documents.places import PlaceMap, Spot
from roomplan.documents.renames import NO_RENAMES, NewWord, Renames
from roomplan.documents.source import Document, ReplacedList, in_file_order, read_document
from roomplan.documents.suggest import Guesses
from roomplan.documents.wording import describe, quoted
from roomplan.errors import Place, Problem
from roomplan.files.real_path import real_path
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from collections.abc import Sequence

    from roomplan.documents.places import KeyPath

__all__ = ["EXTENDS", "ShortForm", "path_beside", "read_extended", "tidy"]

EXTENDS = "extends"


@frozen_class
class ShortForm:
    """Where a number is short for a mapping of one key: `way` is a key path in which `*` is any key."""

    way: tuple[str, ...]
    key: str

    def holds_at(self, path: KeyPath) -> bool:
        """Tell whether it is a key path of this form."""
        return len(path) == len(self.way) and all(
            step in ("*", key) for step, key in zip(self.way, path, strict=True)
        )


def tidy(path: Path) -> Path:
    """Return a path without `..` where that leads to the same file (a link in it may say otherwise)."""
    if ".." not in path.parts:
        return path
    short = Path(os.path.normpath(path))
    return short if real_path(short) == real_path(path) else path


def path_beside(text: str, file: Path) -> Path:
    """Return the path that a text in a file means: `~` is the home folder, the rest is relative to the file.

    Raises
    ------
    ValueError
        For `~name` when there is no such user.
    """
    try:
        written = Path(text).expanduser()
    except RuntimeError as error:
        raise ValueError(str(error)) from error
    return tidy(file.parent / written)


def read_extended(
    path: Path, renames: Renames = NO_RENAMES, short_forms: Sequence[ShortForm] = ()
) -> tuple[Document | None, list[Problem]]:
    """Read a YAML file and everything it extends, merged.

    Parameters
    ----------
    path : Path
        The leaf: the file that changes the others.
    renames : Renames
        Old words, read in each file under their new names.
    short_forms : sequence of ShortForm
        Numbers that are short for a mapping.

    Returns
    -------
    Document or None
        The merged document, without its `extends`; None when the leaf itself cannot be read. When a base
        cannot be read, what could be read is returned with `complete` False.
    list of Problem
        Everything that is wrong with any of the files: the leaf's first.
    """
    chain: list[Document] = []
    problems: list[Problem] = []
    renamed: list[NewWord] = []
    seen: dict[Path, Path] = {}  # resolved → as shown
    complete = True
    current: Path | None = path
    origin: Place | None = None
    while current is not None:
        resolved = _resolved(current)
        if resolved in seen:
            shown = " → ".join(str(file) for file in [*_from(seen, resolved), current])
            problems.append(
                Problem(f"extends goes in a circle: {shown}", origin, "a base that extends none of these")
            )
            complete = False
            break
        seen[resolved] = current
        document, found = read_document(current)
        if document is None and origin is not None and found and found[0].place == Place(current):
            # The file as a whole is at fault (missing, a folder): the line that names it is where to look.
            what = f"extends {quoted(str(current))}: {found[0].what}"
            found = [Problem(what, origin, found[0].remedy), *found[1:]]
        problems.extend(found)
        if document is None:
            complete = False
            break
        words, twice = renames.apply(document.data, document.places.root)
        renamed += words
        problems += twice
        chain.append(document)
        current, origin = None, None
        if EXTENDS in document.data:
            current, origin, problem = _take_base(document)
            if problem is not None:
                problems.append(problem)
                complete = False
        elif document.places.was_refused((EXTENDS,)):
            complete = False
    if not chain:
        return None, problems
    files = tuple(document.file for document in chain)
    data, root = chain[-1].data, chain[-1].places.root
    merge = _Merge(tuple(short_forms), problems)
    for document in reversed(chain[:-1]):
        data, root = merge.merged(data, root, document.data, document.places.root, ())
    replaced = tuple(merge.replaced)
    merged = Document(path, data, PlaceMap(root), files, complete, tuple(renamed), replaced)
    return merged, in_file_order(problems, files)


def _resolved(path: Path) -> Path:
    try:
        return real_path(path)
    except ValueError:  # a null character
        return path.absolute()


def _from(seen: dict[Path, Path], first: Path) -> list[Path]:
    """Return the part of the chain that is the circle."""
    keys = list(seen)
    return [seen[key] for key in keys[keys.index(first) :]]


def _take_base(document: Document) -> tuple[Path | None, Place, Problem | None]:
    """Take `extends` out of a document that has it; return the path it names, where, and what is wrong."""
    value = document.data.pop(EXTENDS)
    place = document.places.value((EXTENDS,))
    document.places.drop((EXTENDS,))
    remedy = "the path of one plan, such as base.yaml"
    if not isinstance(value, str) or not value.strip():
        return None, place, Problem(f"extends: {describe(value)}", place, remedy)
    try:
        return path_beside(value, document.file), place, None
    except ValueError as error:
        return None, place, Problem(f"extends: {quoted(value)}: {error}", place, remedy)


@dataclass(slots=True)
class _Merge:
    """Documents laid over each other, and what there is to say of it."""

    short_forms: tuple[ShortForm, ...]
    problems: list[Problem]
    replaced: list[ReplacedList] = field(default_factory=list)
    guesses: Guesses = field(default_factory=Guesses)

    def merged(
        self, base: dict[str, Any], base_spot: Spot, leaf: dict[str, Any], leaf_spot: Spot, path: KeyPath
    ) -> tuple[dict[str, Any], Spot]:
        """Return the leaf's mapping laid over the base's, with places (reading bounds the depth)."""
        below = dict(base_spot.children) if isinstance(base_spot.children, dict) else {}
        above = leaf_spot.children if isinstance(leaf_spot.children, dict) else {}
        data = dict(base)
        refused = base_spot.refused | leaf_spot.refused
        for key, value in leaf.items():
            spot, at = above[key], (*path, key)
            if value is None:
                if key not in data and key not in base_spot.refused:
                    self._nothing_to_remove(key, data, spot)
                data.pop(key, None)
                below.pop(key, None)
            elif key not in data:
                data[key], below[key] = value, spot
            else:
                data[key], below[key] = self._over(data[key], below[key], value, spot, at)
            refused.discard(key)
        return data, Spot(leaf_spot.key, leaf_spot.value, below, refused)

    def _nothing_to_remove(self, key: str, data: dict[str, Any], spot: Spot) -> None:
        near = self.guesses.nearest(key, data)
        what = f"there is no {quoted(key)} to remove in the plan this one extends"
        remedy = f"did you mean {quoted(near)}?" if near else "leave out the line"
        self.problems.append(Problem(what, spot.key, remedy))

    def _over(self, old: Any, old_spot: Spot, new: Any, new_spot: Spot, at: KeyPath) -> tuple[Any, Spot]:
        """Return one value laid over another."""
        form = next((form for form in self.short_forms if form.holds_at(at)), None)
        if isinstance(old, dict) != isinstance(new, dict):
            if form is not None and _is_number(old):
                old, old_spot = {form.key: old}, Spot(old_spot.key, old_spot.value, {form.key: old_spot})
            elif form is not None and _is_number(new):
                new, new_spot = {form.key: new}, Spot(new_spot.key, new_spot.value, {form.key: new_spot})
        if isinstance(old, dict) and isinstance(new, dict):
            return self.merged(old, old_spot, new, new_spot, at)
        if isinstance(old, list) and not isinstance(new, str):  # a word, such as `off`, means all of it
            kept = [_apart_from(form, entry) for entry in (new if isinstance(new, list) else [new])]
            lost = sum(_apart_from(form, entry) not in kept for entry in old)
            self.replaced.append(ReplacedList(at, new_spot.key, old_spot.key, len(old), lost))
        return new, new_spot


def _apart_from(form: ShortForm | None, entry: Any) -> Any:
    """Return an entry of a list without the value a number is short for: with another one it is not lost."""
    if form is not None and _is_number(entry):
        return {}
    if form is not None and isinstance(entry, dict):
        return {key: value for key, value in entry.items() if key != form.key}
    return entry


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
