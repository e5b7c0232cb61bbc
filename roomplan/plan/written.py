"""A plan as it was written, in a form that a report can keep and a later run can read back.

Conventions
-----------
`data` is the plan after `extends`, every value as its file has it. Texts that are paths keep their words
too; what they meant, absolute, stands beside them in `paths`, because a report lies elsewhere than the plan
did. A report is known by its `schema`, not by its name.

Notes
-----
Sounds are not kept, only where they were. Room files are small and are kept whole: when a room file has
changed since or is gone, its kept text is read instead.
"""

from __future__ import annotations

import atexit
import copy
import shutil
import tempfile
from dataclasses import field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from roomplan.documents.parsing import parse_text
from roomplan.documents.places import PlaceMap, Spot
from roomplan.errors import Place, Problem, ReportError
from roomplan.files.resources import bundled_folder
from roomplan.frozen_classes import frozen_class
from roomplan.plan.old_words import OLD_WORDS
from roomplan.report_file import find_report

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from roomplan.documents.places import KeyPath
    from roomplan.plan.model import Plan
    from roomplan.report_file import Report

__all__ = ["WrittenPlan", "read_reported", "room_file", "written_paths"]

_DATA = ("reproduce", "plan", "data")
_REMEDY = "render its plan once again, or name the plan itself"


@frozen_class
class WrittenPlan:
    """What a plan says, word for word.

    Attributes
    ----------
    source : Path
        The plan's own file, absolute; titles and folders that are not written follow from it.
    documents : tuple of Path
        Every plan file it was read from, the plan's own first.
    data : dict
        The plan after `extends`.
    paths : dict
        Key path of every text that is a path → the absolute path it means.
    report : dict or None
        The report it was read from; None when it comes from the plan's own files.
    report_file : Path or None
        Where that report lies; the other paths are what it says, and it may say anything.
    """

    source: Path
    documents: tuple[Path, ...]
    data: dict[str, Any]
    paths: dict[KeyPath, str]
    report: Mapping[str, Any] | None = field(default=None, repr=False)
    report_file: Path | None = None


@frozen_class
class Reported:
    """A plan found in a report: as it was written, and as it is to be read now, with its places."""

    written: WrittenPlan
    data: dict[str, Any]
    places: PlaceMap
    problems: tuple[Problem, ...]


def written_paths(data: Mapping[str, Any], plan: Plan) -> dict[KeyPath, str]:
    """Key path of every text of a plan that is a path → what it means, absolute.

    Parameters
    ----------
    data : mapping
        The plan as written.
    plan : Plan
        What was made out of it, without problems.
    """
    found: dict[KeyPath, str] = {}
    if "stems" in data:
        found["stems",] = str(plan.stems_folder)
    for name, room in data.get("rooms", {}).items():
        resolved = plan.rooms[name]
        if isinstance(resolved.synthetic, Path):
            found["rooms", name, "synthetic"] = str(resolved.synthetic)
        listed = room.get("responses")
        for position, files in (resolved.responses or {}).items():
            at: KeyPath = ("rooms", name, "responses", *((position,) if files.listed else ()))
            entry = listed[position] if files.listed else listed
            sides = (("left",), ("right",)) if isinstance(entry, dict) else ((),)
            found |= {(*at, *side): str(file) for side, file in zip(sides, files.files, strict=True)}
    for name, delivery in data.get("deliveries", {}).items():
        if "folder" in delivery:
            found["deliveries", name, "folder"] = str(plan.deliveries[name].folder)
    return found


def room_file(synthetic: str | Path) -> Path:
    """File of a room: a bundled one by its name, else the path itself."""
    return synthetic if isinstance(synthetic, Path) else bundled_folder("irs_synthetic") / f"{synthetic}.yaml"


def read_reported(path: Path) -> Reported | tuple[Problem, ...] | None:
    """Plan in the report of a render.

    Returns
    -------
    Reported, tuple of Problem, or None
        None when the file is no document of this program: it may be a plan then. Problems when it is one
        that no plan can be read from.
    """
    try:
        report = find_report(path)
    except ReportError as error:
        return error.problems
    if report is None:
        return None
    if report.document.get("reproduce") is None:
        return (Problem("this report does not contain its plan", Place(path), _REMEDY),)
    return _reported(report)


def _reported(report: Report) -> Reported | tuple[Problem, ...]:
    kept = report.document["reproduce"]
    plan = kept["plan"]
    paths = {tuple(entry["at"]): entry["means"] for entry in plan["paths"]}
    documents = tuple(Path(entry["file"]) for entry in kept["inputs"] if entry["kind"] == "plan")
    data = copy.deepcopy(plan["data"])
    written = WrittenPlan(Path(plan["source"]), documents, data, paths, report.document, report.path)
    first, end = report.extent(_DATA)
    start = report.place(first)
    parsed, problems = parse_text(report.text[first:end].replace("\r\n", "\n"), report.path)
    moved = tuple(
        Problem(p.what, _shifted(p.place, start) if p.place else None, p.remedy, p.subject) for p in problems
    )
    if parsed is None or not isinstance(parsed.data, dict):
        return moved
    places = PlaceMap(_moved(parsed.places.root, start))
    renamed, twice = OLD_WORDS.apply(parsed.data, places.root)
    if renamed:
        written = replace(written, data=copy.deepcopy(parsed.data))
    for at, means in paths.items():
        _put(parsed.data, at, means)
    try:
        for at, kept_room in _changed_rooms(parsed.data, kept["inputs"]):
            _put(parsed.data, at, str(kept_room))
    except OSError as error:
        what = f"its rooms cannot be written to a temporary folder ({error.strerror or error})"
        return (Problem(what, Place(report.path), "free some space on the disk of temporary files"),)
    return Reported(written, parsed.data, places, (*moved, *twice))


def _put(data: Any, at: KeyPath, value: str) -> None:
    """Replace the text at a key path; nothing where there is none any more."""
    for step in at[:-1]:
        data = data.get(step) if isinstance(data, dict) else None
    if isinstance(data, dict) and isinstance(data.get(at[-1]), str):
        data[at[-1]] = value


def _changed_rooms(data: dict[str, Any], inputs: list[dict[str, Any]]) -> Iterator[tuple[KeyPath, Path]]:
    """Rooms whose file is not what it was, each with a file that is."""
    texts = {entry["file"]: entry["text"].encode() for entry in inputs if entry["kind"] == "room"}
    rooms = data.get("rooms")
    folder: Path | None = None
    for number, (name, room) in enumerate(rooms.items() if isinstance(rooms, dict) else ()):
        synthetic = room.get("synthetic") if isinstance(room, dict) else None
        kept = texts.get(synthetic) if isinstance(synthetic, str) else None
        if not isinstance(synthetic, str) or kept is None:
            continue
        file = room_file(Path(synthetic) if Path(synthetic).is_absolute() else synthetic)
        if _holds(file, kept):
            continue
        if folder is None:
            folder = Path(tempfile.mkdtemp(prefix="roomplan-rooms-"))
            atexit.register(shutil.rmtree, folder, ignore_errors=True)
        # numbered, for the name of a room in a report may lead anywhere
        inner = folder / str(number)
        inner.mkdir()
        place = inner / (file.name if file.suffix in {".yaml", ".yml"} else "room.yaml")
        place.write_bytes(kept)
        yield ("rooms", name, "synthetic"), place


def _holds(file: Path, content: bytes) -> bool:
    """Tell whether a file has this content; a pipe or a device is not read."""
    try:
        if not file.is_file() or file.stat().st_size != len(content):
            return False
        return file.read_bytes() == content
    except OSError:
        return False


def _shifted(place: Place, start: Place) -> Place:
    """Place in the whole file of a place in the piece that begins at `start`."""
    line, column = place.line, place.column
    if line is None or start.line is None or start.column is None:
        return place
    first = line == 1 and column is not None
    return Place(place.file, line + start.line - 1, column + start.column - 1 if first and column else column)


def _moved(spot: Spot, start: Place) -> Spot:
    children = spot.children
    if isinstance(children, dict):
        children = {name: _moved(child, start) for name, child in children.items()}
    elif isinstance(children, list):
        children = [_moved(child, start) for child in children]
    return Spot(_shifted(spot.key, start), _shifted(spot.value, start), children, set(spot.refused))
