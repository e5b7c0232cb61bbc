"""What a file is taken for: the names of the table in its name, and which of their meanings is meant.

Conventions
-----------
A word with one meaning decides by itself; one with several is decided by the family named beside it, else by
what else lies in the folder (Bass is the choir's beside Soprano, Alto and Tenor, the strings' beside
Violins), else it is not sure. A name of a family gives way to an instrument of it. No sound is looked at.

Sources
-------
Orchestration practice, from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from .instruments import instrument_table, instruments_by_name
from .names import LONGEST_PHRASE, fold, word_forms, word_set

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from .names import Token

__all__ = ["Found", "Hit", "decide", "find_hits", "voice_letters"]

_SOLO = frozenset({"solo", "soli", "soliste", "solist", "solista", "sólo"})
_ROMAN = {"i": 1, "ii": 2, "iii": 3, "iv": 4}
_COUNTED = {"one": 1, "two": 2, "primi": 1, "secondi": 2, "primo": 1, "secondo": 2}
_SATB = {"s": "sopranos", "a": "altos", "t": "tenors", "b": "choir_basses"}
_SIZES = word_set(
    "bass basse basso alto alt tenor tenore soprano sopran baritone bariton bari bar piccolo picc"
)


@dataclass(frozen=True, slots=True)
class Hit:
    """A name that was found in a file's name.

    Attributes
    ----------
    readings : tuple of str
        Section it means; several, likeliest first, where the word has several meanings.
    general : bool
        It names a whole family.
    first, last : int
        Tokens it covers, the last one included; a part number is one of them.
    part : int or None
        First, second … of several.
    word : str
        As it was found, for the reason.
    """

    readings: tuple[str, ...]
    general: bool
    first: int
    last: int
    part: int | None
    word: str


@dataclass(frozen=True, slots=True)
class Found:
    """What a file is taken for.

    Attributes
    ----------
    section : str
        Key of the table; `solo_…` is made by the proposal.
    first, last : int
        Tokens that say so.
    why : str
        In a few words.
    alternative : str or None
        What it could be instead.
    """

    section: str
    solo: bool
    first: int
    last: int
    sure: bool
    why: str
    alternative: str | None = None


@cache
def _phrases() -> dict[tuple[str, ...], tuple[tuple[str, ...], bool]]:
    """Phrase → its readings, and whether it names a family."""
    found: dict[tuple[str, ...], tuple[tuple[str, ...], bool]] = {}
    table = instrument_table()
    for instrument in table.instruments:
        for phrase in instrument.names:
            for form in _forms(phrase):
                found.setdefault(form, ((instrument.name,), instrument.general))
    for one in table.ambiguities:
        for phrase in one.names:
            for form in _forms(phrase):
                found[form] = (tuple(name for name, _speaks in one.readings), False)
    return found


def _forms(phrase: str) -> set[tuple[str, ...]]:
    """Ways a phrase is written: each word with or without accents, the words apart or together."""
    ways: set[tuple[str, ...]] = {()}
    for word in phrase.split():
        ways = {(*way, form) for way in ways for form in word_forms(word)}
    return ways | {("".join(way),) for way in ways if len("".join(way)) >= 4}


def find_hits(tokens: Sequence[Token]) -> list[Hit]:
    """Every name of the table in a row of tokens, the longest first at each place, each with its part."""
    phrases = _phrases()
    hits: list[Hit] = []
    at = 0
    while at < len(tokens):
        for length in range(min(LONGEST_PHRASE, len(tokens) - at), 0, -1):
            words = tuple(token.text for token in tokens[at : at + length])
            known = phrases.get(words)
            if known is not None and not (length == 1 and words[0] in _SOLO):
                last, part = _part_after(tokens, at + length)
                first = at
                if (
                    part is None
                    and at > 0
                    and tokens[at - 1].is_number
                    and (not hits or hits[-1].last < at - 1)
                ):
                    part, first = int(tokens[at - 1].text), at - 1
                hits.append(Hit(known[0], known[1], first, last, part, " ".join(words)))
                at = last + 1
                break
        else:
            at += 1
    return hits


def _part_after(tokens: Sequence[Token], at: int) -> tuple[int, int | None]:
    """Last token of a name that ends before `at`, and the part that is behind it."""
    if at < len(tokens):
        text = tokens[at].text
        if tokens[at].is_number and len(text) <= 2:
            return at, int(text)
        for known in (_ROMAN, _COUNTED):
            if text in known:
                return at, known[text]
    return at - 1, None


def decide(
    hits: Sequence[Hit], tokens: Sequence[Token], beside: Sequence[Hit], present: Collection[str]
) -> Found | None:
    """Choose what a file is.

    Parameters
    ----------
    hits : sequence of Hit
        Found in its own part of the name.
    tokens : sequence of Token
        That part.
    beside : sequence of Hit
        Found in what the whole folder shares: helps to choose between meanings, never names.
    present : collection of str
        Sections that other files of the folder are for sure.

    Returns
    -------
    Found or None
        None when nothing was found.
    """
    if not hits:
        return None
    table = instruments_by_name()
    families = {table[hit.readings[0]].family for hit in (*hits, *beside) if len(hit.readings) == 1}
    chosen: list[tuple[Hit, str, bool, str | None]] = []
    for hit in hits:
        name, sure, alternative = _reading_of(hit, families, present)
        chosen.append((hit, name, sure, alternative))
    plain = {table[h.readings[0]].family for h in hits if len(h.readings) == 1 and not h.general}
    kept = [
        one
        for index, one in enumerate(chosen)
        # a voice or a size before another instrument belongs to it: Bass Clarinet, Tenor Sax, Alto Flute
        if not (index + 1 < len(chosen) and _is_size(one[0]) and _modifies(one, chosen[index + 1]))
        # and a word of two meanings says nothing beside a plain name of another family: Violins alt
        and not (len(one[0].readings) > 1 and plain and table[one[1]].family not in plain)
    ] or chosen
    specific = [one for one in kept if not one[0].general]
    hit, name, sure, alternative = (specific or kept)[0]
    others = [other for _hit, other, _sure, _alternative in specific if other != name]
    # Horns in the name of a choir: one of the two words means something else here
    broader = [other for one, other, _sure, _alternative in kept if one.general]
    if all(table[other].family != table[name].family for other in broader):
        others += broader
    if others and alternative is None:
        sure, alternative = False, others[0]
    instrument = table[name]
    if instrument.parts and hit.part is not None and 1 <= hit.part <= len(instrument.parts):
        name = instrument.parts[hit.part - 1]
    words = {token.text for token in tokens}
    solo = bool(words & {fold(word) for word in _SOLO}) and not instrument.general and name != "voice"
    return Found(name, solo, hit.first, hit.last, sure, f"“{hit.word}”", alternative)


def _reading_of(
    hit: Hit, families: Collection[str], present: Collection[str]
) -> tuple[str, bool, str | None]:
    """Meaning of a word, whether it is sure, and the next one."""
    if len(hit.readings) == 1:
        return hit.readings[0], True, None
    table = instruments_by_name()
    by_family = [name for name in hit.readings if table[name].family in families]
    if by_family:
        return by_family[0], len(by_family) == 1, None if len(by_family) == 1 else by_family[1]
    speaks = {
        name: speaks
        for one in instrument_table().ambiguities
        if tuple(reading for reading, _s in one.readings) == hit.readings
        for name, speaks in one.readings
    }
    spoken_for = [name for name in hit.readings if speaks[name] & set(present)]
    # Contrabasses are there already, and a choir: then Bass is the choir's
    spoken_for = [name for name in spoken_for if name not in present] or spoken_for
    if len(spoken_for) == 1:
        return spoken_for[0], True, None
    ranked = spoken_for or [*hit.readings]
    if not spoken_for and "basses" in ranked:
        ranked.sort(key=lambda name: name != "basses")
    return ranked[0], False, next((name for name in ranked if name != ranked[0]), None)


def _is_size(hit: Hit) -> bool:
    return hit.word in _SIZES


def _modifies(one: tuple[Hit, str, bool, str | None], following: tuple[Hit, str, bool, str | None]) -> bool:
    """Whether a size is directly before an instrument that it is no part of."""
    table = instruments_by_name()
    return one[0].last + 1 == following[0].first and table[one[1]].family != table[following[1]].family


def voice_letters(rows: Sequence[Sequence[str]]) -> dict[str, str]:
    """Parts of a choir by their letters, S A T B, where at least three of them are names by themselves."""
    alone = {row[0] for row in rows if len(row) == 1 and row[0] in _SATB}
    return {letter: _SATB[letter] for letter in alone} if len(alone) >= 3 else {}
