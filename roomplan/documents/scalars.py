"""What an unquoted word of a document means: nothing, true or false, a number, or text.

Conventions
-----------
The core schema of YAML 1.2 with one way to write each value: decimal numbers with a point, `true` and
`false` in lower case. Everything else is text, and whoever wants a number says so (`1_000`, `0x1F`, `1:30`
and `yes` are text). A minus sign as typographers set it (U+2212) counts as a minus. Numbers that are not
finite and dates are refused rather than read as something their writer did not mean.

Sources: YAML 1.2.2, section 10.3.2 (core schema).
"""

from __future__ import annotations

import math
import re

from roomplan.documents.wording import quoted
from roomplan.frozen_classes import frozen_class

__all__ = ["Refusal", "forbidden_character", "plain_value"]

_NULLS = frozenset({"", "~", "null", "Null", "NULL"})
_INTEGER = re.compile(r"[-+]?[0-9]+")
_DECIMAL = re.compile(r"[-+]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][-+]?[0-9]+)?")
_NOT_FINITE = re.compile(r"[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN)")
_DATE = re.compile(r"[0-9]{4}-[0-9]{1,2}-[0-9]{1,2}(?:(?:[Tt]|[ \t]+)[0-9]{1,2}:[0-9]{2}.*)?", re.DOTALL)
# The largest double is 1.8e308: up to 308 digits convert, longer whole numbers are judged as decimals.
_MOST_DIGITS = 308

# C0 and C1 controls except tab and line feed, surrogates, line and paragraph separators, the byte order
# mark and the non-characters at the end of the basic plane: nothing of these is text a person typed.
_FORBIDDEN = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff\ufeff\ufffe\uffff]")


@frozen_class
class Refusal:
    """A word that is not accepted: what is wrong with it and what would be right."""

    what: str
    remedy: str


def forbidden_character(text: str) -> int | None:
    """Return the index of the first character that no document may hold, or None."""
    found = _FORBIDDEN.search(text)
    return None if found is None else found.start()


def plain_value(text: str) -> str | float | bool | Refusal | None:
    """Return the value of an unquoted word.

    Parameters
    ----------
    text : str
        The word as the parser delivers it, without surrounding space.

    Returns
    -------
    str, int, float, bool or None
        The value.
    Refusal
        When the word is a date or a number without a finite value.
    """
    if text in _NULLS:
        return None
    if text in {"true", "false"}:
        return text == "true"
    digits = "-" + text[1:] if text.startswith("\N{MINUS SIGN}") else text
    if _INTEGER.fullmatch(digits) and len(digits) <= _MOST_DIGITS:
        return int(digits)
    if _DECIMAL.fullmatch(digits):
        value = float(digits)
        if math.isfinite(value):
            return value
        return Refusal(f"{quoted(text)} is too large for a number", "a finite number")
    if _NOT_FINITE.fullmatch(digits):
        return Refusal(f"{quoted(text)} is not a finite number", "a finite number, or quotes around a text")
    if _DATE.fullmatch(text):
        return Refusal(f"{quoted(text)} is a date, which no value here is", "quotes around a text")
    return text
