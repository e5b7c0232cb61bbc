"""Which file is which section: what is recognised, what is left out, and what a section is called.

Conventions
-----------
Sections come in the order in which they are met. The user's answer to a file's name outweighs everything.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from roomplan.documents.scalars import forbidden_character
from roomplan.plan.model import LONGEST_STEM
from roomplan.session.stem_names import revision_groups

from .instruments import find_instrument, instrument_table
from .names import StemName, Token, fold, read_names
from .patterns import folded
from .proposal import LeftOut
from .recognition import Found, decide, find_hits, voice_letters

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from .listening import StemFile

__all__ = ["SortedFile", "SortedFiles", "free_name", "sort_files", "stem_of"]

MOST_UNKNOWN = 64  # sections of one file each; more than that is no cue but a drive (the project's own limit)
_LOSSLESS = (".wav", ".rf64", ".w64", ".aiff", ".aif", ".caf", ".flac")  # the first of several is kept


@dataclass
class SortedFile:
    """A file on its way into a section."""

    file: StemFile
    name: StemName
    found: Found | None = None
    section: str = ""
    solo: bool = False
    sure: bool = True
    why: str = ""
    alternative: str | None = None
    span: tuple[int, int] | None = None  # of the NFC name: what a pattern may consist of
    named_by_version: bool = False  # V1, V2: violins beside other strings


@dataclass
class SortedFiles:
    """Files by section, in the order sections were met, and what is left out."""

    sections: dict[str, list[SortedFile]] = field(default_factory=dict)
    left_out: list[LeftOut] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    cue: str | None = None


def sort_files(files: Sequence[StemFile], answers: Mapping[str, str | None]) -> SortedFiles:
    """Sort the files of a folder into sections; `answers` as in `arranging.propose`."""
    result = SortedFiles()
    names = read_names([stem_of(file.name) for file in files])
    entries = [SortedFile(file, name) for file, name in zip(files, names, strict=True)]
    twins = Counter(folded(file.name) for file in files)
    usable: list[SortedFile] = []
    for entry in entries:
        fault = entry.file.fault or _name_fault(entry.file.name, twins)
        if fault is not None:
            result.left_out.append(LeftOut(entry.file, "fault", fault))
        elif entry.file.name in answers and answers[entry.file.name] is None:
            result.left_out.append(LeftOut(entry.file, "answer", "as you said"))
        else:
            usable.append(entry)
    usable = _without_other_cues(usable, answers, result)
    _recognise(usable)
    usable = _without_mixes(usable, answers, result)
    usable = _without_older_takes(usable, answers, result)
    _name_sections(usable, answers)
    for entry in usable:
        result.sections.setdefault(entry.section, []).append(entry)
    return result


def stem_of(name: str) -> str:
    """File name without its ending."""
    return Path(name).stem


def _name_fault(name: str, twins: Counter[str]) -> str | None:
    """Why a plan cannot hold a file's name."""
    if forbidden_character(name) is not None or "\t" in name or "\n" in name:
        return "its name has characters that a plan cannot contain; rename it"
    if len(name) > LONGEST_STEM:
        return "its name is too long for a plan; rename it"
    if twins[folded(name)] > 1 and set(name) & set("*?["):
        return "another name differs from it only in case; rename one"
    return None


def _without_other_cues(
    entries: list[SortedFile], answers: Mapping[str, str | None], result: SortedFiles
) -> list[SortedFile]:
    """Keep the cue most files belong to: two cues at once are never meant."""
    cues = Counter(entry.name.cue for entry in entries if entry.name.cue is not None)
    if not cues:
        return entries
    result.cue = cues.most_common(1)[0][0]
    if len(cues) > 1:
        listed = ", ".join(sorted(cues))
        result.remarks.append(f"several cues are in this folder ({listed}): this plan takes {result.cue}")
    kept = []
    for entry in entries:
        if entry.name.cue in {None, result.cue} or entry.file.name in answers:
            kept.append(entry)
        else:
            result.left_out.append(LeftOut(entry.file, "cue", f"another cue, {entry.name.cue}", sure=False))
    return kept


def _recognise(entries: Sequence[SortedFile]) -> None:
    """Find the instrument of every file: its own words first, then those the folder shares."""
    own = [find_hits(entry.name.tokens) for entry in entries]
    whole = [find_hits(entry.name.everything) for entry in entries]
    present = {
        found.section
        for entry, hits in zip(entries, own, strict=True)
        if len(hits) == 1 and len(hits[0].readings) == 1
        if (found := decide(hits, entry.name.tokens, (), ())) is not None
    }
    letters = voice_letters([entry.name.words for entry in entries])
    has_strings = bool(present & {"violas", "cellos", "basses", "strings", "low_strings"})
    for entry, hits, all_hits in zip(entries, own, whole, strict=True):
        tokens = entry.name.tokens
        if len(tokens) == 1 and tokens[0].text in letters:
            section = letters[tokens[0].text]
            entry.found = Found(section, False, 0, 0, sure=True, why=f"“{tokens[0].text.upper()}” of S A T B")
            continue
        entry.found = decide(hits, tokens, all_hits, present)
        if entry.found is not None:
            entry.span = (tokens[entry.found.first].start, tokens[entry.found.last].end)
            continue
        entry.found = decide(all_hits, entry.name.everything, (), present)
        version = entry.name.version
        if entry.found is not None:
            every = entry.name.everything
            entry.span = (every[entry.found.first].start, every[entry.found.last].end)
        elif has_strings and not _words(tokens) and version is not None and version in {(1,), (2,)}:
            section = f"violins_{version[0]}"
            why = f"“V{version[0]}” beside other strings"
            entry.found = Found(section, False, 0, 0, sure=False, why=why, alternative="a version number")
            entry.name, entry.named_by_version = replace(entry.name, version=None), True


def _words(tokens: Iterable[Token]) -> list[str]:
    return [token.text for token in tokens if not token.is_number]


def _without_mixes(
    entries: list[SortedFile], answers: Mapping[str, str | None], result: SortedFiles
) -> list[SortedFile]:
    """Leave out full mixes, clicks, guides and returns of rooms."""
    kept = []
    no_stems = instrument_table().not_stems
    for entry in entries:
        word = next((word for word in entry.name.words if word in no_stems), None)
        no_stem = None if word is None else no_stems[word]
        # a sub-mix is a stem as long as it says of what
        named = no_stem is not None and not no_stem.always and entry.found is not None
        if no_stem is None or named or entry.file.name in answers:
            kept.append(entry)
        else:
            sure = entry.found is None
            result.left_out.append(LeftOut(entry.file, "mix", f"{no_stem.why}: “{word}”", sure=sure))
    if kept or not entries:
        return kept
    # nothing but mixes: then they are what the user wants to hear in a room
    names = {entry.file.name for entry in entries}
    result.left_out[:] = [left for left in result.left_out if left.file.name not in names]
    return entries


def _without_older_takes(
    entries: list[SortedFile], answers: Mapping[str, str | None], result: SortedFiles
) -> list[SortedFile]:
    """Keep the latest of files that differ only in version, take or date: together they would double."""
    candidates = [entry for entry in entries if not entry.named_by_version]
    dropped: set[str] = set()
    for group in revision_groups([entry.name.stem for entry in candidates]):
        newest = candidates[group.newest[0]]
        for index in group.members:
            file = candidates[index].file
            if index not in group.newest and file.name not in answers:
                dropped.add(file.name)
                why = f"an earlier take or version of {newest.file.name}"
                result.left_out.append(LeftOut(file, "older", why, sure=False))
    types: dict[str, list[SortedFile]] = defaultdict(list)
    for entry in entries:
        if entry.file.name not in dropped:
            types[stem_of(folded(entry.file.name))].append(entry)
    for same in types.values():
        kept = min(same, key=lambda entry: _preference(entry.file.name))
        for entry in same:
            file = entry.file
            other_type = Path(file.name).suffix.casefold() != Path(kept.file.name).suffix.casefold()
            if other_type and file.name not in answers:
                dropped.add(file.name)
                why = f"the same as {kept.file.name}, by its name"
                result.left_out.append(LeftOut(file, "older", why, sure=False))
    return [entry for entry in entries if entry.file.name not in dropped]


def _preference(name: str) -> int:
    suffix = Path(name).suffix.casefold()
    return _LOSSLESS.index(suffix) if suffix in _LOSSLESS else len(_LOSSLESS)


def _name_sections(entries: Sequence[SortedFile], answers: Mapping[str, str | None]) -> None:
    """Give every file the name of its section."""
    unknown: dict[str, list[SortedFile]] = {}
    for entry in entries:
        answer = answers.get(entry.file.name)
        if answer is not None:
            _answered(entry, answer)
            continue
        found = entry.found
        if found is None:
            unknown.setdefault(free_name(entry.name), []).append(entry)
            continue
        instrument = find_instrument(found.section)
        entry.solo = found.solo
        entry.section = f"solo_{_singular(found.section)}" if found.solo else found.section
        entry.sure, entry.alternative = found.sure, found.alternative
        entry.why = found.why if instrument is not None else "as named"
    many = len(unknown) > MOST_UNKNOWN
    for section, members in unknown.items():
        for entry in members:
            entry.section = "unsorted" if many else section
            entry.sure, entry.why = False, "no instrument in its name"


def _answered(entry: SortedFile, answer: str) -> None:
    """Take the user's word for a section: a name of the table in any language, else the word itself."""
    (name,) = read_names([answer])
    found = decide(find_hits(name.tokens), name.tokens, (), ())
    entry.section = (
        answer if find_instrument(answer) is not None else found.section if found else _plain(answer)
    )
    entry.why, entry.sure = "as you said", True


def _singular(section: str) -> str:
    base = re.sub(r"_\d$", "", section)
    return (
        base[:-1] if base.endswith("s") and base not in {"brass", "woodwinds", "strings", "basses"} else base
    )


def free_name(name: StemName) -> str:
    """Name for a section from the words of a file that says no instrument."""
    words = [token.text for token in (name.tokens if _words(name.tokens) else name.everything)]
    return _plain("_".join(words) or name.stem)


def _plain(text: str) -> str:
    """A section's name of letters, digits and underscores; at most 40 characters."""
    return re.sub(r"\W+", "_", fold(text)).strip("_")[:40].strip("_") or "stem"
