"""One file, written whole or not at all.

Conventions
-----------
What is new is written beside its place under a hidden name that nobody can foresee, and moved there in one
step: whoever reads the place finds the earlier file or the new one. Errors are those of the system; who calls
says what they mean.
"""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = ["whole_file", "write_new", "write_whole"]

_LONGEST_STEM = 40  # characters: four bytes each, and a name may have 255


@contextlib.contextmanager
def whole_file(place: Path, *, replace: bool = True, beside: Path | None = None) -> Iterator[Path]:
    """Hand out a path to write to, and move what is there to its place at the end.

    Parameters
    ----------
    place : Path
        In an existing folder. A link is replaced, not followed.
    replace : bool
        Whether a file that is there already may go.
    beside : Path, optional
        The path to hand out, on the same disk; a hidden name beside the place where there is none.

    Raises
    ------
    FileExistsError
        There is a file already, even one that came a moment ago, and it may not be replaced.
    OSError
        The system refuses a step. The earlier file is then whole, and nothing is left beside it.
    """
    name = f".{place.name[:_LONGEST_STEM]}.{secrets.token_hex(4)}.partial"
    partial = place.with_name(name) if beside is None else beside
    try:
        yield partial
        if replace:
            partial.replace(place)
        else:
            _move_unless_there(partial, place)
    finally:
        with contextlib.suppress(OSError):
            partial.unlink(missing_ok=True)


def write_whole(place: Path, content: bytes, *, replace: bool = True, beside: Path | None = None) -> None:
    """Write a whole file; see `whole_file`."""
    with whole_file(place, replace=replace, beside=beside) as partial:
        write_new(partial, content)


def write_new(path: Path, content: bytes, *, mode: int = 0o666, to_disk: bool = False) -> None:
    """Write a file where there is none, through no link.

    Parameters
    ----------
    mode : int
        Permissions, narrowed by the user's mask.
    to_disk : bool
        Whether to wait until the disk has it, so that a power cut loses neither this nor what it replaces.
    """
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    with os.fdopen(os.open(path, flags, mode), "wb") as file:
        file.write(content)
        if to_disk:
            file.flush()
            os.fsync(file.fileno())


def _move_unless_there(partial: Path, place: Path) -> None:
    """Move without ever replacing: another program may have written the file meanwhile."""
    try:
        os.link(partial, place)
    except FileExistsError:
        raise
    except OSError:  # a file system without links
        if os.path.lexists(place):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(place)) from None
        partial.replace(place)
