"""Whether a sound file is where its user says, known before anything is imported that could read it."""

from __future__ import annotations

import difflib
import os
import stat
from pathlib import Path

from roomplan.errors import AudioError

__all__ = ["require_regular"]


def require_regular(path: Path) -> None:
    """Refuse what is no regular file with something in it that may be read; a pipe would wait for ever.

    Raises
    ------
    AudioError
    """
    try:
        found = path.stat()
    except FileNotFoundError:
        raise _missing(path) from None
    except OSError as error:
        raise AudioError(
            path, f"cannot be opened ({error.strerror or error})", remedy="check its path and rights"
        ) from error
    if stat.S_ISDIR(found.st_mode):
        raise AudioError(path, "is a folder", remedy="name a sound file in it")
    if not stat.S_ISREG(found.st_mode):
        raise AudioError(path, "is not a regular file", remedy="name a sound file")
    if found.st_size == 0:
        raise AudioError(path, "is empty (0 bytes)", remedy="copy or export it again")
    if not os.access(path, os.R_OK):
        raise AudioError(path, "may not be read", remedy="allow reading it")


def _missing(path: Path) -> AudioError:
    folder = path.parent
    if path.is_symlink():
        return AudioError(path, "is a link to a file that does not exist", remedy="mend or replace the link")
    if not folder.is_dir():
        return AudioError(path, f"does not exist: there is no folder {folder}", remedy="check the path")
    try:
        names = sorted(entry.name for entry in folder.iterdir() if not entry.is_dir())
    except OSError:
        names = []
    near = _near_names(path.name, names)
    return AudioError(
        path, "does not exist", remedy=f"did you mean {' or '.join(near)}?" if near else "check the name"
    )


def _near_names(name: str, names: list[str]) -> list[str]:
    """Return up to three names that differ in case, in the ending or in a few letters, nearest first."""
    folded: dict[str, str] = {}
    for candidate in names:
        folded.setdefault(candidate.casefold(), candidate)
    found = [folded[near] for near in difflib.get_close_matches(name.casefold(), folded, n=3, cutoff=0.6)]
    stem = Path(name).stem.casefold()
    same_stem = [candidate for candidate in names if Path(candidate).stem.casefold() == stem]
    return list(dict.fromkeys([*same_stem, *found]))[:3]
