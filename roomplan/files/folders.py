"""Which sound files a user means: files as given, folders with all that is in and under them."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from roomplan.errors import RoomplanError
from roomplan.files.names import is_sound_name, natural_order

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["find_sounds"]


def find_sounds(paths: Iterable[Path]) -> list[Path]:
    """Files as given, and all sound files in and under the folders, in natural order; each once.

    Raises
    ------
    RoomplanError
        A folder without a sound file, or one that cannot be read.

    Notes
    -----
    Not done: nothing is opened, so a missing or damaged file is left to whoever reads it. Hidden folders are
    passed over.
    """
    found: list[Path] = []
    for path in paths:
        if not os.path.isdir(path):  # noqa: PTH112 - a name too long, or behind a locked door, is no folder
            found.append(path)
            continue
        inside = []
        for folder, folders, names in os.walk(path, onerror=_refuse):
            folders[:] = [name for name in folders if not name.startswith(".")]
            inside.extend(Path(folder) / name for name in names)
        inside = sorted((file for file in inside if is_sound_name(file)), key=natural_order)
        if not inside:
            raise RoomplanError(f"{path}: no sound file in this folder", remedy="name files, or their folder")
        found.extend(inside)
    once: dict[str, Path] = {}
    for path in found:
        once.setdefault(os.path.normcase(os.path.abspath(path)), path)  # noqa: PTH100 - links stay what they are
    return list(once.values())


def _refuse(error: OSError) -> None:
    raise RoomplanError(
        f"{error.filename}: {error.strerror or error}", remedy="allow reading the folder"
    ) from error
