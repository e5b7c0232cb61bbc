"""The nearest of the words that would have been right."""

from __future__ import annotations

from difflib import get_close_matches
from itertools import islice
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["did_you_mean"]

# Nobody mistypes a word of this length; comparing it with every candidate would only take time.
_LONGEST_WORD = 80
# A plan has a few dozen names; a file with thousands of wrong ones among thousands must not take minutes.
_MOST_CANDIDATES = 200
# Share of matching characters (Ratcliff/Obershelp) from which two words are near: the library's default.
_NEARNESS = 0.6


def _plain(word: str) -> str:
    """Lower case, and one separator instead of several, so that `Low-Cut` meets `low_cut`."""
    return word.casefold().replace("-", "_").replace(" ", "_").strip("_")


def did_you_mean(word: str, candidates: Iterable[str]) -> str | None:
    """Return the candidate nearest to a word that was not found, or None when none is near.

    Parameters
    ----------
    word : str
        What was written.
    candidates : iterable of str
        What would have been accepted; the first of equally near ones wins.

    Returns
    -------
    str or None
        One of the candidates, spelt as given.

    Notes
    -----
    Spelling only: it knows nothing of meanings, so `volume` does not lead to `level`. Only the first 200
    candidates are compared.
    """
    if not 0 < len(word) <= _LONGEST_WORD:
        return None
    spelt: dict[str, str] = {}
    for candidate in islice(candidates, _MOST_CANDIDATES):
        if len(candidate) <= _LONGEST_WORD:
            spelt.setdefault(_plain(candidate), candidate)
    near = get_close_matches(_plain(word), list(spelt), n=1, cutoff=_NEARNESS)
    return spelt[near[0]] if near else None
