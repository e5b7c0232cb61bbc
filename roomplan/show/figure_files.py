"""How every picture looks, and how it gets to the disk: whole or not at all.

Conventions
-----------
Ink is black and grey; sizes are inches and points. The same figures give the same bytes: no clock, no random
names, no settings of the user's. matplotlib is imported when a picture is written, not before.
"""

from __future__ import annotations

import textwrap
import warnings
from typing import TYPE_CHECKING

from roomplan.errors import RoomplanError
from roomplan.files.real_path import real_path
from roomplan.files.whole_file import whole_file
from roomplan.foreign_text import printable

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["STYLE", "letters_in", "picture_format", "save_pages", "say_why", "shortened"]

_FORMATS = {".png": "png", ".svg": "svg", ".pdf": "pdf"}
_DOTS_PER_INCH = 120
_REASON_SIZE = 8.0  # points

# The look: common practice, no source. All of it was chosen by looking.
STYLE = {
    "axes.labelsize": 8,
    "axes.linewidth": 0.6,
    "font.family": "sans-serif",
    "font.size": 8,
    "hatch.linewidth": 0.5,
    "legend.fontsize": 7.5,
    "path.simplify": False,
    "pdf.fonttype": 42,  # text stays text
    "svg.fonttype": "none",
    "svg.hashsalt": "roomplan",
    "xtick.labelsize": 8,
    "xtick.major.width": 0.6,
    "ytick.labelsize": 8,
    "ytick.major.width": 0.6,
}


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


def letters_in(width: float, font: float) -> int:
    """How many letters of a font, in points, fit into a width in inches, near enough."""
    return max(12, int(width * 72.0 / (0.58 * font)))


def shortened(text: str, width: float, font: float) -> str:
    """Text that fits, its middle left out: both the folder's name and the ending tell files apart."""
    most = letters_in(width, 1.12 * font)
    if len(text) <= most:
        return text
    return f"{text[: most // 2]}…{text[len(text) - most // 2 + 1 :]}"


def say_why(axes: Axes, reason: str) -> None:
    """Say why a panel has nothing to show, in its middle, in lines that it has room for."""
    width = axes.bbox.width / axes.figure.dpi
    text = printable(f"nothing to draw: {reason}")
    axes.text(
        0.5,
        0.5,
        textwrap.fill(text, letters_in(width, _REASON_SIZE)),
        transform=axes.transAxes,
        ha="center",
        va="center",
        fontsize=_REASON_SIZE,
        parse_math=False,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 3.0},
    )


def _write(figures: Iterator[Figure], path: Path, kind: str) -> None:
    if kind == "pdf":
        from matplotlib.backends.backend_pdf import PdfPages

        with PdfPages(path, metadata={"Creator": "roomplan", "CreationDate": None}) as pdf:
            for figure in figures:
                pdf.savefig(figure)
        return
    metadata = {"Software": "roomplan"} if kind == "png" else {"Creator": "roomplan", "Date": None}
    for figure in figures:
        figure.savefig(path, format=kind, dpi=_DOTS_PER_INCH, metadata=metadata)


def _put_in_place(target: Path, write: Callable[[Path], None]) -> None:
    """Have a file written beside the target and moved; whatever fails, the earlier file is whole."""
    whole = real_path(target.expanduser())
    if not whole.parent.is_dir():
        raise RoomplanError(
            f"{target}: there is no folder {whole.parent}", remedy="create it or choose another place"
        )
    if whole.is_dir():
        raise RoomplanError(f"{target}: is a folder, not a picture", remedy="name a file")
    try:
        with whole_file(whole) as partial:
            write(partial)
    except OSError as error:
        raise RoomplanError(
            f"{target}: could not be written ({error.strerror or error})",
            remedy="allow writing there or choose another place",
        ) from error
