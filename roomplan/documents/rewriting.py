"""Put a changed text in the place of a file: all of it or nothing, with the old file kept beside.

Conventions
-----------
The old file is kept as `NAME.before-1`, the next time as `NAME.before-2`: the number is one above the
highest there is, and no file that was kept before is touched. It ends in a number so that nothing takes it
for a plan.

Notes
-----
Links are followed: the file they lead to is replaced, and its old self is kept beside it. The new file has
the old one's permissions and, where the system allows it, its owner. Between the last look at the file and
the move lies a moment in which somebody else's change would be lost from the file itself.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import shutil
from typing import TYPE_CHECKING

from roomplan.documents.source import read_document
from roomplan.errors import Place, PlanError, RoomplanError
from roomplan.files.real_path import real_path
from roomplan.files.whole_file import whole_file, write_new
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["Original", "read_original", "write_edited"]

_ANY_WRITE = 0o222


@frozen_class
class Original:
    """A file as it was read.

    Attributes
    ----------
    path : Path
        As it was asked for.
    real : Path
        The file itself, links followed.
    text : str
        What it holds, its byte order mark and line ends included.
    digest : str
        SHA-256 of its bytes.
    """

    path: Path
    real: Path
    text: str
    digest: str


def read_original(path: Path) -> Original:
    """Read a YAML file that is to be changed.

    Raises
    ------
    PlanError
        It cannot be read, or `roomplan.documents.source.read_document` finds faults in it.
    """
    document, problems = read_document(path)
    if document is None or problems:
        raise PlanError(problems)
    try:
        real = path.resolve(strict=True)
        raw = real.read_bytes()
        text = raw.decode("utf-8")
    except (OSError, RuntimeError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise RoomplanError(
            f"cannot be read: {reason}", remedy="a readable file", place=Place(path)
        ) from error
    return Original(path, real, text, hashlib.sha256(raw).hexdigest())


def write_edited(original: Original, text: str) -> Path | None:
    """Put a new text in the place of a file.

    Parameters
    ----------
    original : Original
        The file as it was read.
    text : str
        What it shall hold, with its line ends.

    Returns
    -------
    Path or None
        Where the old file is kept, named as the file was unless a link leads elsewhere; None when the text is
        what the file holds already and nothing was done.

    Raises
    ------
    RoomplanError
        The file is not what it was when it was read, is gone or write-protected, or its folder cannot be
        written to. The file is then as it was.
    """
    if text == original.text:
        return None
    real = original.real
    kept: Path | None = None
    try:
        raw = _unchanged(original)
        with whole_file(real) as partial:
            write_new(partial, text.encode("utf-8"), to_disk=True)
            _dress_like(real, partial)
            kept = _keep(real, raw)
            _unchanged(original)
    except BaseException as error:
        if kept is not None:
            with contextlib.suppress(OSError):
                kept.unlink(missing_ok=True)
        if isinstance(error, OSError):
            what = f"cannot be rewritten: {error.strerror or error}"
            raise RoomplanError(
                what, remedy="a file in a folder that may be written to", place=_at(original)
            ) from error
        raise
    named = original.path.with_name(kept.name)
    return named if real_path(named.parent) == kept.parent else kept


def _at(original: Original) -> Place:
    return Place(original.path)


def _unchanged(original: Original) -> bytes:
    """Return the bytes of the file, which must be what they were."""
    try:
        raw = original.real.read_bytes()
        mode = original.real.stat().st_mode
    except FileNotFoundError as error:
        what = "has disappeared since it was read"
        raise RoomplanError(what, remedy="run the command again", place=_at(original)) from error
    if hashlib.sha256(raw).hexdigest() != original.digest:
        what = "has been changed since it was read, so nothing was written"
        raise RoomplanError(what, remedy="run the command again", place=_at(original))
    if not mode & _ANY_WRITE:
        what = "is write-protected"
        raise RoomplanError(what, remedy="permission to write to it", place=_at(original))
    return raw


def _dress_like(model: Path, file: Path) -> None:
    """Give a file the permissions of another one, and its owner if that is allowed."""
    shutil.copystat(model, file)
    os.utime(file)
    if hasattr(os, "chown"):
        status = model.stat()
        with contextlib.suppress(OSError):
            os.chown(file, status.st_uid, status.st_gid)
            shutil.copymode(model, file)  # a new owner takes some permissions away


def _keep(real: Path, raw: bytes) -> Path:
    """Write the old file beside itself under the next free number."""
    form = re.compile(re.escape(real.name) + r"\.before-([0-9]+)")
    numbers = [int(found[1]) for entry in real.parent.iterdir() if (found := form.fullmatch(entry.name))]
    number = max(numbers, default=0)
    while True:
        number += 1
        kept = real.with_name(f"{real.name}.before-{number}")
        try:
            stream = kept.open("xb")
        except FileExistsError:
            continue  # another run was quicker
        try:
            with stream:
                stream.write(raw)
            shutil.copystat(real, kept)
        except BaseException:
            kept.unlink(missing_ok=True)
            raise
        return kept
