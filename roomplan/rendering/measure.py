"""Measure a session: the figures of a pass, made or recalled, and what to know of them.

Conventions
-----------
Every bus is metered, whether it is written or not.
"""

from __future__ import annotations

from dataclasses import replace as replaced
from typing import TYPE_CHECKING

from roomplan.rendering.advice import passage_advice, plan_advice, signal_advice, width_advice
from roomplan.rendering.answers import hear_or_recall
from roomplan.rendering.bus_layout import lay_out
from roomplan.rendering.earlier_stems import earlier_stems, plan_digest
from roomplan.rendering.finishing import foreseen_clipping
from roomplan.rendering.kept_pass import PassOptions
from roomplan.rendering.outside import whole_place
from roomplan.rendering.pass_figures import figures_of_buses, figures_of_sends
from roomplan.rendering.passages import margins_of_plan, passages_of_plan
from roomplan.rendering.progress import silent_progress
from roomplan.rendering.result import Rendering
from roomplan.rendering.stem_advice import changed_stem_advice, stem_advice
from roomplan.rendering.stem_survey import survey_stems
from roomplan.session.output_files import plan_targets
from roomplan.session.response_matrices import response_matrices

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from roomplan.errors import Problem
    from roomplan.files.cache import Cache
    from roomplan.rendering.bus_layout import BusLayout
    from roomplan.rendering.heard import Heard
    from roomplan.rendering.progress import Progress
    from roomplan.rendering.stem_survey import SurveyedFile
    from roomplan.session.output_files import DeliveryTarget
    from roomplan.session.response_matrices import ResponseMatrix
    from roomplan.session.session import Session

    Matrices = Mapping[tuple[str, int], ResponseMatrix]

__all__ = ["advice_of_pass", "figures_of_pass", "measure_session", "prepared_matrices", "survey"]


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
    all but the peaks follow from those, and with `peaks` that is not enough.
    """
    usual = plan_targets(session.plan)
    layout = lay_out(session)
    options = PassOptions(workers, progress, cache)
    stems = survey(session, options)
    matrices = prepared_matrices(session, options)
    heard, recalled = hear_or_recall(layout, matrices, options, peaks=peaks)
    refused, foreseen = foreseen_clipping(session, heard.levels, usual, layout.families)
    places = [(target.delivery.place, whole_place(target.folder)) for target in usual]
    refused += [replaced(problem, place=place) for place, problem in places if problem is not None]
    figures = figures_of_pass(layout, heard, matrices, options)
    advice = advice_of_pass(session, heard, stems, usual, cache)
    return replaced(
        figures,
        recalled=recalled,
        stems=stems,
        warnings=(*advice, *width_advice(session, figures.buses), *foreseen),
        refused=tuple(refused),
    )


def survey(session: Session, options: PassOptions) -> tuple[SurveyedFile, ...]:
    """Look into the files of the stems; an excerpt costs its own length only."""
    if session.excerpt is not None:
        return ()
    return survey_stems(session, cache=options.cache, workers=options.workers, progress=options.progress)


def prepared_matrices(session: Session, options: PassOptions) -> Matrices:
    """Responses of all sends; their samples are made when they are asked for."""
    options.progress("preparing responses", 0, 1)
    return response_matrices(session)


def advice_of_pass(
    session: Session,
    heard: Heard,
    stems: Sequence[SurveyedFile],
    targets: Sequence[DeliveryTarget],
    cache: Cache | None,
) -> list[Problem]:
    """What is worth knowing of plan, signals and stems, whether files are written or not."""
    return [
        *session.warnings,
        *plan_advice(session),
        *signal_advice(session, heard.statistics),
        *stem_advice(session, stems),
        *_changed_stems(session, stems, targets, cache),
        *passage_advice(session.plan, heard.frames / session.sample_rate),
    ]


def _changed_stems(
    session: Session,
    stems: Sequence[SurveyedFile],
    targets: Sequence[DeliveryTarget],
    cache: Cache | None,
) -> list[Problem]:
    """Notes on stems that are not those of the last render in the first of these folders that has one."""
    if not stems:
        return []
    digest = plan_digest(session)
    for target in targets:
        earlier = earlier_stems(session, target.folder, digest=digest, cache=cache)
        if earlier:
            return changed_stem_advice(session, stems, earlier, target.folder.name)
    return []


def figures_of_pass(layout: BusLayout, heard: Heard, matrices: Matrices, options: PassOptions) -> Rendering:
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
