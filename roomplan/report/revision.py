"""What a render changed against an earlier one of the same cue: the round trip of a revision, in a few lines.

Conventions
-----------
Works on reports, as `comparison` does. What moves by less than 0.05 dB is not reported: a table of tenths
would not show it.
"""

from __future__ import annotations

import math
from collections import Counter
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Any

from roomplan.plan.bus_name import BusName
from roomplan.report.comparison import differences_of_bus, plan_changes

if TYPE_CHECKING:
    from collections.abc import Mapping

    from roomplan.report.documents import Document

__all__ = ["all_the_same", "comparable", "revision_document", "revision_lines", "same_samples"]

_LEAST_DB = 0.05
_LEAST_S = 0.005
_MOST_LINES = 12


def comparable(before: Mapping[str, Any], after: Mapping[str, Any]) -> bool:
    """Whether two reports are of one cue, and of the same part of it."""
    if before.get("excerpt") != after.get("excerpt"):
        return False
    ours, theirs = before.get("cue"), after.get("cue")
    if ours is not None and theirs is not None:
        return ours == theirs
    return any(before.get(key) == after.get(key) for key in ("plan", "title"))


def same_samples(before: Mapping[str, Any], after: Mapping[str, Any]) -> tuple[int, int]:
    """How many files hold the same samples in two renders, and how many both have."""
    ours, theirs = _digests(before), _digests(after)
    same = both = 0
    for key in ours.keys() & theirs.keys():
        both += min(len(ours[key]), len(theirs[key]))
        alike = Counter(ours[key]) & Counter(theirs[key])
        same += alike.total() - alike[None]
    return same, both


def _digests(document: Mapping[str, Any]) -> dict[tuple[Any, ...], list[str | None]]:
    """Digests of the files of each delivery, bus and name: one bus may be in several families."""
    found: dict[tuple[Any, ...], list[str | None]] = {}
    for entry in document.get("files", ()):
        key = entry.get("delivery"), entry.get("bus"), PurePosixPath(entry["file"]).name
        found.setdefault(key, []).append(entry.get("samples_sha256"))
    return found


def all_the_same(before: Mapping[str, Any], after: Mapping[str, Any]) -> bool:
    """Tell whether two renders hold the same files with the same samples."""
    same, _ = same_samples(before, after)
    return 0 < same == len(before["files"]) == len(after["files"])


def revision_document(before: Mapping[str, Any], after: Mapping[str, Any]) -> Document:
    """What a render changed against an earlier one: `changes` of the plan, `differences` of every bus.

    `same_samples` is true where both have the same files and each holds the same samples.
    """
    buses = {bus["name"]: bus for bus in before["buses"]}
    return {
        "version": before.get("version"),
        "changes": plan_changes(before, after),
        "same_samples": all_the_same(before, after),
        "differences": [
            {"bus": bus["name"]} | differences_of_bus(buses[bus["name"]], bus)
            for bus in after["buses"]
            if bus["name"] in buses
        ],
    }


def revision_lines(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[str]:
    """What a render changed against an earlier one, in a few lines: the plan first, then the figures.

    Of the buses the mix, the groups, the alternates and the sections are looked at, not their wet and dry
    sides. Empty where nothing has changed at all: see `all_the_same`.
    """
    lines = _fewest(plan_changes(before, after), "changes of the plan")
    ours, theirs = {bus["name"]: bus for bus in before["buses"]}, {bus["name"]: bus for bus in after["buses"]}
    length, now = before.get("duration_s") or 0.0, after.get("duration_s") or 0.0
    if not math.isclose(length, now, abs_tol=_LEAST_S):
        lines.append(f"duration: {length:.2f} → {now:.2f} s")
    asked = [name for name in theirs if name == "mix"]
    asked += [name for kind in ("group", "alternate", "section") for name in theirs if _is_whole(name, kind)]
    moved = []
    for name in asked:
        if name not in ours:
            continue
        parts = [
            part
            for path, unit in _TOLD.items()
            if (part := _moved(_at(ours[name], path), _at(theirs[name], path), unit)) is not None
        ]
        if parts:
            moved.append(f"{name.removeprefix('section:')}: {', '.join(parts)}")
    lines += _fewest(moved, "buses")
    if lines or all_the_same(before, after):
        return lines
    return ["every figure within 0.1 of the earlier render"]


_TOLD = {
    ("loudness", "integrated_lufs"): "LUFS",
    ("loudness", "loudness_range_lu"): "LU of loudness range",
    ("loudness", "true_peak_dbtp"): "dBTP",
    ("wet_to_dry_db",): "dB wet/dry",
}


def _is_whole(name: str, kind: str) -> bool:
    bus = BusName(name)
    return bus.kind == kind and not bus.part


def _moved(before: float | None, after: float | None, unit: str) -> str | None:
    """A figure before and after; None when it has hardly moved."""
    if before is None or after is None:
        if before is after:
            return None
        told = ["none" if value is None else f"{value:.1f}" for value in (before, after)]
    elif abs(after - before) < _LEAST_DB:
        return None
    else:
        told = [f"{before:.1f}", f"{after:.1f} ({after - before:+.1f})"]
    return f"{' → '.join(told)} {unit}".replace("-", "−")


def _fewest(lines: list[str], what: str) -> list[str]:
    """At most a dozen lines, and how many more there are."""
    more = len(lines) - _MOST_LINES
    return lines if more <= 0 else [*lines[:_MOST_LINES], f"and {more} more {what}"]


def _at(bus: Mapping[str, Any], path: tuple[str, ...]) -> float | None:
    value: Any = bus
    for key in path:
        value = value.get(key) if isinstance(value, dict) else None
    return value if isinstance(value, int | float) else None
