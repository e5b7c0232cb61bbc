"""Deliveries outside the folder of their plan: what a plan may write where, and who has to agree.

Conventions
-----------
A plan is words that may come from anybody: it writes in and under its own folder. Elsewhere a plan of the
user's own may write too, which is said before any work; one that is not the user's, and a report, need the
user's word. Neither `/` nor the home folder is ever a folder of a delivery, whoever names it. Links are
followed before anything is compared.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from roomplan.errors import Problem, RoomplanError
from roomplan.files.real_path import real_path

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

__all__ = [
    "is_the_users",
    "outside_folders",
    "refuse_outside",
    "refuse_whole_places",
    "whole_place",
    "words_of_outside",
]


def whole_place(folder: Path) -> Problem | None:
    """Why no delivery goes to `/` (a whole drive) or the home folder; None for any other folder."""
    try:
        home = real_path(Path.home())
    except RuntimeError:  # nobody's home
        home = None
    real = real_path(folder)
    if real == Path(real.anchor):
        what = "a whole disk"
    elif real == home or _is_one(real, home):
        what = "the home folder"
    else:
        return None
    fault = f"{folder}: would scatter the files of a delivery over {what}"
    return Problem(fault, None, "name a folder inside it")


def refuse_whole_places(folders: Iterable[Path]) -> None:
    """Refuse `/` and the home folder as the place of files.

    Raises
    ------
    RoomplanError
        One of them is such a place.
    """
    for folder in folders:
        problem = whole_place(folder)
        if problem is not None:
            raise RoomplanError(problem.what, remedy=problem.remedy)


def outside_folders(base: Path, folders: Iterable[Path]) -> tuple[Path, ...]:
    """Folders, each once, that do not lie in or under `base`."""
    root = real_path(base)
    return tuple(folder for folder in dict.fromkeys(folders) if not real_path(folder).is_relative_to(root))


def words_of_outside(folders: Sequence[Path], *, of: str) -> str:
    """Say in one line where something writes outside its folder, and where links lead; `of` is what it is."""
    return f"writes outside the {of}'s folder: {', '.join(map(_led, folders))}"


def refuse_outside(folders: Sequence[Path], whose: str, *, of: str, remedy: str) -> None:
    """Refuse folders outside the plan's or the report's, for want of the user's word.

    Parameters
    ----------
    folders : sequence of Path
        From `outside_folders`.
    whose : str
        What it is that would write there, as the beginning of the line.
    of : str
        Whose folder they lie outside of: `plan` or `report`.
    remedy : str
        How the user agrees.

    Raises
    ------
    RoomplanError
        There is such a folder.
    """
    if folders:
        raise RoomplanError(f"{whose} {words_of_outside(folders, of=of)}", remedy=remedy)


def is_the_users(folder: Path) -> bool:
    """Tell whether a folder belongs to the user; where nothing has an owner, everything does."""
    if os.name != "posix":
        return True
    try:
        return folder.stat().st_uid == os.geteuid()
    except OSError:
        return False


def _is_one(folder: Path, home: Path | None) -> bool:
    """Tell whether two paths are one folder, also where case is ignored or a disk is mounted twice."""
    try:
        return home is not None and folder.samefile(home)
    except OSError:
        return False


def _led(folder: Path) -> str:
    """A folder, and where it is when a link leads elsewhere."""
    real = real_path(folder)
    return f"{folder}" if real == folder else f"{folder} (leads to {real})"
