"""Names for what is being written into a folder, or is on its way out, and whether their process is alive.

Conventions
-----------
    FOLDER/.temporary-MACHINE-OWNER-NUMBER   a file or folder of an owner
    FOLDER/.temporary-MACHINE-OWNER.lock     held while the owner lives, see `locks`

An owner is made when the first place is asked for, and goes with the last. What is left of one whose lock can
be taken, on the machine that made it, is removed by whoever looks next. Elsewhere, and where there are no
locks, only age tells.
"""

from __future__ import annotations

import hashlib
import itertools
import platform
import re
import secrets
import shutil
import threading
import time
from contextlib import contextmanager, suppress
from functools import lru_cache
from typing import TYPE_CHECKING

from roomplan.files.locks import HeldLock, LockUnknownError, take_lock

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = ["TemporaryPlaces"]

_PREFIX = ".temporary-"
_LOCK = ".lock"
_OWNED = re.compile(r"(\.temporary-([0-9a-f]{8})-[0-9a-f]{16})(-[0-9]+|\.lock)")
_MOST_TRIES = 8  # to become an owner while others look for dead ones

# Where no lock tells: after a day a process is dead (common practice, no source): the longest render writes
# more often.
_ABANDONED_S = 24 * 3600.0


class TemporaryPlaces:
    """Temporary places in a folder, which need not exist; safe to be asked by several threads."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._guard = threading.Lock()
        self._in_use = 0
        self._owner = ""
        self._lock: HeldLock | None = None
        self._numbers = itertools.count()

    @contextmanager
    def place(self) -> Iterator[Path]:
        """Give a path that nobody else uses; what is there after the block is removed."""
        with self._guard:
            if not self._in_use:
                self._owner, self._lock = self._new_owner()
            self._in_use += 1
            place = self._folder / f"{self._owner}-{next(self._numbers)}"
        try:
            yield place
        finally:
            _remove(place)
            with self._guard:
                self._in_use -= 1
                if not self._in_use and self._lock is not None:
                    _drop(self._lock)
                    self._lock = None

    def clear_left_over(self) -> None:
        """Remove what dead processes were writing or removing."""
        left: dict[str, list[Path]] = {}
        for path in self._found():
            owned = _OWNED.fullmatch(path.name)
            owner = owned[1] if owned is not None and owned[2] == _machine() else ""
            left.setdefault(owner, []).append(path)
        for owner, paths in left.items():
            lock = self._folder / f"{owner}{_LOCK}"
            try:
                held = take_lock(lock) if lock in paths else None
            except (LockUnknownError, OSError):
                held = None
            if held is not None:
                for path in paths:
                    if path != lock:
                        _remove(path)
                _drop(held)
            elif lock not in paths:
                for path in filter(_is_abandoned, paths):
                    _remove(path)

    def clear(self) -> None:
        """Remove everything; a process that is writing just now does without."""
        for path in self._found():
            if path.suffix != _LOCK:
                _remove(path)
        self.clear_left_over()

    def _found(self) -> list[Path]:
        try:
            return [path for path in self._folder.iterdir() if path.name.startswith(_PREFIX)]
        except OSError:
            return []

    def _new_owner(self) -> tuple[str, HeldLock | None]:
        """Name that is locked, or one without a lock where the folder takes none."""
        for _try in range(_MOST_TRIES):
            name = f"{_PREFIX}{_machine()}-{secrets.token_hex(8)}"
            path = self._folder / f"{name}{_LOCK}"
            try:
                lock = take_lock(path)
            except LockUnknownError:
                with suppress(OSError):
                    path.unlink()
                break
            except OSError:  # no folder, or none that may be written to
                break
            if lock is not None:
                if lock.still_there():
                    return name, lock
                lock.release()  # somebody took it for that of a dead process in the moment before
        return f"{_PREFIX}{_machine()}-{secrets.token_hex(8)}", None


@lru_cache(maxsize=1)
def _machine() -> str:
    """Eight hex digits for the machine: a lock on a shared disk may not be seen from another."""
    return hashlib.sha256(platform.node().encode()).hexdigest()[:8]


def _drop(lock: HeldLock) -> None:
    lock.release()
    with suppress(OSError):
        lock.path.unlink()


def _remove(path: Path) -> None:
    with suppress(OSError):
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)


def _is_abandoned(path: Path) -> bool:
    """Whether nothing was written here for so long that its process must be dead."""
    try:
        within = path.iterdir() if path.is_dir() and not path.is_symlink() else ()
        newest = max(one.lstat().st_mtime for one in (path, *within))
    except OSError:
        return False
    return time.time() - newest > _ABANDONED_S
