"""The synthetic rooms that come with the program."""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.files.resources import bundled_folder

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["bundled_rooms"]


def bundled_rooms() -> dict[str, Path]:
    """Names of the rooms that come with the program → their files, in alphabetical order."""
    return {file.stem: file for file in sorted(bundled_folder("irs_synthetic").glob("*.yaml"))}
