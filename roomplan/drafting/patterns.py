"""How a plan names files: by a pattern where one fits exactly those, else by their names.

Conventions
-----------
A pattern such as `"*Vln1*"` also fits the next version and the next cue, so it is what a plan should say;
but only where it fits the section's files and no other of the folder. Matching is that of
`roomplan.session.stems`: NFC, case ignored, names with or without extension.
"""

from __future__ import annotations

import fnmatch
import re
import unicodedata
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from roomplan.session.stem_names import split_side

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

__all__ = ["StemText", "StemTexts", "folded"]

_GLOB = frozenset("*?[]")
_SHORTEST_CORE = 3  # letters and digits: "*Cl*" would also fit Close and Clean
_MOST_PATTERNS = 4  # more of them in one section are harder to read than names
_MANY = 20  # names in one section are a wall of text when they are the whole folder
_MOST_CHECKED = 4_000_000  # pairs of pattern and name: a second or two


@dataclass(frozen=True, slots=True)
class StemText:
    """One entry of a section's `stems`; with a level or a pan it is a mapping."""

    text: str
    pan: float | None = None
    level_db: float = 0.0


def folded(name: str) -> str:
    """A name as the stems folder compares it."""
    return unicodedata.normalize("NFC", name).casefold()


class StemTexts:
    """The names of one folder, looked at together.

    Parameters
    ----------
    names : sequence of str
        Every sound file of the folder, with extension.
    """

    def __init__(self, names: Sequence[str]) -> None:
        self._names = [(name, folded(name), folded(Path(name).stem)) for name in names]
        self._whole = Counter(whole for _name, whole, _stem in self._names)
        self._stems = Counter(stem for _name, _whole, stem in self._names)
        self._checks = 0

    def naming(
        self, files: Sequence[str], spans: Sequence[str | None], sides: Mapping[str, str | None]
    ) -> tuple[StemText, ...]:
        """Entries that mean exactly these files.

        Parameters
        ----------
        files : sequence of str
            Of one section.
        spans : sequence of str or None
            For each, the stretch of its name that says what it is.
        sides : mapping
            File → "left" or "right" where the stems folder would not join the pair: those get a pan.
        """
        if not sides:
            if len(files) > _MANY and len(files) == len(self._names):
                return (StemText("*"),)
            patterns = self._patterns(files, spans)
            if patterns is not None:
                return tuple(StemText(pattern) for pattern in patterns)
        pans = {"left": -100.0, "right": 100.0}
        return tuple(StemText(self.exact(name), pans.get(sides.get(name) or "")) for name in files)

    def exact(self, name: str) -> str:
        """Text that means one file: without its extension where that is enough."""
        whole, stem = folded(name), folded(Path(name).stem)
        plain = Path(name).stem
        if self._whole[whole] > 1:
            return f"./{name}"  # another name differs only in case or accents' spelling: the path is exact
        is_plain = self._stems[stem] == 1 and self._whole[stem] == 0 and plain == plain.strip()
        return plain if is_plain and plain else name

    def _patterns(self, files: Sequence[str], spans: Sequence[str | None]) -> list[str] | None:
        """Patterns that fit exactly these files, or None."""
        if not files or any(span is None for span in spans):
            return None
        patterns: dict[str, str] = {}
        for name, span in zip(files, spans, strict=True):
            core = (span or "").strip()
            if len(re.sub(r"[\W_]", "", core)) < _SHORTEST_CORE or _GLOB & set(core):
                return None
            stem = folded(_without_side(Path(name).stem))
            # a name that is nothing but the instrument stays a name: choir.wav is `choir`
            pattern = f"*{core}*" if stem != folded(core) or name != files[0] or len(files) > 1 else core
            patterns.setdefault(folded(pattern), pattern)
        self._checks += len(patterns) * len(self._names)
        if len(patterns) > _MOST_PATTERNS or self._checks > _MOST_CHECKED:
            return None
        wanted = set(files)
        matched: set[str] = set()
        for key in patterns:
            fits = re.compile(fnmatch.translate(key)).match
            matched.update(name for name, whole, stem in self._names if fits(whole) or fits(stem))
            if not matched <= wanted:
                return None
        return list(patterns.values()) if matched == wanted else None


def _without_side(stem: str) -> str:
    side = split_side(stem)
    return side[0] if side is not None else stem
