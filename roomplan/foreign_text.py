r"""Words from outside (names of files, titles, keys), shown as what they are and as nothing else.

Conventions
-----------
A character that could steer a terminal, turn the reading order round, break a line or hide is written as an
escape, such as ``\x1b`` or ``\u202e``; all others stay as they are, spaces of every width among them.

Sources
-------
- Unicode Standard Annex 9: the characters that override, embed and isolate a direction.
- Unicode Standard Annex 44: general categories, and characters that are ignored where a font lacks them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING
from unicodedata import category, east_asian_width

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["is_safe_to_show", "printable", "printable_lines"]

# Drawn as nothing, though letters, marks or symbols: grapheme joiner, fillers, inherent vowels, selectors.
_UNSEEN = frozenset("\u034f\u115f\u1160\u17b4\u17b5\u180b\u180c\u180d\u180f\u2800\u3164\uffa0")
_JOINERS = frozenset("\u200c\u200d")  # non-joiner and joiner
_SKIN_TONES = frozenset("\U0001f3fb\U0001f3fc\U0001f3fd\U0001f3fe\U0001f3ff")
_SHORT = {"\n": r"\n", "\r": r"\r", "\t": r"\t"}


def is_safe_to_show(letter: str) -> bool:
    """Whether one character is drawn in its own place, or is a space."""
    return (letter.isprintable() and letter not in _UNSEEN) or category(letter) == "Zs"


def printable(text: Path | str) -> str:
    """Words on one line; applied twice it changes nothing.

    Parameters
    ----------
    text : Path or str
        A name, or a whole sentence that holds one.

    Notes
    -----
    A joiner stays where it shapes what it is between: emoji, or letters of a script without case.
    """
    words = str(text)
    if words.isprintable() and _UNSEEN.isdisjoint(words):
        return words
    return "".join(
        letter if is_safe_to_show(letter) or _shapes(words, at) else _escaped(letter)
        for at, letter in enumerate(words)
    )


def printable_lines(text: str) -> str:
    """Words whose line feeds are our own: every line as `printable` shows it."""
    return "\n".join(printable(line) for line in text.split("\n"))


def _shapes(words: str, at: int) -> bool:
    """Whether a joiner at a place has something to join."""
    if words[at] not in _JOINERS or not 0 < at < len(words) - 1:
        return False
    # behind a letter may be its vowel signs, behind an emoji its selector; never many
    near = reversed(words[max(0, at - 4) : at])
    before = next((letter for letter in near if category(letter) != "Mn"), None)
    return before is not None and _is_shaped(before) and _is_shaped(words[at + 1])


def _is_shaped(letter: str) -> bool:
    if category(letter) == "Lo":  # ideographs and syllables are wide, and never joined
        return east_asian_width(letter) not in {"W", "F"} and letter not in _UNSEEN
    return category(letter) in {"Mc", "So"} or letter in _SKIN_TONES


def _escaped(letter: str) -> str:
    code = ord(letter)
    if letter in _SHORT:
        return _SHORT[letter]
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"
