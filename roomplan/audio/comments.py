"""The comment that a WAV file carries: a text in its list of information.

Sources
-------
Microsoft/IBM, *Multimedia Programming Interface and Data Specifications 1.0* (1991): a LIST chunk of the kind
INFO, in it ICMT, a text that ends with a zero byte.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.audio.riff import bytes_at, walk_chunks
from roomplan.errors import AudioError, system_problem
from roomplan.files.sound_place import require_regular

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["read_comment"]

_LONGEST = 65_536  # bytes of a whole list; a comment of ours has some hundred


def read_comment(path: Path) -> str | None:
    """Comment of a WAV or RF64 file; None where it has none, and in other containers.

    Raises
    ------
    AudioError
        The file is missing or cannot be read.
    """
    require_regular(path)
    try:
        with path.open("rb") as file:
            for chunk in walk_chunks(file):
                if chunk.name == b"LIST" and chunk.size is not None:
                    found = _comment_in(bytes_at(file, chunk.start, min(chunk.size, _LONGEST)))
                    if found is not None:
                        return found
    except OSError as error:
        raise AudioError(path, f"cannot be read ({system_problem(error)})") from error
    return None


def _comment_in(contents: bytes) -> str | None:
    """Text of ICMT in the contents of a LIST chunk."""
    if contents[:4] != b"INFO":
        return None
    place = 4
    while place + 8 <= len(contents):
        name, size = contents[place : place + 4], int.from_bytes(contents[place + 4 : place + 8], "little")
        if name == b"ICMT":
            return contents[place + 8 : place + 8 + size].split(b"\0")[0].decode("utf-8", "replace")
        place += 8 + size + size % 2
    return None
