"""Which sound files a section plays: names, patterns, left/right pairs, and the stems nobody claims.

Conventions
-----------
A *stem* is one mono or stereo signal: one file, or two mono files whose names differ only in a left/right
mark (`_L/_R`, `-L/-R`, `.L/.R`, `left/right`). Names are compared in Unicode NFC, ignoring case, with or
without their extension; of several that fit so, the one spelt byte for byte as in the plan is meant. Nothing
is guessed: a name that fits two files, a stem that two sections claim and a pattern that fits nothing are
problems.

Stems of a section that differ only by version, take or date (`stem_names`), or only by the type of their
file, are one sound twice, and a problem unless the section says which are meant.

A *time reference* is the time of day at which a stem begins, as its file states it. 0 counts as none: many
programs write it where no time was set (common practice, no source).

Sources
-------
EBU Tech 3285: the `bext` chunk, see `roomplan.audio.bext`.
"""

from __future__ import annotations

import os
import re
import unicodedata
from dataclasses import dataclass, field
from fnmatch import translate
from functools import cached_property
from itertools import chain
from typing import TYPE_CHECKING

from roomplan.audio.bext import stated_time
from roomplan.audio.info import FileState, SoundInfo, inspect_sound
from roomplan.documents.suggest import Guesses, did_you_mean, is_slip
from roomplan.errors import AudioError, Place, Problem
from roomplan.files.names import is_sound_name
from roomplan.frozen_classes import frozen_class
from roomplan.plan.bus_name import BusName
from roomplan.session.stem_names import revision_groups, split_side

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping, Sequence
    from fractions import Fraction
    from pathlib import Path

    from roomplan.plan.model import Plan, Section, StemEntry

__all__ = ["StemSource", "StemsFolder", "claim_stems", "existing_spelling"]

# Files that each get a line of their own when no section claims them; a folder may hold thousands.
_MOST_UNCLAIMED_LISTED = 8

_MOST_NAMED = 6  # files in one line


@frozen_class
class StemSource:
    """One mono or stereo stem with its own level and pan; `files` holds one file, or left and right.

    `frames` counts at the file's own rate, of the longer file of a pair; `reference_s` is the exact time of
    day of its first frame, None where the files state none. `states` are those of the files when the plan was
    opened.
    """

    name: str
    files: tuple[Path, ...]
    channels: int
    sample_rate: int
    frames: int
    level_db: float
    pan: float | None
    place: Place
    reference_s: Fraction | None = None
    states: tuple[FileState | None, ...] = ()

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.sample_rate

    def require_unchanged(self) -> None:
        """Raise `AudioError` when a file is not the one that the plan was opened with.

        Its length, channels and time would be those of another file, and figures that were found before and
        after the change would come together in one report.
        """
        for file, state in zip(self.files, self.states, strict=True):
            if FileState.of(file) != state:
                raise AudioError(
                    file,
                    "was changed after the plan was opened",
                    remedy="start again when the program that writes it has finished",
                )


@frozen_class
class _StemFile:
    """What is known of one claimed file."""

    info: SoundInfo
    reference_s: Fraction | None


def _folded(name: str) -> str:
    # Folding case may take a name out of normal form.
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


def existing_spelling(path: Path) -> Path:
    """Return the path of an existing file or folder that is this one but for NFC and NFD, else the path.

    Systems that keep a name byte for byte hold two spellings of an accent apart; one writes what the plan
    has, another what the disk has.
    """
    if os.path.lexists(path):
        return path
    parent = existing_spelling(path.parent) if path.parent != path else path
    wanted = unicodedata.normalize("NFC", path.name)
    try:
        found = [p.name for p in parent.iterdir() if unicodedata.normalize("NFC", p.name) == wanted]
    except OSError:
        found = []
    return parent / found[0] if len(found) == 1 else path


@dataclass
class StemsFolder:
    """The sound files of a stems folder, listed once."""

    folder: Path
    files: list[Path] = field(default_factory=list)

    @classmethod
    def listed(cls, folder: Path, place: Place) -> tuple[StemsFolder, list[Problem]]:
        """List the folder's sound files; a missing folder is one problem, not one per stem."""
        folder = existing_spelling(folder)
        if not os.path.isdir(folder):  # noqa: PTH112 — a folder behind a locked door is not there
            what = f"the stems folder {folder} "
            what += "is a file" if os.path.exists(folder) else "does not exist"  # noqa: PTH110
            near = _near_folder(folder)
            remedy = f"did you mean {near}?" if near else "name the folder that holds the stems"
            missing = _first_missing(folder)
            if near is None and missing is not None and missing != folder:
                what += f": there is no {missing}"
                remedy = "check the path, and that its disk is connected"
            return cls(folder), [Problem(what, place, remedy)]
        try:
            entries = [(path, _folded(path.name)) for path in folder.iterdir()]
        except OSError as error:
            return cls(folder), [
                Problem(
                    f"the stems folder {folder} cannot be read: {error.strerror}", place, "allow reading it"
                )
            ]
        return cls(
            folder, [path for path, _ in sorted(entries, key=lambda e: e[1]) if is_sound_name(path)]
        ), []

    @cached_property
    def _names(self) -> list[tuple[Path, str, str]]:
        """Every file with its folded name and its folded name without extension."""
        return [(path, _folded(path.name), _folded(path.stem)) for path in self.files]

    @cached_property
    def _by_name(self) -> dict[str, list[Path]]:
        return _grouped((name, path) for path, name, _stem in self._names)

    @cached_property
    def _by_stem(self) -> dict[str, list[Path]]:
        return _grouped((stem, path) for path, _name, stem in self._names)

    @cached_property
    def _halves(self) -> dict[str, list[Path]]:
        """Folded base name → the files that are a left or right half of it."""
        sides = ((path, split_side(path.stem)) for path in self.files)
        return _grouped((_folded(side[0]), path) for path, side in sides if side)

    def matching(self, pattern: str) -> list[Path]:
        """Files whose name, with or without extension, is `pattern` or fits it as a glob."""
        wanted = _folded(pattern)
        exact = self._by_name.get(wanted) or self._by_stem.get(wanted)
        if exact:
            as_written = [path for path in exact if pattern in {path.name, path.stem}]
            return list(as_written if len(as_written) == 1 else exact)
        if not _is_glob(pattern):
            pair = self._halves.get(wanted, [])
            if {side[1] for path in pair if (side := split_side(path.stem))} == {"left", "right"}:
                return list(pair)
            if "/" not in pattern and "\\" not in pattern:
                return []
            direct = existing_spelling(self.folder / pattern)
            return [direct] if os.path.isfile(direct) else []  # noqa: PTH113
        fits = re.compile(translate(wanted)).match
        return [path for path, name, stem in self._names if fits(name) or fits(stem)]


def _grouped(pairs: Iterable[tuple[str, Path]]) -> dict[str, list[Path]]:
    groups: dict[str, list[Path]] = {}
    for key, path in pairs:
        groups.setdefault(key, []).append(path)
    return groups


def _near_folder(folder: Path) -> str | None:
    parent = folder.parent
    try:
        names = [p.name for p in parent.iterdir() if p.is_dir()]
    except OSError:
        return None
    return did_you_mean(folder.name, names)


def _first_missing(folder: Path) -> Path | None:
    """Return the outermost folder of a path that does not exist."""
    for part in (*reversed(folder.parents), folder):
        if not os.path.exists(part):  # noqa: PTH110
            return part
    return None


def _is_glob(pattern: str) -> bool:
    return any(mark in pattern for mark in "*?[")


def claim_stems(
    plan: Plan, *, ignore: Collection[Path] = ()
) -> tuple[dict[str, tuple[StemSource, ...]], list[Problem], list[Problem]]:
    """Give every section its stems.

    Parameters
    ----------
    ignore : collection of Path
        Files of the folder that are not stems (responses that lie beside them).

    Returns
    -------
    stems : dict
        Section name → its stems in the order of the plan, files in the order of their names. An optional
        section that no file fits is not in it.
    problems, warnings : list of Problem
        Everything that keeps the plan from being rendered; and what it can be rendered with, such as stems
        that nobody claims. With `strict` these are problems too.
    """
    at = plan.place_of("stems")
    folder, problems = StemsFolder.listed(plan.stems_folder, at)
    if problems:
        return {}, problems, []
    if not folder.files and not _looks_below(plan):
        what = f"the stems folder {folder.folder} holds no sound files"
        return {}, [Problem(what, at, "put the stems there, or connect its disk")], []
    claims = _Claims(plan, folder)
    for section in plan.sections.values():
        claims.claim(section)
    claims.note_unclaimed(ignore)
    if plan.sections and not claims.stems and not claims.problems:
        what = f"no section has a stem in {folder.folder}: all of them are optional, and no file fits any"
        claims.problems.append(Problem(what, at, _shown_names(folder.files)))
    if claims.unreadable and not os.path.isdir(folder.folder):  # noqa: PTH112
        what = f"the stems folder {folder.folder} has disappeared"
        remedy = "keep it and its disk connected, and start again"
        claims.problems.append(Problem(what, at, remedy))
    else:
        claims.problems.extend(claims.unreadable)
    return claims.stems, claims.problems, claims.warnings


def _looks_below(plan: Plan) -> bool:
    """Tell whether a stem is named with a folder of its own."""
    return any("/" in e.pattern or "\\" in e.pattern for s in plan.sections.values() for e in s.stems)


def _remedy_of_two(name: str, other: str) -> str:
    """What to do about a stem of two sections: names that are nearly one are one more often than not."""
    remedy = "narrow one of the two patterns so that each stem plays once"
    return f"is {name} a misspelling of {other}? If not, {remedy}" if is_slip(name, other) else remedy


class _Claims:
    """The stems of one plan on their way to its sections."""

    def __init__(self, plan: Plan, folder: StemsFolder) -> None:
        self.plan = plan
        self.folder = folder
        self.stems: dict[str, tuple[StemSource, ...]] = {}
        self.problems: list[Problem] = []
        self.warnings: list[Problem] = []
        self.unreadable: list[Problem] = []
        self._guesses = Guesses()
        self._owner: dict[Path, str] = {}
        self._files: dict[Path, _StemFile | None] = {}

    def warn(self, problem: Problem) -> None:
        """Note what a strict plan refuses."""
        (self.problems if self.plan.strict else self.warnings).append(problem)

    def claim(self, section: Section) -> None:
        """Give a section its stems."""
        claimed = self._claimed_by(section)
        if claimed is None:
            return
        older = self._older_versions(section, claimed)
        for path, entry in claimed.items():
            other = self._owner.setdefault(path, section.name)
            if other != section.name:
                self.problems.append(
                    Problem(
                        f"stem {path.name} belongs to section {other} and to section {section.name}",
                        entry.place,
                        _remedy_of_two(section.name, other),
                    )
                )
        played = {path: entry for path, entry in claimed.items() if path not in older}
        self.stems[section.name] = tuple(self._joined(section, played))

    def _older_versions(self, section: Section, claimed: Mapping[Path, StemEntry]) -> set[Path]:
        """Return the files that give way to newer versions; several versions nobody chose are problems."""
        if section.versions == "all":
            return set()
        older: set[Path] = set()
        doubled: list[Problem] = []
        for folder, paths in _grouped((str(path.parent), path) for path in claimed).items():
            beside = (p.stem for p in self.folder.files if p not in claimed and str(p.parent) == folder)
            for group in revision_groups([path.stem for path in paths], beside):
                members, newest = ([paths[i] for i in found] for found in (group.members, group.newest))
                if section.versions == "newest":
                    older.update(path for path in members if path not in newest)
                else:
                    doubled.append(_doubled(section, members, newest, claimed[members[-1]].place))
        if older:
            what = f"section {section.name} leaves earlier versions out: {_some([p.name for p in older])}"
            self.warnings.append(Problem(what, section.place, "as its `versions: newest` says"))
        self.problems += _fewest(doubled, section, "stems in several versions")
        by_name = _grouped((f"{p.parent}/{_folded(p.stem)}", p) for p in claimed if p not in older)
        twins = [group for group in by_name.values() if len({p.suffix.casefold() for p in group}) > 1]
        found = [_twins(section, group, claimed[group[-1]].place) for group in twins]
        self.problems += _fewest(found, section, "stems in several types of file")
        return older

    def note_unclaimed(self, ignore: Collection[Path]) -> None:
        """Warn of the files that no section claims."""
        left = [path for path in self.folder.files if path not in self._owner]
        ignored = {_identity(path) for path in ignore} if left else set()
        left = [path for path in left if _identity(path) not in ignored]
        place = self.plan.place_of("stems")
        remedy = "add it to a section's stems, or move it out of the folder"
        if len(left) <= _MOST_UNCLAIMED_LISTED:
            for path in left:
                what = f"stem {path.name} belongs to no section and will not play"
                self.warn(Problem(what, place, remedy))
            return
        names = ", ".join(path.name for path in left[:_MOST_UNCLAIMED_LISTED])
        what = (
            f"{len(left)} stems belong to no section and will not play: {names} and "
            f"{len(left) - _MOST_UNCLAIMED_LISTED} more"
        )
        self.warn(Problem(what, place, remedy.replace("add it", "add them").replace("move it", "move them")))

    def _claimed_by(self, section: Section) -> dict[Path, StemEntry] | None:
        """Claim exact names first, so that `["*choir*", {file: choir_solo, level: -3}]` means what it says.

        None for an optional section that no file fits.
        """
        entries = sorted(section.stems, key=lambda e: _is_glob(e.pattern))
        fitting = [(entry, self.folder.matching(entry.pattern)) for entry in entries]
        if section.optional and not any(found for _entry, found in fitting):
            return None
        claimed: dict[Path, StemEntry] = {}
        for entry, found in fitting:
            if not found:
                # In an optional section patterns are the names a template knows: one that fits is enough.
                if not (section.optional and _is_glob(entry.pattern)):
                    self.problems.append(_nothing_found(section, entry, self.folder, self._guesses))
                continue
            if not _is_glob(entry.pattern) and len(found) > 1 and not _is_pair(found):
                self.problems.append(_several_found(entry, found))
                continue
            for path in found:
                if _is_glob(entry.pattern):
                    claimed.setdefault(path, entry)
                elif path in claimed:
                    self.problems.append(
                        Problem(
                            f"stem {path.name} appears twice in section {section.name}",
                            entry.place,
                            "name it once",
                        )
                    )
                else:
                    claimed[path] = entry
        return claimed

    def _joined(self, section: Section, claimed: dict[Path, StemEntry]) -> list[StemSource]:
        """Turn claimed files into stems; two mono files that are left and right of one name become one."""
        opened: dict[Path, _StemFile] = {}
        for path, entry in claimed.items():
            if path not in self._files:
                self._files[path] = self._inspected(path, entry)
            file = self._files[path]
            if file is not None:
                opened[path] = file
        halves = _grouped(
            (_folded(side[0]), path)
            for path, file in opened.items()
            if file.info.channels == 1 and (side := split_side(path.stem))
        )
        sources: list[StemSource] = []
        used: set[Path] = set()
        for path in sorted(opened, key=lambda p: _folded(p.name)):
            if path in used:
                continue
            entry, file, side = claimed[path], opened[path], split_side(path.stem)
            others = halves.get(_folded(side[0]), []) if side else []
            partner = _partner(path, [other for other in others if other not in used], claimed, opened)
            files = (path,)
            if partner is not None:
                files = (path, partner) if side and side[1] == "left" else (partner, path)
                used.add(partner)
            elif file.info.channels == 1 and entry.pan is None and side is not None:
                what = f"stem {path.name} looks like the {side[1]} half of a pair whose other half is missing"
                remedy = "it is used as a mono stem; give it a pan if that is right"
                self.warn(Problem(what, entry.place, remedy))
            used.add(path)
            sources.append(
                StemSource(
                    name=side[0] if len(files) == 2 and side else path.stem,
                    files=files,
                    channels=2 if len(files) == 2 else file.info.channels,
                    sample_rate=file.info.sample_rate,
                    frames=max(opened[p].info.frames for p in files),
                    level_db=entry.level_db,
                    pan=entry.pan,
                    place=entry.place,
                    reference_s=self._reference_s([opened[p] for p in files], entry.place),
                    states=tuple(opened[p].info.state for p in files),
                )
            )
        if not sources and not self.problems and not section.stems:
            what = f"section {section.name} has no stems"
            self.problems.append(Problem(what, section.place, "add `stems:` with a name or a pattern"))
        return sources

    def _reference_s(self, files: list[_StemFile], place: Place) -> Fraction | None:
        """Time of day of a stem; halves that begin at different times are a problem."""
        stated = [file.reference_s for file in files if file.reference_s is not None]
        if not stated:
            return None
        first, last = stated[0], stated[-1]
        rate = files[0].info.sample_rate
        if abs(last - first) * rate > 1:
            names = " and ".join(file.info.path.name for file in files)
            apart = abs(round((last - first) * rate))
            what = f"stems {names} are halves of a pair and have times {apart} samples apart"
            self.problems.append(Problem(what, place, "export both from one start"))
        return first

    def _inspected(self, path: Path, entry: StemEntry) -> _StemFile | None:
        try:
            info = inspect_sound(path)
            reference = stated_time(info)
        except AudioError as error:
            self.unreadable.extend(Problem(p.what, entry.place, p.remedy) for p in error.problems)
            return None
        if info.channels > 2:
            self.problems.append(
                Problem(
                    f"stem {path.name} has {info.channels} channels",
                    entry.place,
                    "stems must be mono or stereo: split it first",
                )
            )
            return None
        return _StemFile(info, None if reference is None else reference.seconds)


def _identity(path: Path) -> str:
    return os.path.realpath(path)


def _some(names: Iterable[str]) -> str:
    names = sorted(names, key=_folded)
    more = len(names) - _MOST_NAMED
    shown = names if more <= 0 else [*names[:_MOST_NAMED], f"{more} more"]
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} and {shown[-1]}"


def _fewest(found: list[Problem], section: Section, what: str) -> list[Problem]:
    """At most a handful of problems of one kind in one section, and how many more there are."""
    more = len(found) - _MOST_UNCLAIMED_LISTED
    if more <= 0:
        return found
    rest = Problem(f"section {section.name} has {more} more {what}", section.place, found[0].remedy)
    return [*found[:_MOST_UNCLAIMED_LISTED], rest]


def _doubled(section: Section, members: Sequence[Path], newest: Sequence[Path], place: Place) -> Problem:
    names, latest = _some([path.name for path in members]), _some([path.name for path in newest])
    what = f"section {section.name} plays several versions of one stem together: {names}"
    remedy = f"`versions: newest` in the section plays {latest} alone, `versions: all` plays them all"
    return Problem(what, place, remedy, subject=BusName.of_section(section.name))


def _twins(section: Section, twins: Sequence[Path], place: Place) -> Problem:
    what = f"section {section.name} plays one stem in several types of file together: "
    remedy = "name the right one with its extension; `versions: all` plays them all"
    return Problem(
        what + _some([p.name for p in twins]), place, remedy, subject=BusName.of_section(section.name)
    )


def _nothing_found(section: Section, entry: StemEntry, folder: StemsFolder, guesses: Guesses) -> Problem:
    what = f"no stem in {folder.folder} fits {entry.pattern!r}"
    names = chain((path.name for path in folder.files), (path.stem for path in folder.files))
    near = guesses.nearest(entry.pattern.strip("*"), names)
    remedy = f"did you mean {near!r}?" if near else _shown_names(folder.files)
    if not section.optional:
        remedy += f"{' or' if near else ';'} `optional: true` where a cue may lack section {section.name}"
    return Problem(what, entry.place, remedy)


def _shown_names(files: Sequence[Path]) -> str:
    if not files:
        return "the folder holds no sound files"
    return f"the folder holds {', '.join(path.name for path in files[:6])}" + (
        f" and {len(files) - 6} more" if len(files) > 6 else ""
    )


def _several_found(entry: StemEntry, found: list[Path]) -> Problem:
    listing = ", ".join(path.name for path in found)
    what = f"stem {entry.pattern!r} fits several files: {listing}"
    if len({_folded(path.name) for path in found}) == 1:
        # No other writing in the plan tells them apart.
        return Problem(what, entry.place, "rename one of them: their names differ only in case or accents")
    return Problem(what, entry.place, "write the name with its extension")


def _is_pair(files: Iterable[Path]) -> bool:
    sides = [split_side(p.stem) for p in files]
    return len(sides) == 2 and all(sides) and {side[1] for side in sides if side} == {"left", "right"}


def _partner(
    path: Path, others: Iterable[Path], claimed: dict[Path, StemEntry], opened: dict[Path, _StemFile]
) -> Path | None:
    """Find the other half: mono, same base and rate, claimed by the same entry or by a twin without a pan."""
    side, mine, info = split_side(path.stem), claimed[path], opened[path].info
    if side is None or info.channels != 1:
        return None
    for other in others:
        other_side = split_side(other.stem)
        if other == path or other_side is None or other_side[1] == side[1]:
            continue
        theirs = claimed[other]
        alike = theirs.level_db == mine.level_db and theirs.pan is None and mine.pan is None
        if (theirs is mine or alike) and opened[other].info.sample_rate == info.sample_rate:
            return other
    return None
