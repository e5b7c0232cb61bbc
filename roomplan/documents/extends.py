"""A document that starts from another one: `extends: base.yaml`.

Conventions
-----------
Mappings merge key by key; lists and single values are replaced; `null` removes what the base has. Every
value keeps the place and file it came from, so relative paths belong to the file they stand in.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from roomplan.documents.places import PlaceMap, Spot
from roomplan.documents.renames import NO_RENAMES, NewWord, Renames
from roomplan.documents.source import Document, in_file_order, read_document
from roomplan.documents.suggest import Guesses
from roomplan.documents.wording import describe, quoted
from roomplan.errors import Place, Problem
from roomplan.real_path import real_path

__all__ = ["EXTENDS", "path_beside", "read_extended", "tidy"]

EXTENDS = "extends"


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


def read_extended(path: Path, renames: Renames = NO_RENAMES) -> tuple[Document | None, list[Problem]]:
    """Read a YAML file and everything it extends, merged.

    Parameters
    ----------
    path : Path
        The leaf: the file that changes the others.
    renames : Renames
        Old words, read in each file under their new names.

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
            what = (
                f"{quoted(str(current))} {found[0].what}"
                if found[0].what.startswith("is ")
                else (f"{quoted(str(current))}: {found[0].what}")
            )
            found = [Problem(f"extends {what}", origin, found[0].remedy), *found[1:]]
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
    guesses = Guesses()
    for document in reversed(chain[:-1]):
        data, root = _merged(data, root, document.data, document.places.root, problems, guesses)
    merged = Document(path, data, PlaceMap(root), files, complete, tuple(renamed))
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


def _merged(
    base: dict[str, Any],
    base_spot: Spot,
    leaf: dict[str, Any],
    leaf_spot: Spot,
    problems: list[Problem],
    guesses: Guesses,
) -> tuple[dict[str, Any], Spot]:
    """Return the leaf's mapping laid over the base's, with the places of both (reading bounds the depth)."""
    below = dict(base_spot.children) if isinstance(base_spot.children, dict) else {}
    above = leaf_spot.children if isinstance(leaf_spot.children, dict) else {}
    data = dict(base)
    refused = base_spot.refused | leaf_spot.refused
    for key, value in leaf.items():
        spot = above[key]
        if value is None:
            if key not in data and key not in base_spot.refused:
                near = guesses.nearest(key, data)
                problems.append(
                    Problem(
                        f"there is no {quoted(key)} to remove in the plan this one extends",
                        spot.key,
                        f"did you mean {quoted(near)}?" if near else "leave out the line",
                    )
                )
            data.pop(key, None)
            below.pop(key, None)
        elif isinstance(value, dict) and isinstance(data.get(key), dict):
            data[key], below[key] = _merged(data[key], below[key], value, spot, problems, guesses)
        else:
            data[key], below[key] = value, spot
        refused.discard(key)
    return data, Spot(leaf_spot.key, leaf_spot.value, below, refused)
