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
import json
import shutil
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from roomplan.documents.parsing import parse_text
from roomplan.documents.places import PlaceMap, Spot
from roomplan.documents.wording import quoted
from roomplan.errors import Place, Problem
from roomplan.resources import bundled_folder

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from roomplan.documents.places import KeyPath
    from roomplan.plan.model import Plan

__all__ = ["REPORT_SCHEMA", "WrittenPlan", "read_reported", "room_file", "written_paths"]

REPORT_SCHEMA = "roomplan.render/1"

_LARGEST_REPORT = 50_000_000  # bytes; a plan of 100 buses has a report of 1 MB
_REMEDY = "render its plan once again, or name the plan itself"


@dataclass(frozen=True, slots=True)
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


@dataclass(frozen=True, slots=True)
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


def read_reported(path: Path) -> Reported | Problem | None:
    """Plan in the report of a render.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Reported, Problem or None
        None when the file is no document of this program: it may be a plan then. A Problem when it is one
        that no plan can be read from.
    """
    text = _json_text(path)
    if text is None:
        return None
    try:
        document = json.loads(text)
    except (ValueError, RecursionError):
        return None
    schema = document.get("schema") if isinstance(document, dict) else None
    if not isinstance(schema, str) or not schema.startswith("roomplan."):
        return None
    if schema != REPORT_SCHEMA:
        return Problem(
            f"is a document {quoted(schema)}", Place(path), "a plan, or the report.json of a render"
        )
    if document.get("reproduce") is None:
        return Problem("this report does not keep the plan it was made from", Place(path), _REMEDY)
    try:
        return _reported(path, document, text)
    except (KeyError, TypeError, ValueError, IndexError, AttributeError):
        return Problem("the part `reproduce` of this report is damaged", Place(path), _REMEDY)


def _json_text(path: Path) -> str | None:
    """Text of a file that begins like a JSON object; None for all others."""
    try:
        if not path.is_file():
            return None
        with path.open("rb") as file:
            head = file.read(256)
            if not head.removeprefix(b"\xef\xbb\xbf").lstrip().startswith(b"{"):
                return None
            raw = head + file.read(_LARGEST_REPORT)
        return raw.decode("utf-8-sig")
    except (OSError, ValueError):
        return None  # whoever reads it as a plan says what is wrong


def _reported(path: Path, document: dict[str, Any], text: str) -> Reported:
    kept = document["reproduce"]
    plan = kept["plan"]
    paths = {tuple(entry["at"]): str(entry["means"]) for entry in plan["paths"]}
    documents = tuple(Path(entry["file"]) for entry in kept["inputs"] if entry["kind"] == "plan")
    written = WrittenPlan(Path(plan["source"]), documents, copy.deepcopy(plan["data"]), paths, document, path)
    parsed, problems = parse_text(*_piece(text, ("reproduce", "plan", "data"), path))
    start = _place_at(text, _position(text, ("reproduce", "plan", "data")), path)
    if parsed is None or not isinstance(parsed.data, dict):
        raise TypeError("no mapping")
    data, places = parsed.data, PlaceMap(_moved(parsed.places.root, start))
    for at, means in paths.items():
        _put(data, at, means)
    for at, kept_room in _changed_rooms(data, kept["inputs"]):
        _put(data, at, str(kept_room))
    moved = tuple(
        Problem(p.what, _shifted(p.place, start) if p.place else None, p.remedy, p.subject) for p in problems
    )
    return Reported(written, data, places, moved)


def _put(data: Any, at: KeyPath, value: str) -> None:
    """Replace the text at a key path; nothing where there is none any more."""
    for step in at[:-1]:
        data = data.get(step) if isinstance(data, dict) else None
    if isinstance(data, dict) and isinstance(data.get(at[-1]), str):
        data[at[-1]] = value


def _changed_rooms(data: dict[str, Any], inputs: list[dict[str, Any]]) -> Iterator[tuple[KeyPath, Path]]:
    """Rooms whose file is not what it was, each with a file that is."""
    texts = {entry["file"]: entry["text"] for entry in inputs if entry["kind"] == "room"}
    folder: Path | None = None
    for name, room in data.get("rooms", {}).items():
        synthetic = room.get("synthetic") if isinstance(room, dict) else None
        text = texts.get(synthetic)
        if not isinstance(text, str) or not isinstance(synthetic, str):
            continue
        file = room_file(Path(synthetic) if Path(synthetic).is_absolute() else synthetic)
        try:
            if file.read_bytes() == text.encode():
                continue
        except OSError:
            pass
        if folder is None:
            folder = Path(tempfile.mkdtemp(prefix="roomplan-rooms-"))
            atexit.register(shutil.rmtree, folder, ignore_errors=True)
        (folder / name).mkdir()
        kept = folder / name / file.name
        kept.write_bytes(text.encode())
        yield ("rooms", name, "synthetic"), kept


def _position(text: str, keys: tuple[str, ...]) -> int:
    """Index at which the value under nested keys of a JSON object begins."""
    decoder = json.JSONDecoder()

    def after_space(at: int) -> int:
        while text[at] in " \t\r\n":
            at += 1
        return at

    at = after_space(0)
    for wanted in keys:
        at = after_space(at + 1)  # behind the brace
        while True:
            key, at = decoder.raw_decode(text, at)
            at = after_space(after_space(at) + 1)  # behind the colon
            if key == wanted:
                break
            _value, at = decoder.raw_decode(text, at)
            at = after_space(after_space(at) + 1)  # behind the comma
    return at


def _piece(text: str, keys: tuple[str, ...], path: Path) -> tuple[str, Path]:
    start = _position(text, keys)
    _value, end = json.JSONDecoder().raw_decode(text, start)
    return text[start:end].replace("\r\n", "\n"), path


def _place_at(text: str, index: int, path: Path) -> Place:
    return Place(path, text.count("\n", 0, index) + 1, index - text.rfind("\n", 0, index))


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
