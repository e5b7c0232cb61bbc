"""A lock that says "this process is alive", and that the system lets go of when it dies.

A process number in a file would not do: numbers are used again, and differ between machines that share a
disk.
"""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["HeldLock", "LockUnknownError", "take_lock"]


class LockUnknownError(Exception):
    """The file system has no locks: nobody can tell whether the owner is alive."""


@frozen_class
class HeldLock:
    """A lock file held by this process until `release` or its end."""

    path: Path
    descriptor: int

    def still_there(self) -> bool:
        """Tell whether the file that is locked is still the one at the path."""
        try:
            return os.path.samestat(os.fstat(self.descriptor), self.path.stat())
        except OSError:
            return False

    def release(self) -> None:
        """Let go of it."""
        os.close(self.descriptor)


def take_lock(path: Path) -> HeldLock | None:
    """Lock a file, creating it if need be; None when another holds it.

    Raises
    ------
    LockUnknownError
        The file system does not support locks.
    OSError
        The file cannot be opened, or is a link.
    """
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o666)
    try:
        _lock(descriptor)
    except (BlockingIOError, PermissionError):  # held: the first on POSIX, the second on Windows
        os.close(descriptor)
        return None
    except OSError as error:
        os.close(descriptor)
        raise LockUnknownError(str(error)) from error
    except BaseException:
        os.close(descriptor)
        raise
    return HeldLock(path, descriptor)


def _lock(descriptor: int) -> None:
    if sys.platform == "win32":
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
    else:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
