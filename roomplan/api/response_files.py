"""Captured responses as files: their names, what they hold, and how all of them appear together.

Conventions
-----------
A recording is a position of a room, called like its file. Files are 32-bit float WAV; nothing is normalised.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from roomplan.api.arrays import write_float_file
from roomplan.errors import RoomplanError
from roomplan.files.names import safe_file_names
from roomplan.files.real_path import real_path
from roomplan.report.captures import ResponseFile

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    from roomplan.files.staging import StagedFolder
    from roomplan.report.captures import Kind

__all__ = ["Response", "commit_responses", "microphone_groups", "output_names", "write_responses"]


@dataclass(frozen=True, slots=True)
class Response:
    """One response to be written; `ending` follows the name of its recording."""

    ending: str
    kind: Kind
    channels: tuple[int, ...]
    sides: tuple[str, ...]
    samples: NDArray[np.floating]


def output_names(recordings: Sequence[Path], folder: Path, *, replace: bool) -> dict[Path, str]:
    """Recording → its name as a position and a file, without its suffix; asked before any work.

    Raises
    ------
    RoomplanError
        Two recordings of one name, one that lies where the responses go, a file that is there already.
    """
    names = _positions_of(recordings)
    target = folder.expanduser()
    for path, name in names.items():
        if real_path(path.parent) == real_path(target):
            raise RoomplanError(
                f"{path}: lies in the folder that the responses go to", remedy="name another output folder"
            )
        _refuse_existing(folder / f"{name}.wav", replace=replace)
    return names


def microphone_groups(channels: Sequence[int]) -> list[tuple[str, slice]]:
    """Which of some channels of a recording, counted from 0, share a file, with what follows the file's name.

    An even number of microphones are pairs, one after the other; else each is for itself.
    """
    width = 1 if len(channels) % 2 else 2
    groups = [slice(first, first + width) for first in range(0, len(channels), width)]
    if len(groups) == 1:
        return [("", groups[0])]
    return [(f"_{'_'.join(str(channel + 1) for channel in channels[group])}", group) for group in groups]


def write_responses(
    staged: StagedFolder,
    folder: Path,
    name: str,
    parts: Iterable[Response],
    sample_rate: int,
    lead_s: float,
    *,
    replace: bool,
) -> tuple[ResponseFile, ...]:
    """Write the responses of one recording into the stage."""
    written: list[ResponseFile] = []
    for part in parts:
        position = f"{name}{part.ending}"
        place = folder / f"{position}.wav"
        _refuse_existing(place, replace=replace)
        write_float_file(staged.path(place.name), part.samples, sample_rate)
        written.append(
            ResponseFile(
                place, position, part.kind, part.channels, part.sides, sample_rate, len(part.samples), lead_s
            )
        )
    return tuple(written)


def commit_responses(staged: StagedFolder, files: Sequence[ResponseFile]) -> None:
    """Move all that was written into place."""
    if files:
        staged.commit(last=files[-1].file.name)


def _positions_of(recordings: Sequence[Path]) -> dict[Path, str]:
    """Recording → its name as a position and a file, without its suffix.

    Raises
    ------
    RoomplanError
        Two recordings would have one name.
    """
    stems = [path.stem for path in recordings]
    twice = next((path for path in recordings if stems.count(path.stem) > 1), None)
    if twice is not None:
        others = ", ".join(str(path) for path in recordings if path.stem == twice.stem)
        raise RoomplanError(
            f"several recordings have the name {twice.stem}: {others}",
            remedy="rename them: a position is called like its recording",
        )
    names = safe_file_names([stem.replace(":", "_") for stem in stems])
    return {path: names[path.stem.replace(":", "_")] for path in recordings}


def _refuse_existing(place: Path, *, replace: bool) -> None:
    if place.expanduser().exists() and not replace:
        raise RoomplanError(f"{place}: already exists", remedy="name another folder, or give --replace")
