"""Rewrite the old words of plan files, each file in its place with the old one kept beside it.

Notes
-----
Every new text is known to read as the old one does (`roomplan.documents.renames`) before any file is
touched, so a plan is the same whichever of its files have been rewritten.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from roomplan.documents.extends import read_extended
from roomplan.documents.renames import renamed_text
from roomplan.documents.rewriting import read_original, write_edited
from roomplan.errors import Place, PlanError, RoomplanError
from roomplan.files.real_path import real_path
from roomplan.plan.old_words import OLD_WORDS
from roomplan.report_file import find_report

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from roomplan.documents.renames import NewWord

__all__ = ["UpdatedFile", "update_plan"]


@dataclass(frozen=True, slots=True)
class UpdatedFile:
    """A file whose old words were rewritten.

    Attributes
    ----------
    file : Path
        As it was named.
    backup : Path
        Where the old file is kept.
    words : tuple of NewWord
        What was rewritten.
    """

    file: Path
    backup: Path
    words: tuple[NewWord, ...]


def update_plan(path: Path, bases: Sequence[Path] = ()) -> tuple[UpdatedFile, ...]:
    """Rewrite the old words of a plan.

    Parameters
    ----------
    path : Path
        The plan; it may have problems other than those of its text.
    bases : sequence of Path
        Files it extends, directly or not, that are to be rewritten too.

    Returns
    -------
    tuple of UpdatedFile
        Files that had old words.

    Raises
    ------
    PlanError
        A file cannot be read or its text has faults.
    RoomplanError
        It is a report and not a plan, it does not extend a file of `bases`, or a word cannot be rewritten
        without changing something else. Nothing is written then, nor where the first of the files cannot be
        moved into place.
    """
    if find_report(path) is not None:
        what = "is a report; only a plan itself can be changed"
        raise RoomplanError(what, remedy="the plan it was made from", place=Place(path))
    if bases:
        _require_extended(path, bases)
    prepared = []
    for file in (path, *bases):
        original = read_original(file)
        prepared.append((original, *renamed_text(original.text, OLD_WORDS, file=file)))
    updated = []
    for original, text, words in prepared:
        backup = write_edited(original, text)
        if backup is not None:
            updated.append(UpdatedFile(original.path, backup, tuple(words)))
    return tuple(updated)


def _require_extended(path: Path, bases: Sequence[Path]) -> None:
    document, problems = read_extended(path)
    if document is None:
        raise PlanError(problems)
    extended = {real_path(file) for file in document.files[1:]}
    strangers = [base for base in bases if real_path(base) not in extended]
    if strangers:
        what = f"does not extend {', '.join(map(str, strangers))}"
        shown = ", ".join(map(str, document.files[1:]))
        remedy = f"of what it extends: {shown}" if extended else "no other file: it extends none"
        raise RoomplanError(what, remedy=remedy, place=Place(path))
