"""What a session reaches of its targets; nothing is solved."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from roomplan.balance.record import Record, hearing_targets, keeping, open_record
from roomplan.balance.verifying import TargetResult, results_at
from roomplan.rendering.answers import hear_or_recall
from roomplan.rendering.bus_layout import lay_out
from roomplan.rendering.kept_decays import KeptDecays
from roomplan.rendering.kept_pass import PassOptions
from roomplan.rendering.measure import measure_session
from roomplan.rendering.progress import silent_progress
from roomplan.session.output_files import plan_targets
from roomplan.session.response_matrices import response_matrices

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from roomplan.balance.speech import SpeechModel
    from roomplan.files.cache import Cache
    from roomplan.plan.targets import Target
    from roomplan.rendering.progress import Progress
    from roomplan.rendering.result import Rendering
    from roomplan.session.response_matrices import ResponseMatrix
    from roomplan.session.session import Session

__all__ = ["Judge", "measure_with_targets", "target_results"]


def measure_with_targets(
    session: Session,
    *,
    cache: Cache | None,
    peaks: bool = True,
    workers: int = 2,
    progress: Progress = silent_progress,
) -> tuple[Rendering, tuple[TargetResult, ...]]:
    """Figures of a session, and what it reaches of its targets, from one pass over the sound.

    Targets are those of a whole cue: of an excerpt none is judged.

    Parameters
    ----------
    cache : Cache or None
        As in `target_results`.
    peaks : bool
        Whether peaks are measured anew where deliveries of an integer format, which they may not fit, are
        judged by them and an earlier pass has none. A target that asks for them has them measured anyway.

    Returns
    -------
    rendering : Rendering
        As of `measure_session`; `recalled` only where the pass is an earlier one.
    results : tuple of TargetResult
    """
    targets = session.plan.targets if session.excerpt is None else ()
    judged = peaks and any(target.delivery.bit_depth != "32f" for target in plan_targets(session.plan))
    peaks = judged or any(target.kind == "true_peak" for target in targets)
    if not targets:
        return measure_session(session, workers=workers, progress=progress, cache=cache, peaks=peaks), ()
    with keeping(cache) as kept:
        # what the targets ask for beyond the plan is kept in the same pass, and left out of what is shown
        found = measure_session(
            hearing_targets(session, targets), workers=workers, progress=progress, cache=kept, peaks=peaks
        )
        asked = set(session.plan.margins)
        rendering = replace(
            found, session=session, margins=tuple(one for one in found.margins if one.margin in asked)
        )
        return rendering, target_results(session, targets, cache=kept, workers=workers, progress=progress)


def target_results(
    session: Session,
    targets: Sequence[Target],
    *,
    cache: Cache | None,
    workers: int = 2,
    progress: Progress = silent_progress,
) -> tuple[TargetResult, ...]:
    """What a session reaches of its targets; nothing is solved.

    Parameters
    ----------
    cache : Cache or None
        Where a pass over the same sounds is kept; without one they are measured again. A pass that was made
        for `record.hearing_targets(session, targets)` serves.
    """
    if not targets:
        return ()
    with keeping(cache) as kept:
        judge = Judge(session, targets, kept, workers, progress)
        wanted = any(target.kind == "true_peak" for target in targets)
        true_peak = judge.true_peak(session) if wanted else None
        return judge.results(session, true_peak)


class Judge:
    """What solving and checking share: responses, a record, and the octaves of the dry sounds."""

    def __init__(
        self, session: Session, targets: Sequence[Target], cache: Cache, workers: int, progress: Progress
    ) -> None:
        self.session = session
        self.targets = tuple(targets)
        self.matrices: Mapping[tuple[str, int], ResponseMatrix] = response_matrices(session)
        self.workers = workers
        self.progress = progress
        self._cache = cache
        self.record = open_record(
            session, targets, self.matrices, cache=cache, workers=workers, progress=progress
        )
        self.kept = KeptDecays(cache, [m.identity for m in self.matrices.values()], title=session.plan.title)
        self._dry: NDArray[np.float64] | None = None
        if any(target.kind == "least_sti" for target in targets):
            from roomplan.balance.speech import octave_powers  # which filters and convolves

            self._dry = octave_powers(session, cache=cache, workers=workers, progress=progress)
        self.speech = self.speech_at(session, self.record)

    def speech_at(self, session: Session, record: Record) -> SpeechModel | None:
        """How clear sung words are at the levels of a session, where a target asks for it."""
        if self._dry is None:
            return None
        from roomplan.balance.speech import SpeechModel

        return SpeechModel(session, self.targets, record, self.matrices, self._dry, workers=self.workers)

    def results(self, session: Session, true_peak: float | None) -> tuple[TargetResult, ...]:
        """Every target at the levels of a session."""
        return results_at(
            session,
            self.targets,
            self.record,
            self.matrices,
            true_peak=true_peak,
            speech=self.speech,
            kept=self.kept,
        )

    def true_peak(self, session: Session) -> float | None:
        """True peak of the mix, linear: known, or metered now and kept with the record."""
        known = self.record.true_peak(session)
        if known is not None:
            return known
        layout = lay_out(hearing_targets(session, self.targets))
        options = PassOptions(self.workers, self.progress, self._cache)
        measured, _recalled = hear_or_recall(layout, self.matrices, options, peaks=True)
        return measured.levels[0].peaks.true

    def measure_anew(self, session: Session) -> tuple[Record, float | None]:
        """Measure a session at its own levels alone: the record of that pass, and the true peak."""
        with keeping(None) as own:
            record = open_record(
                session,
                self.targets,
                self.matrices,
                cache=own,
                workers=self.workers,
                progress=self.progress,
            )
            peak = record.true_peak(session)
            # read now: the folder is about to go
            speech_band = None if record.speech_band is None else np.array(record.speech_band)
            return replace(record, factor=np.array(record.factor), speech_band=speech_band, entry=None), peak
