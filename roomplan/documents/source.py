"""Read a YAML file into plain data in which every value knows its line.

Conventions
-----------
Lines and columns count from 1 and columns count characters. Files are UTF-8, with or without a byte order
mark, with line ends of any system. Nothing raises: what is wrong comes back as a list of problems.

Notes
-----
Nothing is known here of what the values mean.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from roomplan.documents.parsing import parse_text
from roomplan.documents.scalars import forbidden_character
from roomplan.documents.suggest import did_you_mean
from roomplan.documents.wording import describe, quoted
from roomplan.errors import Place, Problem
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from pathlib import Path

    from roomplan.documents.places import KeyPath, PlaceMap
    from roomplan.documents.renames import NewWord

__all__ = ["MOST_BYTES", "Document", "ReplacedList", "in_file_order", "read_document", "unreadable"]

# About 8000 lines. The parser reads some 100 kB a second, so a file of this size answers within five seconds.
MOST_BYTES = 512 * 1024


@frozen_class
class ReplacedList:
    """A list of an extended file in whose place another value is.

    Attributes
    ----------
    at : tuple
        Its key path.
    place, before : Place
        Of the new value's key and of the list's.
    entries, lost : int
        How many entries the list had, and how many of them the new value does not have; a send at another
        level is there.
    """

    at: KeyPath
    place: Place
    before: Place
    entries: int
    lost: int


@frozen_class
class Document:
    """A document: plain dicts, lists, texts, numbers, truth values and None, and the places of all of them.

    Attributes
    ----------
    file : Path
        The file as it was asked for.
    data : dict
        What it holds; values that were refused are left out.
    places : PlaceMap
        Where each key and value is.
    files : tuple of Path
        Every file that was read for it, this one first.
    complete : bool
        False when a file it builds on could not be read, so that what is missing means nothing.
    renamed : tuple of NewWord
        Old words that were read under their new names.
    replaced : tuple of ReplacedList
        Lists of files it builds on that it replaces.
    """

    file: Path
    data: dict[str, Any]
    places: PlaceMap
    files: tuple[Path, ...] = ()
    complete: bool = True
    renamed: tuple[NewWord, ...] = ()
    replaced: tuple[ReplacedList, ...] = ()


def in_file_order(problems: list[Problem], files: tuple[Path, ...]) -> list[Problem]:
    """Return the problems by file, line and column, without repetitions.

    An alias shows the same words in several places; they are one fault.
    """
    rank = {file: index for index, file in enumerate(files)}

    def key(problem: Problem) -> tuple[int, str, int, int]:
        place = problem.place
        if place is None:
            return (-1, "", 0, 0)
        return (rank.get(place.file, len(rank)), str(place.file), place.line or 0, place.column or 0)

    return sorted(dict.fromkeys(problems), key=key)


def read_document(path: Path) -> tuple[Document | None, list[Problem]]:
    """Read one YAML file whose top level is a mapping.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    Document or None
        None when the file cannot be read to its end or holds no mapping.
    list of Problem
        Everything that is wrong with it, in file order: a missing or unreadable file, bytes that are not
        UTF-8, YAML faults, repeated keys, keys that are not text, tags, directives, merge keys, dates,
        numbers that are not finite, nesting and alias expansion without measure.

    Notes
    -----
    `extends` is not followed here, see `roomplan.documents.extends`.
    """
    text, problem = _read_text(path)
    if text is None:
        return None, [problem] if problem else []
    parsed, problems = parse_text(text, path)
    if parsed is None:
        return None, in_file_order(problems, (path,))
    if parsed.empty:
        problems.append(Problem("the file is empty", Place(path), "a mapping of keys and values"))
    elif not isinstance(parsed.data, dict):
        if not problems or parsed.data is not None:
            what = (
                f"the top level {describe(parsed.data)}"
                if isinstance(parsed.data, list)
                else "the file has no keys"
            )
            remedy = "keys with values, such as `title: Ice Harbour`"
            problems.append(Problem(what, parsed.places.of(()), remedy))
    else:
        document = Document(path, parsed.data, parsed.places, (path,))
        return document, in_file_order(problems, (path,))
    return None, in_file_order(problems, (path,))


def unreadable(path: Path) -> Problem | None:
    """Return why a file cannot be opened for reading; None where it can, whatever it holds."""
    place = Place(path)
    try:
        if path.is_dir():
            return Problem("is a folder", place, "the path of a YAML file")
        if not path.exists():
            return replace(_not_found(path), place=place)
        if not path.is_file():
            return Problem("is not a regular file", place, "the path of a YAML file")
        with path.open("rb"):
            return None
    except (OSError, ValueError) as error:  # ValueError: a path with a null character
        reason = getattr(error, "strerror", None) or str(error)
        return Problem(f"cannot be read: {reason}", place, "a readable file")


def _read_text(path: Path) -> tuple[str | None, Problem | None]:
    """Return the text of a file with line feeds as line ends, or the problem that prevents it."""
    place = Place(path)
    problem = unreadable(path)
    if problem is not None:
        return None, problem
    try:
        with path.open("rb") as stream:
            raw = stream.read(MOST_BYTES + 1)
    except OSError as error:
        return None, Problem(f"cannot be read: {error.strerror or error}", place, "a readable file")
    if len(raw) > MOST_BYTES:
        return None, Problem(
            f"is larger than {MOST_BYTES // 1024} kB", place, "a YAML file of a few kilobytes"
        )
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return None, Problem("is not UTF-8 but UTF-16", place, "the file saved as UTF-8")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        start = raw.rfind(b"\n", 0, error.start) + 1
        column = len(raw[start : error.start].decode("utf-8", "replace")) + 1
        spot = Place(path, raw.count(b"\n", 0, error.start) + 1, column)
        return None, Problem(f"byte 0x{raw[error.start]:02x} is not UTF-8", spot, "the file saved as UTF-8")
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    at = forbidden_character(text)
    if at is not None:
        spot = Place(path, text.count("\n", 0, at) + 1, at - text.rfind("\n", 0, at))
        what = f"the character U+{ord(text[at]):04X} is not text"
        return None, Problem(what, spot, "a text file; the character deleted")
    return text, None


def _not_found(path: Path) -> Problem:
    """Return the problem of a file that is not there, with the nearest name in its folder."""
    if path.is_symlink():
        return Problem("is a link to a file that does not exist", None, "mend or replace the link")
    try:
        names = sorted(entry.name for entry in path.parent.iterdir())
    except OSError:
        return Problem(
            "the folder does not exist", None, f"an existing folder instead of {quoted(str(path.parent))}"
        )
    near = did_you_mean(path.name, [name for name in names if name.lower().endswith((".yaml", ".yml"))])
    return Problem(
        "there is no such file",
        None,
        f"did you mean {quoted(near)}?" if near else "name an existing YAML file",
    )
