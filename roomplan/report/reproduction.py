"""What a report keeps so that it alone suffices to render again, and what has changed since.

Conventions
-----------
The part `reproduce` of a report holds the plan as written, the options of the run, and every input with its
size and a digest: BLAKE2b of 160 bits, which `b2sum -l 160 FILE` prints. Rooms are inputs that are kept
whole, as text; so are the versions of the program and of its synthesis of rooms.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from roomplan._version import __version__
from roomplan.errors import AudioError, RoomplanError
from roomplan.files.digests import file_digest
from roomplan.plan.written import room_file
from roomplan.rooms.algorithm import ALGORITHM

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from roomplan.plan.load import LoadedPlan
    from roomplan.plan.written import WrittenPlan
    from roomplan.report.documents import Document
    from roomplan.session.session import Excerpt, Session

__all__ = [
    "REPRODUCTION_CHECK_SCHEMA",
    "Input",
    "RenderOptions",
    "changed_inputs",
    "check_reproduction",
    "options_of",
    "reproduction_check_document",
    "reproduction_of",
    "version_differences",
]

REPRODUCTION_CHECK_SCHEMA = "roomplan.reproduction_check/1"

_DIGEST_BYTES = 20  # as `file_digest` has it

State = Literal["same", "changed", "missing", "new"]


@dataclass(frozen=True, slots=True)
class RenderOptions:
    """Options that decide what a render sounds like, beside the plan.

    Attributes
    ----------
    only : tuple of str
        Buses that alone are written; empty for those of the deliveries.
    mute : tuple of str
        Sections muted on top of the plan's own mutes.
    """

    only: tuple[str, ...] = ()
    mute: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Input:
    """One file that a render reads.

    Attributes
    ----------
    kind : str
        `plan`, `room`, `stem` or `response`.
    of : str or None
        The section or room it belongs to.
    file : str
        Absolute path; a bundled room's name.
    state : str
        Against the report: `same`, `changed`, `missing`, or `new` (a stem that the plan takes now).
    """

    kind: str
    of: str | None
    file: str
    state: State


def reproduction_of(
    loaded: LoadedPlan,
    session: Session,
    options: RenderOptions,
    *,
    digest: Callable[[Path], str] = file_digest,
) -> Document:
    """Return the part `reproduce` of a report.

    Parameters
    ----------
    loaded : LoadedPlan
        The plan, without problems.
    session : Session
        The same plan, opened, with the excerpt that is rendered.
    digest : callable
        Digest of a file's content: `FileNotes.digest` where there is a cache.

    Raises
    ------
    RoomplanError
        An input cannot be read, or the plan has problems.

    Notes
    -----
    Call it before the sound is heard: the digests are those of the files as they are now.
    """
    written = loaded.written
    if written is None:
        raise RoomplanError("a plan with problems cannot be reproduced", remedy="see roomplan check")
    excerpt = session.excerpt
    return {
        "roomplan": __version__,
        "synthesis": ALGORITHM,
        "options": {
            "only": list(options.only),
            "mute": list(options.mute),
            "excerpt": None if excerpt is None else _excerpt(excerpt, session.sample_rate),
        },
        "plan": {
            "source": str(written.source),
            "data": written.data,
            "paths": [{"at": list(at), "means": means} for at, means in written.paths.items()],
        },
        "inputs": [*_kept_or_read(written, session, digest), *_sounds(session, digest)],
    }


def _excerpt(excerpt: Excerpt, sample_rate: int) -> Document:
    return {"start_frame": excerpt.start_frame, "frames": excerpt.frames, "sample_rate": sample_rate}


def _kept_or_read(
    written: WrittenPlan, session: Session, digest: Callable[[Path], str]
) -> list[Mapping[str, Any]]:
    """Plan documents and rooms: from the report that the plan came from, else from their files."""
    if written.report is not None:
        inputs = written.report["reproduce"]["inputs"]
        return [entry for entry in inputs if entry["kind"] in {"plan", "room"}]
    return [
        *(_entry("plan", None, str(file), file, digest) for file in written.documents),
        *(_room(str(source), name) for name, source in _rooms(session).items()),
    ]


def _rooms(session: Session) -> dict[str, str | Path]:
    rooms = session.plan.rooms.values()
    return {room.name: room.synthetic for room in rooms if room.synthetic is not None}


def _room(source: str, name: str) -> Document:
    raw = _content(source)
    if raw is None:
        raise RoomplanError(f"{source}: cannot be read", remedy="check that it is there and readable")
    return {
        "kind": "room",
        "of": name,
        "file": source,
        "size": len(raw),
        "blake2b_160": hashlib.blake2b(raw, digest_size=_DIGEST_BYTES).hexdigest(),
        "text": raw.decode("utf-8"),  # a room file that is not UTF-8 is none
    }


def _content(source: str) -> bytes | None:
    try:
        return room_file(Path(source) if Path(source).is_absolute() else source).read_bytes()
    except OSError:
        return None


def _sounds(session: Session, digest: Callable[[Path], str]) -> list[Document]:
    """Stems and responses, in the order of the plan, each file once for each section or room."""
    files = [
        ("stem", section.name, file.absolute())
        for section in session.sections
        for path in section.stems
        for file in path.stem.files
    ]
    files += [
        ("response", room.name, file)
        for room in session.plan.rooms.values()
        for position in (room.responses or {}).values()
        for file in position.files
    ]
    return [_entry(kind, of, str(file), file, digest) for kind, of, file in dict.fromkeys(files)]


def _entry(kind: str, of: str | None, shown: str, file: Path, digest: Callable[[Path], str]) -> Document:
    try:
        size = file.stat().st_size
    except OSError as error:
        raise AudioError(
            file, f"cannot be read ({error.strerror or error})", remedy="check that it is there and readable"
        ) from error
    return {"kind": kind, "of": of, "file": shown, "size": size, "blake2b_160": digest(file)}


def options_of(report: Mapping[str, Any]) -> RenderOptions:
    """Options of the run that made a report."""
    options = report["reproduce"]["options"]
    return RenderOptions(tuple(options["only"]), tuple(options["mute"]))


def changed_inputs(before: Mapping[str, Any], after: Mapping[str, Any]) -> tuple[str, ...]:
    """Files of two parts `reproduce` whose content differs, or that only one of them has."""
    ours, theirs = (
        {entry["file"]: entry["blake2b_160"] for entry in part["inputs"]} for part in (before, after)
    )
    return tuple(file for file in dict.fromkeys([*ours, *theirs]) if ours.get(file) != theirs.get(file))


def check_reproduction(
    report: Mapping[str, Any],
    *,
    stems_now: Mapping[str, Iterable[Path]],
    digest: Callable[[Path], str] = file_digest,
) -> list[Input]:
    """Inputs of a report, each with what has become of it.

    Parameters
    ----------
    report : mapping
        A report that has the part `reproduce`.
    stems_now : mapping
        Section → the stems that the plan would give it today; those the report does not know are `new`.
    digest : callable
        Digest of a file's content.

    Returns
    -------
    list of Input
        In the order of the report, new ones last.

    Notes
    -----
    A file that cannot be read counts as missing. Files are compared by content: a file that was copied or
    touched is the same.
    """
    entries = report["reproduce"]["inputs"]
    found = [Input(e["kind"], e["of"], e["file"], _state(e, digest)) for e in entries]
    known = {one.file for one in found if one.kind == "stem"}
    return found + [
        Input("stem", section, str(file.absolute()), "new")
        for section, files in stems_now.items()
        for file in files
        if str(file.absolute()) not in known
    ]


def _state(entry: Mapping[str, Any], digest: Callable[[Path], str]) -> State:
    try:
        file = Path(entry["file"])
        kept: bytes | None = None
        if entry["kind"] == "room":
            file, kept = room_file(file if file.is_absolute() else entry["file"]), entry["text"].encode()
        if not file.is_file():  # the report may name a pipe or a device, which has no end
            return "missing"
        if file.stat().st_size != (entry["size"] if kept is None else len(kept)):
            return "changed"
        if kept is not None:
            return "same" if file.read_bytes() == kept else "changed"
        return "same" if digest(file) == entry["blake2b_160"] else "changed"
    except (OSError, AudioError):
        return "missing"


def version_differences(report: Mapping[str, Any]) -> list[str]:
    """What of the program differs from the one that made a report, one line each."""
    kept = report["reproduce"]
    lines = []
    if kept["roomplan"] != __version__:
        lines.append(f"made by roomplan {kept['roomplan']}, this is {__version__}")
    rooms = any(entry["kind"] == "room" for entry in kept["inputs"])
    if rooms and kept["synthesis"] != ALGORITHM:
        lines.append(
            f"its rooms were synthesised by version {kept['synthesis']}, this is version {ALGORITHM}: "
            "the samples will differ"
        )
    return lines


def reproduction_check_document(report: Mapping[str, Any], inputs: Iterable[Input]) -> Document:
    """What has changed since a report (`roomplan.reproduction_check/1`)."""
    inputs = list(inputs)
    kept = report["reproduce"]
    return {
        "schema": REPRODUCTION_CHECK_SCHEMA,
        "roomplan": __version__,
        "plan": kept["plan"]["source"],
        "made_by": {"roomplan": kept["roomplan"], "synthesis": kept["synthesis"]},
        "version_differences": version_differences(report),
        "inputs": [{"kind": one.kind, "of": one.of, "file": one.file, "state": one.state} for one in inputs],
        "unchanged": all(one.state == "same" for one in inputs),
    }
