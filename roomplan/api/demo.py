"""The cue Ice Harbour written to a folder, with what is there already kept."""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.demo.cues import CUE_PLANS, write_cues
from roomplan.demo.ice_harbour import STEMS, write_stems
from roomplan.errors import RoomplanError
from roomplan.files.resources import bundled_folder
from roomplan.files.staging import StagedFolder
from roomplan.files.whole_file import write_new

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from roomplan.rendering.progress import Progress

__all__ = ["write_demo"]

_PLAN = "ice_harbour.yaml"


def write_demo(folder: Path, *, cues: bool, progress: Progress, notice: Callable[[str], None]) -> Path:
    """Write the stems and the plan of the demo that are not there yet; those that are may have been edited.

    Parameters
    ----------
    cues : bool
        Write three cues and the house set-up they extend, too.
    notice : callable
        As in `StagedFolder`.

    Returns
    -------
    Path
        The plan.

    Raises
    ------
    RoomplanError
        The folder is a file, or cannot be written.
    """
    if folder.exists() and not folder.is_dir():
        raise RoomplanError(f"{folder} is a file", remedy="name a folder for the demo")
    _write_missing_stems(folder / "stems", progress, notice)
    _copy_missing_plan(_PLAN, folder)
    if cues:
        write_cues(folder / "stems", folder / "cues")
        for name in CUE_PLANS:
            _copy_missing_plan(name, folder)
    return folder / _PLAN


def _copy_missing_plan(name: str, folder: Path) -> None:
    if not (folder / name).exists():
        write_new(folder / name, (bundled_folder("configs") / name).read_bytes())


def _write_missing_stems(folder: Path, progress: Progress, notice: Callable[[str], None]) -> None:
    files = [file for stem in STEMS.values() for file in stem.files]
    if all((folder / file).exists() for file in files):
        return
    progress("synthesising stems", 0, 1)
    with StagedFolder(folder, notice=notice) as staged:
        for written in write_stems(staged.path(files[0]).parent):
            if (folder / written.name).exists():
                written.unlink()
        staged.commit(last=next(file for file in files if not (folder / file).exists()))
