"""How a picture gets to the disk: whole or not at all.

Conventions
-----------
The same figures give the same bytes: no clock, no random names, no settings of the user's. matplotlib is
imported when a picture is written, not before.
"""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING

from roomplan.errors import RoomplanError
from roomplan.files.real_path import real_path
from roomplan.files.whole_file import whole_file
from roomplan.show.sheet import DOTS_PER_INCH, STYLE

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from matplotlib.figure import Figure

__all__ = ["picture_format", "require_picture_place", "save_pages"]

_FORMATS = {".png": "png", ".svg": "svg", ".pdf": "pdf"}


def picture_format(target: Path) -> str:
    """Format of a picture by the name of its file.

    Returns
    -------
    str
        "png", "svg" or "pdf"; only a PDF has more than one page.

    Raises
    ------
    RoomplanError
        For any other suffix.
    """
    kind = _FORMATS.get(target.suffix.lower())
    if kind is None:
        raise RoomplanError(
            f"{target}: a picture cannot be of the kind {target.suffix or 'without a suffix'}",
            remedy="name a .png, .svg or .pdf",
        )
    return kind


def save_pages(pages: Iterator[Figure], target: Path) -> None:
    """Write pages into a file.

    Parameters
    ----------
    pages : iterator of Figure
        Each is made when it is asked for, and then in the house style; one only, unless for a PDF.
    target : Path
        A file in an existing folder; its suffix says the format.

    Raises
    ------
    RoomplanError
        Another suffix, a place that cannot be written, matplotlib not installed.

    Notes
    -----
    The file appears whole or not at all; an earlier one stays until then.
    """
    kind = picture_format(target)
    try:
        from matplotlib import style
    except ImportError as error:
        raise RoomplanError("pictures need matplotlib", remedy="pip install matplotlib") from error

    def write(path: Path) -> None:
        # "default" first: a page does not depend on what the user has set for other pictures
        with style.context(["default", STYLE]), warnings.catch_warnings():
            warnings.filterwarnings("ignore", message="Glyph")
            _write(pages, path, kind)

    _put_in_place(target, write)


def _write(figures: Iterator[Figure], path: Path, kind: str) -> None:
    if kind == "pdf":
        from matplotlib.backends.backend_pdf import PdfPages

        with PdfPages(path, metadata={"Creator": "roomplan", "CreationDate": None}) as pdf:
            for figure in figures:
                pdf.savefig(figure)
        return
    metadata = {"Software": "roomplan"} if kind == "png" else {"Creator": "roomplan", "Date": None}
    for figure in figures:
        figure.savefig(path, format=kind, dpi=DOTS_PER_INCH, metadata=metadata)


def require_picture_place(target: Path) -> Path:
    """Real path of a picture; raise RoomplanError where there can be none."""
    whole = real_path(target.expanduser())
    if not whole.parent.is_dir():
        raise RoomplanError(
            f"{target}: there is no folder {whole.parent}", remedy="create it or choose another place"
        )
    if whole.is_dir():
        raise RoomplanError(f"{target}: is a folder, not a picture", remedy="name a file")
    return whole


def _put_in_place(target: Path, write: Callable[[Path], None]) -> None:
    """Have a file written beside the target and moved; whatever fails, the earlier file is whole."""
    whole = require_picture_place(target)
    try:
        with whole_file(whole) as partial:
            write(partial)
    except OSError as error:
        raise RoomplanError(
            f"{target}: could not be written ({error.strerror or error})",
            remedy="allow writing there or choose another place",
        ) from error
