"""What a stem's name says beside its instrument: side, cue, take, version, date; and which stems are one.

Conventions
-----------
A name is compared in Unicode NFC, case folded, accents dropped (`fold`). It is cut into *tokens*, words and
numbers, at separators, between letters and digits and at the humps of camelCase. *Marks* (cue, take,
version, date, reel, rate, word length, tempo, timecode, frame rate) are recognised by their form, between
separators.

The *revision* of a stem is its version, take and date, and words such as *final* at its end, what it
lacks counting as the earliest. Stems that
differ in nothing else are versions of one: heard together they double. A number without a mark is a part
(choir 1, choir 2); another cue, reel, tempo, microphone or side is another stem.

Sources
-------
The forms of the marks are those of film-music sessions: common practice, no source.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from roomplan.frozen_classes import frozen_class

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

__all__ = [
    "MARKS",
    "Revision",
    "RevisionGroup",
    "Token",
    "fold",
    "has_revision",
    "mark_numbers",
    "revision_groups",
    "split_side",
    "tokens_between",
]

# a mark must follow a separator, so that "Cello" or "FLUTER" never reads as a side
_SIDE = re.compile(r"^(?P<base>.*?)(?P<mark>[_\-.]l|[_\-.]r|[_\-. ]?left|[_\-. ]?right)$", re.IGNORECASE)

# A mark is between separators or at an end, never inside a word; a version may follow its cue, 1m4v3.
MARKS = re.compile(
    r"""(?<![^\W_])(?:
      (?P<timecode>(?:tc[ _.-]?)?(?:[01]\d|2[0-3])(?:[-_.:;][0-5]\d){3})
    | (?P<frames>(?:23[.,]976|23[.,]98|29[.,]97|47[.,]952|59[.,]94)(?:[ _-]?fps)?(?:[ _-]?n?df)?
        |(?:23976|2398|2997|47952|5994|24|25|30|48|50|60)[ _-]?(?:fps(?:[ _-]?n?df)?|n?df))
    | (?P<date>(?:19|20)\d\d[-_.]\d\d[-_.]\d\d|(?:19|20)\d{6}|\d\d[-.]\d\d[-.](?:19|20)?\d\d)
    | (?P<cue>\d{1,2}m\d{1,3}(?:[a-uw-z]|v(?!\d))?)(?:(?P<cue_version>v\d{1,3}(?:\.\d{1,2})?))?
    | (?P<reel>reel[ _-]?\d{1,2}|rl?\d{1,2})
    | (?P<version>(?:version|vers|ver|rev)[ _.-]?\d{1,3}(?:\.\d{1,2})?|v\d{1,3}(?:\.\d{1,2})?)
    | (?P<take>(?:take|tk)[ _.-]?\d{1,3})
    | (?P<tempo>\d{2,3}(?:[.,]\d+)?[ _-]?bpm)
    | (?P<rate>\d{2,3}(?:[.,]\d)?[ _-]?k(?:hz)?|(?:44100|48000|88200|96000|192000)(?:[ _-]?hz)?)
    | (?P<bits>(?:16|24|32)[ _-]?(?:b|bits?|f|fp|float))
    )(?![^\W_])""",
    re.IGNORECASE | re.VERBOSE,
)
_RUN = re.compile(r"[^\W\d_]+|\d+")
_ORDINALS = frozenset({"st", "nd", "rd", "th", "er", "ere", "e", "eme", "a", "o"})
_YEAR_FIRST = re.compile(r"(?:19|20)\d{2}[-_.]?\d\d[-_.]?\d\d")
# at the end of a name: the stem was done again, and so it is newer
_DONE = frozenset({
    "final", "fix", "fixed", "new", "neu", "latest", "edit", "edited", "revised", "updated", "corrected",
    "approved",
})  # fmt: skip
_BARE_VERSION = re.compile(r"v[12]", re.IGNORECASE)

# Of the other stems' names hold a word that is the title's and no instrument's; common practice, no source.
_MOSTLY = 0.6


@frozen_class
class Token:
    """A word or a number of a name: folded, and where it is in the NFC name."""

    text: str
    start: int
    end: int

    @property
    def is_number(self) -> bool:
        """Whether the token consists of digits."""
        return self.text.isdecimal()


@dataclass(frozen=True, slots=True, order=True)
class Revision:
    """How new a stem is: the version decides, then words such as *final*, the take, the date (YYYYMMDD)."""

    version: tuple[int, ...] = ()
    done: tuple[int, ...] = ()  # how many such words, and the number behind them
    take: int = 0
    date: str = ""


@frozen_class
class RevisionGroup:
    """Stems that differ in their revisions only, as indices: all of them, and the newest."""

    members: tuple[int, ...]
    newest: tuple[int, ...]


def fold(text: str) -> str:
    """Case and accents dropped: `Flöte` and `FLOTE` are one, œ is oe, ß is ss."""
    plain = text.casefold().replace("œ", "oe").replace("æ", "ae").replace("ø", "o")
    if plain.isascii():
        return plain
    decomposed = unicodedata.normalize("NFKD", plain)
    return "".join(letter for letter in decomposed if not unicodedata.combining(letter))


def split_side(stem: str) -> tuple[str, str] | None:
    """Base name and side ("left" or "right") of a name with a side mark, else None."""
    match = _SIDE.match(stem)
    if match is None or not match["base"]:
        return None
    return match["base"], "left" if match["mark"].lstrip("_-. ").casefold().startswith("l") else "right"


def mark_numbers(mark: str) -> tuple[int, ...]:
    """Numbers of a mark: (4, 1) of `v4.1`."""
    return tuple(int(digits) for digits in re.findall(r"\d+", mark))


def tokens_between(stem: str, start: int, end: int) -> list[Token]:
    """Words and numbers of a stretch; an ordinal's ending (1st, 2nd) is dropped."""
    found: list[Token] = []
    for match in _RUN.finditer(stem, start, end):
        if match[0].isdecimal():
            found.append(Token(match[0], match.start(), match.end()))
            continue
        if found and found[-1].is_number and found[-1].end == match.start() and fold(match[0]) in _ORDINALS:
            found[-1] = replace(found[-1], end=match.end())
            continue
        found += [Token(fold(stem[first:last]), first, last) for first, last in _humps(stem, *match.span())]
    return found


def _humps(stem: str, start: int, end: int) -> list[tuple[int, int]]:
    """Cut a run of letters between a small one and a capital, and before a capital that begins a word."""
    run = stem[start:end]
    if run.islower() or run.isupper() or (run[:-1].isupper() and run[-1] == "s"):  # VLNs stay whole
        return [(start, end)]
    cuts = [start]
    for at in range(1, len(run)):
        capital = run[at].isupper()
        after_small = run[at - 1].islower()
        begins_word = run[at - 1].isupper() and at + 1 < len(run) and run[at + 1].islower()
        if capital and (after_small or begins_word):
            cuts.append(start + at)
    return list(zip(cuts, [*cuts[1:], end], strict=True))


@frozen_class
class _Read:
    """A name as a version of a stem: what it is, and how new."""

    identity: tuple[str, ...]
    revision: Revision
    bare: bool  # its revision is V1 or V2 and nothing else, which may be violins too


def revision_groups(stems: Sequence[str], beside: Iterable[str] = ()) -> list[RevisionGroup]:
    """Find the stems that differ only by version, take or date.

    Parameters
    ----------
    stems : sequence of str
        File names without their extensions.
    beside : iterable of str
        Names of the other stems of the folder: they tell a title from an instrument. Read only if needed.

    Returns
    -------
    list of RevisionGroup
        Of two stems at least, in the order of their first.

    Notes
    -----
    V1 and V2 are violins, not versions, where they are all that tells the names from those beside them, and
    no name beside has a version. Nothing is known of what is in the files.
    """
    read = [_read(stem) for stem in stems]
    others: list[_Read] | None = None
    alike: dict[tuple[str, ...], list[int]] = {}
    for index, one in enumerate(read):
        if one.identity:  # a version of nothing is a name: V1.wav and V2.wav
            alike.setdefault(one.identity, []).append(index)
    groups = []
    for identity, members in alike.items():
        revisions = {read[index].revision for index in members}
        if len(revisions) < 2:
            continue
        if all(read[index].bare for index in members):
            others = [_read(stem) for stem in beside] if others is None else others
            around = [one for one in (*read, *others) if one.identity != identity]
            if _only_a_title(identity, around):
                continue
        latest = max(revisions)
        newest = tuple(index for index in members if read[index].revision == latest)
        groups.append(RevisionGroup(tuple(members), newest))
    return groups


def has_revision(stem: str) -> bool:
    """Whether a name without its extension states a version, a take or a date."""
    return _read(stem).revision != Revision()


def _only_a_title(identity: Sequence[str], around: Sequence[_Read]) -> bool:
    """Whether most names around have every word of this one, and none has a revision."""
    if not around or any(one.revision != Revision() for one in around):
        return False
    return all(sum(word in one.identity for one in around) >= _MOSTLY * len(around) for word in set(identity))


def _read(stem: str) -> _Read:
    stem = unicodedata.normalize("NFC", stem)
    side = split_side(stem)
    end = len(stem) if side is None else len(side[0])  # of a version with two halves each is that version
    marks = list(MARKS.finditer(stem, 0, end))
    versions = [m for m in marks if m["version"] or m["cue_version"]]
    identity: list[str] = []
    words: list[int] = []  # those of `identity` that are no marks
    revision = Revision()

    def add_words(start: int, end: int) -> None:
        found = [token.text for token in tokens_between(stem, start, end)]
        words.extend(range(len(identity), len(identity) + len(found)))
        identity.extend(found)

    position = 0
    for mark in marks:
        add_words(position, mark.start())
        position = mark.end()
        if mark["cue"]:
            identity.append(mark["cue"].casefold())
        # the last of two versions is one, an earlier one a name: V1_v3
        if versions and mark is versions[-1]:
            revision = replace(revision, version=mark_numbers(mark["version"] or mark["cue_version"]))
        elif mark["take"]:
            revision = replace(revision, take=mark_numbers(mark["take"])[0])
        elif mark["date"]:
            revision = replace(revision, date=_year_first(mark["date"]))
        elif not (mark["cue"] or mark["rate"] or mark["bits"]):
            identity.append(fold(mark[0]))
    add_words(position, end)
    revision = replace(revision, done=_take_done(identity, words))
    bare = revision.take == 0 and not (revision.date or revision.done)
    bare = bare and len(versions) == 1 and _BARE_VERSION.fullmatch(versions[0][0]) is not None
    return _Read(tuple(identity) if any(not text.isdecimal() for text in identity) else (), revision, bare)


def _take_done(identity: list[str], words: Sequence[int]) -> tuple[int, ...]:
    """Take words such as *final*, each with a number behind it or none, off the end of a name's words."""
    count, last = 0, 0
    left = list(words)
    while len(left) > 1:
        numbered = len(left) > 2 and identity[left[-1]].isdecimal()
        if identity[left[-2 if numbered else -1]] not in _DONE:
            break
        number = int(identity[left.pop()]) if numbered else 0
        left.pop()
        last = last if count else number
        count += 1
    for index in reversed(words[len(left) :]):
        del identity[index]
    return (count, last) if count else ()


def _year_first(date: str) -> str:
    """Date as YYYYMMDD; of two figures each, the year is first with hyphens and last with points."""
    if _YEAR_FIRST.fullmatch(date):
        return re.sub(r"\D", "", date)
    first, middle, last = re.split(r"[-.]", date)
    year, month, day = (first, middle, last) if len(last) == 2 and "-" in date else (last, middle, first)
    if int(month) > 12:  # month, day, year
        month, day = day, month
    return f"{year if len(year) == 4 else '20' + year}{month}{day}"
