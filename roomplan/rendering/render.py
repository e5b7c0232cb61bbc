"""Render a session: one pass over the sound, then figures, files and what to know of them.

Conventions
-----------
All files of a render start on the same frame, and those
of one sample rate have one length.
"""

from __future__ import annotations

from dataclasses import replace as replaced
from typing import TYPE_CHECKING

from roomplan.files.staging import silent_notice
from roomplan.rendering.advice import width_advice
from roomplan.rendering.bus_layout import lay_out
from roomplan.rendering.finishing import finish_files, judge_levels, time_advice
from roomplan.rendering.kept_pass import PassOptions
from roomplan.rendering.measure import advice_of_pass, figures_of_pass, prepared_matrices, survey
from roomplan.rendering.new_pass import hear_whole
from roomplan.rendering.progress import silent_progress
from roomplan.rendering.transaction import begin, left_over_advice, plan_deliveries
from roomplan.session.output_files import is_complete, plan_targets

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping, Sequence
    from pathlib import Path

    from roomplan.files.cache import Cache
    from roomplan.rendering.heard import Heard
    from roomplan.rendering.progress import Progress
    from roomplan.rendering.result import Rendering
    from roomplan.rendering.transaction import Transaction
    from roomplan.session.buses import BusFamily
    from roomplan.session.output_files import DeliveryTarget
    from roomplan.session.response_matrices import ResponseMatrix
    from roomplan.session.session import Session

    Matrices = Mapping[tuple[str, int], ResponseMatrix]

__all__ = ["render_session"]


def render_session(
    session: Session,
    targets: Sequence[DeliveryTarget],
    *,
    report: Callable[[Rendering, DeliveryTarget | None], str],
    only: Sequence[str] = (),
    replace: bool = False,
    remake: Collection[Path] = (),
    workers: int = 2,
    progress: Progress = silent_progress,
    cache: Cache | None = None,
    notice: Callable[[str], None] = silent_notice,
) -> Rendering:
    """Render a session into folders, each of them all or nothing, from one convolution.

    Parameters
    ----------
    targets : sequence of DeliveryTarget
        From `plan_targets`: what is written where.
    report : callable
        Turns the rendering into the text of the `report.json` of one target; of the folder that holds several
        when it is given None.
    only : sequence of str
        Names of buses; when given, only these are written, by the deliveries that write them anyway. A bus
        that none of them writes goes to the first. A delivery that is left without a file is left alone.
    replace : bool
        Whether another plan's files, the user's own, or a finished delivery of this version may be replaced.
    remake : collection of Path
        Folders whose finished delivery is work in progress, and may be replaced all the same.
    workers, progress
        Threads, and who is told how far the work is.
    cache : Cache, optional
        Where the wet components of the pass are kept and, but for an excerpt, its cross powers.
    notice : callable, optional
        As in `StagedFolder`.

    Raises
    ------
    RoomplanError
        A bus would clip in an integer format, an output would overwrite an input, what is not this plan's or
        (`DeliveredError`) other samples of a finished delivery of this version, two deliveries share a file,
        a disk is full. Earlier files are untouched; where deliveries have folders of their own and a later
        one cannot be moved into place, those before it stay, and the error names them.

    Notes
    -----
    Files of an earlier render of the same plan that this one does not write are moved to `left_over/` in the
    delivery's folder, together with the new files; with `only`, or where the version has changed, they stay.
    Either way the report lists them.
    """
    layout = lay_out(session)
    options = PassOptions(workers, progress, cache)
    deliveries = plan_deliveries(layout, targets, only)
    with begin(deliveries, complete=not only, replace=replace, notice=notice) as transaction:
        stems = survey(session, options)
        matrices = prepared_matrices(session, options)
        heard = hear_whole(layout, matrices, options, transaction.destination())
        places = deliveries.targets or plan_targets(session.plan)
        warnings = advice_of_pass(session, heard, stems, places, cache)
        several = len(deliveries.targets) > 1
        warnings += judge_levels(session, heard.levels, heard.outputs, several=several)
        if not replace:
            transaction.refuse_replacing_finished(heard, remake=remake)
        warnings += time_advice(session, deliveries.targets)
        measured = figures_of_pass(layout, heard, matrices, options)
        result = replaced(
            _delivered(measured, heard, layout.families, transaction),
            stems=stems,
            warnings=(
                *warnings,
                *width_advice(session, measured.buses),
                *left_over_advice(transaction.left_over),
            ),
        )
        transaction.write_reports(result, report)
        transaction.commit(progress)
    return result


def _delivered(
    measured: Rendering, heard: Heard, families: Sequence[BusFamily], transaction: Transaction
) -> Rendering:
    """Finish the files of a render, and add to its figures what was written where."""
    planned = transaction.planned
    targets = planned.targets
    return replaced(
        measured,
        families=tuple(f for f in families if any(_complete_in(t, f, heard) for t in targets)),
        outputs=finish_files(
            planned.session, targets, heard.outputs, {bus.name: bus for bus in measured.buses}
        ),
        folder=targets[0].root if len({target.root for target in targets}) == 1 else None,
        targets=targets,
        left_over=transaction.left_over,
        plan_sha256=planned.plan_sha256,
        fresh=tuple(target.folder for target in targets if transaction.finished[target.name] is None),
    )


def _complete_in(target: DeliveryTarget, family: BusFamily, heard: Heard) -> bool:
    files = {
        bus: [output.file for output in group if output.delivery == target.name]
        for bus, group in heard.outputs.items()
    }
    return is_complete(family, files)
