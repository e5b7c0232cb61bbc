"""JSON in the program's own folders, read without trust in its size."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["read_json"]

_MOST_BYTES = 50_000_000  # far above all that is written (the project's own limit)


def read_json(path: Path) -> Any:
    """Read a document.

    Raises
    ------
    OSError, ValueError, RecursionError
        It cannot be read, is too large, is no JSON, or is nested too deep.
    """
    with path.open("rb") as file:
        content = file.read(_MOST_BYTES + 1)
    if len(content) > _MOST_BYTES:
        raise ValueError(f"{path} is too large")
    return json.loads(content)
