"""Which files a render writes: names, folders, families, and what may never be written.

Conventions
-----------
Paths are relative to the output folder, with "/" between folders. A bus may stand in several folders: each
family that adds up to the mix has one of its own, so that a folder can be dropped into a session as it is.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.audio.names import safe_file_names
from roomplan.errors import RoomplanError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from roomplan.mixing.buses import Bus, Family
    from roomplan.mixing.session import Session

__all__ = ["is_complete", "output_files", "refuse_inputs"]


def output_files(
    buses: tuple[Bus, ...],
    families: tuple[Family, ...],
    write: Sequence[str],
    only: Sequence[str],
    extension: str,
) -> dict[str, tuple[str, ...]]:
    """Bus name → its files, relative to the output folder. Each family has a folder of its own."""
    kinds = {bus.name: bus.kind for bus in buses}
    planned: dict[str, list[str]] = {}

    def put(folder: str, names: Sequence[str]) -> None:
        for name, file in _family_files(names).items():
            planned.setdefault(name, []).append(
                f"{folder}/{file}{extension}" if folder else f"{file}{extension}"
            )

    wanted = set(write)
    if "mix" in wanted or "mix" in only:
        put("", ["mix"])
    for family in families:
        if family.folder in wanted:
            put(family.folder, family.buses)
    sides = [name for name in ("dry", "wet") if name in wanted or (name in only and name not in planned)]
    if sides:
        put("dry_and_wet", sides)
    alternates = [bus.name for bus in buses if bus.kind == "alternate"]
    if "alternates" in wanted:
        put("alternates", alternates)
    if not only:
        return {name: tuple(paths) for name, paths in planned.items()}
    folder_of = {
        "section": "prints",
        "section_dry": "section_dry",
        "section_wet": "section_wet",
        "group": "groups",
        "group_dry": "group_dry",
        "group_wet": "group_wet",
        "room": "rooms",
        "room_position": "room_positions",
        "alternate": "alternates",
    }
    for name in only:
        if name not in planned:
            peers = [bus.name for bus in buses if bus.kind == kinds[name]]
            put(folder_of[kinds[name]], [peer for peer in peers if peer not in planned or peer == name])
    return {name: tuple(planned[name]) for name in dict.fromkeys(only)}


def _family_files(names: Sequence[str]) -> dict[str, str]:
    """Bus name → file name without extension: the last parts of the bus name, told apart where they clash."""
    labels: dict[str, str] = {}
    for name in names:
        parts = [part for part in name.split(":")[1:] if part not in {"dry", "wet"}] or name.split(":")
        labels[name] = " ".join(parts)
    folded: dict[str, int] = {}
    for label in labels.values():
        folded[label.casefold()] = folded.get(label.casefold(), 0) + 1
    for name, label in labels.items():
        if folded[label.casefold()] > 1 and ":" in name:
            labels[name] = f"{name.split(':', maxsplit=1)[0]} {label}"
    safe = safe_file_names(list(labels.values()))
    return {name: safe[label] for name, label in labels.items()}


def is_complete(family: Family, files: Mapping[str, tuple[str, ...]]) -> bool:
    """Whether all buses of a family are written into its folder, and their total somewhere."""
    return (
        bool(family.buses)
        and family.total in files
        and all(any(f.startswith(f"{family.folder}/") for f in files.get(bus, ())) for bus in family.buses)
    )


def refuse_inputs(session: Session, folder: Path, files: Sequence[str]) -> None:
    """No output may be a file the render reads, and no output folder the folder of the stems."""
    if folder.exists() and folder.resolve() == session.plan.stems_folder.resolve():
        raise RoomplanError(
            f"the output folder {folder} is the stems folder", remedy="give the delivery a folder of its own"
        )
    inputs = {path.resolve() for path in session.input_files}
    for file in [*files, "report.json"]:
        target = folder / file
        if target.resolve() in inputs:
            raise RoomplanError(
                f"output {target} is a file this plan reads", remedy="choose another output folder"
            )
