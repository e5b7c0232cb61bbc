"""What the name of a stem says once everything is taken off that a session puts around it.

Conventions
-----------
A name is compared in Unicode NFC, case folded, accents dropped (`fold`). It is cut into *tokens*, words and
numbers, at separators, between letters and digits and at the humps of camelCase. *Marks* (cue, take,
version, date, reel, rate, word length, tempo, timecode, frame rate, side, microphone) are recognised by
their form and taken out. What most names of a folder begin or end with (the cue's title, initials) is
*shared*: kept aside, since it may still be all that names the instrument.

Sources
-------
The forms of the marks are those of film-music sessions: common practice, no source.
"""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

from roomplan.session.stem_names import MARKS, Token, fold, mark_numbers, split_side, tokens_between
from roomplan.timecode import FRAME_RATES

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

__all__ = ["LONGEST_PHRASE", "StemName", "Token", "fold", "marks_of", "read_names", "word_forms", "word_set"]

LONGEST_PHRASE = 4  # words of a name: no more are put together when a file's name is read

Side = Literal["left", "right"]

# Their digits → the rate, where a name leaves the point out or rounds.
_FRAME_RATES = {
    "23976": "23.976",
    "2398": "23.976",
    "2997": "29.97",
    "47952": "47.952",
    "5994": "59.94",
}
_KNOWN_RATES = frozenset(rate.name for rate in FRAME_RATES)
# " L", "(L)", "[L]", "BrassL": sides that are not joined by the stems folder, believed only where both exist
_LOOSE_SIDE = re.compile(r"(?:[ _.-]*[(\[](?P<b>[LRlr])[)\]]|[ ]+(?P<s>[LRlr])|(?<=[^\W\d_A-Z])(?P<c>[LR]))$")


def word_set(text: str) -> frozenset[str]:
    """Words of a list that is written with spaces."""
    return frozenset(text.split())


# Which microphones a file was recorded with, as words of the folded name; common practice, no source.
MICROPHONES = word_set(
    """close closes closeup spot spots tree main mains outrigger outriggers ab ortf xy ms amb ambs
    ambient ambience room rooms far wide surround surrounds balcony gallery stereo mono dry di mic mics nah
    raum fern"""
)
# Those that bring a room along.
ROOM_MICROPHONES = MICROPHONES & word_set(
    """tree amb ambs ambient ambience room rooms far surround surrounds balcony gallery raum
    fern"""
)

_MOSTLY = 0.6  # of all files share what counts as shared; common practice, no source


@dataclass(frozen=True, slots=True)
class StemName:
    """A name taken apart.

    Attributes
    ----------
    stem : str
        The file's name without its extension, NFC.
    tokens : tuple of Token
        What is left for an instrument, in order.
    leading, trailing : tuple of Token
        What most names of the folder begin and end with.
    frame_rate : str or None
        As `timecode` names it, such as "29.97df".
    timecode : tuple of str, or None
        Four fields of two digits.
    loose_side : bool
        The side is one that the stems folder does not join by itself.
    """

    stem: str
    tokens: tuple[Token, ...]
    leading: tuple[Token, ...] = ()
    trailing: tuple[Token, ...] = ()
    cue: str | None = None
    version: tuple[int, ...] | None = None
    take: int | None = None
    side: Side | None = None
    loose_side: bool = False
    microphone: str | None = None
    frame_rate: str | None = None
    timecode: tuple[str, ...] | None = None

    @property
    def words(self) -> tuple[str, ...]:
        """Texts of the tokens that are left."""
        return tuple(token.text for token in self.tokens)

    @property
    def everything(self) -> tuple[Token, ...]:
        """All tokens, the shared ones included."""
        return (*self.leading, *self.tokens, *self.trailing)


def word_forms(word: str) -> set[str]:
    """Ways a word is found in a folded name: without its accents, and ä, ö, ü also as ae, oe, ue."""
    spelt = word.casefold()
    for umlaut, letters in (("ä", "ae"), ("ö", "oe"), ("ü", "ue")):
        spelt = spelt.replace(umlaut, letters)
    return {fold(word), fold(spelt)}


@dataclass
class _Draft:
    """A name while it is read."""

    name: StemName
    tokens: list[Token]
    leading: list[Token] = field(default_factory=list)
    trailing: list[Token] = field(default_factory=list)


def read_names(stems: Sequence[str]) -> list[StemName]:
    """Take the names of a folder apart.

    Parameters
    ----------
    stems : sequence of str
        File names without their extensions, in the order of the folder.

    Returns
    -------
    list of StemName
        In the same order.

    Notes
    -----
    Not done: nothing is looked up; which word is an instrument is for `instruments`. Time grows with the
    number of names, not with its square.
    """
    composed = [unicodedata.normalize("NFC", stem) for stem in stems]
    loose = _loose_sides(composed)
    drafts = [_draft(stem, loose.get(stem)) for stem in composed]
    _drop_numbering(drafts)
    _drop_shared(drafts, first=True)
    _drop_numbering(drafts)
    _drop_shared(drafts, first=False)
    return [_finished(draft) for draft in drafts]


def _loose_sides(stems: Iterable[str]) -> dict[str, tuple[str, Side]]:
    """Names that end in a side which the stems folder does not read, where the other side exists too."""
    found: dict[str, dict[Side, list[tuple[str, str]]]] = {}
    for stem in stems:
        match = _LOOSE_SIDE.search(stem)
        if match is None or split_side(stem) is not None or match.start() == 0:
            continue
        letter = match["b"] or match["s"] or match["c"]
        base = stem[: match.start()]
        side: Side = "left" if letter in "lL" else "right"
        shape = "b" if match["b"] else "s" if match["s"] else "c"
        found.setdefault(f"{shape}{base.casefold()}", {}).setdefault(side, []).append((stem, base))
    return {
        stem: (base, side)
        for sides in found.values()
        if len(sides) == 2
        for side, names in sides.items()
        for stem, base in names
    }


def _draft(stem: str, loose: tuple[str, Side] | None) -> _Draft:
    name = StemName(stem, ())
    end = len(stem)
    strict = split_side(stem)
    if strict is not None:
        end, side = len(strict[0]), strict[1]
        name = replace(name, side="left" if side == "left" else "right")
    elif loose is not None:
        end = len(loose[0])
        name = replace(name, side=loose[1], loose_side=True)
    found: dict[str, str] = {}
    tokens: list[Token] = []
    position = 0
    for match in MARKS.finditer(stem, 0, end):
        tokens += tokens_between(stem, position, match.start())
        _note(match, found)
        position = match.end()
    tokens += tokens_between(stem, position, end)
    kept, microphone = _without_microphone(tokens)
    name = replace(
        name,
        cue=found["cue"].casefold() if "cue" in found else None,
        version=mark_numbers(found["version"]) if "version" in found else None,
        take=mark_numbers(found["take"])[0] if "take" in found else None,
        microphone=microphone,
        frame_rate=_frame_rate(found.get("frames")),
        timecode=tuple(re.findall(r"\d\d", found["timecode"])) if "timecode" in found else None,
    )
    return _Draft(name, kept)


def marks_of(text: str) -> dict[str, str]:
    """First mark of each kind in a name, such as `cue` → `3m12`."""
    found: dict[str, str] = {}
    for match in MARKS.finditer(unicodedata.normalize("NFC", text)):
        _note(match, found)
    return found


def _note(match: re.Match[str], found: dict[str, str]) -> None:
    for kind, text in match.groupdict().items():
        if text is not None:
            found.setdefault(kind.removeprefix("cue_"), text)


def _frame_rate(mark: str | None) -> str | None:
    """Name of the frame rate that a mark such as `2997 fps DF` means; None for a kind of drop that is not."""
    if mark is None:
        return None
    digits = "".join(letter for letter in mark if letter.isdecimal())
    number = _FRAME_RATES.get(digits, digits)
    text = mark.casefold()
    drop = text.endswith("df") and not text.endswith("ndf")
    name = f"{number}df" if drop else number
    return name if name in _KNOWN_RATES else None


def _without_microphone(tokens: list[Token]) -> tuple[list[Token], str | None]:
    """Take microphone words off the end or the middle, unless nothing else is left."""
    kept = [token for token in tokens if token.text not in MICROPHONES]
    if not any(not token.is_number for token in kept):
        return tokens, None
    heard = [token.text for token in tokens if token.text in MICROPHONES]
    return kept, heard[0] if heard else None


def _drop_numbering(drafts: list[_Draft]) -> None:
    """Take off the number most names begin with, `01 - Flute`, unless it is all there is."""
    led = [draft for draft in drafts if len(draft.tokens) > 1 and draft.tokens[0].is_number]
    if len(led) < 2 or len(led) < _MOSTLY * len(drafts):
        return
    if len({draft.tokens[0].text for draft in led}) <= len(led) // 2:
        return  # 1 Violins, 2 Violins, 1 Horns, 2 Horns: parts, not a numbering
    for draft in led:
        draft.tokens = draft.tokens[1:]


def _drop_shared(drafts: list[_Draft], *, first: bool) -> None:
    """Take off, token by token, what most names begin with (`first`) or end with; one token always stays."""
    at = 0 if first else -1
    active = drafts
    while True:
        active = [draft for draft in active if len(draft.tokens) > 1]
        counts = Counter(draft.tokens[at].text for draft in active)
        if not counts:
            return
        text, count = counts.most_common(1)[0]
        if count < 2 or count < _MOSTLY * len(drafts):
            return
        active = [draft for draft in active if draft.tokens[at].text == text]
        for draft in active:
            (draft.leading if first else draft.trailing).append(draft.tokens.pop(at))


def _finished(draft: _Draft) -> StemName:
    return replace(
        draft.name,
        tokens=tuple(draft.tokens),
        leading=tuple(draft.leading),
        trailing=tuple(reversed(draft.trailing)),
    )
