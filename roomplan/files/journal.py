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

A file of the target itself can be moved to another place in the target, where nothing is: a file that an
earlier set had and the new one lacks. It has no entry in `new/` or `old/`; it is in one of its two
places.

Removing `journal.json` is the one step that makes the new set the valid one.

A stage may come from a stranger, in a project that was unpacked or fetched. So a journal carries a seal of
the user's own, and even a sealed one names places inside the folder only; no link on the way is followed out
of it.
"""

from __future__ import annotations

import json
import os
import stat
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from roomplan.files.names import is_inner_path
from roomplan.files.real_path import real_path
from roomplan.files.seal import is_sealed, seal_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

__all__ = [
    "JOURNAL",
    "NEW",
    "OLD",
    "ForeignStageError",
    "carry_out",
    "in_progress",
    "is_link",
    "missing_folders",
    "plan_moves",
    "read_journal",
    "undo",
]

NEW = "new"
OLD = "old"
JOURNAL = "journal.json"

_MOST_BYTES = 2**25  # of a journal: a move takes some 150


class ForeignStageError(Exception):
    """A stage that no run of this user left as it is; nothing in it has been used."""


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
        """Return where the file is before it is moved."""
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
    return os.path.lexists(stage / JOURNAL)


def is_link(path: Path) -> bool:
    """Tell whether a path is itself a link to another place."""
    is_junction = getattr(os.path, "isjunction", None)  # of Windows, and of Python from 3.12 on
    return path.is_symlink() or (is_junction is not None and is_junction(path))


def plan_moves(stage: Path, folder: Path, *, last: str, aside: Mapping[str, str] | None = None) -> Moves:
    """List what is to be moved from `stage` to `folder`, the file named `last` at the end.

    Parameters
    ----------
    aside : mapping, optional
        Files of `folder` that go to another place in it: earlier place → new place.

    Raises
    ------
    OSError
        A file is where a folder is needed or the other way round, a link leads out of `folder`, or
        something is where an earlier file is to go.
    """
    aside = aside or {}
    new = stage / NEW
    fresh = sorted(path.relative_to(new).as_posix() for path in new.rglob("*") if path.is_file())
    was = {place: name for name, place in aside.items()}
    names = [*fresh, *was]
    names.sort(key=lambda name: name == last)
    folders: dict[str, None] = {}
    for name in names:
        if name in was and os.path.lexists(folder / name):
            raise FileExistsError(f"there is a file at {folder / name}, where an earlier one is to be kept")
        folders |= dict.fromkeys(missing_folders(folder, name))
    moves = []
    for name in names:
        found = (folder / was[name]).lstat() if name in was else (new / name).stat()
        moves.append(Move(name, found.st_size, found.st_mtime_ns, was.get(name)))
    return Moves(tuple(moves), tuple(folders))


def missing_folders(folder: Path, name: str) -> list[str]:
    """Folders, relative to `folder`, that a file of this name needs made first, from `folder` itself inwards.

    Raises
    ------
    OSError
        No file can be put there: a folder is in its place, a file on the way, or a link leads out.
    """
    target = folder / name
    if target.is_dir() and not target.is_symlink():
        raise IsADirectoryError(f"there is a folder at {target}, where a file is to be written")
    missing = []
    for parent in reversed(Path(name).parents):
        place = folder / parent
        if not os.path.lexists(place):
            missing.append(parent.as_posix())
        elif not place.is_dir():
            raise NotADirectoryError(f"there is a file at {place}, where a folder is needed")
        elif not real_path(place).is_relative_to(real_path(folder)):
            raise NotADirectoryError(f"{place} is a link that leads out of the folder")
    return missing


def carry_out(moves: Moves, stage: Path, folder: Path, *, key: bytes) -> None:
    """Move everything; after an exception of any kind, `undo` brings the earlier files back.

    Parameters
    ----------
    key : bytes
        What the journal is sealed with.

    Raises
    ------
    OSError
        The system refuses a step.
    """
    text = json.dumps(asdict(moves))
    sealed = {"record": text, "seal": seal_of(_bound(text, stage), key=key)}
    # Written beside and renamed: a journal is whole or absent.
    draft = stage / f"{JOURNAL}.draft"
    draft.write_text(json.dumps(sealed), encoding="utf-8")
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


def undo(stage: Path, folder: Path, *, key: bytes, tell: Callable[[str], object]) -> None:
    """Bring back what was there before the move that the stage's journal describes; may be repeated.

    A file that has been put in place by somebody else in the meantime stays.

    Parameters
    ----------
    key : bytes
        What the journal was sealed with.
    tell : callable
        Called with each place in the folder where the earlier file is back, or the new one gone.

    Raises
    ------
    ForeignStageError
        The stage is not as a run of this user left it.
    OSError
        The system refuses a step, or a link leads out of the folder.
    """
    moves = read_journal(stage, key=key)
    real_stage, real_folder = real_path(stage), real_path(folder)
    for move in reversed(moves.moves):
        target, aside, source = folder / move.name, stage / OLD / move.name, move.source(stage, folder)
        # Looked at move by move: the one before may have put a link in the way.
        _require_inside(target, real_folder)
        _require_inside(aside, real_stage)
        _require_inside(source, real_stage if move.was is None else real_folder)
        moved = not os.path.lexists(source)
        if move.was is not None:
            if moved and move.arrived_at(target):
                target.replace(source)
                tell(move.was)
        elif os.path.lexists(aside) and (not os.path.lexists(target) or move.arrived_at(target)):
            aside.replace(target)
            tell(move.name)
        elif moved and move.arrived_at(target):
            target.unlink()
            tell(move.name)
    for relative in reversed(moves.folders):
        place = folder / relative
        try:
            if relative != ".":
                _require_inside(place, real_folder)
            place.rmdir()
        except OSError:
            continue  # never made, or somebody else's file is in it
    (stage / JOURNAL).unlink()


def _bound(text: str, stage: Path) -> str:
    """What is sealed: the record, and which stage it belongs to."""
    return f"{stage.name}\n{text}"


def read_journal(stage: Path, *, key: bytes) -> Moves:
    """Return the moves in the journal of a stage, all of them inside its folder.

    Parameters
    ----------
    key : bytes
        What the journal was sealed with.

    Raises
    ------
    ForeignStageError
        The stage, or something in it, is a link; the journal is not sealed with the key, or is none.
    """
    if any(is_link(place) for place in (stage, stage / NEW, stage / OLD, stage / JOURNAL)):
        raise ForeignStageError("holds a link")
    try:
        sealed = json.loads(_plain_file(stage / JOURNAL))
        text, seal = sealed["record"], sealed["seal"]
        if not is_sealed(_bound(text, stage), seal, key=key):
            raise ForeignStageError("has no seal of this user")
        record = json.loads(text)
        moves = tuple(_move(entry) for entry in record["moves"])
        folders = tuple(_inner(relative) for relative in record["folders"])
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise ForeignStageError("has a journal that is none") from error
    return Moves(moves, folders)


def _plain_file(path: Path) -> str:
    """Text of a small file that is no link, no pipe and no device."""
    flags = os.O_RDONLY
    for name in ("O_NOFOLLOW", "O_NONBLOCK", "O_BINARY"):
        flags |= getattr(os, name, 0)
    with os.fdopen(os.open(path, flags), "rb") as file:
        if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
            raise ValueError("no plain file")
        raw = file.read(_MOST_BYTES + 1)
    if len(raw) > _MOST_BYTES:
        raise ValueError("too long for a journal")
    return raw.decode("utf-8")


def _move(entry: dict[str, Any]) -> Move:
    move = Move(**entry)
    was_inside = move.was is None or is_inner_path(move.was)
    if not (is_inner_path(move.name) and was_inside and type(move.size) is type(move.changed_ns) is int):
        raise ValueError("no move inside the folder")
    return move


def _inner(relative: str) -> str:
    if relative != "." and not is_inner_path(relative):
        raise ValueError("no folder inside the folder")
    return relative


def _require_inside(place: Path, root: Path) -> None:
    """Refuse a place to which a link leads out of a real folder; what is there itself is not followed."""
    if not real_path(place.parent).is_relative_to(root):
        raise NotADirectoryError(f"{place.parent} is a link that leads out of the folder")


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
