"""How values from a file are shown in a message: short, on one line, and visible."""

from __future__ import annotations

import re
from itertools import islice
from typing import TYPE_CHECKING

from roomplan.foreign_text import printable

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["decimal_comma", "describe", "key_shown", "listed", "number", "quoted"]

_DECIMAL_COMMA = re.compile(r"[-+\u2212]?[0-9]+(?::[0-9]+)*,[0-9]+")

# Long enough to recognise the text, short enough for one line of a terminal.
_LONGEST_QUOTE = 48
_LONGEST_KEY = 60
_MOST_LISTED = 12


def quoted(text: str) -> str:
    """Return a text in quotes, shortened, with everything unprintable escaped."""
    return printable(repr(_shortened(text)))


def key_shown(key: str) -> str:
    """Return a key as a message begins with it: bare, unless it is too long for that."""
    return key if len(key) <= _LONGEST_KEY else quoted(key)


def listed(names: Iterable[str]) -> str:
    """Return the first of some names, each once and shortened, for a message that says what there is."""
    first = [_shortened(name) for name in islice(dict.fromkeys(names), _MOST_LISTED + 1)]
    return ", ".join([*first[:_MOST_LISTED], *(["…"] if len(first) > _MOST_LISTED else [])])


def _shortened(text: str) -> str:
    return text if len(text) <= _LONGEST_QUOTE else text[: _LONGEST_QUOTE - 1] + "…"


def decimal_comma(text: str) -> str | None:
    """Say how a number or a time written with a decimal comma is to be written; None for any other text."""
    if not _DECIMAL_COMMA.fullmatch(text.strip()):
        return None
    return f"write {text.strip().replace(',', '.')}, with a point"


def describe(value: object) -> str:
    """Say what a value of a document is: `'loud' is text`, `is a list`; to follow a key and a colon."""
    if value is None:
        return "is empty"
    if isinstance(value, bool):
        return f"{'true' if value else 'false'} is a truth value"
    if isinstance(value, int | float):
        return f"{number(value)} is a number"
    if isinstance(value, str):
        return f"{quoted(value)} is text" if value else "is an empty text"
    if isinstance(value, dict):
        return "is a mapping"
    return "is a list"


def number(value: float) -> str:
    """Return a number as a person would write it: `12`, `0.5`, `1e+30`."""
    if isinstance(value, int) and abs(value) < 10**15:  # wider ones are shown rounded, in powers of ten
        return str(value)
    return f"{value:.12g}"
