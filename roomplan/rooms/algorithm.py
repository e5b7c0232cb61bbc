"""The number of what synthesises responses: raised by whoever changes their samples."""

from __future__ import annotations

__all__ = ["ALGORITHM"]

ALGORITHM = 8
