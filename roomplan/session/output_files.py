"""Which files a render writes: folders, names, families, and what may never be written.

Conventions
-----------
Paths of files are relative to the folder of their delivery, with "/" between folders. A bus may be in
several folders: each family that adds up to the mix or to an alternate has one of its own, so that a folder
can be dropped into a session as it is. A delivery's `file_name` changes the names of files, not these
folders.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from roomplan.errors import RoomplanError
from roomplan.files.names import safe_file_names
from roomplan.files.real_path import real_path
from roomplan.frozen_classes import frozen_class
from roomplan.plan.bus_name import BusName
from roomplan.plan.templates import filled
from roomplan.report_file import REPORT_NAME

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from roomplan.plan.model import Delivery, Plan
    from roomplan.session.buses import Bus, BusFamily
    from roomplan.session.session import Session

__all__ = [
    "DeliveryTarget",
    "delivery_rate",
    "is_complete",
    "output_files",
    "plan_targets",
    "refuse_inputs",
    "refuse_shared_files",
]

_FOLDER_OF_KIND = {
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


@frozen_class
class DeliveryTarget:
    """One delivery of a render and the folder it goes to.

    Attributes
    ----------
    folder : Path
        Absolute; its files and its `report.json` are here.
    name : str
        Of the delivery.
    within : Path or None
        The folder that holds this and other deliveries, and a report that covers all; None: it stands alone.
    """

    delivery: Delivery
    folder: Path
    name: str
    within: Path | None = None

    @property
    def root(self) -> Path:
        """Folder whose files appear together."""
        return self.folder if self.within is None else self.within

    @property
    def prefix(self) -> str:
        """What leads from `root` to the files of this delivery."""
        return "" if self.within is None else f"{self.folder.name}/"


def plan_targets(plan: Plan, output: Path | None = None) -> tuple[DeliveryTarget, ...]:
    """Where the deliveries of a plan go.

    Parameters
    ----------
    output : Path, optional
        A folder instead of the deliveries' own: one delivery goes straight into it, several into
        subfolders of their names.

    Returns
    -------
    tuple of DeliveryTarget
        In the order of the plan.
    """
    deliveries = tuple(plan.deliveries.values())
    if output is None:
        return tuple(DeliveryTarget(one, one.folder.absolute(), one.name) for one in deliveries)
    folder = output.expanduser().absolute()
    if len(deliveries) == 1:
        return tuple(DeliveryTarget(one, folder, one.name) for one in deliveries)
    names = safe_file_names([one.name for one in deliveries])
    return tuple(DeliveryTarget(one, folder / names[one.name], one.name, folder) for one in deliveries)


def delivery_rate(session: Session, delivery: Delivery) -> int:
    """Sample rate of a delivery's files, hertz."""
    return session.sample_rate if delivery.sample_rate is None else delivery.sample_rate


def output_files(
    session: Session,
    buses: tuple[Bus, ...],
    families: tuple[BusFamily, ...],
    delivery: Delivery,
    only: Sequence[str],
) -> dict[str, tuple[str, ...]]:
    """Bus name → its files in a delivery. Each family has a folder of its own.

    With `only`, these buses alone: where the delivery would write them, else where their kind belongs.
    """
    kinds: dict[str, str] = {bus.name: bus.kind for bus in buses}
    planned: dict[str, list[str]] = {}

    def put(folder: str, names: Sequence[str]) -> None:
        for name, file in _family_files(session, delivery, names).items():
            path = f"{file}.{delivery.container}"
            planned.setdefault(name, []).append(f"{folder}/{path}" if folder else path)

    wanted = set(delivery.write)
    if "mix" in wanted or "mix" in only:
        put("", ["mix"])
    for family in families:
        if family.folder in wanted:
            put(family.folder, family.buses)
    sides = [name for name in ("dry", "wet") if name in wanted or (name in only and name not in planned)]
    if sides:
        put("dry_and_wet", sides)
    if "alternates" in wanted:
        put("alternates", [bus.name for bus in buses if bus.kind == "alternate"])
    if "alternate_groups" in wanted:
        for family in families:
            if family.total != "mix":
                put(family.folder, family.buses)
    if not only:
        return {name: tuple(paths) for name, paths in planned.items()}
    for name in only:
        if name in planned:
            continue
        if kinds[name] == "alternate_group":
            (family,) = [family for family in families if name in family.buses]
            folder, peers = family.folder, family.buses
        else:
            folder = _FOLDER_OF_KIND[kinds[name]]
            peers = tuple(bus.name for bus in buses if bus.kind == kinds[name])
        put(folder, [peer for peer in peers if peer not in planned or peer == name])
    return {name: tuple(planned[name]) for name in dict.fromkeys(only)}


def _family_files(session: Session, delivery: Delivery, names: Sequence[str]) -> dict[str, str]:
    """Bus name → file name without extension: the last parts of the bus name, told apart where they clash."""
    labels: dict[BusName, str] = {}
    for name in map(BusName, names):
        if name.kind == "alternate" and name.part:  # its folder says which alternate
            labels[name] = name.part.replace(":", " ")
        elif name.kind == "room" and name.part:
            labels[name] = f"{name.subject} {name.part}"
        else:
            labels[name] = name.subject or name
    folded: dict[str, int] = {}
    for label in labels.values():
        folded[label.casefold()] = folded.get(label.casefold(), 0) + 1
    for name, label in labels.items():
        if folded[label.casefold()] > 1 and name.subject:
            labels[name] = f"{name.kind} {label}"
    if delivery.file_name is not None:
        values = _field_values(session, delivery)
        labels = {name: filled(delivery.file_name, values | {"bus": label}) for name, label in labels.items()}
    # Two buses of one name cannot be told apart by `safe_file_names`, which takes them for one: a template
    # without {bus} makes them so.
    numbered: dict[str, str] = {}
    seen: dict[str, int] = {}
    for name, label in labels.items():
        seen[label] = seen.get(label, 0) + 1
        numbered[name] = label if seen[label] == 1 else f"{label}_{seen[label]}"
    safe = safe_file_names(list(numbered.values()))
    return {name: safe[label] for name, label in numbered.items()}


def _field_values(session: Session, delivery: Delivery) -> dict[str, str]:
    """Field of a template → its value; a bus adds its own."""
    plan = session.plan
    return {
        "cue": plan.cue or "",
        "version": plan.version or "",
        "title": plan.title,
        "rate": str(delivery_rate(session, delivery)),
        "bits": str(delivery.bit_depth),
        "delivery": delivery.name,
    }


def is_complete(family: BusFamily, files: Mapping[str, Sequence[str]]) -> bool:
    """Whether all buses of a family are written into its folder, and their total somewhere."""
    return (
        bool(family.buses)
        and bool(files.get(family.total))
        and all(any(f.startswith(f"{family.folder}/") for f in files.get(bus, ())) for bus in family.buses)
    )


def refuse_inputs(session: Session, folder: Path, files: Sequence[str]) -> None:
    """No output may be a file the render reads, and no output folder the folder of the stems."""
    if folder.exists() and real_path(folder) == real_path(session.plan.stems_folder):
        raise RoomplanError(
            f"the output folder {folder} is the stems folder", remedy="give the delivery a folder of its own"
        )
    inputs = {real_path(path) for path in session.input_files}
    for file in [*files, REPORT_NAME]:
        target = folder / file
        if real_path(target) in inputs:
            raise RoomplanError(
                f"output {target} is a file this plan reads", remedy="choose another output folder"
            )


def refuse_shared_files(files: Mapping[str, tuple[Path, Sequence[str]]]) -> None:
    """No two deliveries may write one file; `files` maps their names to their folders and files."""
    owner: dict[str, str] = {}
    for name, (folder, paths) in files.items():
        where = real_path(folder)
        for path in (*paths, REPORT_NAME):
            other = owner.setdefault(str(where / path).casefold(), name)
            if other != name:
                raise RoomplanError(
                    f"deliveries {other} and {name} would both write {folder / path}",
                    remedy="give each a `folder` of its own, such as one with {delivery} in it",
                )
