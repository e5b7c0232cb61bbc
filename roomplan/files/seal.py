"""A seal that only the user's own runs can put on a text: a digest with a key.

Conventions
-----------
The key is random and kept in the user's state folder, in a file that belongs to the user and that nobody else
may read. Where there is no such folder, the key lasts as long as the process: a seal is then known to the
process that made it, and to no other.

Sources
-------
RFC 2104 (HMAC), with SHA-256.
"""

from __future__ import annotations

import contextlib
import hmac
import os
import secrets
import stat
from functools import cache
from typing import TYPE_CHECKING

import platformdirs

from roomplan.files.whole_file import whole_file, write_new

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["is_sealed", "seal_of", "user_key"]

_KEY_FILE = "journal.key"
_KEY_BYTES = 32


def user_key() -> bytes:
    """Key of this user on this machine, made when it is asked for the first time."""
    try:
        folder = platformdirs.user_state_path("roomplan", appauthor=False)
        if not folder.is_absolute():
            return _key_of_this_process()
        place = folder / _KEY_FILE
        key = _kept_key(place)
        if key is None:
            _keep_new_key(place)
            key = _kept_key(place)
    except (OSError, RuntimeError):  # no home, a home that may not be written, somebody else's file
        key = None
    return _key_of_this_process() if key is None else key


def seal_of(text: str, *, key: bytes) -> str:
    """Seal of a text, in hexadecimal."""
    return hmac.new(key, text.encode("utf-8", "surrogatepass"), "sha256").hexdigest()


def is_sealed(text: str, seal: str, *, key: bytes) -> bool:
    """Tell whether a seal was made for this text with this key."""
    return hmac.compare_digest(seal_of(text, key=key).encode(), seal.encode("utf-8", "surrogatepass"))


@cache
def _key_of_this_process() -> bytes:
    return secrets.token_bytes(_KEY_BYTES)


def _kept_key(place: Path) -> bytes | None:
    """Key in a file; None when there is no file, or it may be known to others.

    Raises
    ------
    OSError
        It cannot be read, is no plain file, or is another user's.
    """
    flags = os.O_RDONLY | _flag("O_NOFOLLOW") | _flag("O_NONBLOCK") | _flag("O_BINARY")
    try:
        descriptor = os.open(place, flags)
    except FileNotFoundError:
        return None
    with os.fdopen(descriptor, "rb") as file:
        state = os.fstat(descriptor)
        mine = os.name != "posix" or state.st_uid == os.geteuid()
        if not stat.S_ISREG(state.st_mode) or not mine:
            raise PermissionError(f"{place} is not a file of this user's")
        key = file.read(_KEY_BYTES + 1)
        private = os.name != "posix" or not state.st_mode & 0o077
        return key if private and len(key) == _KEY_BYTES else None


def _keep_new_key(place: Path) -> None:
    """Write a key; where two processes do so at once, both use the one that came first."""
    place.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    if place.exists():  # found, and no good as a secret
        place.unlink()
    with contextlib.suppress(FileExistsError), whole_file(place, replace=False) as partial:
        write_new(partial, secrets.token_bytes(_KEY_BYTES), mode=0o600)


def _flag(name: str) -> int:
    """Flag of `os.open` that not every system has."""
    return getattr(os, name, 0)
