"""What has been computed once, kept in a folder of the user's cache and found again by its content.

Conventions
-----------
A key is the hex digest of everything a result depends on (`digest_of`): digests of the sound files, rates,
the normalised part of the plan, the version of the algorithm. So nothing is ever out of date, only unused.

    FOLDER/files.json, ledger_NAME.json  what is known of sound files, see `file_notes`
    FOLDER/entries/KEY/meta.json         what it is, in words; sizes and checksums of its files; its time of
                                         change is when it was last used
    FOLDER/entries/KEY/NAME.npy, .json   the data

The folder is that of the system for caches; the environment variable `ROOMPLAN_CACHE` names another, and
`off` or nothing in it means none. `ROOMPLAN_CACHE_SIZE` is the most it may hold, in MB (2,000); the entries
that have not been used for longest go first, those that hold *sound* before all others: it is large, and
makes no room by pushing out what is small. `ROOMPLAN_CACHE_SOUND=off` keeps none.

The cache only saves time. Whatever cannot be read is a miss and is removed, whatever cannot be written is not
kept and said in `Cache.notes`; neither is an error. Entries appear whole, by a rename, or not at all. Nothing
is unpickled, only the user may look in, and only names made here are ever removed.
"""

from __future__ import annotations

import json
import math
import os
import re
import shutil
import zlib
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from roomplan._version import __version__
from roomplan.files.digests import is_digest
from roomplan.files.file_notes import FileNotes
from roomplan.files.json_file import read_json
from roomplan.files.temporary_places import TemporaryPlaces
from roomplan.files.whole_file import write_whole
from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from contextlib import AbstractContextManager

    from numpy.typing import NDArray

__all__ = ["Cache", "CacheEntry", "Removed"]

FOLDER_VARIABLE = "ROOMPLAN_CACHE"
SIZE_VARIABLE = "ROOMPLAN_CACHE_SIZE"
SOUND_VARIABLE = "ROOMPLAN_CACHE_SOUND"

# Common practice, no source: an evening of plans (8 MB for 16 components and 5 minutes) many times over.
DEFAULT_LIMIT_BYTES = 2_000_000_000

_MOST_SOUND = 0.75  # of the limit: the rest is for what is small
_MOST_OF_FREE = 0.25  # of what is free on the disk: the files of the render need room too

_ENTRY_SCHEMA = "roomplan.cache-entry/1"
_META = "meta.json"
_SOUND = "sound"

_FILE_NAME = re.compile(r"[a-z0-9_]{1,60}\.(npy|json)")

# Of the limit: what is written before the entries are counted again. Other processes write too.
_UNCOUNTED = 0.01

_PIECE_BYTES = 1 << 20


@frozen_class
class CacheEntry:
    """One complete entry.

    Attributes
    ----------
    folder : Path
        Where its files are; they must not be changed.
    title : str
        What it is, for a person.
    source : str or None
        The plan it was made for.
    created : str
        ISO 8601, UTC.
    used_s : float
        When it was last written or found, in seconds since 1970.
    parts : dict
        What the key was made of, in words.
    """

    key: str
    folder: Path
    title: str
    source: str | None
    created: str
    used_s: float
    size_bytes: int
    parts: dict[str, Any]

    @property
    def is_sound(self) -> bool:
        """Whether it holds sound, which goes before all else when room is needed."""
        return self.parts.get("kind") == _SOUND

    def array(self, name: str) -> NDArray[Any] | None:
        """Array of the file `name`.npy; None when there is none that can be read."""
        import numpy as np

        path = self.folder / _file_name(f"{name}.npy")
        try:
            return np.load(path, allow_pickle=False)
        except Exception:  # noqa: BLE001 - numpy evaluates headers: a damaged one fails in any way
            return None

    def document(self, name: str) -> Any:
        """Content of the file `name`.json; None when there is none that can be read."""
        path = self.folder / _file_name(f"{name}.json")
        try:
            return read_json(path)
        except (OSError, ValueError, RecursionError):
            return None


@frozen_class
class Removed:
    """What `Cache.clear` has removed."""

    entries: int
    size_bytes: int


class NewEntry:
    """An entry in the making, from `Cache.writing`.

    Attributes
    ----------
    folder : Path
        Write files here: names of lower-case letters, digits and underscores that end in `.npy` or `.json`.
        It need not exist once something has failed.
    given_up : str or None
        Why the entry will not be kept, once that is known.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.given_up: str | None = None
        self.checked: dict[str, list[int]] = {}

    def note_checked(self, name: str, size: int, checksum: int) -> None:
        """Say size and CRC-32 of a file that was written here, so that it is not read again for them."""
        self.checked[_file_name(name)] = [size, checksum]

    def give_up(self, reason: str) -> None:
        """Keep nothing; the first reason counts."""
        self.given_up = self.given_up or reason

    def take_over(self, path: Path) -> None:
        """Copy a file of an earlier entry, if it is there; a failure gives the entry up."""
        if self.given_up is None and path.is_file():
            with self._giving_up():
                shutil.copyfile(path, self.folder / _file_name(path.name))

    def save_array(self, name: str, array: NDArray[Any]) -> None:
        """Write `name`.npy; a failure gives the entry up and raises nothing."""
        import numpy as np

        path = self.folder / _file_name(f"{name}.npy")
        if self.given_up is None:
            with self._giving_up():
                np.save(path, array, allow_pickle=False)

    def save_document(self, name: str, content: Any) -> None:
        """Write plain values as `name`.json; a disk that fails gives the entry up and raises nothing."""
        path = self.folder / _file_name(f"{name}.json")
        if path.name == _META:
            raise ValueError(f"{_META} is written by the cache")
        text = json.dumps(content, allow_nan=False)
        if self.given_up is None:
            with self._giving_up():
                path.write_text(text, encoding="utf-8")

    @contextmanager
    def _giving_up(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            self.give_up(_cannot_write(error))


class Cache:
    """Entries of one folder. Nothing is touched before something is written.

    Parameters
    ----------
    limit_bytes : int
        The entries together are no larger after a write.

    Attributes
    ----------
    keeps_sound : bool
        Whether sound is kept.
    files : FileNotes
        Digests of sound files and numbers found for them.
    notes : list of str
        What could not be kept and why, for whoever looks into it; no user needs to see it.
    """

    def __init__(self, folder: Path, *, limit_bytes: int = DEFAULT_LIMIT_BYTES) -> None:
        self.folder = folder
        self.limit_bytes = limit_bytes
        self.keeps_sound = True
        self.notes: list[str] = []
        self.files = FileNotes(folder, self._write_beside)
        self._temporary = TemporaryPlaces(self._entries)
        self._counted_bytes: int | None = None  # of all entries, when they were last counted
        self._uncounted_bytes = 0  # written since

    @classmethod
    def open(cls, environment: Mapping[str, str] = os.environ) -> Cache | None:
        """Cache of the user, as the environment says.

        Returns
        -------
        Cache or None
            None when it is switched off, or the user has no folder for it.
        """
        wanted = environment.get(FOLDER_VARIABLE)
        try:
            if wanted is None:
                import platformdirs

                folder = platformdirs.user_cache_path("roomplan", appauthor=False)
            elif wanted.strip().lower() in {"", "off"}:
                return None
            else:
                folder = Path(wanted).expanduser()
            cache = cls(folder.absolute())
        except (RuntimeError, OSError):  # no home, or no current folder
            return None
        cache.keeps_sound = environment.get(SOUND_VARIABLE, "on").strip().lower() not in {"", "off"}
        size = environment.get(SIZE_VARIABLE)
        if size is not None:
            try:
                limit = float(size) * 1e6
            except ValueError:
                limit = math.nan
            if math.isfinite(limit) and limit >= 0:
                cache.limit_bytes = int(limit)
            else:
                cache.notes.append(
                    f"{SIZE_VARIABLE}={size} is not a number of MB: {_megabytes(cache.limit_bytes)}"
                )
        return cache

    def entry(self, key: str) -> CacheEntry | None:
        """Find an entry, and note that it is in use.

        Parameters
        ----------
        key : str
            From `digest_of`.

        Returns
        -------
        CacheEntry or None
            None when there is none, or it is damaged, which removes it. Its files were complete and unchanged
            when they were looked at; another process may remove them any time.

        Raises
        ------
        ValueError
            When the key is no digest.

        Notes
        -----
        Reads all files of the entry once, for their checksums: 3 ms for 8 MB that the system still holds.
        """
        return self._found(key, lambda path, state: _checked(path) == state)

    def unread_entry(self, key: str) -> CacheEntry | None:
        """As `entry`, for files too large to be read twice: only their sizes are looked at.

        Whoever reads them checks what is in them.
        """
        return self._found(key, lambda path, state: path.stat().st_size == state[0])

    def _found(self, key: str, is_intact: Callable[[Path, Any], bool]) -> CacheEntry | None:
        folder = self._place(key)
        if not folder.is_dir():
            return None
        try:
            meta = _read_meta(folder)
            intact = all(is_intact(folder / _file_name(name), state) for name, state in meta["files"].items())
            found = _described(key, folder, meta) if intact else None
        except (OSError, ValueError, TypeError, KeyError, IndexError, AttributeError, RecursionError):
            found = None
        if found is None:
            self.forget(key)
            return None
        with suppress(OSError):
            os.utime(folder / _META)
        return found

    def room_for_sound(self, there: int) -> int:
        """Bytes of new sound there is room for.

        Parameters
        ----------
        there : int
            Bytes of the sound that must stay; the rest may go for what is new.

        Notes
        -----
        The earlier sound goes when the new one is whole, so both are on the disk until then.
        """
        if not self.keeps_sound:
            return 0
        self._temporary.clear_left_over()
        small = sum(entry.size_bytes for entry in self.entries() if not entry.is_sound)
        beside = next((place for place in (self.folder, *self.folder.parents) if place.is_dir()), None)
        try:
            free = 0 if beside is None else shutil.disk_usage(beside).free
        except OSError:
            free = 0
        in_cache = min(_MOST_SOUND * self.limit_bytes, self.limit_bytes - small) - there
        return max(0, int(min(in_cache, _MOST_OF_FREE * free)))

    def writing_sound(
        self, key: str, *, title: str, source: str | None = None
    ) -> AbstractContextManager[NewEntry]:
        """As `writing`, an entry of sound."""
        return self.writing(key, title=title, source=source, parts={"kind": _SOUND})

    @contextmanager
    def writing(
        self, key: str, *, title: str, source: str | None = None, parts: Mapping[str, Any] | None = None
    ) -> Iterator[NewEntry]:
        """Make an entry; it is there, whole, after the block.

        Parameters
        ----------
        key : str
            From `digest_of`.
        title : str
            What it is, for a person.
        source : str, optional
            The plan it is made for.
        parts : mapping of str to plain values, optional
            What the key was made of, in words.

        Raises
        ------
        ValueError, TypeError
            Before the block: the key is no digest, or `parts` are no plain values.

        Notes
        -----
        An exception from the block leaves nothing behind and goes on its way. When another process has made
        the same entry meanwhile, theirs stays: it is the same. Older entries are removed to keep to the
        limit.
        """
        place = self._place(key)
        about = {
            "schema": _ENTRY_SCHEMA,
            "roomplan": __version__,
            "created": datetime.now(UTC).isoformat(timespec="seconds"),
            "title": _printable(title),
            "source": None if source is None else _printable(source),
            "parts": json.loads(json.dumps(dict(parts or {}), allow_nan=False)),
        }
        failure: OSError | None = None
        try:
            self._make_folders()
        except OSError as error:
            failure = error
        with self._temporary.place() as folder:
            new = NewEntry(folder)
            try:
                folder.mkdir(mode=0o700)
            except OSError as error:
                new.give_up(_cannot_write(failure or error))
            yield new
            if new.given_up is None:
                try:
                    self._complete(folder, place, about, new.checked)
                except OSError as error:
                    new.give_up(_cannot_write(error))
        if new.given_up is None:
            self._keep_to_limit(key)
        else:
            self.notes.append(f"{title}: not kept, {new.given_up}")

    def forget(self, key: str) -> None:
        """Remove an entry: one that turned out to be of no use. Nothing happens when there is none.

        Raises
        ------
        ValueError
            When the key is no digest.
        """
        place = self._place(key)
        if not os.path.lexists(place):
            return
        with self._temporary.place() as temporary, suppress(OSError):
            # at once for all others; fails where it is gone, or held open where the system minds
            place.rename(temporary)

    def entries(self) -> list[CacheEntry]:
        """All entries, the last used first; a damaged one is called so in its title."""
        found = []
        for key, folder in self._folders():
            try:
                found.append(_described(key, folder, _read_meta(folder)))
            except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
                with suppress(OSError):  # gone meanwhile
                    found.append(CacheEntry(key, folder, "damaged", None, "", 0.0, _size(folder), {}))
        return sorted(found, key=lambda entry: entry.used_s, reverse=True)

    def clear(self) -> Removed:
        """Remove everything the cache has made; the folder itself stays, and whatever else is in it.

        Returns
        -------
        Removed
            What is gone; an entry that could not be removed does not count.
        """
        entries, size = 0, 0
        for entry in self.entries():
            self.forget(entry.key)
            if not entry.folder.exists():
                entries += 1
                size += entry.size_bytes
        self._temporary.clear()
        self.files.clear()
        self._counted_bytes = None
        return Removed(entries, size)

    @property
    def _entries(self) -> Path:
        return self.folder / "entries"

    def _place(self, key: str) -> Path:
        if not is_digest(key):
            raise ValueError(f"{key!r} is no hex digest")
        return self._entries / key

    def _make_folders(self) -> None:
        self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        self._entries.mkdir(mode=0o700, exist_ok=True)

    def _folders(self) -> list[tuple[str, Path]]:
        """Keys and folders of all entries, whole or not."""
        try:
            with os.scandir(self._entries) as found:
                return [
                    (item.name, Path(item.path))
                    for item in found
                    if is_digest(item.name) and item.is_dir(follow_symlinks=False)
                ]
        except OSError:
            return []

    def _complete(
        self, folder: Path, place: Path, about: dict[str, Any], checked: Mapping[str, list[int]]
    ) -> None:
        """Describe the files of a new entry and move it into place, unless one is there."""
        files = {
            _file_name(path.name): checked.get(path.name) or _checked(path)
            for path in sorted(folder.iterdir())
        }
        text = json.dumps({**about, "files": files}, indent=1)
        (folder / _META).write_text(text, encoding="utf-8")
        try:
            folder.rename(place)
        except OSError:
            if self.entry(place.name) is None:  # what was there was damaged, and is removed by now
                folder.rename(place)

    def _keep_to_limit(self, newest: str) -> None:
        """Make room after an entry was written; counting thousands of entries each time would take longer."""
        with suppress(OSError):  # gone meanwhile
            self._uncounted_bytes += _size(self._place(newest))
        known, uncounted = self._counted_bytes, self._uncounted_bytes
        if known is None or uncounted > min(self.limit_bytes - known, _UNCOUNTED * self.limit_bytes):
            self._make_room(newest)

    def _make_room(self, newest: str) -> None:
        """Remove the entries that were not used for longest until the rest keeps to the limit."""
        self._temporary.clear_left_over()
        self._uncounted_bytes = 0
        entries = self.entries()
        total = sum(entry.size_bytes for entry in entries)
        for entry in sorted(
            entries, key=lambda entry: (not entry.is_sound, entry.key == newest, entry.used_s)
        ):
            if total <= self.limit_bytes:
                break
            self.forget(entry.key)
            total -= entry.size_bytes
            if entry.key == newest:
                self.notes.append(f"{entry.title}: not kept, larger than {_megabytes(self.limit_bytes)}")
        self._counted_bytes = total

    def _write_beside(self, target: Path, text: str) -> None:
        """Write a file of the cache's own folder whole, or note why not."""
        try:
            self._make_folders()
            with self._temporary.place() as beside:
                write_whole(target, text.encode("utf-8"), beside=beside)
        except OSError as error:
            self.notes.append(f"{target.name}: not kept, {_cannot_write(error)}")


def _printable(text: str) -> str:
    """Text without what file names may hold and no encoding has."""
    return text.encode("utf-8", "replace").decode("utf-8")


def _file_name(name: str) -> str:
    """Return a name that is no path; ValueError for any other."""
    if not isinstance(name, str) or not _FILE_NAME.fullmatch(name):
        raise ValueError(f"{name!r} is no file name of the cache")
    return name


def _read_meta(folder: Path) -> dict[str, Any]:
    meta = read_json(folder / _META)
    if meta["schema"] != _ENTRY_SCHEMA:
        raise ValueError(f"schema {meta['schema']}")
    return meta


def _described(key: str, folder: Path, meta: dict[str, Any]) -> CacheEntry:
    source, parts = meta["source"], meta["parts"]
    texts = (meta["title"], meta["created"], "" if source is None else source)
    if not all(isinstance(text, str) for text in texts) or not isinstance(parts, dict):
        raise ValueError("not as it is written")
    used_s = (folder / _META).stat().st_mtime
    return CacheEntry(key, folder, texts[0], source, texts[1], used_s, _size(folder), parts)


def _size(folder: Path) -> int:
    with os.scandir(folder) as found:
        return sum(item.stat(follow_symlinks=False).st_size for item in found)


def _checked(path: Path) -> list[int]:
    """Size and checksum of a file: tells a file cut off or spoiled, not one forged."""
    size, checksum = 0, 0
    with path.open("rb", buffering=0) as file:
        while piece := file.read(_PIECE_BYTES):
            size += len(piece)
            checksum = zlib.crc32(piece, checksum)
    return [size, checksum]


def _cannot_write(error: OSError) -> str:
    return f"the cache cannot be written ({error.strerror or error})"


def _megabytes(size: int) -> str:
    return f"the cache holds at most {size / 1e6:.0f} MB"
