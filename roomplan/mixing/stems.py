"""Which sound files a section plays: names, patterns, left/right pairs, and the stems nobody claims.

Conventions
-----------
A *stem* is one mono or stereo signal: one file, or two mono files whose names differ only in a left/right
mark (`_L/_R`, `-L/-R`, `.L/.R`, `left/right`). Names are compared in Unicode NFC, ignoring case, with or
without their extension. Nothing is guessed: a name that fits two files, a stem that two sections claim and
a pattern that fits nothing are problems.
"""

from __future__ import annotations

import fnmatch
import re
import unicodedata
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from roomplan.audio.files import SoundInfo, inspect_sound
from roomplan.audio.names import is_sound_name
from roomplan.documents.suggest import did_you_mean
from roomplan.errors import AudioError, Place, Problem

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable
    from pathlib import Path

    from roomplan.plan.model import Plan, Section, StemEntry

__all__ = ["StemSource", "StemsFolder", "claim_stems", "split_side"]

# a mark must follow a separator, so that "Cello" or "FLUTER" never reads as a side
_SIDE = re.compile(r"^(?P<base>.*?)(?P<mark>[_\-.]l|[_\-.]r|[_\-. ]?left|[_\-. ]?right)$", re.IGNORECASE)


@dataclass(frozen=True)
class StemSource:
    """One mono or stereo stem with its own level and pan; `files` holds one file, or left and right."""

    name: str
    files: tuple[Path, ...]
    channels: int
    sample_rate: int
    duration_s: float
    level_db: float
    pan: float | None
    place: Place


def _folded(name: str) -> str:
    return unicodedata.normalize("NFC", name).casefold()


def split_side(stem: str) -> tuple[str, str] | None:
    """Base name and side ("left" or "right") of a name with a side mark, else None."""
    match = _SIDE.match(stem)
    if match is None or not match["base"]:
        return None
    return match["base"], "left" if match["mark"].lstrip("_-. ").casefold().startswith("l") else "right"


@dataclass
class StemsFolder:
    """The sound files of a stems folder, listed once."""

    folder: Path
    files: list[Path] = field(default_factory=list)

    @classmethod
    def listed(cls, folder: Path, place: Place) -> tuple[StemsFolder, list[Problem]]:
        """List the folder's sound files; a missing folder is one problem, not one per stem."""
        if not folder.is_dir():
            what = f"the stems folder {folder} " + ("is a file" if folder.exists() else "does not exist")
            near = _near_folder(folder)
            return cls(folder), [
                Problem(
                    what, place, f"did you mean {near}?" if near else "name the folder that holds the stems"
                )
            ]
        try:
            entries = sorted(folder.iterdir(), key=lambda path: _folded(path.name))
        except OSError as error:
            return cls(folder), [
                Problem(
                    f"the stems folder {folder} cannot be read: {error.strerror}", place, "allow reading it"
                )
            ]
        files = [path for path in entries if is_sound_name(path)]
        return cls(folder, files), []

    def matching(self, pattern: str) -> list[Path]:
        """Files whose name, with or without extension, is `pattern` or fits it as a glob."""
        wanted = _folded(pattern)
        exact = [p for p in self.files if _folded(p.name) == wanted]
        exact = exact or [p for p in self.files if _folded(p.stem) == wanted]
        if exact:
            return exact
        if not _is_glob(pattern):
            pair = [p for p in self.files if (side := split_side(p.stem)) and _folded(side[0]) == wanted]
            if {split_side(p.stem)[1] for p in pair if split_side(p.stem)} == {"left", "right"}:  # type: ignore[index]
                return pair
            direct = self.folder / pattern
            return [direct] if ("/" in pattern or "\\" in pattern) and direct.is_file() else []
        return [
            p
            for p in self.files
            if fnmatch.fnmatchcase(_folded(p.name), wanted) or fnmatch.fnmatchcase(_folded(p.stem), wanted)
        ]


def _near_folder(folder: Path) -> str | None:
    parent = folder.parent
    if not parent.is_dir():
        return None
    try:
        names = [p.name for p in parent.iterdir() if p.is_dir()]
    except OSError:
        return None
    return did_you_mean(folder.name, names)


def _is_glob(pattern: str) -> bool:
    return any(mark in pattern for mark in "*?[")


def claim_stems(
    plan: Plan, *, ignore: Collection[Path] = ()
) -> tuple[dict[str, tuple[StemSource, ...]], list[Problem], list[Problem]]:
    """Give every section its stems.

    Parameters
    ----------
    plan : Plan
    ignore : collection of Path
        Files of the folder that are not stems (responses that lie beside them).

    Returns
    -------
    stems : dict
        Section name → its stems in the order of the plan, files in the order of their names.
    problems, warnings : list of Problem
        Everything that keeps the plan from being rendered; and the stems that nobody claims.
    """
    folder, problems = StemsFolder.listed(plan.stems_folder, plan.place)
    if problems:
        return {}, problems, []
    warnings: list[Problem] = []
    owner: dict[Path, str] = {}
    stems: dict[str, tuple[StemSource, ...]] = {}
    infos: dict[Path, SoundInfo | None] = {}
    for section in plan.sections.values():
        claimed = _claim_for_section(section, folder, problems)
        for path, entry in claimed.items():
            other = owner.setdefault(path, section.name)
            if other != section.name:
                problems.append(
                    Problem(
                        f"stem {path.name} is claimed by section {other} and by section {section.name}",
                        entry.place,
                        "narrow one of the two patterns so that each stem is heard once",
                    )
                )
        sources = _join_sides(section, claimed, infos, problems, warnings)
        stems[section.name] = tuple(sources)
    ignored = {_identity(path) for path in ignore}
    warnings.extend(
        Problem(
            f"stem {path.name} is claimed by no section and will not be heard",
            plan.place,
            "add it to a section's stems, or move it out of the folder",
        )
        for path in folder.files
        if path not in owner and _identity(path) not in ignored
    )
    return stems, problems, warnings


def _identity(path: Path) -> Path:
    try:
        return path.resolve()
    except OSError:
        return path


def _claim_for_section(
    section: Section, folder: StemsFolder, problems: list[Problem]
) -> dict[Path, StemEntry]:
    """Claim exact names first, so that `["*choir*", {file: choir_solo, level: -3}]` means what it says."""
    claimed: dict[Path, StemEntry] = {}
    names = [p.name for p in folder.files]
    for entry in sorted(section.stems, key=lambda e: _is_glob(e.pattern)):
        found = folder.matching(entry.pattern)
        if not found:
            problems.append(_nothing_found(entry, folder, names))
            continue
        if not _is_glob(entry.pattern) and len(found) > 1 and not _is_pair(found):
            listing = ", ".join(p.name for p in found)
            problems.append(
                Problem(
                    f"stem {entry.pattern!r} fits several files: {listing}",
                    entry.place,
                    "write the name with its extension",
                )
            )
            continue
        for path in found:
            if _is_glob(entry.pattern):
                claimed.setdefault(path, entry)
            elif path in claimed:
                problems.append(
                    Problem(
                        f"stem {path.name} is named twice in section {section.name}",
                        entry.place,
                        "name it once",
                    )
                )
            else:
                claimed[path] = entry
    return claimed


def _nothing_found(entry: StemEntry, folder: StemsFolder, names: list[str]) -> Problem:
    what = f"no stem in {folder.folder} fits {entry.pattern!r}"
    near = did_you_mean(entry.pattern.strip("*"), [*names, *(name.rsplit(".", 1)[0] for name in names)])
    if near:
        return Problem(what, entry.place, f"did you mean {near!r}?")
    if not names:
        return Problem(what, entry.place, "the folder holds no sound files at all")
    shown = ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")
    return Problem(what, entry.place, f"the folder holds {shown}")


def _is_pair(files: Iterable[Path]) -> bool:
    sides = [split_side(p.stem) for p in files]
    return len(sides) == 2 and all(sides) and {side[1] for side in sides if side} == {"left", "right"}


def _join_sides(
    section: Section,
    claimed: dict[Path, StemEntry],
    infos: dict[Path, SoundInfo | None],
    problems: list[Problem],
    warnings: list[Problem],
) -> list[StemSource]:
    """Turn claimed files into stems; two mono files that are left and right of one name become one."""
    opened: dict[Path, SoundInfo] = {}
    for path, entry in claimed.items():
        if path not in infos:
            infos[path] = _inspected(path, entry, problems)
        info = infos[path]
        if info is not None:
            opened[path] = info
    sources: list[StemSource] = []
    used: set[Path] = set()
    for path in sorted(opened, key=lambda p: _folded(p.name)):
        if path in used:
            continue
        entry, info = claimed[path], opened[path]
        partner = _partner(path, claimed, opened)
        files = (path,)
        if partner is not None:
            side = split_side(path.stem)
            files = (path, partner) if side and side[1] == "left" else (partner, path)
            used.add(partner)
        elif info.channels == 1 and entry.pan is None and (side := split_side(path.stem)) is not None:
            warnings.append(
                Problem(
                    f"stem {path.name} looks like the {side[1]} half of a pair whose other half is missing",
                    entry.place,
                    "it is used as a mono stem; give it a pan if that is meant",
                )
            )
        used.add(path)
        base = split_side(path.stem)
        name = base[0] if len(files) == 2 and base else path.stem
        durations = [opened[p].frames / opened[p].sample_rate for p in files]
        sources.append(
            StemSource(
                name=name,
                files=files,
                channels=2 if len(files) == 2 else info.channels,
                sample_rate=info.sample_rate,
                duration_s=max(durations),
                level_db=entry.level_db,
                pan=entry.pan,
                place=entry.place,
            )
        )
    if not sources and not problems and not section.stems:
        problems.append(
            Problem(
                f"section {section.name} has no stems", section.place, "add `stems:` with a name or a pattern"
            )
        )
    return sources


def _partner(path: Path, claimed: dict[Path, StemEntry], opened: dict[Path, SoundInfo]) -> Path | None:
    """Find the other half: mono, same base and rate, claimed by the same entry or by a twin without a pan."""
    side = split_side(path.stem)
    if side is None or opened[path].channels != 1:
        return None
    mine = claimed[path]
    for other, info in opened.items():
        other_side = split_side(other.stem)
        if other == path or other_side is None or info.channels != 1:
            continue
        if _folded(other_side[0]) != _folded(side[0]) or other_side[1] == side[1]:
            continue
        theirs = claimed[other]
        alike = theirs.level_db == mine.level_db and theirs.pan is None and mine.pan is None
        if (theirs is mine or alike) and info.sample_rate == opened[path].sample_rate:
            return other
    return None


def _inspected(path: Path, entry: StemEntry, problems: list[Problem]) -> SoundInfo | None:
    try:
        info = inspect_sound(path)
    except AudioError as error:
        problems.extend(Problem(p.what, entry.place, p.remedy) for p in error.problems)
        return None
    if info.channels > 2:
        problems.append(
            Problem(
                f"stem {path.name} has {info.channels} channels",
                entry.place,
                "stems are mono or stereo: split it first",
            )
        )
        return None
    return info
