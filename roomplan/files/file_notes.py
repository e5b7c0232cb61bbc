"""What is known of sound files from run to run: digests of their content, and a few numbers found in them.

Conventions
-----------
    FOLDER/files.json          digests of sound files, so that unchanged ones are not read again
    FOLDER/ledger_NAME.json    a ledger: a few numbers for each of many files, by their digests

What cannot be read is not known, and what cannot be written is not kept; neither is an error.
"""

from __future__ import annotations

import json
import math
import os
import re
import time
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from roomplan.files.digests import file_digest, file_digests, is_digest
from roomplan.files.json_file import read_json
from roomplan.files.real_path import real_path

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from pathlib import Path

__all__ = ["FileNotes"]

_DIGESTS_SCHEMA = "roomplan.file-digests/1"
_LEDGER_SCHEMA = "roomplan.ledger/1"
_LEDGER_NAME = re.compile(r"[a-z0-9_]{1,50}")

# A file changed less than this before it was hashed may change again without its time telling: the coarsest
# time stamps in use are 2 s apart (FAT; from memory).
_SETTLED_S = 2.5

_MOST_DIGESTS = 2_000  # about 0.4 MB of index, which are read at every question (the project's own limit)


class FileNotes:
    """Notes in a folder.

    Parameters
    ----------
    write : callable
        Takes a path in the folder and the text to write there whole; raises nothing for what the disk does.
    """

    def __init__(self, folder: Path, write: Callable[[Path, str], None]) -> None:
        self._folder = folder
        self._write = write
        # state of the index when it was read, and what is in it: a render asks some hundred times
        self._index: tuple[list[int] | None, dict[str, list[Any]]] = None, {}

    def digest(self, path: Path) -> str:
        """Digest of the content of a file, remembered while the file stays as it is.

        Returns
        -------
        str
            40 hex digits.

        Raises
        ------
        AudioError
            When the file cannot be read.

        Notes
        -----
        "As it is" means its resolved path, size, inode and both times of change. A file that was changed in
        the last seconds, or while it was read, is not remembered: its time could not tell the next change.
        """
        before = _file_state(path)
        if before is None:
            return file_digest(path)  # which says why it cannot be
        remembered = self._remembered(path, before)
        if remembered is not None:
            return remembered
        digest = file_digest(path)
        self._remember({path: (before, digest)})
        return digest

    def digests(self, paths: Iterable[Path], *, workers: int) -> dict[Path, str]:
        """Digests of several files as of one, those that must be read side by side.

        Returns
        -------
        dict of Path to str
            In the order of `paths`, without the files that cannot be read.
        """
        before = {path: _file_state(path) for path in paths}
        known = {
            path: remembered
            for path, state in before.items()
            if state is not None and (remembered := self._remembered(path, state)) is not None
        }
        read = file_digests((path for path in before if path not in known), workers=workers)
        states = {path: (before[path], digest) for path, digest in read.items()}
        self._remember(
            {path: (state, digest) for path, (state, digest) in states.items() if state is not None}
        )
        found = known | read
        return {path: found[path] for path in before if path in found}

    def noted(self, ledger: str) -> dict[str, list[float]]:
        """Numbers of a ledger by digest; what is not as it is written is left out.

        Parameters
        ----------
        ledger : str
            Lower-case letters, digits and underscores.
        """
        try:
            content = read_json(self._ledger_file(ledger))
            if content["schema"] != _LEDGER_SCHEMA:
                return {}
            return {key: numbers for key, numbers in content["numbers"].items() if _is_noted(key, numbers)}
        except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
            return {}

    def note(self, ledger: str, numbers: Mapping[str, list[float]]) -> None:
        """Add to a ledger, whose oldest lines go when it grows long; a disk that fails keeps nothing.

        Parameters
        ----------
        numbers : mapping
            Digest → finite numbers.
        """
        kept = list((self.noted(ledger) | dict(numbers)).items())[-_MOST_DIGESTS:]
        text = json.dumps({"schema": _LEDGER_SCHEMA, "numbers": dict(kept)}, allow_nan=False)
        self._write(self._ledger_file(ledger), text)

    def _known_digests(self) -> dict[str, list[Any]]:
        """Files of the index, read again when somebody has written it; not to be changed."""
        state = _file_state(self._digests_file)
        if state is None or state != self._index[0]:
            self._index = state, self._read_digests()
        return self._index[1]

    def _read_digests(self) -> dict[str, list[Any]]:
        try:
            index = read_json(self._digests_file)
            if index["schema"] != _DIGESTS_SCHEMA:
                return {}
            return {name: state for name, state in index["files"].items() if _is_remembered(state)}
        except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
            return {}

    def _remembered(self, path: Path, state: list[int]) -> str | None:
        remembered = self._known_digests().get(os.fspath(real_path(path)))
        return remembered[-1] if remembered is not None and remembered[:-1] == state else None

    def _remember(self, found: Mapping[Path, tuple[list[int], str]]) -> None:
        """Remember digests of files, with their states before they were read, that are still as they were."""
        lines = {
            os.fspath(real_path(path)): [*state, digest]
            for path, (state, digest) in found.items()
            if state == _file_state(path) and _settled(state)
        }
        if not lines:
            return
        known = self._known_digests()  # again: another process may have written meanwhile
        others = {name: line for name, line in known.items() if name not in lines}
        # at the end: the oldest are dropped first
        kept = dict(list((others | lines).items())[-_MOST_DIGESTS:])
        text = json.dumps({"schema": _DIGESTS_SCHEMA, "files": kept})
        self._write(self._digests_file, text)

    def clear(self) -> None:
        """Forget everything."""
        with suppress(OSError):
            self._digests_file.unlink(missing_ok=True)
        with suppress(OSError):
            for ledger in self._folder.glob("ledger_*.json"):
                ledger.unlink(missing_ok=True)

    @property
    def _digests_file(self) -> Path:
        return self._folder / "files.json"

    def _ledger_file(self, ledger: str) -> Path:
        if not _LEDGER_NAME.fullmatch(ledger):
            raise ValueError(f"{ledger!r} is no name of a ledger")
        return self._folder / f"ledger_{ledger}.json"


def _file_state(path: Path) -> list[int] | None:
    """Size, inode and times of change; None when there is no such file."""
    try:
        found = path.stat()
    except OSError:
        return None
    return [found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino]


def _settled(state: list[int]) -> bool:
    return time.time() - max(state[1], state[2]) / 1e9 > _SETTLED_S


def _is_remembered(state: Any) -> bool:
    return (
        isinstance(state, list)
        and len(state) == 5
        and all(type(number) is int for number in state[:4])
        and is_digest(state[4])
    )


def _is_noted(key: str, numbers: Any) -> bool:
    return (
        is_digest(key)
        and isinstance(numbers, list)
        and all(type(number) in {int, float} and math.isfinite(number) for number in numbers)
    )
