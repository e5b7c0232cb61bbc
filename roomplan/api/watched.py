"""What a render depends on: files whose content counts, and folders in which names count."""

from __future__ import annotations

import os
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from roomplan.documents.extends import read_extended
from roomplan.errors import places_of
from roomplan.files.names import is_sound_name
from roomplan.plan.load import load_plan

__all__ = ["State", "Watched", "watched_by"]

_PLANS = frozenset({".yaml", ".yml"})

State = tuple[int, int, int] | frozenset[str] | None


@dataclass(frozen=True)
class Watched:
    """Files whose content counts, and folders in which the names of sound files and plans count."""

    files: frozenset[Path]
    folders: frozenset[Path]

    def look(self) -> dict[Path, State]:
        """State of everything now; None for what is not there or cannot be reached."""
        return {file: _state(file) for file in self.files} | {f: _names(f) for f in self.folders}


def watched_by(plan_path: Path, known: frozenset[Path]) -> Watched:
    """Everything whose change may change the sound, as far as the plan can be made out.

    Parameters
    ----------
    known : frozenset of Path
        Files that an earlier render read.
    """
    files, folders = {plan_path.absolute(), *known}, {plan_path.absolute().parent}
    document, problems = read_extended(plan_path)
    files |= places_of(problems)
    if document is not None:
        files.update(file.absolute() for file in document.files)
    plan = load_plan(plan_path).plan
    if plan is not None:
        folders.add(plan.stems_folder)
        files.update(plan.documents)
        for room in plan.rooms.values():
            if not isinstance(room.synthetic, str | None):
                files.add(room.synthetic)
            files.update(file for position in (room.responses or {}).values() for file in position.files)
    return Watched(frozenset(files), frozenset(folders))


def _state(file: Path) -> State:
    try:
        found = file.stat()
    except (OSError, ValueError):
        return None
    return found.st_size, found.st_mtime_ns, found.st_ino


def _names(folder: Path) -> State:
    try:
        return _counting(frozenset(os.listdir(folder)))  # noqa: PTH208 — paths of ten thousand stems take time
    except OSError:
        return None


@lru_cache(maxsize=4)
def _counting(names: frozenset[str]) -> frozenset[str]:
    """Names of sound files and plans."""
    paths = [Path(name) for name in names]
    return frozenset(p.name for p in paths if is_sound_name(p) or (p.suffix in _PLANS and p.stem[0] != "."))
