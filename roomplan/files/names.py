r"""File names that every system takes.

Conventions
-----------
A name here is one component of a path, without the ending that the caller adds (".wav").

Sources
-------
- Microsoft, *Naming Files, Paths, and Namespaces*: characters < > : " / \ | ? * and 0–31, no dot or space
  at the end, and the device names, which are reserved with any ending too.
- Unicode Standard Annex 15: normalisation form C, so that one name has one spelling on every system.
"""

from __future__ import annotations

import os
import re
import unicodedata
from pathlib import PurePath, PureWindowsPath
from typing import TYPE_CHECKING, Any, TypeGuard

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

__all__ = ["MOST_BYTES", "is_inner_path", "is_sound_name", "natural_order", "safe_file_names"]

# Of UTF-8. File systems take 255; this leaves room for endings and for the 260 characters of a whole
# path that older programs have.
MOST_BYTES = 120

_SOUND_SUFFIXES = frozenset(
    [
        ".wav",
        ".wave",
        ".flac",
        ".aif",
        ".aiff",
        ".aifc",
        ".ogg",
        ".oga",
        ".opus",
        ".mp3",
        ".w64",
        ".rf64",
        ".caf",
        ".au",
        ".snd",
        ".bwf",
    ]
)

_FORBIDDEN = frozenset('<>:"/\\|?*')
_DIGITS = "123456789¹²³"
_DEVICES = frozenset(
    {"con", "prn", "aux", "nul", "conin$", "conout$"}
    | {f"{port}{digit}" for port in ("com", "lpt") for digit in _DIGITS}
)


def is_sound_name(path: Path) -> bool:
    """Whether a file in a folder looks like sound by its name; "._name" are other systems' resource forks."""
    return path.suffix.lower() in _SOUND_SUFFIXES and not path.name.startswith(".")


def is_inner_path(text: Any) -> TypeGuard[str]:
    """Whether a value is a path that stays inside the folder it is relative to, on every system.

    Nothing is looked up on the disk: a folder on the way may still be a link.
    """
    if not isinstance(text, str) or "\0" in text:
        return False
    try:
        os.fsencode(text)
    except UnicodeEncodeError:  # no file can have this name
        return False
    path, foreign = PurePath(text), PureWindowsPath(text)
    outside = path.is_absolute() or foreign.drive or foreign.root or ".." in (*path.parts, *foreign.parts)
    return bool(path.parts) and not outside


def natural_order(path: Path) -> tuple[tuple[str, ...], list[tuple[int, int, str]]]:
    """Sort key of paths: folder by folder, numbers by value, case ignored: seat 2 precedes seat 10."""
    parts = re.split(r"(\d+)", _key(path.name))
    folders = tuple(_key(part) for part in path.parent.parts)
    return folders, [(0, int(p), "") if p.isdecimal() else (1, 0, p) for p in parts if p]


def safe_file_names(names: Sequence[str]) -> dict[str, str]:
    """Give every name a file name of its own.

    Parameters
    ----------
    names : sequence of str
        Names of buses or sections. A name given twice counts once.

    Returns
    -------
    dict[str, str]
        Name → file name, in the order given: characters that a system refuses become "_", no leading or
        trailing dot or space, no device name, NFC, at most 120 bytes of UTF-8, and distinct when case is
        ignored. A name that is safe already stays as it is; among those that clash the later ones get
        "_2", "_3" ….

    Notes
    -----
    The result depends on the names and their order alone. Nothing is looked up on the disk.
    """
    distinct = list(dict.fromkeys(names))
    cleaned = {name: _clean(name) for name in distinct}
    # Names that need no change choose first, so that another name cannot push them aside.
    order = sorted(distinct, key=lambda name: cleaned[name] != name)
    taken: set[str] = set()
    chosen: dict[str, str] = {}
    for name in order:
        candidate, count = cleaned[name], 1
        while _key(candidate) in taken:
            count += 1
            ending = f"_{count}"
            candidate = _shorten(cleaned[name], MOST_BYTES - len(ending)) + ending
        taken.add(_key(candidate))
        chosen[name] = candidate
    return {name: chosen[name] for name in distinct}


def _clean(name: str) -> str:
    normal = unicodedata.normalize("NFC", name)
    # Categories C…: control, format (such as right-to-left marks), surrogate, private, unassigned; Z… other
    # than the plain space: separators that look like one.
    kept = "".join(
        "_" if char in _FORBIDDEN or (char != " " and unicodedata.category(char)[0] in "CZ") else char
        for char in normal
    )
    kept = _shorten(kept.lstrip(". "), MOST_BYTES)
    if not kept:
        return "unnamed"
    if kept.split(".", maxsplit=1)[0].rstrip(" ").casefold() in _DEVICES:
        kept = _shorten(f"_{kept}", MOST_BYTES)
    return kept


def _shorten(name: str, most_bytes: int) -> str:
    """Cut to a number of bytes between characters, and leave no dot or space at the end."""
    return name.encode("utf-8")[:most_bytes].decode("utf-8", "ignore").rstrip(". ")


def _key(name: str) -> str:
    """Spell a name so that all that a file system which ignores case may take for one are equal."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFD", name).upper().casefold())
