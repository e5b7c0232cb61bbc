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

from roomplan.errors import RoomplanError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

__all__ = ["is_the_users", "outside_folders", "refuse_outside", "refuse_whole_places", "words_of_outside"]


def refuse_whole_places(folders: Iterable[Path]) -> None:
    """Refuse `/` (a whole drive) and the home folder as the place of files.

    Parameters
    ----------
    folders : iterable of Path

    Raises
    ------
    RoomplanError
        One of them is such a place.
    """
    try:
        home = Path.home().resolve()
    except (RuntimeError, OSError):  # nobody's home
        home = None
    for folder in folders:
        real = folder.resolve()
        if real == Path(real.anchor) or real == home or _is_one(real, home):
            what = "a whole disk" if real == Path(real.anchor) else "the home folder"
            raise RoomplanError(
                f"{folder}: would scatter a delivery over {what}", remedy="name a folder inside it"
            )


def outside_folders(base: Path, folders: Iterable[Path]) -> tuple[Path, ...]:
    """Folders, each once, that do not lie in or under `base`.

    Parameters
    ----------
    base : Path
    folders : iterable of Path
    """
    root = base.resolve()
    return tuple(folder for folder in dict.fromkeys(folders) if not folder.resolve().is_relative_to(root))


def words_of_outside(folders: Sequence[Path]) -> str:
    """Say in one line where a plan writes outside its folder."""
    return f"writes outside the plan's folder: {', '.join(str(folder) for folder in folders)}"


def refuse_outside(folders: Sequence[Path], whose: str, *, remedy: str) -> None:
    """Refuse folders outside the plan's, for want of the user's word.

    Parameters
    ----------
    folders : sequence of Path
        From `outside_folders`.
    whose : str
        What it is that would write there, as the beginning of the line.
    remedy : str
        How the user agrees.

    Raises
    ------
    RoomplanError
        There is such a folder.
    """
    if folders:
        raise RoomplanError(f"{whose} {words_of_outside(folders)}", remedy=remedy)


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
