"""Digests by which results are found again: of plain values, and of the content of files."""

from __future__ import annotations

import hashlib
import json
import re
from typing import TYPE_CHECKING, Any, TypeGuard

from roomplan.errors import AudioError

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

__all__ = ["digest_of", "file_digest", "file_digests", "is_digest"]

_DIGEST = re.compile(r"[0-9a-f]{16,128}")
_DIGEST_BYTES = 20  # 160 bits: no two contents of a lifetime share one


def digest_of(*parts: Any) -> str:
    """Digest of plain values, the same in every process and on every machine.

    Parameters
    ----------
    *parts
        None, booleans, numbers, strings, and lists and dicts (string keys, in any order) of them.

    Returns
    -------
    str
        40 hex digits.

    Raises
    ------
    TypeError
        When something is no plain value, or a dict has a key that is no string.
    ValueError
        When a number is not finite.

    Notes
    -----
    1 and 1.0 differ, tuples and lists do not. Put a version of the algorithm among the parts.
    """
    _require_string_keys(parts)
    text = json.dumps(parts, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.blake2b(text.encode("ascii"), digest_size=_DIGEST_BYTES).hexdigest()


def file_digest(path: Path) -> str:
    """Digest of the content of a file, read now; `FileNotes.digest` remembers it.

    Returns
    -------
    str
        40 hex digits.

    Raises
    ------
    AudioError
        When it cannot be read.
    """
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, lambda: hashlib.blake2b(digest_size=_DIGEST_BYTES)).hexdigest()
    except OSError as error:
        raise AudioError(
            path, f"cannot be read ({error.strerror or error})", remedy="check that it is there and readable"
        ) from error


def file_digests(paths: Iterable[Path], *, workers: int) -> dict[Path, str]:
    """Digests of several files, as many read at a time as there are workers; none of what cannot be read."""

    def digest_or_none(path: Path) -> str | None:
        try:
            return file_digest(path)
        except AudioError:
            return None

    files = list(paths)
    if not files:
        return {}
    # not loaded where everything is known
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(workers) as pool:
        found = zip(files, pool.map(digest_or_none, files), strict=True)
        return {path: digest for path, digest in found if digest is not None}


def is_digest(value: Any) -> TypeGuard[str]:
    """Tell whether a value is a digest in hexadecimal."""
    return isinstance(value, str) and _DIGEST.fullmatch(value) is not None


def _require_string_keys(value: Any) -> None:
    """Refuse what JSON would quietly turn into a string."""
    if isinstance(value, dict):
        for key, item in value.items():
            if not isinstance(key, str):
                raise TypeError(f"key {key!r} is no string")
            _require_string_keys(item)
    elif isinstance(value, list | tuple):
        for item in value:
            _require_string_keys(item)
