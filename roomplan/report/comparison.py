"""Plans side by side: what differs in what they say, and in what comes of it.

Conventions
-----------
Works on the documents of `documents` (those of plans just measured, and `report.json` of rendered folders
alike), so a comparison says what the reports say. The first document is the reference; a difference is the
other minus the first. Steps are just-noticeable ones of ISO 3382-1:2009, Table A.1: EDT 5 %, C80 1 dB; decay
times are compared by their ratio, so that exchanging the plans only changes the sign. A folder that holds
rendered folders, one for each cue, is compared cue by cue.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from roomplan._version import __version__
from roomplan.cautions import LEVELS, MUSIC_ONLY
from roomplan.errors import RoomplanError
from roomplan.files.real_path import real_path
from roomplan.frozen_classes import frozen_class
from roomplan.report.csv_rows import csv_text
from roomplan.report_file import REPORT_NAME

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from roomplan.report.documents import Document

__all__ = [
    "COMPARE_MANY_SCHEMA",
    "COMPARE_SCHEMA",
    "Compared",
    "ComparedCue",
    "compare_csv",
    "compare_document",
    "compare_many_document",
    "differences_of_bus",
    "figure_of_bus",
    "labels_of",
    "plan_changes",
    "rendered_cues",
]

COMPARE_SCHEMA = "roomplan.compare/3"
COMPARE_MANY_SCHEMA = "roomplan.compare_many/3"

_LEVELS = {
    "integrated_lu": ("loudness", "integrated_lufs"),
    "momentary_max_lu": ("loudness", "momentary_max_lufs"),
    "short_term_max_lu": ("loudness", "short_term_max_lufs"),
    "loudness_range_lu": ("loudness", "loudness_range_lu"),
    "true_peak_db": ("loudness", "true_peak_dbtp"),
    "sample_peak_db": ("loudness", "sample_peak_dbfs"),
    "wet_to_dry_db": ("wet_to_dry_db",),
    "decay_to_minus_40_s": ("decay_to_minus_40_s",),
    "late_correlation": ("late_correlation",),
    "edt_s": ("decay", "mid", "edt_s"),
    "t30_s": ("decay", "mid", "t30_s"),
    "c80_db": ("decay", "mid", "c80_db"),
    "d50": ("decay", "mid", "d50"),
}
_STEP_OF_A_TIME = math.log(1.05)  # ISO 3382-1:2009, Table A.1: EDT 5 %
_STEP_OF_CLARITY_DB = 1.0  # the same: C80 1 dB
_DEEPEST = 3  # folders between the one named and those that were rendered into


@frozen_class
class Compared:
    """One plan or rendered folder: its name, its document, and how the figures were obtained."""

    label: str
    document: Document
    answered_from: str  # "sound", "matrix" (of an earlier pass) or "report"


@frozen_class
class ComparedCue:
    """One cue in several versions; a version that lacks it has None in its place."""

    name: str
    versions: tuple[Compared | None, ...]


def rendered_cues(folder: Path) -> dict[str, Path]:
    """Rendered folders within a folder that was not rendered into itself, by their names in it.

    Empty when the folder has a report of its own, or none is found three folders deep.
    """
    found: dict[str, Path] = {}

    def look(into: Path, depth: int) -> None:
        if (into / REPORT_NAME).is_file():
            if into != folder:
                found[into.relative_to(folder).as_posix()] = into
            return
        if depth == 0:
            return
        for inner in sorted(into.iterdir()):
            if inner.is_dir() and not inner.is_symlink() and not inner.name.startswith("."):
                look(inner, depth - 1)

    try:
        look(folder, _DEEPEST)
    except OSError as error:
        raise RoomplanError(f"{folder}: {error.strerror or error}", remedy="allow reading it") from error
    return found


def labels_of(places: Sequence[Path]) -> list[str]:
    """Shortest names that tell plans and folders apart.

    Returns
    -------
    list of str
        The names, with their folders where those alone tell them apart, else the whole paths. What is named
        twice is numbered: "plan", "plan (2)". No two are alike.
    """
    different = list(dict.fromkeys(places))
    names: dict[Path, str] = {}
    for name in (lambda p: p.stem, lambda p: f"{real_path(p).parent.name}/{p.stem}", str):
        names = {place: name(place) for place in different}
        if len(set(names.values())) == len(different):
            break
    labels: list[str] = []
    taken = set(names.values())
    for place in places:
        label, number = names[place], 1
        while label in labels or (number > 1 and label in taken):
            number += 1
            label = f"{names[place]} ({number})"
        labels.append(label)
    return labels


def plan_changes(first: Mapping[str, Any], other: Mapping[str, Any]) -> list[str]:
    """What the other plan says differently, one line each: sends, levels, mutes, rooms."""
    lines = [
        f"{_WORDS[key]}: {_shown(first.get(key), unit)} → {_shown(other.get(key), unit)}"
        for key, unit in (("sample_rate", "Hz"), ("trim_db", "dB"))
        if first.get(key) != other.get(key)
    ]
    lines += _changes("room", _by_name(first["rooms"]), _by_name(other["rooms"]), _ROOM)
    lines += _changes("section", _by_name(first["sections"]), _by_name(other["sections"]), _SECTION)
    before, after = _by_name(first["sections"]), _by_name(other["sections"])
    for name in (name for name in before if name in after):
        ours, theirs = _sends(before[name]), _sends(after[name])
        for way in dict.fromkeys([*ours, *theirs]):
            several = sum(other[0] == way[0] for other in {*ours, *theirs}) > 1
            arrow = f"{name} → {way[0]}" + (f" ({way[1]})" if several else "")
            if way not in theirs:
                lines.append(f"send {arrow}: gone")
            elif way not in ours:
                lines.append(f"send {arrow}: new, {_shown(theirs[way].get('level_db'), 'dB')}")
            else:
                lines += _said(f"send {arrow}", ours[way], theirs[way], _SEND)
    return lines


_WORDS = {"sample_rate": "sample rate", "trim_db": "trim"}
_ROOM = (
    ("source", "response", ""),
    ("level_db", "return", "dB"),
    ("muted", "muted", ""),
    ("width", "width", "%"),
    ("normalise", "normalise", ""),
    ("direct", "direct sound", ""),
    ("decay_scale", "decay scale", ""),
    ("reverberation_time_s", "reverberation time", "s"),
)
_SECTION = (
    ("level_db", "level", "dB"),
    ("dry_db", "dry", "dB"),
    ("muted", "muted", ""),
    ("group", "group", ""),
    ("stems", "stems", ""),
    ("delay_ms", "delay", "ms"),
    ("pan", "pan", ""),
    ("width", "width", "%"),
    ("seat", "seat", ""),
    ("source", "source", ""),
)
_BEFORE_IT = {"source": "even"}  # what a key would have been in reports that are older than it
_SEND = (
    ("level_db", "level", "dB"),
    ("wiring", "wiring", ""),
    ("pre_delay_ms", "pre-delay", "ms"),
    ("low_cut_hz", "low cut", "Hz"),
    ("high_cut_hz", "high cut", "Hz"),
)


def _by_name(entries: Sequence[Mapping[str, Any]]) -> dict[str, Mapping[str, Any]]:
    return {str(entry["name"]): entry for entry in entries}


def _sends(section: Mapping[str, Any]) -> dict[tuple[str, str], Mapping[str, Any]]:
    return {(str(send["room"]), str(send["position"])): send for send in section["sends"]}


def _changes(
    kind: str,
    before: Mapping[str, Mapping[str, Any]],
    after: Mapping[str, Mapping[str, Any]],
    keys: Sequence[tuple[str, str, str]],
) -> list[str]:
    lines = []
    for name in dict.fromkeys([*before, *after]):
        if name not in after:
            lines.append(f"{kind} {name}: gone")
        elif name not in before:
            lines.append(f"{kind} {name}: new")
        else:
            lines += _said(f"{kind} {name}", before[name], after[name], keys)
    return lines


def _said(
    what: str, before: Mapping[str, Any], after: Mapping[str, Any], keys: Sequence[tuple[str, str, str]]
) -> list[str]:
    """What is said differently of one thing."""
    pairs = [
        (words, unit, before.get(key, _BEFORE_IT.get(key)), after.get(key, _BEFORE_IT.get(key)))
        for key, words, unit in keys
    ]
    return [
        f"{what}: {words} {_shown(old, unit)} → {_shown(new, unit)}"
        for words, unit, old, new in pairs
        if old != new
    ]


def _shown(value: Any, unit: str) -> str:
    if value is None:
        return "none" if unit != "dB" else "off"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        text = f"{value:+.1f}" if unit == "dB" else f"{value:g}"
        return f"{text} {unit}".strip().replace("-", "−")
    if isinstance(value, list):
        return ", ".join(str(item) for item in value)
    return str(value)


def differences_of_bus(first: Mapping[str, Any], other: Mapping[str, Any]) -> Document:
    """Figures of a bus in the other plan minus those in the first, audible ones in steps too."""
    entry: Document = {}
    for key in _LEVELS:
        ours, theirs = figure_of_bus(first, key), figure_of_bus(other, key)
        entry[key] = None if ours is None or theirs is None else round(theirs - ours, 4)
    for key in ("edt", "t30"):
        ours, theirs = (figure_of_bus(bus, f"{key}_s") for bus in (first, other))
        entry[f"{key}_steps"] = (
            round(math.log(theirs / ours) / _STEP_OF_A_TIME, 2) if ours and theirs else None
        )
    clarity: float | None = entry["c80_db"]
    entry["c80_steps"] = None if clarity is None else round(clarity / _STEP_OF_CLARITY_DB, 2)
    return entry


def figure_of_bus(bus: Mapping[str, Any], difference: str) -> Any:
    """Figure of a bus of a document, by the key that its difference has; None where there is none."""
    value: Any = bus
    for key in _LEVELS[difference]:
        value = value.get(key) if isinstance(value, dict) else None
    return value


def compare_document(compared: Sequence[Compared], *, passages: bool) -> Document:
    """Several plans (`roomplan.compare/3`): their buses and margins, and the differences to the first.

    `passages` adds the loudness of every bus within every passage. The excerpt that was rendered, targets and
    the course of loudness are there where a document has them.
    """
    first = compared[0].document
    buses = _by_name(first["buses"])
    plans = []
    for one in compared:
        document = one.document
        entry: Document = {
            "plan": one.label,
            "title": document.get("title"),
            "answered_from": one.answered_from,
            "changes": plan_changes(first, document) if document is not first else [],
            "buses": document["buses"],
            "margins": document.get("margins", []),
        }
        if passages:
            entry["passages"] = document.get("passages", [])
        entry |= {key: document[key] for key in ("excerpt", "targets", "course") if document.get(key)}
        plans.append(entry)
    return {
        "schema": COMPARE_SCHEMA,
        "roomplan": __version__,
        "plans": plans,
        "differences": [
            {"plan": one.label, "bus": bus["name"]} | differences_of_bus(buses[bus["name"]], bus)
            for one in compared[1:]
            for bus in one.document["buses"]
            if bus["name"] in buses
        ],
        "note": MUSIC_ONLY,
        "hearing_note": LEVELS,
    }


def compare_many_document(cues: Sequence[ComparedCue], *, passages: bool) -> Document:
    """Several cues in several versions (`roomplan.compare_many/3`), each compared like plans."""
    entries = []
    for cue in cues:
        there = [one for one in cue.versions if one is not None]
        parts = compare_document(there, passages=passages)
        entries.append({"cue": cue.name} | {key: parts[key] for key in ("plans", "differences")})
    return {
        "schema": COMPARE_MANY_SCHEMA,
        "roomplan": __version__,
        "cues": entries,
        "note": MUSIC_ONLY,
        "hearing_note": LEVELS,
    }


def compare_csv(cues: Sequence[ComparedCue]) -> str:
    """Rows for a spreadsheet, one for each bus of each plan: its figures, then what differs from the first.

    Columns that begin with `change_` hold the figure minus that of the first plan which has the cue; they
    are empty in its own rows. A figure that does not exist is empty.
    """
    steps = ("edt_steps", "t30_steps", "c80_steps")
    changes = [*_LEVELS, *steps]
    figures = [path[-1] for path in _LEVELS.values()]
    heading = ["cue", "plan", "bus", *figures, *(f"change_{key}" for key in changes)]
    rows: list[Sequence[str | float | None]] = [heading]
    for cue in cues:
        there = [one for one in cue.versions if one is not None]
        first = _by_name(there[0].document["buses"])
        for number, one in enumerate(there):
            for bus in one.document["buses"]:
                known = number > 0 and bus["name"] in first
                found = differences_of_bus(first[bus["name"]], bus) if known else {}
                row = [cue.name, one.label, bus["name"], *(figure_of_bus(bus, key) for key in _LEVELS)]
                rows.append([*row, *(found.get(key) for key in changes)])
    return csv_text(rows)
