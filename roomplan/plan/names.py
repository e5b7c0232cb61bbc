"""The names a plan gives its rooms, sections, groups, positions, alternates, passages and deliveries.

Notes
-----
Names become parts of bus names (`room:nave:rear`) and, made safe elsewhere, of file names. The characters
that separate such parts are not accepted in them.
"""

from __future__ import annotations

import unicodedata
from typing import TYPE_CHECKING

from roomplan.documents.wording import quoted
from roomplan.errors import Problem

if TYPE_CHECKING:
    from collections.abc import Iterable

    from roomplan.documents.places import KeyPath, PlaceMap
    from roomplan.errors import Place

__all__ = ["LONGEST_NAME", "NAME_PATTERN", "name_fault", "name_problems"]

LONGEST_NAME = 60
_SEPARATORS = ":/\\"
# For editors: no separators, no control characters, no space or dot at the edges.
NAME_PATTERN = r"^[^\s.:/\\\u0000-\u001f](?:[^:/\\\u0000-\u001f]*[^\s:/\\\u0000-\u001f])?$"


def name_fault(name: str) -> tuple[str, str] | None:
    """Return what is wrong with one name and what would be right, or None."""
    held = next((character for character in name if character in _SEPARATORS), None)
    if held is not None:
        return f"holds {quoted(held)}", "a name without : / \\"
    if any(unicodedata.category(character) in {"Cc", "Cf", "Zl", "Zp"} for character in name):
        return "holds an invisible character", "a name of printable characters"
    if name != name.strip():
        return "begins or ends with a space", "the name alone"
    if name.startswith("."):
        return "begins with a dot", "a name that begins with a letter or digit"
    if len(name) > LONGEST_NAME:
        return f"has {len(name)} characters", f"at most {LONGEST_NAME}"
    return None


def name_problems(kind: str, names: Iterable[str], path: KeyPath, places: PlaceMap) -> list[Problem]:
    """Return what is wrong with the names of one mapping: what they hold, and two that differ only in case.

    Parameters
    ----------
    kind : str
        What the names stand for, for the message.
    names : iterable of str
        The mapping's keys.
    path : tuple
        The mapping's own key path.
    places : PlaceMap
        Where they are.
    """
    problems: list[Problem] = []
    seen: dict[str, tuple[str, Place]] = {}
    for name in names:
        place = places.of((*path, name))
        fault = name_fault(name)
        if fault is not None:
            problems.append(Problem(f"the {kind} name {quoted(name)} {fault[0]}", place, fault[1]))
        plain = unicodedata.normalize("NFC", name).casefold()
        if plain in seen:
            problems.append(
                Problem(
                    f"the {kind} names {quoted(seen[plain][0])} and {quoted(name)} differ only in case",
                    place,
                    "names that stay distinct as file names",
                )
            )
        seen.setdefault(plain, (name, place))
    return problems
