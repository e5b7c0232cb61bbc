"""Values as text for a YAML document, in the style of what was there before.

Conventions
-----------
Text without line ends. What is written reads back as the very value under the rules of
`roomplan.documents.scalars`.
"""

from __future__ import annotations

import json
import math
import re
from decimal import Decimal
from typing import Any

from roomplan.documents.scalars import forbidden_character, plain_value
from roomplan.documents.wording import quoted
from roomplan.errors import RoomplanError
from roomplan.frozen_classes import frozen_class

__all__ = [
    "LONGEST_LINE",
    "AsWritten",
    "block_entry",
    "block_lines",
    "flow_text",
    "plain_data",
    "scalar_text",
]

LONGEST_LINE = 100  # columns of a mapping in braces; longer ones get a line for each key

_SAFE_WORD = re.compile(r"\w(?:[\w ./+-]*[\w./+-])?")
_WITH_POINT = re.compile(r"[-+\u2212]?[0-9]*\.([0-9]*)")
_MOST_PLACES = 17  # beyond these a number is written with a power of ten


@frozen_class
class AsWritten:
    """A single value that is copied as it is spelt."""

    text: str


def plain_data(value: Any) -> Any:
    """Return a value as plain data: dicts, lists, texts, numbers, truth values and None.

    Raises
    ------
    RoomplanError
        A number is not finite, or a text holds a character that no document may hold.
    TypeError
        It is something else.
    """
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, str):
        if (at := forbidden_character(value)) is not None:
            what = f"the text {quoted(value)} holds the character U+{ord(value[at]):04X}"
            raise RoomplanError(what, remedy="printable characters only")
        return str(value)
    if isinstance(value, int):
        return int(value)
    if isinstance(value, float):
        if not math.isfinite(value):
            raise RoomplanError(f"{float(value)} cannot be written in a plan", remedy="a finite number")
        return float(value)
    if isinstance(value, dict):
        return {str(plain_data(key)): plain_data(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain_data(item) for item in value]
    raise TypeError(f"no document holds a {type(value).__name__}")


def scalar_text(value: Any, like: str = "") -> str:
    """Return a single value as text.

    Parameters
    ----------
    value : None, bool, int, float or str
        The value.
    like : str
        What was there before: a number takes over its plus, its kind of minus and at least its decimals, a
        text its quotes.
    """
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return _number_text(value, like)
    if not like.startswith(("'", '"')) and _is_safe(value):
        return value
    if like.startswith("'") and "\n" not in value and "\t" not in value:
        return "'" + value.replace("'", "''") + "'"
    return json.dumps(value, ensure_ascii=False)


def _is_safe(text: str) -> bool:
    """Tell whether a text may be written without quotes, in braces too."""
    return _SAFE_WORD.fullmatch(text) is not None and plain_value(text) == text


def _number_text(value: float, like: str) -> str:
    exact = Decimal(repr(value))
    text = format(exact, "f")
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    if len(text) > _MOST_PLACES + 2:
        return repr(value)
    if text == "-0":
        text = "0"
    found = _WITH_POINT.fullmatch(like)
    if found is not None:
        whole, _, decimals = text.partition(".")
        text = f"{whole}.{decimals.ljust(len(found[1]), '0')}".rstrip(".")
    if like.startswith("+") and value > 0:
        text = "+" + text
    if like.startswith("\N{MINUS SIGN}") and value < 0:
        text = text.replace("-", "\N{MINUS SIGN}", 1)
    return text


def flow_text(value: Any) -> str:
    """Return a value on one line, mappings and lists in braces and brackets.

    Parameters
    ----------
    value : plain data
        With `AsWritten` among its single values where their spelling is kept.
    """
    if isinstance(value, AsWritten):
        return value.text
    if isinstance(value, dict):
        pairs = (f"{scalar_text(name)}: {flow_text(item)}" for name, item in value.items())
        return "{" + ", ".join(pairs) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(flow_text(item) for item in value) + "]"
    return scalar_text(value)


def block_lines(value: Any, column: int, step: int) -> list[str]:
    """Return a mapping or list as lines, a key or an entry each.

    Parameters
    ----------
    value : dict or list
        Not empty.
    column : int
        The column of the keys or dashes, from 0.
    step : int
        By how much what is below a key is indented.
    """
    indent = " " * column
    if isinstance(value, list):
        return [f"{indent}- {flow_text(item)}" for item in value]
    lines: list[str] = []
    for name, item in value.items():
        lines += block_entry(name, item, column, step)
    return lines


def block_entry(name: str, value: Any, column: int, step: int) -> list[str]:
    """Return a key and its value as lines: one if the value is short, else a line for each part of it."""
    line = f"{' ' * column}{scalar_text(name)}: {flow_text(value)}"
    if len(line) <= LONGEST_LINE or not value or not isinstance(value, dict | list):
        return [line]
    return [f"{' ' * column}{scalar_text(name)}:", *block_lines(value, column + step, step)]
