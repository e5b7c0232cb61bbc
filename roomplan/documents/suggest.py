"""The nearest of the words that would have been right."""

from __future__ import annotations

from difflib import SequenceMatcher
from itertools import islice
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["Guesses", "did_you_mean", "is_slip"]

# Nobody mistypes a word of this length; comparing it with every candidate would only take time.
_LONGEST_WORD = 80
_MOST_CANDIDATES = 200
_SHORTEST_SLIP = 4
# Share of matching characters (Ratcliff/Obershelp) from which two words are near: the library's default.
_NEARNESS = 0.6
# Pairs of letters compared for one document, some hundredths of a microsecond each: well under a second in
# all, and enough for a thousand slips in a plan of many names. One question never takes as much.
_MOST_WORK = 5_000_000
_WORK_PER_CANDIDATE = 50


class Guesses:
    """Nearest words for one document; the questions together take no more than a fixed amount of work.

    Notes
    -----
    Spelling only: it knows nothing of meanings, so `volume` does not lead to `level`. Only the first 200
    candidates are compared. Work is counted, not timed, so that the same document has the same answers.
    """

    def __init__(self) -> None:
        self._left = _MOST_WORK

    def nearest(self, word: str, candidates: Iterable[str]) -> str | None:
        """Return the candidate nearest to a word that was not found, or None.

        Parameters
        ----------
        word : str
            What was written.
        candidates : iterable of str
            What would have been accepted; the first of equally near ones wins.

        Returns
        -------
        str or None
            One of the candidates, spelt as given; None when none is near, or the work is used up.
        """
        if self._left <= 0 or not 0 < len(word) <= _LONGEST_WORD:
            return None
        wanted = _plain(word)
        near, best = None, 0.0
        matcher = SequenceMatcher(b=wanted)
        for candidate in islice(candidates, _MOST_CANDIDATES):
            spelt = _plain(candidate) if len(candidate) <= _LONGEST_WORD else ""
            both = len(wanted) + len(spelt)
            self._left -= _WORK_PER_CANDIDATE
            # two words have no more letters in common than the shorter has
            if not both or 2.0 * min(len(wanted), len(spelt)) / both < max(best, _NEARNESS):
                continue
            self._left -= len(wanted) * len(spelt)
            matcher.set_seq1(spelt)
            if matcher.quick_ratio() < max(best, _NEARNESS):
                continue
            ratio = matcher.ratio()
            if ratio >= _NEARNESS and ratio > best:
                near, best = candidate, ratio
        return near


def _plain(word: str) -> str:
    """Lower case, and one separator instead of several, so that `Low-Cut` meets `low_cut`."""
    return word.casefold().replace("-", "_").replace(" ", "_").strip("_")


def is_slip(word: str, other: str) -> bool:
    """Tell whether two words differ by one letter, or by two that changed places: a slip, not a family.

    Words that differ in a digit are numbered, and words under four letters too short to tell.
    """
    one, two = _plain(word), _plain(other)
    longest = max(len(one), len(two))
    if one == two or not _SHORTEST_SLIP <= longest <= _LONGEST_WORD:
        return False
    if [c for c in one if c.isdigit()] != [c for c in two if c.isdigit()]:
        return False
    blocks = SequenceMatcher(a=one, b=two, autojunk=False).get_matching_blocks()
    return longest - sum(block.size for block in blocks) == 1


def did_you_mean(word: str, candidates: Iterable[str]) -> str | None:
    """Return the candidate nearest to a word: a question by itself; `Guesses` serves a document."""
    return Guesses().nearest(word, candidates)
