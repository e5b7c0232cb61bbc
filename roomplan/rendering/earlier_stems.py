"""Which plan an earlier render was of, and which files its stems were.

Conventions
-----------
Two renders are of one plan when the content of the plan's files is the same, wherever they lie, or when they
come from one place and bear one cue (or none).

What a report says of its stems is kept by the content of the report: a `check` after each change of a level
need not read all of it again.
"""

from __future__ import annotations

import hashlib
import math
import os
from typing import TYPE_CHECKING, Any

from roomplan._version import __version__
from roomplan.errors import AudioError, ReportError
from roomplan.files.digests import digest_of, file_digest
from roomplan.frozen_classes import frozen_class
from roomplan.report_file import REPORT_NAME, read_report

if TYPE_CHECKING:
    from pathlib import Path

    from roomplan.files.cache import Cache
    from roomplan.session.session import Session

__all__ = ["EarlierStem", "PlanIdentity", "earlier_stems", "plan_digest"]

_VERSION = 1  # of what is kept: raise it when that changes


@frozen_class
class EarlierStem:
    """A stem's file as an earlier render read it: the digest of its content, and its length in seconds."""

    digest: str
    duration_s: float | None


@frozen_class
class PlanIdentity:
    """What a report says of its plan: its file, the digest of its content, its cue."""

    file: str
    digest: str | None
    cue: str | None

    def is_of(self, session: Session, digest: str | None) -> bool:
        """Whether it is the plan of a session; `digest` comes from `plan_digest`."""
        if digest is not None and self.digest == digest:
            return True
        if not self.is_at(session):
            return False
        return self.cue == session.plan.cue  # a title may be mended; a cue is another piece of music

    def is_at(self, session: Session) -> bool:
        """Whether it lies where the plan of a session does."""
        return _real(self.file) == _real(str(session.plan.source))


def plan_digest(session: Session) -> str | None:
    """SHA-256 of what the plan's files hold, in hexadecimal; None where one cannot be read."""
    total = hashlib.sha256()
    try:
        for file in session.plan.documents:
            total.update(hashlib.sha256(file.read_bytes()).digest())
    except OSError:
        return None
    return total.hexdigest() if session.plan.documents else None


def earlier_stems(
    session: Session, folder: Path, *, digest: str | None, cache: Cache | None = None
) -> dict[str, EarlierStem]:
    """Files of the stems, by absolute path, that the plan's last render in a folder has read.

    Parameters
    ----------
    folder : Path
        Of a delivery.
    digest : str or None
        From `plan_digest`.
    cache : Cache, optional
        Where what reports say is looked for, and kept.

    Returns
    -------
    dict
        Empty when no render of this plan is there.
    """
    path = folder / REPORT_NAME
    content = _content(path) if cache is not None else None
    if cache is None or content is None:
        return _of_session(_said(path), session, digest)
    key = digest_of("stems of a report", _VERSION, __version__, content)
    entry = cache.entry(key)
    if entry is not None:
        kept = entry.document("stems")
        if _is_kept(kept):
            return _of_session(kept, session, digest)
        cache.forget(key)
    said = _said(path)
    if said is not None and _content(path) == content:  # it may have been replaced meanwhile
        with cache.writing(key, title="stems of a render", source=said["plan"]) as new:
            new.save_document("stems", said)
    return _of_session(said, session, digest)


def _content(path: Path) -> str | None:
    try:
        return file_digest(path) if path.is_file() else None
    except (AudioError, OSError):
        return None


def _said(path: Path) -> dict[str, Any] | None:
    """What a report says; None when there is none, or it is not one."""
    try:
        document = read_report(path).document
    except ReportError:
        return None
    return {
        "plan": document["plan"],
        "digest": document.get("plan_sha256"),
        "cue": document.get("cue"),
        "stems": [
            [entry["file"], entry["blake2b_160"], entry.get("duration_s")]
            for entry in document.get("stems", ())
            if entry["blake2b_160"] is not None
        ],
    }


def _is_kept(kept: Any) -> bool:
    """Tell whether what is kept is as it is written."""
    try:
        texts = [kept["plan"], *(one for one in (kept["digest"], kept["cue"]) if one is not None)]
        for file, digest, duration_s in kept["stems"]:
            texts += file, digest
            if duration_s is not None and not (isinstance(duration_s, int | float) and duration_s < math.inf):
                return False
        return all(isinstance(text, str) for text in texts)
    except (TypeError, KeyError, ValueError):
        return False


def _of_session(said: dict[str, Any] | None, session: Session, digest: str | None) -> dict[str, EarlierStem]:
    if said is None or not PlanIdentity(said["plan"], said["digest"], said["cue"]).is_of(session, digest):
        return {}
    return {file: EarlierStem(found, duration_s) for file, found, duration_s in said["stems"]}


def _real(path: str) -> str:
    return os.path.normcase(os.path.realpath(path))
