"""Where a path really leads: links followed, whatever they are."""

from __future__ import annotations

import os
from pathlib import Path

__all__ = ["real_path"]


def real_path(path: Path) -> Path:
    """Absolute path with all links followed; it need not exist.

    Raises
    ------
    ValueError
        It holds a null character.

    Notes
    -----
    `Path.resolve` raises a `RuntimeError` for links that go in a circle, in Python before 3.13. Here such a
    path stays as it is, and whoever opens it gets the error of the system.
    """
    return Path(os.path.realpath(path))
