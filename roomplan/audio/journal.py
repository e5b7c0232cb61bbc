"""Moving a set of files into place so that it can be undone, also by another process later.

Conventions
-----------
A stage is a folder with three entries: `new/` (the files to move, in their relative places), `old/`
(earlier files of the same names, kept until all have moved) and `journal.json`, which exists exactly as
long as the move is under way. Relative names use "/".

What each name is up to is read from the disk, not remembered, so every step may be repeated and undoing
may start from any moment, that of a killed process too:

- still in `new/`: not moved yet; the earlier file is in its place, in `old/`, or in both (as a hard link);
- no longer in `new/`: moved; the earlier file, if there was one, is in `old/`.

A file of the target itself can be moved to another place in the target, where nothing stands: a file that an
earlier set had and the new one lacks. It has no entry in `new/` or `old/`; it stands in one of its two
places.

Removing `journal.json` is the one step that makes the new set the valid one.
"""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["JOURNAL", "NEW", "OLD", "carry_out", "in_progress", "plan_moves", "undo"]

NEW = "new"
OLD = "old"
JOURNAL = "journal.json"


@dataclass(frozen=True, slots=True)
class Move:
    """One file to move; size and time of change tell it from what a user may put there later.

    `was` is the earlier place of a file of the target that goes to another place there; None for a new file.
    """

    name: str
    size: int
    changed_ns: int
    was: str | None = None

    def source(self, stage: Path, folder: Path) -> Path:
        """Return where the file stands before it is moved."""
        return stage / NEW / self.name if self.was is None else folder / self.was

    def arrived_at(self, target: Path) -> bool:
        """Tell whether the file at `target` is the one of this move."""
        try:
            found = target.lstat()
        except OSError:
            return False
        return (found.st_size, found.st_mtime_ns) == (self.size, self.changed_ns)


@dataclass(frozen=True, slots=True)
class Moves:
    """All moves in their order, and the folders (relative to the target) that they need made first."""

    moves: tuple[Move, ...]
    folders: tuple[str, ...]


def in_progress(stage: Path) -> bool:
    """Tell whether a move from this stage was begun and neither finished nor undone."""
    return (stage / JOURNAL).exists()


def plan_moves(stage: Path, folder: Path, *, last: str, aside: Mapping[str, str] | None = None) -> Moves:
    """List what is to be moved from `stage` to `folder`, the file named `last` at the end.

    Parameters
    ----------
    stage, folder : Path
    last : str
    aside : mapping, optional
        Files of `folder` that go to another place in it: earlier place → new place.

    Raises
    ------
    OSError
        A file stands where a folder is needed or the other way round, a link leads out of `folder`, or
        something stands where an earlier file is to go.
    """
    aside = aside or {}
    new = stage / NEW
    fresh = sorted(path.relative_to(new).as_posix() for path in new.rglob("*") if path.is_file())
    was = {place: name for name, place in aside.items()}
    names = [*fresh, *was]
    names.sort(key=lambda name: name == last)
    folders: dict[str, None] = {}
    for name in names:
        target = folder / name
        if name in was and os.path.lexists(target):
            raise FileExistsError(f"there is a file at {target}, where an earlier one is to be kept")
        if target.is_dir() and not target.is_symlink():
            raise IsADirectoryError(f"there is a folder at {target}, where a file is to be written")
        for parent in reversed(Path(name).parents):  # from the folder itself inwards
            place = folder / parent
            if not os.path.lexists(place):
                folders[parent.as_posix()] = None
            elif not place.is_dir():
                raise NotADirectoryError(f"there is a file at {place}, where a folder is needed")
            elif not place.resolve().is_relative_to(folder.resolve()):
                raise NotADirectoryError(f"{place} is a link that leads out of the folder")
    moves = []
    for name in names:
        found = (folder / was[name]).lstat() if name in was else (new / name).stat()
        moves.append(Move(name, found.st_size, found.st_mtime_ns, was.get(name)))
    return Moves(tuple(moves), tuple(folders))


def carry_out(moves: Moves, stage: Path, folder: Path) -> None:
    """Move everything; after an exception of any kind, `undo` brings the earlier files back.

    Raises
    ------
    OSError
        The system refuses a step.
    """
    # Written beside and renamed: a journal is whole or absent.
    draft = stage / f"{JOURNAL}.draft"
    draft.write_text(json.dumps(asdict(moves)), encoding="utf-8")
    draft.replace(stage / JOURNAL)
    for relative in moves.folders:
        (folder / relative).mkdir(exist_ok=True)
    for move in moves.moves:
        target, aside = folder / move.name, stage / OLD / move.name
        if os.path.lexists(target):
            aside.parent.mkdir(parents=True, exist_ok=True)
            _put_aside(target, aside)
        move.source(stage, folder).replace(target)
    (stage / JOURNAL).unlink()


def undo(stage: Path, folder: Path) -> None:
    """Bring back what was there before the move that the stage's journal describes; may be repeated.

    A file that has been put in place by somebody else in the meantime stays.

    Raises
    ------
    OSError, ValueError, KeyError, TypeError
        The system refuses a step, or the journal is not one.
    """
    journal = stage / JOURNAL
    record = json.loads(journal.read_text(encoding="utf-8"))
    for entry in reversed(record["moves"]):
        move = Move(**entry)
        target, aside = folder / move.name, stage / OLD / move.name
        moved = not os.path.lexists(move.source(stage, folder))
        if move.was is not None:
            if moved and move.arrived_at(target):
                target.replace(folder / move.was)
        elif os.path.lexists(aside) and (not os.path.lexists(target) or move.arrived_at(target)):
            aside.replace(target)
        elif moved and move.arrived_at(target):
            target.unlink()
    for relative in reversed(record["folders"]):
        try:
            (folder / relative).rmdir()
        except OSError:
            continue  # never made, or somebody else's file is in it
    journal.unlink()


def _put_aside(target: Path, aside: Path) -> None:
    """Keep the earlier file under `aside`; where links exist, its own place is never empty."""
    if not target.is_symlink():
        try:
            os.link(target, aside)
        except OSError:  # no hard links here (FAT, some network disks)
            pass
        else:
            return
    target.replace(aside)
