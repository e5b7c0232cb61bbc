"""All files of a folder at once, or none.

Conventions
-----------
Files are written into a hidden folder beside the target and moved when all of them are done. Until the
last has moved, the earlier ones can be brought back, and are: on any failure, on Ctrl-C, and after a kill
by the next run. At every moment each file in the target is whole, old or new; where hard links exist,
none is ever missing.

The stage is inside the target instead where the target is a disk of its own or its parent may not be
written: a move must not cross disks.

What looks like the stage of a killed run may be a stranger's, who made the project: see `journal`. Such a one
is left alone.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import secrets
import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Self

from roomplan.errors import AudioError, RoomplanError
from roomplan.files.journal import (
    NEW,
    ForeignStageError,
    carry_out,
    in_progress,
    is_link,
    missing_folders,
    plan_moves,
    read_journal,
    undo,
)
from roomplan.files.locks import HeldLock, LockUnknownError, take_lock
from roomplan.files.names import is_inner_path
from roomplan.files.real_path import real_path
from roomplan.files.seal import user_key

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["StagedFolder", "place_for_temporaries", "require_writable", "silent_notice"]

# Errors of the system that are about the place to write to, whoever runs into them first.
_OUTPUT_ERRORS = frozenset({errno.ENOSPC, errno.EROFS, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC)})

_LOCK = "lock"
_MOST_NAMED = 12


def silent_notice(line: str) -> None:
    """Take a line and say nothing."""


def require_writable(folder: Path) -> None:
    """Refuse what can be known before any work: a file in the way, a folder that may not be written to."""
    for place in (folder, *folder.parents):
        if os.path.lexists(place):
            if not place.is_dir():
                raise RoomplanError(f"{place}: is a file, not a folder", remedy="name another output folder")
            if not _may_be_written(place):
                raise RoomplanError(
                    f"{place}: may not be written to",
                    remedy="allow writing there or choose another folder",
                )
            return


def place_for_temporaries(folder: Path) -> Path:
    """Where to make what is moved into `folder`: beside it, or in it where only that is allowed."""
    return folder if folder.is_dir() and not _may_be_written(folder.parent) else folder.parent


def _may_be_written(folder: Path) -> bool:
    return os.access(folder, os.W_OK | os.X_OK, effective_ids=os.access in os.supports_effective_ids)


class StagedFolder:
    """A folder whose new files appear together.

    Parameters
    ----------
    folder : Path
        Where the files are to be. It need not exist, nor its parents. Other files in it stay.
    notice : callable
        Takes one line for the user: files of a killed run were put back, or a stage is none of this user's.

    Attributes
    ----------
    folder : Path
        The same, absolute, links followed.
    restored : tuple of str
        Places in the folder at which this run undid the half-moved set of a killed run.

    Raises
    ------
    RoomplanError
        On entry: the folder is a file or may not be written, or another run is writing to it.
        On leaving: the disk is full or read-only.

    Notes
    -----
    Data are not forced to the disk, so a power cut is not covered. Two names that differ only in case are
    two files here, whatever the disk makes of them: see `safe_file_names`.
    """

    def __init__(self, folder: Path, *, notice: Callable[[str], None] = silent_notice) -> None:
        self.folder = real_path(folder.expanduser())
        self.restored: tuple[str, ...] = ()
        self._notice = notice
        self._key = b""
        self._alone: set[Path] = set()
        self._made_parents: list[Path] = []
        self._stage: Path | None = None
        self._lock: HeldLock | None = None
        self._aside: dict[str, str] = {}

    def __enter__(self) -> Self:
        self._key = user_key()  # once: what is sealed here must be known here to the end
        try:
            require_writable(self.folder)
            self._make_parents()
            self._clear_left_over()
            self._create_stage()
            self._clear_left_over()  # a run that began in the same moment is seen by one of the two
        except OSError as error:
            self._leave()
            raise self._refusal("cannot be written to", error) from error
        except BaseException:
            self._leave()
            raise
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: object) -> None:
        stage = self._stage
        self._leave()
        if isinstance(error, AudioError) and stage is not None and error.path.is_relative_to(stage / NEW):
            raise error.about(self.folder / error.path.relative_to(stage / NEW)) from error
        if isinstance(error, OSError) and (error.errno in _OUTPUT_ERRORS or _is_about(error, stage)):
            raise self._refusal("could not be written", error) from error

    def path(self, relative: str) -> Path:
        """Return where to write a file that will be at `relative` in the folder.

        Parameters
        ----------
        relative : str
            With "/" between folders; its folders are made.

        Raises
        ------
        RoomplanError
            The path leads out of the folder, no file can be put there, or it cannot be made.
        """
        target = self._entered() / NEW / self._inside(relative)
        try:
            missing_folders(self.folder, relative)  # asked again on committing; here it costs no work
            target.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise self._refusal(f"cannot take {relative}", error) from error
        return target

    def write_text(self, relative: str, text: str) -> None:
        """Write a text file that will be at `relative` in the folder.

        Raises
        ------
        RoomplanError
            As `path`; the disk is full or read-only.
        """
        place = self.path(relative)
        try:
            place.write_text(text, encoding="utf-8")
        except OSError as error:
            raise self._refusal(f"{relative} could not be written", error) from error

    def set_aside(self, relative: str, to: str) -> None:
        """Let a file that is in the folder go to another place in it, together with the new files.

        Parameters
        ----------
        relative : str
            A file that no new one replaces.
        to : str
            A place inside the folder where nothing is and no new file is to be.

        Raises
        ------
        RoomplanError
            The new place leads out of the folder.
        """
        self._inside(relative)
        self._inside(to)
        self._aside[relative] = to

    def commit(self, last: str = "report.json") -> None:
        """Move all files into the folder; this ends the writing.

        Parameters
        ----------
        last : str
            The file that is moved after all others: once it is there, they are.

        Raises
        ------
        RoomplanError
            A move failed. The earlier files are back in their places.
        """
        stage = self._entered()
        try:
            moves = plan_moves(stage, self.folder, last=last, aside=self._aside)
            carry_out(moves, stage, self.folder, key=self._key)
        except OSError as error:
            self._undo(stage)
            raise self._refusal("could not be filled; the earlier files are untouched", error) from error
        except BaseException:
            self._undo(stage)
            raise
        self._leave()

    def _inside(self, relative: str) -> Path:
        """Return a relative path that stays inside the folder, on every system."""
        if not is_inner_path(relative):
            raise RoomplanError(
                f"{relative!r} is not a place inside {self.folder}", remedy="name a file in the output folder"
            )
        return Path(relative)

    def _entered(self) -> Path:
        if self._stage is None:
            raise RuntimeError("use StagedFolder in a with statement, and not after commit")
        return self._stage

    def _undo(self, stage: Path, tell: Callable[[str], object] = silent_notice) -> None:
        """Bring the earlier files back; a second Ctrl-C only starts it again."""
        while in_progress(stage):
            try:
                undo(stage, self.folder, key=self._key, tell=tell)
            except KeyboardInterrupt:
                continue
            except (OSError, ForeignStageError) as error:
                raise RoomplanError(
                    f"{self.folder}: earlier files could not be put back ({_words(error)})",
                    remedy=f"they are kept in {stage}; the next run tries again",
                ) from error

    def _leave(self) -> None:
        """Remove the stage, unless it holds earlier files that could not be put back."""
        stage, self._stage = self._stage, None
        try:
            if stage is not None:
                self._undo(stage)
        except BaseException:
            stage = None  # it holds earlier files: keep it
            raise
        finally:
            if self._lock is not None:
                self._lock.release()
                self._lock = None
            if stage is not None:
                shutil.rmtree(stage, ignore_errors=True)
            while self._made_parents:
                try:
                    self._made_parents.pop().rmdir()
                except OSError:
                    continue  # somebody else uses it by now

    def _refusal(self, what: str, error: OSError) -> RoomplanError:
        remedies = {
            errno.ENOSPC: "the disk is full: free some space or choose another folder",
            errno.EROFS: "the disk is read-only: choose another folder",
            errno.EACCES: "allow writing there or choose another folder",
            errno.EPERM: "allow writing there or choose another folder",
            errno.EMFILE: "allow more open files, for instance with ulimit -n 1024, or write fewer",
        }
        remedy = remedies.get(error.errno or 0, "choose another folder")
        return RoomplanError(f"{self.folder}: {what} ({_words(error)})", remedy=remedy)

    def _make_parents(self) -> None:
        missing = [place for place in self.folder.parents if not place.exists()]
        for place in reversed(missing):
            place.mkdir(exist_ok=True)
            self._made_parents.append(place)

    @property
    def _prefix(self) -> str:
        """Start of the names of this folder's stages: readable, short, and distinct by the digest."""
        name = self.folder.name
        return f".{name[:40]}.{hashlib.sha256(os.fsencode(name)).hexdigest()[:8]}.partial-"

    def _clear_left_over(self) -> None:
        """Remove the stages of dead runs, after putting back what they had moved; refuse a live one."""
        for place in (self.folder.parent, self.folder):
            try:
                found = [entry for entry in place.iterdir() if entry.name.startswith(self._prefix)]
            except OSError:
                continue  # not there yet, or may not be listed
            for stage in found:
                if stage != self._stage:
                    self._clear(stage)

    def _clear(self, stage: Path) -> None:
        if is_link(stage):
            self._leave_alone(stage)
            return
        try:
            lock = take_lock(stage / _LOCK)
        except (LockUnknownError, OSError):
            return  # no telling whether its owner lives: leave it
        if lock is None:
            raise RoomplanError(
                f"{self.folder}: another run is writing to this folder",
                remedy="wait for it or choose another folder",
            )
        try:
            if in_progress(stage) and not self._undo_of_another_run(stage):
                return
            # Renamed while locked: a run that is just making a stage of this name then sees that it lost it.
            with contextlib.suppress(OSError):  # some systems rename no folder with an open file in it
                stage = stage.rename(stage.with_name(f"{self._prefix}{secrets.token_hex(4)}"))
        finally:
            lock.release()
        shutil.rmtree(stage, ignore_errors=True)

    def _undo_of_another_run(self, stage: Path) -> bool:
        """Bring back what a killed run had moved, and say so; False when the stage is none of this user's."""
        try:
            read_journal(stage, key=self._key)
        except ForeignStageError:
            self._leave_alone(stage)
            return False
        undone: list[str] = []
        try:
            self._undo(stage, undone.append)
        finally:
            self.restored += tuple(undone)
            if undone:
                shown = ", ".join(undone[:_MOST_NAMED])
                more = f" and {len(undone) - _MOST_NAMED} more" if len(undone) > _MOST_NAMED else ""
                self._notice(
                    f"{self.folder}: restored after a run that was killed while it moved files: {shown}{more}"
                )
        return True

    def _leave_alone(self, stage: Path) -> None:
        if stage in self._alone:
            return
        self._alone.add(stage)
        self._notice(
            f"{stage}: looks left over from a killed run, but not one of yours on this machine; it was "
            "left alone — check it, and remove it"
        )

    def _create_stage(self) -> None:
        """Make a stage of our own, beside the folder or, on a disk of its own, inside it."""
        exists = self.folder.is_dir()
        parent = self.folder.parent
        places = [parent] if not exists or _on_one_disk(parent, self.folder) else []
        places += [self.folder] if exists else []
        for place in places:
            try:
                self._create_stage_in(place)
            except PermissionError:
                if place == places[-1]:
                    raise
            else:
                return

    def _create_stage_in(self, place: Path) -> None:
        # Between its making and its locking, another run may take the new folder for a dead one's and
        # remove it; then the next name is tried.
        for _ in range(100):
            stage = place / f"{self._prefix}{secrets.token_hex(4)}"
            stage.mkdir()
            try:
                lock = take_lock(stage / _LOCK)
            except LockUnknownError:
                lock = None
            except FileNotFoundError:
                continue
            else:
                if lock is None or not lock.still_there():
                    if lock is not None:
                        lock.release()
                    continue
            self._stage, self._lock = stage, lock
            (stage / NEW).mkdir()
            return
        raise OSError(errno.EBUSY, os.strerror(errno.EBUSY), str(place))


def _is_about(error: OSError, stage: Path | None) -> bool:
    """Tell whether an error names a file of the stage."""
    if stage is None or not isinstance(error.filename, str | os.PathLike):
        return False
    return Path(error.filename).is_relative_to(stage)


def _on_one_disk(one: Path, other: Path) -> bool:
    return one.stat().st_dev == other.stat().st_dev


def _words(error: Exception) -> str:
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    return str(error)
