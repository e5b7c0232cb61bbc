"""From a session's deliveries to their folders, each of them all or nothing.

Conventions
-----------
Nothing is moved into place before everything, reports included, is complete: each folder is filled as a
whole, and deliveries in one folder together. What may not be replaced is refused before there is any sound;
other samples of a finished delivery are refused as soon as they are known.
"""

from __future__ import annotations

from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from roomplan.audio.writers import OutputFormat
from roomplan.errors import Problem, RoomplanError
from roomplan.files.staging import StagedFolder
from roomplan.rendering.earlier_stems import plan_digest
from roomplan.rendering.folder_ownership import (
    LEFT_OVER,
    examine_folder,
    finished_delivery,
    refuse_other_samples,
)
from roomplan.rendering.heard import Destination, PlannedFile
from roomplan.report_file import REPORT_NAME
from roomplan.session.buses import find_bus
from roomplan.session.output_files import delivery_rate, output_files, refuse_inputs, refuse_shared_files

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
    from pathlib import Path

    from roomplan.rendering.bus_layout import BusLayout
    from roomplan.rendering.folder_ownership import Finished, LeftOver
    from roomplan.rendering.heard import Heard
    from roomplan.rendering.progress import Progress
    from roomplan.rendering.result import Rendering
    from roomplan.session.output_files import DeliveryTarget
    from roomplan.session.session import Session

__all__ = ["PlannedDeliveries", "Transaction", "begin", "left_over_advice", "plan_deliveries"]

_MOST_NAMED = 3


@dataclass(frozen=True)
class PlannedDeliveries:
    """Which files go where; nothing is on the disk yet.

    Attributes
    ----------
    targets : tuple of DeliveryTarget
        Those that write something.
    files : mapping of str to mapping
        Delivery → bus → files.
    plan_sha256 : str or None
        Of the plan's files as they are now.
    """

    session: Session
    targets: tuple[DeliveryTarget, ...]
    files: Mapping[str, Mapping[str, tuple[str, ...]]]
    plan_sha256: str | None

    def names_of(self, target: DeliveryTarget) -> list[str]:
        """All files of one delivery."""
        return _names(self.files[target.name])


@dataclass(frozen=True)
class Transaction:
    """Deliveries being written beside their places.

    Attributes
    ----------
    left_over : mapping of str to tuple of LeftOver
        Delivery → what an earlier render of the plan wrote there and this one does not.
    finished : mapping of str to Finished or None
        Delivery → what has been delivered there of the plan's version.
    """

    planned: PlannedDeliveries
    stages: Mapping[Path, StagedFolder]
    left_over: Mapping[str, tuple[LeftOver, ...]]
    finished: Mapping[str, Finished | None]

    def destination(self) -> Destination:
        """Where the pass writes the files of every bus."""
        session, files = self.planned.session, self.planned.files
        planned: dict[str, tuple[PlannedFile, ...]] = {}
        for target in self.planned.targets:
            stage = self.stages[target.root]
            for bus, paths in files[target.name].items():
                new = tuple(_planned_file(session, target, stage, path) for path in paths)
                planned[bus] = planned.get(bus, ()) + new
        return Destination(planned, session.start_s is not None)

    def refuse_replacing_finished(self, heard: Heard, *, remake: Collection[Path]) -> None:
        """Refuse other samples for what has been delivered, but in the folders that are being remade."""
        kept = {
            name: one for name, one in self.finished.items() if one is not None and one.folder not in remake
        }
        refuse_other_samples(self.planned.session, kept, heard.outputs)

    def write_reports(
        self, result: Rendering, report: Callable[[Rendering, DeliveryTarget | None], str]
    ) -> None:
        """Put a report beside every delivery, and one into the folder that holds them."""
        targets = self.planned.targets
        for target in targets:
            self.stages[target.root].write_text(target.prefix + REPORT_NAME, report(result, target))
            if target.within is not None and target is targets[-1]:
                self.stages[target.root].write_text(REPORT_NAME, report(result, None))

    def commit(self, progress: Progress) -> None:
        """Move every folder into place; an error says which deliveries are there already."""
        done: list[str] = []
        for number, (root, stage) in enumerate(self.stages.items()):
            progress("moving files into place", number, len(self.stages))
            try:
                stage.commit(last=REPORT_NAME)
            except RoomplanError as error:
                if not done:
                    raise
                problem = error.problems[0]
                place = f"deliver{'y' if len(done) == 1 else 'ies'} {', '.join(done)}"
                raise RoomplanError(
                    f"{problem.what}; {place} {'is' if len(done) == 1 else 'are'} in place and complete",
                    remedy=problem.remedy,
                ) from error
            done += [target.name for target in self.planned.targets if target.root == root]


def plan_deliveries(
    layout: BusLayout, targets: Sequence[DeliveryTarget], only: Sequence[str]
) -> PlannedDeliveries:
    """Settle which files go where; refuse those that would overwrite an input or one another.

    Parameters
    ----------
    only : sequence of str
        Names of buses, nearest ones offered for a wrong one; all that the deliveries write where it is empty.
    """
    session = layout.session
    names = [bus.name for bus in layout.buses]
    files = _files_of(layout, targets, [find_bus(names, name) for name in only])
    chosen = tuple(target for target in targets if target.name in files)
    for target in chosen:
        refuse_inputs(session, target.folder, _names(files[target.name]))
    refuse_shared_files({t.name: (t.folder, _names(files[t.name])) for t in chosen})
    return PlannedDeliveries(session, chosen, files, plan_digest(session))


@contextmanager
def begin(
    planned: PlannedDeliveries, *, complete: bool, replace: bool, notice: Callable[[str], None]
) -> Iterator[Transaction]:
    """Make the stages of all folders, after looking at what is there; what is not committed goes at the end.

    Parameters
    ----------
    complete : bool
        Whether files that are not written now are left over.
    replace : bool
        Whether files of another plan, or the user's own, may be replaced.
    notice : callable
        As in `StagedFolder`.
    """
    with ExitStack() as stack:
        stages = {
            root: stack.enter_context(StagedFolder(root, notice=notice))
            for root in dict.fromkeys(target.root for target in planned.targets)
        }
        left_over = _examine(planned, complete=complete, replace=replace)
        for target in planned.targets:
            for entry in left_over[target.name]:
                if entry.was is not None:
                    stages[target.root].set_aside(target.prefix + entry.was, target.prefix + entry.file)
        finished = {
            target.name: finished_delivery(
                planned.session, target, planned.names_of(target), digest=planned.plan_sha256
            )
            for target in planned.targets
        }
        yield Transaction(planned, stages, left_over, finished)


def left_over_advice(left_over: Mapping[str, tuple[LeftOver, ...]]) -> list[Problem]:
    """Say what is moved out of the way because no bus writes it now."""
    moved = [entry.was for group in left_over.values() for entry in group if entry.was is not None]
    if not moved:
        return []
    more = f" and {len(moved) - _MOST_NAMED} more" if len(moved) > _MOST_NAMED else ""
    return [
        Problem(
            f"left over from an earlier render: {', '.join(moved[:_MOST_NAMED])}{more}",
            None,
            f"moved to {LEFT_OVER}/ in the delivery's folder, as no bus of the plan writes them now",
        )
    ]


def _names(files: Mapping[str, Sequence[str]]) -> list[str]:
    return [path for paths in files.values() for path in paths]


def _files_of(
    layout: BusLayout, targets: Sequence[DeliveryTarget], only: Sequence[str]
) -> dict[str, dict[str, tuple[str, ...]]]:
    """Delivery → bus → files, for the deliveries that write something."""

    def files(target: DeliveryTarget, buses: Sequence[str]) -> dict[str, tuple[str, ...]]:
        return output_files(layout.session, layout.buses, layout.families, target.delivery, buses)

    usual = {target.name: files(target, ()) for target in targets}
    if not only:
        return {name: found for name, found in usual.items() if found}
    nowhere = [bus for bus in only if not any(bus in found for found in usual.values())]
    chosen = {}
    for target in targets:
        mine = [bus for bus in only if bus in usual[target.name]]
        if target is targets[0]:
            mine = [bus for bus in only if bus in mine or bus in nowhere]
        if mine:
            chosen[target.name] = files(target, mine)
    return chosen


def _planned_file(session: Session, target: DeliveryTarget, stage: StagedFolder, path: str) -> PlannedFile:
    delivery = target.delivery
    return PlannedFile(
        file=path,
        delivery=target.name,
        path=stage.path(target.prefix + path),
        form=OutputFormat(delivery.container, delivery.bit_depth),
        sample_rate=delivery_rate(session, delivery),
    )


def _examine(planned: PlannedDeliveries, *, complete: bool, replace: bool) -> dict[str, tuple[LeftOver, ...]]:
    """Refuse what may not be replaced in any folder, and list what is left over in each delivery."""
    session, digest = planned.session, planned.plan_sha256
    for root in dict.fromkeys(target.within for target in planned.targets):
        if root is not None:
            examine_folder(session, root, (), digest=digest, complete=False, replace=replace)
    return {
        target.name: examine_folder(
            session,
            target.folder,
            planned.names_of(target),
            digest=digest,
            complete=complete,
            replace=replace,
        )
        for target in planned.targets
    }
