"""Captured responses as a room of a plan: its entry as text, or written into a plan, comments kept."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

from roomplan.documents.edits import edited_text
from roomplan.documents.emission import block_entry
from roomplan.documents.extends import read_extended
from roomplan.documents.rewriting import read_original, write_edited
from roomplan.errors import Place, PlanError, RoomplanError
from roomplan.files.real_path import real_path
from roomplan.plan.names import name_fault
from roomplan.report.captures import CapturedRoom
from roomplan.report_file import find_report

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from roomplan.report.captures import Kind, ResponseFile

__all__ = ["captured_room", "require_room_name"]

# as it was recorded; one microphone serves each channel, which is what a plan does by itself
_WIRING: Mapping[Kind, str | None] = {"mono": None, "stereo": "one_source", "true_stereo": "true_stereo"}


def require_room_name(name: str, plan: Path | None) -> None:
    """Raise where there can be no room of this name, or the plan has one; asked before any work.

    Raises
    ------
    PlanError
        The plan cannot be read, or its text has faults.
    RoomplanError
    """
    fault = name_fault(name)
    if fault is not None:
        what, remedy = fault
        raise RoomplanError(f"the room name {name!r} {what}", remedy=remedy)
    if plan is not None:
        read_original(plan)
        _require_free(name, plan)


def captured_room(name: str, files: Sequence[ResponseFile], plan: Path | None) -> CapturedRoom:
    """Make a room of responses, and write it into a plan where one is named.

    Parameters
    ----------
    files : sequence of ResponseFile
        At least one; each a position.
    plan : Path, optional
        A plan without a room of this name; its comments are kept, and the old file is beside it.

    Raises
    ------
    PlanError, RoomplanError
        As `require_room_name`; the plan cannot be written.
    """
    if plan is None:
        entry = _entry(files, {written.position: written.file.as_posix() for written in files})
        return CapturedRoom(name, "\n".join(block_entry(name, entry, 0, 2)))
    original = read_original(plan)
    _require_free(name, plan)
    folder = real_path(plan.parent)
    entry = _entry(files, {written.position: _seen_from(folder, written.file) for written in files})
    text = edited_text(original.text, {("rooms", name): entry}, file=plan)
    return CapturedRoom(name, "\n".join(block_entry(name, entry, 0, 2)), plan, write_edited(original, text))


def _entry(files: Sequence[ResponseFile], paths: dict[str, str]) -> dict[str, Any]:
    entry: dict[str, Any] = {"responses": paths}
    wirings = {_WIRING[written.kind] for written in files}
    wiring = wirings.pop() if len(wirings) == 1 else None
    if wiring is not None:  # else by the kind of each file
        entry["wiring"] = wiring
    return entry | {"direct": "drop", "align": "each"}


def _seen_from(folder: Path, file: Path) -> str:
    """Path of a file as a plan in that folder names it."""
    target = real_path(file)
    try:
        return Path(os.path.relpath(target, folder)).as_posix()
    except ValueError:  # on another drive
        return target.as_posix()


def _require_free(name: str, plan: Path) -> None:
    """Raise where the plan, or one that it extends, has a room of this name, and for a report."""
    if find_report(plan) is not None:
        what = "is a report; only a plan itself can be changed"
        raise RoomplanError(what, remedy="name the plan it was made from", place=Place(plan))
    document, problems = read_extended(plan)
    if document is None or not document.complete:
        raise PlanError(problems)
    rooms = document.data.get("rooms")
    if isinstance(rooms, dict) and name in rooms:
        raise RoomplanError(
            f"there is a room {name} already",
            remedy="choose another name, or remove it",
            place=document.places.of(("rooms", name)),
        )
