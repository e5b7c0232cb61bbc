"""The parser's complaints in the words of somebody who writes plans."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from roomplan.errors import Place, Problem

if TYPE_CHECKING:
    from pathlib import Path

    from ruamel.yaml.error import MarkedYAMLError

__all__ = ["syntax_problem"]

_NO_BREAK_SPACE = "\N{NO-BREAK SPACE}"
_BEGINS_EARLIER = re.compile(
    r"quoted scalar.*(?:end of stream|document separator)|flow (?:sequence|mapping)|simple key"
)

# What the parser says (a piece of it) → what is wrong, what would be right. The first match counts.
_WORDINGS = (
    (r"character '\\t'", "there is a tab where only spaces may be", "write spaces instead"),
    (
        r"mapping values are not allowed",
        "a second ': ' in one line, or a line indented too far",
        "quotes around a text with a colon; keys of one mapping in one column",
    ),
    (
        r"expected <block end>",
        "this does not line up with the lines above",
        "keys of one mapping in one column; quotes around a text with special characters",
    ),
    (r"could not find expected ':'", "a key without a colon", "`key: value`"),
    (r"could not find unexpected ':'", "a key without a colon", "`key: value`"),
    (r"while scanning a quoted scalar", "a quotation mark is never closed", "a quote at both ends"),
    (r"expected ',' or '\]'", "a list in brackets is never closed", "`[one, two]`"),
    (r"expected ',' or '\}'", "a mapping in braces is never closed", "`{key: value, key: value}`"),
    (
        r"while scanning an alias",
        "a text begins with *",
        'quotes around it, such as "*choir*"',
    ),
    (r"while scanning an anchor", "a text begins with &", "quotes around it"),
    (r"while scanning a (?:tag|directive)|undefined tag handle", "a tag or a directive", "plain values only"),
    (
        r"unknown escape character",
        "an unknown escape in a double-quoted text",
        "single quotes, or \\\\ for one \\",
    ),
    (
        r"cannot start any token",
        "a text begins with a character that has a meaning of its own",
        "quotes around the text",
    ),
)


def syntax_problem(error: MarkedYAMLError, text: str, file: Path) -> Problem:
    """Return a parser error as one line with a place and a remedy.

    Parameters
    ----------
    error : MarkedYAMLError
        What the parser raised.
    text : str
        The document, to look at the line in question.
    file : Path
        Its file.
    """
    mark = error.problem_mark or error.context_mark
    said = f"{error.context or ''} {error.problem or ''}".strip()
    # The writer must look for the opening bracket, quote or key, not for the spot where it was noticed.
    if error.context_mark is not None and _BEGINS_EARLIER.search(said):
        mark = error.context_mark
    place = Place(file, mark.line + 1, mark.column + 1) if mark is not None else Place(file, 1, 1)
    lines = text.split("\n")
    line = lines[place.line - 1] if place.line is not None and place.line <= len(lines) else ""
    if _NO_BREAK_SPACE in line:
        spot = Place(file, place.line, line.index(_NO_BREAK_SPACE) + 1)
        return Problem("not readable as YAML: a no-break space", spot, "an ordinary space instead")
    if re.match(r"[ ]*\t", line):
        return Problem(
            "not readable as YAML: there is a tab where only spaces may be", place, "write spaces instead"
        )
    for pattern, what, remedy in _WORDINGS:
        if re.search(pattern, said):
            return Problem(f"not readable as YAML: {what}", place, remedy)
    return Problem(
        f"not readable as YAML: {' '.join(said.split())[:120]}", place, "check indentation and quotes"
    )
