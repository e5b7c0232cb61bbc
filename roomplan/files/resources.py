"""Where the files that come with the program lie.

Conventions
-----------
A wheel carries the bundled folders inside the package, under `_data`; a checkout keeps them at the top
level of the repository. Both hold the same files.
"""

from __future__ import annotations

from pathlib import Path

from roomplan.errors import RoomplanError
from roomplan.files.real_path import real_path

__all__ = ["bundled_folder"]


def bundled_folder(name: str) -> Path:
    """Folder of bundled files, installed or in a checkout.

    Parameters
    ----------
    name : str
        `irs_synthetic` (room files) or `configs` (plans, the table of instruments).

    Returns
    -------
    Path
        An existing folder.

    Raises
    ------
    RoomplanError
        When the installation lacks the folder.

    Notes
    -----
    A zipped package is not served: the files are opened by path.
    """
    package = real_path(Path(__file__)).parents[1]
    for folder in (package / "_data" / name, package.parent / name):
        if folder.is_dir():
            return folder
    raise RoomplanError(f"the bundled folder {name} is missing", remedy="install the program again")
