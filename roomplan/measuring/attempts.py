"""Files measured one after the other: one that cannot be is a result too, and never stops the rest."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

from roomplan.errors import RoomplanError, system_problem
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

__all__ = ["Unmeasured", "attempt"]

_Measured = TypeVar("_Measured")


@frozen_class
class Unmeasured:
    """A file that could not be measured, and why, in one line."""

    path: Path
    what: str


def attempt(path: Path, measure: Callable[[], _Measured], *, too_large: str) -> _Measured | Unmeasured:
    """Measure a file, or say why it cannot be.

    Parameters
    ----------
    too_large : str
        What to do about a file that the memory does not hold.
    """
    try:
        return measure()
    except RoomplanError as error:
        return Unmeasured(path, str(error))
    except UnicodeEncodeError:
        return Unmeasured(path, f"{path}: its name is not UTF-8 — rename it")
    except OSError as error:
        return Unmeasured(path, str(system_problem(error, path)))
    except MemoryError:
        return Unmeasured(path, f"{path}: too large for the memory — {too_large}")
