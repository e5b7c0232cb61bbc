"""Render or measure a session: one pass over the sound, then figures, files and what to know of them.

Conventions
-----------
Every bus is metered, whether it is written or not. All files of a render start on the same frame, and those
of one sample rate have one length.
"""

from __future__ import annotations

from dataclasses import replace as replaced
from typing import TYPE_CHECKING

from roomplan.files.staging import silent_notice
from roomplan.rendering.advice import passage_advice, plan_advice, signal_advice
from roomplan.rendering.bus_layout import lay_out
from roomplan.rendering.finishing import finish_files, foreseen_clipping, judge_levels, time_advice
from roomplan.rendering.folder_ownership import earlier_stems, plan_digest
from roomplan.rendering.kept_pass import PassOptions, hear_or_recall, hear_whole
from roomplan.rendering.one_pass import silent_progress
from roomplan.rendering.outside import whole_place
from roomplan.rendering.pass_figures import figures_of_buses, figures_of_sends
from roomplan.rendering.passages import margins_of_plan, passages_of_plan
from roomplan.rendering.result import Rendering
from roomplan.rendering.stem_advice import changed_stem_advice, stem_advice
from roomplan.rendering.stem_survey import survey_stems
from roomplan.rendering.transaction import begin, left_over_advice, plan_deliveries
from roomplan.session.output_files import is_complete, plan_targets
from roomplan.session.response_matrices import response_matrices

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping, Sequence
    from pathlib import Path

    from roomplan.errors import Problem
    from roomplan.files.cache import Cache
    from roomplan.rendering.bus_layout import BusLayout
    from roomplan.rendering.one_pass import Heard, Progress
    from roomplan.rendering.stem_survey import SurveyedFile
    from roomplan.rendering.transaction import Transaction
    from roomplan.session.buses import BusFamily
    from roomplan.session.output_files import DeliveryTarget
    from roomplan.session.response_matrices import ResponseMatrix
    from roomplan.session.session import Session

    Matrices = Mapping[tuple[str, int], ResponseMatrix]

__all__ = ["measure_session", "render_session"]


def measure_session(
    session: Session,
    *,
    workers: int = 2,
    progress: Progress = silent_progress,
    cache: Cache | None = None,
    peaks: bool = False,
) -> Rendering:
    """Measure every bus of a session; nothing is written.

    The session is rendered, unless `cache` holds the cross powers of the same sounds at other levels: then
    all but the peaks follow from those. With `peaks` that is not enough where a delivery has an integer
    format, which those peaks may not fit.
    """
    usual = plan_targets(session.plan)
    layout = lay_out(session)
    options = PassOptions(workers, progress, cache)
    stems = _survey(session, options)
    matrices = _matrices(session, options)
    integer = any(target.delivery.bit_depth != "32f" for target in usual)
    heard, recalled = hear_or_recall(layout, matrices, options, peaks=peaks and integer)
    refused, foreseen = foreseen_clipping(session, heard.levels, usual, layout.families)
    places = [(target.delivery.place, whole_place(target.folder)) for target in usual]
    refused += [replaced(problem, place=place) for place, problem in places if problem is not None]
    return replaced(
        _measured(layout, heard, matrices, options),
        recalled=recalled,
        stems=stems,
        warnings=(*_advice(session, heard, stems, usual), *foreseen),
        refused=tuple(refused),
    )


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
        stems = _survey(session, options)
        matrices = _matrices(session, options)
        heard = hear_whole(layout, matrices, options, transaction.destination())
        warnings = _advice(session, heard, stems, deliveries.targets or plan_targets(session.plan))
        several = len(deliveries.targets) > 1
        warnings += judge_levels(session, heard.levels, heard.outputs, several=several)
        if not replace:
            transaction.refuse_replacing_finished(heard, remake=remake)
        warnings += time_advice(session, deliveries.targets)
        measured = _measured(layout, heard, matrices, options)
        result = replaced(
            _delivered(measured, heard, layout.families, transaction),
            stems=stems,
            warnings=(*warnings, *left_over_advice(transaction.left_over)),
        )
        transaction.write_reports(result, report)
        transaction.commit(progress)
    return result


def _survey(session: Session, options: PassOptions) -> tuple[SurveyedFile, ...]:
    """Look into the files of the stems; an excerpt costs its own length only."""
    if session.excerpt is not None:
        return ()
    return survey_stems(session, cache=options.cache, workers=options.workers, progress=options.progress)


def _matrices(session: Session, options: PassOptions) -> Matrices:
    options.progress("preparing responses", 0, 1)
    return response_matrices(session)


def _advice(
    session: Session, heard: Heard, stems: Sequence[SurveyedFile], targets: Sequence[DeliveryTarget]
) -> list[Problem]:
    """What is worth knowing of plan, signals and stems, whether files are written or not."""
    return [
        *session.warnings,
        *plan_advice(session),
        *signal_advice(session, heard.statistics),
        *stem_advice(session, stems),
        *_changed_stems(session, stems, targets),
        *passage_advice(session.plan, heard.frames / session.sample_rate),
    ]


def _changed_stems(
    session: Session, stems: Sequence[SurveyedFile], targets: Sequence[DeliveryTarget]
) -> list[Problem]:
    """Notes on stems that are not those of the last render in the first of these folders that has one."""
    if not stems:
        return []
    digest = plan_digest(session)
    for target in targets:
        earlier = earlier_stems(session, target.folder, digest=digest)
        if earlier:
            return changed_stem_advice(session, stems, earlier, target.folder.name)
    return []


def _measured(layout: BusLayout, heard: Heard, matrices: Matrices, options: PassOptions) -> Rendering:
    """Figures of a pass, without files and without advice."""
    session = layout.session
    names: list[str] = [bus.name for bus in layout.buses]
    sums = {name: heard.powers.sums(row) for row, name in enumerate(names)}
    in_speech_band = None
    if heard.speech_band is not None:
        in_speech_band = {name: heard.speech_band.sums(row) for row, name in enumerate(names)}
    return Rendering(
        session=session,
        frames=heard.frames,
        buses=figures_of_buses(layout, heard.levels, sums, matrices, options),
        sends=figures_of_sends(layout, heard.powers),
        families=(),
        outputs={},
        folder=None,
        warnings=(),
        margins=margins_of_plan(session.plan, sums, in_speech_band, sample_rate=session.sample_rate),
        passages=passages_of_plan(session.plan, sums, sample_rate=session.sample_rate),
        hop_sums=sums,
        recalled=False,
    )


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
